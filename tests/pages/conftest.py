"""A browser for the tests of pages."""

from collections.abc import Iterator
from typing import Any

import pytest
from browsers import browser


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with browser() as opened:
        yield opened
