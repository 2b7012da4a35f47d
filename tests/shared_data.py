"""Official conformance data and trade facts kept beside the project; not part of it."""

from pathlib import Path

import pytest

_ROOT = Path(__file__).resolve().parent.parent.parent / "shared"


def shared(relative: str) -> Path:
    """Path of a file or folder of the reference data; skips the test where it is absent."""
    path = _ROOT / relative
    if not path.exists():
        pytest.skip(f"reference data {relative} is not beside this checkout")
    return path
