"""What counts as one resource in a file."""

from pathlib import Path

import pytest

from service.cli.pieces import pieces

PATIENT = b'{"resourceType":"Patient"}'


@pytest.mark.parametrize(
    ("name", "text", "lines"),
    [
        ("one.json", PATIENT, [1]),
        ("pretty.json", b'{\n  "resourceType": "Patient"\n}\n', [1]),
        ("bundle.json", b'{\n"resourceType": "Bundle",\n"entry": [\n{"fullUrl": "a"}\n]}', [1]),
        ("two.json", PATIENT + b"\n" + PATIENT + b"\n", [1, 2]),
        ("blank-lines.ndjson", PATIENT + b"\n\n  \n" + PATIENT, [1, 4]),
        ("windows.ndjson", PATIENT + b"\r\n" + PATIENT + b"\r\n", [1, 2]),
        ("not-json-between.json", PATIENT + b"\nnot json\n" + PATIENT, [1, 2, 3]),
        ("not-json-first.json", b"not json\n" + PATIENT, [1, 2]),
        ("not-json.json", b"not json at all", [1]),
        ("broken-pretty.json", b'{\n  "resourceType": "Patient",\n  "name": [\n', [1]),
        ("one-bad-line.ndjson", b"not json", [1]),
        ("empty.json", b"", []),
        ("blank.json", b" \n\n", []),
    ],
)
def test_resources_of_a_file(tmp_path: Path, name: str, text: bytes, lines: list[int]) -> None:
    file = tmp_path / name
    file.write_bytes(text)
    assert [piece.line for piece in pieces(file)] == lines


def test_the_text_of_a_piece_is_the_text_of_the_file(tmp_path: Path) -> None:
    file = tmp_path / "two.ndjson"
    file.write_bytes(PATIENT + b'\n{"resourceType":"Goal"}')
    assert [piece.text for piece in pieces(file)] == [PATIENT, b'{"resourceType":"Goal"}']
