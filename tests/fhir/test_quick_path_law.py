"""What the quick path calls clean has no error and no warning, whatever is done to a document."""

from edits import edited
from hypothesis import HealthCheck, given, settings
from profile_files import PASSING
from quick_path import JUDGED, both, law_holds

from service.fhir.json import read, write

DOCUMENTS = [read(file.read_bytes()) for file in PASSING]

laws = settings(max_examples=400, deadline=None, suppress_health_check=list(HealthCheck))


@laws
@given(edited(DOCUMENTS))
def test_edited_documents(document: object) -> None:
    law_holds(write(document))


@laws
@given(edited(DOCUMENTS, most=1))
def test_documents_with_one_edit_in_a_row(document: object) -> None:
    """The same text twice: what has been remembered changes no answer."""
    text = write(document)
    assert law_holds(text) == law_holds(text)


def test_order_of_properties_is_no_matter() -> None:
    quick, _ = both()
    for document in (read(file.read_bytes()) for file in JUDGED):
        turned = dict(reversed(document.items()))
        assert quick.is_clean(turned)
        assert quick.is_clean_text(write(turned))
