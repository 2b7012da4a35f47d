"""Narratives by their tags: what is accepted for its skeleton would be accepted as a whole."""

from hypothesis import given, settings
from hypothesis import strategies as st

from service.fhir.fast.leaves import Narratives
from service.fhir.fhirpath.html import narrative_fault

DIV = '<div xmlns="http://www.w3.org/1999/xhtml">'
ACCEPTS = Narratives()
"""One for all examples, so that it has learnt from the ones before."""

pieces = st.sampled_from(
    [
        "<p>", "</p>", "<b>", "</b>", "<br/>", "<ul>", "<li>", "</li>", "</ul>", "text", " ",
        "x > y", "é", "&amp;", "&nbsp;", "&lt;script&gt;", "&x", "\u00a0", "\x07", "]]>", "<", ">",
        '<a title="a">', '<a title="a>">', '<a title="a>b" href="#x">', "<a title='>'>", "</a>",
        '<a title="a>" onclick="x()">', '<p onclick="x()">', "<script>", "</script>", "<!-- x -->",
        "<!-- > -->", "<!-- < -->", "<![CDATA[x]]>", "<![CDATA[<p>]]>", "<?x?>", "</div>", DIV,
        '<img src="x.png"/>', "<p\n>", "<p/>",
    ]
)  # fmt: skip


@settings(max_examples=1500)
@given(st.lists(pieces, max_size=8))
def test_what_is_accepted_has_no_fault(inner: list[str]) -> None:
    for div in (DIV + "".join(inner) + "</div>", "".join(inner)):
        assert not ACCEPTS(div) or narrative_fault(div) is None


def test_plain_text_between_the_same_tags_is_as_good() -> None:
    accepts = Narratives()
    for words in ("one", "two  words", "drei: Wörter!", "4 > 3 is not plain"):
        assert accepts(f"{DIV}<p>{words}</p></div>")
    for words in ("", " ", "<b>", "&", "\x07", "]]>"):
        assert not accepts(f"{DIV}<p>{words}</p></div>")


def test_no_attribute_hides_in_text() -> None:
    accepts = Narratives()
    assert accepts(f'{DIV}<a title="a>b">text</a></div>')
    assert not accepts(f'{DIV}<a title="a>" onclick="x()">text</a></div>')
    assert accepts(f'{DIV}<a title="a">text</a></div>')
    assert not accepts(f'{DIV}<a title="a" onclick="x()">text</a></div>')
