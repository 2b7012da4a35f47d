"""FHIRPath Patch, against R4 fhirpatch.html and what its official cases show.

The cases are those of FHIR/fhir-test-cases (r4/patch/fhir-path-tests.xml), told here with data of
our own.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.json import read, write
from service.fhir.patch import FhirPathPatch, InapplicablePatchError, MalformedPatchError
from service.fhir.type_model import R4


def operation(kind, path, **rest):
    """``value``: a dictionary with one typed value (or parts); numbers and name as they are."""
    parts = [{"name": "type", "valueCode": kind}, {"name": "path", "valueString": path}]
    for name, value in rest.items():
        if name == "value":
            parts.append({"name": name} | value)
        else:
            key = "valueString" if name == "name" else "valueInteger"
            parts.append({"name": name, key: value})
    return {"name": "operation", "part": parts}


def patched(resource, *operations):
    untouched = write(resource)
    parameters = {"resourceType": "Parameters", "parameter": list(operations)}
    result = FhirPathPatch(parameters, R4)(resource)
    assert write(resource) == untouched
    return result


def child(**rest):
    return {"resourceType": "Patient"} | rest


def identifiers(*values):
    return [{"value": value} for value in values]


# -- the official cases ---------------------------------------------------------------------------


def test_no_operation_no_difference():
    assert patched(child(birthDate="2020-01-01")) == child(birthDate="2020-01-01")


@pytest.mark.parametrize(
    ("before", "asked", "after"),
    [
        (
            child(birthDate="2020-01-01"),
            operation("replace", "Patient.birthDate", value={"valueDate": "2021-02-03"}),
            child(birthDate="2021-02-03"),
        ),
        (child(birthDate="2020-01-01"), operation("delete", "Patient.birthDate"), child()),
        (
            child(),
            operation("add", "Patient", name="birthDate", value={"valueDate": "2021-02-03"}),
            child(birthDate="2021-02-03"),
        ),
        (
            child(contact=[{"name": {"text": "n"}, "gender": "male"}]),
            operation("replace", "Patient.contact[0].name.text", value={"valueString": "m"}),
            child(contact=[{"name": {"text": "m"}, "gender": "male"}]),
        ),
        (
            # What is left empty goes too.
            child(contact=[{"name": {"text": "n"}, "gender": "male"}]),
            operation("delete", "Patient.contact[0].name.text"),
            child(contact=[{"gender": "male"}]),
        ),
        (
            child(contact=[{"name": {"text": "n"}}]),
            operation("add", "Patient.contact[0]", name="gender", value={"valueCode": "male"}),
            child(contact=[{"name": {"text": "n"}, "gender": "male"}]),
        ),
        (
            child(maritalStatus={"id": "1", "text": "x"}),
            operation(
                "replace",
                "Patient.maritalStatus",
                value={"valueCodeableConcept": {"id": "2", "text": "y"}},
            ),
            child(maritalStatus={"id": "2", "text": "y"}),
        ),
        (
            child(),
            operation(
                "add",
                "Patient",
                name="contact",
                value={"part": [{"name": "name", "valueHumanName": {"text": "n"}}]},
            ),
            child(contact=[{"name": {"text": "n"}}]),
        ),
        (
            child(contact=[{"name": {"text": "n"}}]),
            operation("delete", "Patient.contact[0]"),
            child(),
        ),
        (
            child(identifier=identifiers("1", "2")),
            operation(
                "insert", "Patient.identifier", index=2, value={"valueIdentifier": {"value": "3"}}
            ),
            child(identifier=identifiers("1", "2", "3")),
        ),
        (
            child(identifier=identifiers("1", "2")),
            operation(
                "insert", "Patient.identifier", index=0, value={"valueIdentifier": {"value": "3"}}
            ),
            child(identifier=identifiers("3", "1", "2")),
        ),
        (
            child(identifier=identifiers("1", "2", "3", "4")),
            operation("move", "Patient.identifier", source=0, destination=3),
            child(identifier=identifiers("2", "3", "4", "1")),
        ),
        (
            child(identifier=identifiers("1", "2", "3", "4")),
            operation("move", "Patient.identifier", source=3, destination=0),
            child(identifier=identifiers("4", "1", "2", "3")),
        ),
        (
            child(text={"status": "generated", "div": "<div>1</div>"}),
            operation("replace", "Patient.text.div", value={"valueString": "<div>2</div>"}),
            child(text={"status": "generated", "div": "<div>2</div>"}),
        ),
    ],
)  # fmt: skip
def test_what_operations_do(before, asked, after):
    assert patched(before, asked) == after


def test_an_element_that_is_not_there_cannot_be_added_to():
    before = child(identifier=[{"use": "official", "value": "1"}])
    path = "Patient.identifier.where(use = 'official').period"
    asked = operation("add", path, name="end", value={"valueDateTime": "2021-12-01"})
    with pytest.raises(InapplicablePatchError):
        patched(before, asked)


# -- beyond them ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("before", "asked", "after"),
    [
        (
            {"resourceType": "Observation", "valueString": "x", "_valueString": {"id": "a"}},
            operation("replace", "Observation.value", value={"valueInteger": 3}),
            {"resourceType": "Observation", "valueInteger": 3},
        ),
        (
            {"resourceType": "Observation", "component": [{"code": {"text": "a"}}]},
            operation(
                "add",
                "Observation.component.where(code.text = 'a')",
                name="value",
                value={"valueQuantity": {"value": 3}},
            ),
            {
                "resourceType": "Observation",
                "component": [{"code": {"text": "a"}, "valueQuantity": {"value": 3}}],
            },
        ),
        (
            child(name=[{"given": ["A", "B"], "_given": [None, {"id": "b"}]}]),
            operation("move", "Patient.name[0].given", source=1, destination=0),
            child(name=[{"given": ["B", "A"], "_given": [{"id": "b"}, None]}]),
        ),
        (
            child(name=[{"given": ["A", "B"], "_given": [None, {"id": "b"}]}]),
            operation("delete", "Patient.name.given[1]"),
            child(name=[{"given": ["A"]}]),
        ),
        (
            child(name=[{"given": ["A", "B"]}]),
            operation("replace", "Patient.name.given.where($this = 'B')",
                      value={"valueString": "C", "_valueString": {"id": "c"}}),
            child(name=[{"given": ["A", "C"], "_given": [None, {"id": "c"}]}]),
        ),
        (
            child(birthDate="2020-01-01"),
            operation(
                "add",
                "Patient.birthDate",
                name="extension",
                value={
                    "part": [
                        {"name": "url", "valueUri": "urn:x"},
                        {"name": "value", "valueBoolean": True},
                    ]
                },
            ),
            child(
                birthDate="2020-01-01",
                _birthDate={"extension": [{"url": "urn:x", "valueBoolean": True}]},
            ),
        ),
        (
            child(birthDate="2020-01-01", _birthDate={"extension": [{"url": "urn:x"}]}),
            operation("delete", "Patient.birthDate.extension('urn:x')"),
            child(birthDate="2020-01-01"),
        ),
        (
            child(),
            operation("add", "Patient", name="contained",
                      value={"resource": {"resourceType": "Organization", "id": "o"}}),
            child(contained=[{"resourceType": "Organization", "id": "o"}]),
        ),
        (child(), operation("delete", "Patient.name"), child()),
        (
            child(),
            operation("insert", "Patient.name", index=0,
                      value={"valueHumanName": {"text": "n"}}),
            child(name=[{"text": "n"}]),
        ),
    ],
)  # fmt: skip
def test_choices_companions_and_lists(before, asked, after):
    assert patched(before, asked) == after


def test_digits_are_kept():
    before = read('{"resourceType":"Observation","component":[{"valueQuantity":{"value":12.50}}]}')
    value = {"valueQuantity": read('{"value":0.10}')}
    asked = operation("add", "Observation", name="value", value=value)
    assert write(patched(before, asked)) == write(before)[:-1] + b',"valueQuantity":{"value":0.10}}'


INAPPLICABLE = {
    "several": operation("replace", "Patient.name", value={"valueHumanName": {}}),
    "several to delete": operation("delete", "Patient.name"),
    "none": operation("replace", "Patient.birthDate", value={"valueDate": "2020"}),
    "there already": operation("add", "Patient", name="gender", value={"valueCode": "male"}),
    "no such name": operation("add", "Patient", name="colour", value={"valueCode": "male"}),
    "no such path": operation("delete", "Patient.colour"),
    "another type": operation("delete", "Observation.status"),
    "another kind": operation("add", "Patient", name="photo", value={"valueString": "x"}),
    "no such choice": operation("add", "Patient", name="deceased", value={"valueString": "x"}),
    "past the end": operation(
        "insert", "Patient.name", index=3, value={"valueHumanName": {"text": "x"}}
    ),
    "move from nowhere": operation("move", "Patient.name", source=2, destination=0),
    "move to nowhere": operation("move", "Patient.name", source=0, destination=2),
    "no list": operation("move", "Patient.gender", source=0, destination=0),
    "chosen elements are no list": operation(
        "move", "Patient.name.where(text='a')", source=0, destination=0
    ),
    "the resource": operation("delete", "Patient"),
    "a computed value": operation("delete", "Patient.name.count()"),
    "no text": operation("insert", "Patient.name[0].given", index=0, value={"valueHumanName": {}}),
}
MALFORMED = {
    "unfinished path": operation("delete", "Observation.component.where(code.text='x'"),
    "unknown kind": operation("remove", "Patient.name"),
    "no value": operation("replace", "Patient.name"),
    "no name": operation("add", "Patient", value={"valueDate": "2020"}),
    "no index": operation("insert", "Patient.name", value={"valueHumanName": {}}),
    "index below zero": operation("move", "Patient.name", source=-1, destination=0),
    "two values": operation(
        "replace", "Patient.birthDate", value={"valueDate": "2020", "valueString": "x"}
    ),
    "an empty value": operation("replace", "Patient.birthDate", value={}),
    "regular expressions": operation("delete", "Patient.name.where(text.matches('(a+)+b'))"),
    "a walk over everything": operation("delete", "Patient.descendants()[0]"),
    "equal elements as one": operation("delete", "Patient.name | Patient.name"),
    "a variable": operation("delete", "Patient.name.where(%resource.exists())"),
    "other resources": operation("delete", "Patient.generalPractitioner.resolve().name"),
    "a long path": operation("delete", "Patient.name" + "[0]" * 400),
    "deep brackets": operation("delete", "(" * 300 + "Patient" + ")" * 300),
    "a stranger": {"name": "other"},
    "text": "operation",
    "a stranger within": {"name": "operation", "part": [{"name": "colour", "valueString": "x"}]},
    "twice": {
        "name": "operation",
        "part": [{"name": "type", "valueCode": "delete"}, {"name": "type", "valueCode": "add"}],
    },
}


@pytest.mark.parametrize("asked", INAPPLICABLE.values(), ids=INAPPLICABLE)
def test_what_cannot_be_applied(asked):
    before = child(name=[{"text": "a", "given": ["x"]}, {"text": "b"}], gender="male")
    with pytest.raises(InapplicablePatchError) as caught:
        patched(before, asked)
    assert caught.value.finding.expression.startswith("Parameters.parameter[0]")


@pytest.mark.parametrize("asked", MALFORMED.values(), ids=MALFORMED)
def test_what_makes_no_sense(asked):
    with pytest.raises(MalformedPatchError) as caught:
        patched(child(), asked)
    assert caught.value.finding.expression.startswith("Parameters.parameter[0]")


@pytest.mark.parametrize("parameters", [[], None, {"resourceType": "Patient"}])
def test_what_is_no_parameters_resource(parameters):
    with pytest.raises(MalformedPatchError):
        FhirPathPatch(parameters, R4)


@given(st.lists(st.text("abc", min_size=1), min_size=1, max_size=5), st.data())
def test_operations_and_their_inverses(values, data):
    before = child(identifier=identifiers(*values))
    place = data.draw(st.integers(0, len(values)))
    added = {"valueIdentifier": {"value": "new"}}
    insert = operation("insert", "Patient.identifier", index=place, value=added)
    delete = operation("delete", f"Patient.identifier[{place}]")
    assert patched(before, insert, delete) == before
    source = data.draw(st.integers(0, len(values) - 1))
    target = data.draw(st.integers(0, len(values) - 1))
    there = operation("move", "Patient.identifier", source=source, destination=target)
    back = operation("move", "Patient.identifier", source=target, destination=source)
    assert patched(before, there, back) == before
