"""A browser for tests of pages: the system's chromium with playwright, or a reason to skip."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

_NAMES = ("chromium", "chromium-browser", "google-chrome")


@contextmanager
def browser() -> Iterator[Any]:
    """Skips the test where playwright or a chromium is missing."""
    playwright = pytest.importorskip(
        "playwright.sync_api", reason="playwright is not installed: pip install '.[browser]'"
    )
    path = next(filter(None, map(shutil.which, _NAMES)), None)
    if path is None:
        pytest.skip("there is no chromium on this machine: apt-get install chromium")
    with playwright.sync_playwright() as started:
        opened = started.chromium.launch(executable_path=path, args=["--no-sandbox"])
        try:
            yield opened
        finally:
            opened.close()


def faults_of_access(page: Any) -> list[str]:
    """What axe-core finds against WCAG and its best practices: rule and place."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    found = axe.Axe().run(page).response["violations"]
    return [f"{one['id']}: {node['html'][:120]}" for one in found for node in one["nodes"]]
