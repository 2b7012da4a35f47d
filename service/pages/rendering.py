"""Templates into HTML. They are compiled once, when the first page is asked for.

What others wrote comes out of the words between isolates and becomes an element of its own with
its own language and direction; everything is escaped.
"""

import re
from functools import cache
from importlib import resources
from typing import Any
from unicodedata import bidirectional

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from service.pages.codes import code_svg
from service.words import END_ISOLATE, ISOLATE, Words

_OTHERS = re.compile(f"{ISOLATE}(.*?){END_ISOLATE}", re.DOTALL)
_NUMBERS = re.compile(r"(?<![A-Za-z\d])[+\-\u2212\u200e]*\d+(?:[.,:]\d+)*")
_STRONG = frozenset({"L", "R", "AL"})


def rendered(template: str, words: Words, **values: Any) -> str:
    """A page in the language of ``words``. ``plan``, where there is one, says what its own
    language is."""
    own = getattr(values.get("plan"), "language", None)

    def shown(text: str, *, big: bool = False) -> Markup:
        return _shown(text, own, big)

    def text(english: str, **parts: Any) -> Markup:
        return shown(words.text(english, **parts))

    def plural(one: str, many: str, n: int, **parts: Any) -> Markup:
        return shown(words.plural(one, many, n, **parts))

    def quoted(written: str) -> Markup:
        return shown(words.quoted(written))

    def block(written: str, kind: str = "theirs", tag: str = "p") -> Markup:
        made = Markup('<{tag} class="{kind}"{own}>{written}</{tag}>')
        return made.format(tag=tag, kind=kind, own=_of_its_own(written, own), written=written)

    return (
        environment()
        .get_template(template)
        .render(
            words=words, shown=shown, text=text, plural=plural, quoted=quoted, block=block, **values
        )
    )


@cache
def environment() -> Environment:
    """The templates of every page."""
    made = Environment(
        loader=PackageLoader("service.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals |= {"drawing": drawing, "code_svg": code_svg}
    return made


@cache
def drawing(name: str) -> Markup:
    """One of the project's line drawings. Decoration: the words beside it say the same."""
    file = resources.files("service.pages").joinpath("drawings", f"{name}.svg")
    svg = file.read_text(encoding="utf-8").strip()
    return Markup(f'<span class="pic">{svg}</span>')  # noqa: S704  (our own file)


def _shown(text: str, language: str | None, big: bool) -> Markup:
    """Our words, with numbers large where asked, and the words of others apart."""
    pieces = []
    for at, piece in enumerate(_OTHERS.split(text)):
        if at % 2:
            isolated = f"{ISOLATE}{piece}{END_ISOLATE}"  # for paper, where bdi alone does nothing
            pieces.append(Markup("<bdi{}>{}</bdi>").format(_of_its_own(piece, language), isolated))
        else:
            pieces.append(_enlarged(piece) if big else escape(piece))
    return Markup("").join(pieces)


def _of_its_own(text: str, language: str | None) -> Markup:
    """The attributes of what others wrote: its language, and its direction by its first letter."""
    found = next((way for letter in text if (way := bidirectional(letter)) in _STRONG), "L")
    lang = Markup(' lang="{}"').format(language) if language else ""
    return Markup('{} dir="{}"').format(lang, "ltr" if found == "L" else "rtl")


def _enlarged(text: str) -> Markup:
    safe = str(escape(text))
    # Character references hold digits; they are left as they are.
    parts = re.split(r"(&#?\w+;)", safe)
    made = [
        part if at % 2 else _NUMBERS.sub(lambda found: f'<b class="n">{found[0]}</b>', part)
        for at, part in enumerate(parts)
    ]
    return Markup("".join(made))  # noqa: S704  (escaped above)
