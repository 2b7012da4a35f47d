"""What belongs to a patient (R4 compartmentdefinition-patient.html, the committed facts of it)."""

from search_language import parameters

from service.api.types import APPENDED, RECORDED
from service.fhir.r4.tables import compartments


def test_every_way_into_the_compartment_is_a_parameter_that_is_served() -> None:
    """Else what is found by it alone would silently be missing from the child's record."""
    ways = compartments()["Patient"]
    missing = {
        f"{type_}:{name}"
        for type_ in (*RECORDED, *APPENDED)
        for name in ways.get(type_, ())
        if name not in parameters().of_type(type_)
    }
    assert missing == set()
    assert len([type_ for type_ in RECORDED if type_ in ways]) > 15
