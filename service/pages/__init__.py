"""What people look at: pages in the family's language, for screen and paper.

Takes documents of the trade and words; knows no record, no HTTP and no FHIR. A page of its own is
a template that extends ``base.html`` (and may import ``parts.html``), its drawings are SVG files in
``drawings/``, and ``rendered`` makes it.
"""

from service.pages.rendering import drawing, rendered
from service.pages.sheet import COPIES, PAPERS, Change, Copy, Paper, Sheet, sheet_html

__all__ = [
    "COPIES", "PAPERS", "Change", "Copy", "Paper", "Sheet", "drawing", "rendered", "sheet_html",
]  # fmt: skip
