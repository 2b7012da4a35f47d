"""fhir-kit-client from npm, unmodified, driven by node over a socket.

``npm ci`` in ``tests/clients/node`` installs it; without it, or without node 20, this is skipped.
"""

import json
import shutil
import subprocess
from pathlib import Path

import client_programme as sent
import pytest

NODE = Path(__file__).parent / "node"


@pytest.mark.skipif(shutil.which("node") is None, reason="node is not installed")
@pytest.mark.skipif(
    not (NODE / "node_modules").is_dir(), reason="npm ci was not run in tests/clients/node"
)
def test_a_whole_visit(base: str, mark: str) -> None:
    told = {
        "base": base,
        "mark": mark,
        "children": sent.CHILDREN,
        "transaction": sent.transaction(mark),
        "sessions": sent.sessions("Patient/to-be-named", mark),
    }
    ran = subprocess.run(
        ["node", "visit.mjs"],
        cwd=NODE,
        input=json.dumps(told),
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
