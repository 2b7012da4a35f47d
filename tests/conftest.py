"""For all tests: nothing is left on the disk, and laws are not timed.

A slow machine fails no law. What else a run is set to stays as it is.
"""

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from engines import forget, spare_the_disk
from hypothesis import settings

settings.register_profile("untimed", settings(), deadline=None)
settings.load_profile("untimed")
spare_the_disk()


@pytest.fixture(autouse=True, scope="session")
def what_killed_servers_leave_goes_with_the_run(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        folder = str(tmp_path_factory.mktemp("left"))
        patch.setenv("TMPDIR", folder)
        patch.setattr(tempfile, "tempdir", folder)
        yield


@pytest.fixture(autouse=True)
def databases_go_with_their_test(request: pytest.FixtureRequest) -> Iterator[None]:
    """Set up first, so that it ends last: when nothing is open any more."""
    yield
    folder = request.node.funcargs.get("tmp_path")
    if isinstance(folder, Path):
        forget(folder)
