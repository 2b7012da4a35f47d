"""What stands on an HTML page: its words, with the language that they are in."""

from dataclasses import dataclass
from html.parser import HTMLParser

_BLOCKS = {"p", "li", "h1", "h2", "h3", "dt", "dd", "td", "th", "figcaption", "title"}
_WITHOUT_END = {"meta", "br", "path", "rect", "circle", "link", "img"}


@dataclass(frozen=True)
class Piece:
    """A stretch of text: of which language, whether it is within ``bdi`` or a block of its own
    (``theirs``), and the number of the block that it is in."""

    text: str
    language: str
    theirs: bool
    block: int


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.pieces: list[Piece] = []
        self.ids: list[str] = []
        self._open: list[tuple[str, str, bool]] = []
        self._block = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        if tag in _BLOCKS:
            self._block += 1
        if tag in _WITHOUT_END:
            return
        language, theirs = self._open[-1][1:] if self._open else ("", False)
        own = tag == "bdi" or "theirs" in (named.get("class") or "")
        self._open.append((tag, named.get("lang") or language, theirs or own))

    def handle_endtag(self, tag: str) -> None:
        if tag in _WITHOUT_END:
            return
        assert self._open, f"</{tag}> without beginning"
        assert self._open.pop()[0] == tag, f"</{tag}> out of order"
        if tag in _BLOCKS:
            self._block += 1

    def handle_data(self, data: str) -> None:
        tags = {tag for tag, _, _ in self._open}
        if data.strip() and not tags & {"style", "svg"}:
            plain = data.translate(dict.fromkeys(map(ord, "\u2068\u2069")))
            _, language, theirs = self._open[-1]
            self.pieces.append(Piece(plain, language, theirs, self._block))


def pieces(html: str) -> list[Piece]:
    """Every stretch of text in order. Fails for elements that are not closed in order."""
    reader = _Reader()
    reader.feed(html)
    reader.close()
    assert not reader._open, reader._open
    return reader.pieces


def text_of(html: str) -> str:
    """All words of the page's body, blanks made single."""
    return " ".join(filter(None, blocks(html)))


def blocks(html: str, *, ours_only: bool = False) -> list[str]:
    """Text by block; without the words of others where asked."""
    found: dict[int, list[str]] = {}
    for piece in pieces(html):
        if not (ours_only and piece.theirs):
            found.setdefault(piece.block, []).append(piece.text)
    return [" ".join("".join(parts).split()) for parts in found.values()]
