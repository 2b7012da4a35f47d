"""The square code on paper that opens a page."""

from io import BytesIO

from markupsafe import Markup


def code_svg(address: str, label: str) -> Markup:
    """A QR code (ISO/IEC 18004, error correction M) of an address, as inline SVG."""
    import segno  # loaded with the first code only

    drawn = BytesIO()
    segno.make(address, error="m", micro=False).save(
        drawn, kind="svg", xmldecl=False, svgns=True, omitsize=True, border=4, svgclass="code",
        lineclass=None, nl=False, dark="#000", light="#fff",
    )  # fmt: skip
    svg = drawn.getvalue().decode("utf-8")
    named = Markup(' role="img" aria-label="{}"').format(label)
    return Markup(svg.replace("<svg", f"<svg{named}", 1))  # noqa: S704  (made of the code alone)
