"""A page on paper: PDF that fits one sheet where it can.

The same HTML as on the screen. Text is made smaller, within what can still be read, until it fits
one page; what does not fit then goes on a second page, because nothing may be cut.
"""

from typing import Any

_SIZES = (14.0, 13.0, 12.5, 12.0, 11.5, 11.0, 10.5, 10.0, 9.5, 9.0, 8.5, 8.0, 7.5, 7.0)
"""Of the text, in points, greatest first."""
_FONTS = '"DejaVu Sans Condensed", "DejaVu Sans", "Noto Sans", "Noto Sans Arabic", sans-serif'


class PaperError(Exception):
    """PDF cannot be made on this machine: the system library that lays text out is missing."""


def pdf(html: str) -> bytes:
    """The page as PDF, with its fonts inside and its text in reading order. Raises PaperError."""
    fitting = None
    low, high = 0, len(_SIZES) - 1
    while low <= high:
        middle = (low + high) // 2
        document = _laid_out(html, _SIZES[middle])
        if len(document.pages) == 1:
            fitting, high = document, middle - 1
        else:
            low = middle + 1
    made = fitting or _laid_out(html, _SIZES[-1])
    written: bytes = made.write_pdf(pdf_variant="pdf/ua-1")
    return written


def _laid_out(html: str, size: float) -> Any:
    weasyprint = _library()
    style = f"html {{ font-size: {size}pt !important }} body {{ font-family: {_FONTS} !important }}"
    nothing = weasyprint.urls.URLFetcher(allowed_protocols=())  # a page is whole by itself
    page = weasyprint.HTML(string=html, url_fetcher=nothing)
    return page.render(stylesheets=[weasyprint.CSS(string=style)])


def _library() -> Any:
    """Loaded when paper is first asked for: it is slow, and it needs pango."""
    try:
        import weasyprint  # type: ignore[import-untyped]
    except OSError as error:
        raise PaperError(
            "PDF needs the pango library, which this machine does not have."
        ) from error
    return weasyprint
