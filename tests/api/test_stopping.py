"""A service that is told to stop (SIGTERM) closes its store and leaves nothing behind."""

from pathlib import Path

import httpx
from served_process import served


def test_it_leaves_the_record_alone_and_in_one_piece(tmp_path: Path) -> None:
    temporary, kept = tmp_path / "temporary", tmp_path / "kept"
    temporary.mkdir()
    kept.mkdir()
    with served(str(kept / "record.sqlite"), tmp_path, TMPDIR=str(temporary)) as address:
        made = httpx.post(f"{address}/fhir/Patient", json={"resourceType": "Patient"})
        assert made.status_code == 201
        assert list(temporary.iterdir()), "what the service works with lies here"
    assert not list(temporary.iterdir())
    assert [file.name for file in kept.iterdir()] == ["record.sqlite"], "its log is folded into it"
