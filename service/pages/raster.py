"""A drawing as pixels, for records that take pictures and no SVG."""

_TIMES = 3
"""Pixels of a unit of the drawing: sharp on paper at half a page's width."""


class RasterError(Exception):
    """PNG cannot be made on this machine."""


def png(svg: str) -> bytes:
    """The drawing as PNG on white. Raises RasterError."""
    try:
        import resvg_py  # loaded when pixels are first asked for
    except ImportError as error:
        raise RasterError("PNG needs resvg-py, which is not installed here.") from error
    drawn: bytes = bytes(resvg_py.svg_to_bytes(svg_string=svg, zoom=_TIMES, background="#ffffff"))
    return drawn
