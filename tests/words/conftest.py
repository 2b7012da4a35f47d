"""Words that raise where a translation is missing."""

from collections.abc import Iterator
from gettext import NullTranslations

import pytest

from service.words import offered
from service.words.languages import catalogue


class _Missing(NullTranslations):
    def gettext(self, message: str) -> str:
        raise AssertionError(f"no translation of {message!r}")

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:  # noqa: ARG002
        raise AssertionError(f"no translation of {msgid1!r}")


@pytest.fixture(autouse=True, scope="session")
def strict() -> Iterator[None]:
    """For all languages but the source, whose messages are the code's own."""
    translations = [catalogue(code) for code in offered()[1:]]
    for one in translations:
        one.add_fallback(_Missing())
    yield
    for one in translations:
        one._fallback = None  # type: ignore[attr-defined]
