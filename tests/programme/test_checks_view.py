"""A document that its model has read is judged as its JSON is, which is read value by value."""

import pytest
from hypothesis import given
from strategies import programmes
from trade_examples import programme

from service.programme.checks import check_cautions, check_programme, why_not_computable
from service.programme.checks.view import View
from service.programme.plan import Programme


@given(programmes())
def test_every_value_is_the_same(document: Programme) -> None:
    known = View.of(document).everything()
    read = View(Programme, document.to_json(), "Programme").everything()
    for one, other in zip(known, read, strict=True):
        assert (one.path, one.model) == (other.path, other.model)
        names = [field.alias for field in one.model.model_fields.values()]
        assert [one.value(name) for name in names] == [other.value(name) for name in names]


@given(programmes())
def test_cautions_are_the_same(document: Programme) -> None:
    for asked in (document, document.model_copy(update={"override": ()})):
        found, read = check_cautions(asked), check_programme(asked.to_json())
        assert found.problems == read.problems
        assert (found.accepted, found.warnings) == (read.accepted, read.warnings)


@pytest.mark.parametrize(
    "changes",
    [
        {"timeZone": [{"zone": "Europe/Atlantis"}]},
        {"start": "2031-05-01", "end": "2031-04-01"},
        {"regimen": [programme()["regimen"][0] | {"schedule": {"frequency": 2}}]},
    ],
    ids=["zone", "dates", "schedule"],
)
def test_why_days_cannot_be_told_is_the_same(changes: dict[str, object]) -> None:
    raw = programme(**changes)
    found = check_programme(raw).problems
    assert found
    assert why_not_computable(Programme.model_validate(raw)) == found
