"""Paths, types and R4's own functions on resources (R4, fhirpath.html)."""

import pytest

from service.fhir.fhirpath import FhirPathError, Scope, Services, compile_expression
from service.fhir.json import read
from service.fhir.type_model import R4

OBSERVATION = read(
    b"""{"resourceType": "Observation", "id": "o1", "status": "final",
    "code": {"coding": [{"system": "http://loinc.org", "code": "59408-5"}]},
    "subject": {"reference": "#child"},
    "contained": [{"resourceType": "Patient", "id": "child", "birthDate": "2019-03-02"}],
    "performer": [{"reference": "Practitioner/p1"}],
    "valueQuantity": {"value": 96.0, "system": "http://unitsofmeasure.org", "code": "%"},
    "_issued": {"extension": [{"url": "http://example.org/why", "valueCode": "unknown"}]},
    "component": [
      {"code": {"text": "a"}, "valueString": "x"},
      {"code": {"text": "b"}, "valueInteger": 7},
      {"code": {"text": "c"}, "valueDateTime": "2026-03-02"}]}"""
)


def evaluate(text, focus=OBSERVATION, **more):
    more.setdefault("type_name", focus.get("resourceType"))
    more.setdefault("resource", focus)
    return compile_expression(text, R4).evaluate(focus, **more)


def values(text, focus=OBSERVATION, **more):
    return [item.value for item in evaluate(text, focus, **more)]


@pytest.mark.parametrize(
    ("text", "answer"),
    [
        ("value.code", ["%"]),
        ("Observation.value.value", [OBSERVATION["valueQuantity"]["value"]]),
        ("Patient.birthDate", []),
        ("valueQuantity.value", []),
        ("component.value.ofType(string)", ["x"]),
        ("component.value.ofType(integer) + 1", [8]),
        ("component.where(value is dateTime).code.text", ["c"]),
        ("component[1].code.text", ["b"]),
        ("contained.birthDate", ["2019-03-02"]),
        ("contained.ofType(Patient).birthDate.type().name", ["date"]),
        ("issued.exists()", [True]),
        ("issued.hasValue()", [False]),
        ("issued.extension('http://example.org/why').value", ["unknown"]),
        ("issued.getValue()", []),
        ("descendants().ofType(Coding).code", ["59408-5"]),
        ("component.select(code.text & '!').join('')", ["a!b!c!"]),
        ("component.code.text.select($index)", [0, 1, 2]),
        ("%resource.id", ["o1"]),
        ("contained.select(%context.id)", ["o1"]),
        ("%`vs-observation-status`", ["http://hl7.org/fhir/ValueSet/observation-status"]),
        ("subject.resolve().birthDate", ["2019-03-02"]),
        ("component.value.count()", [3]),
        ("value.is(Quantity) and value.is(Element)", [True]),
        ("conformsTo('http://hl7.org/fhir/StructureDefinition/DomainResource')", [True]),
    ],
)
def test_paths(text, answer):
    assert values(text) == answer


def test_items_know_their_types():
    [quantity] = evaluate("value")
    assert (quantity.type, quantity.value) == ("Quantity", OBSERVATION["valueQuantity"])
    [issued] = evaluate("issued")
    assert (issued.type, issued.value) == ("instant", None)
    assert issued.companion == OBSERVATION["_issued"]
    assert [item.type for item in evaluate("component")] == ["Observation.component"] * 3
    assert [item.type for item in evaluate("contained")] == ["Patient"]
    assert [item.type for item in evaluate("1 | 'a' | @2026")] == [
        "System.Integer", "System.String", "System.Date"]  # fmt: skip


def test_repeating_primitives_keep_their_places():
    patient = read(
        b'{"resourceType": "Patient", "name": [{"given": [null, "B", "C"],'
        b'"_given": [{"id": "g0"}, null]}]}'
    )
    assert [(i.value, i.companion) for i in evaluate("name.given", patient)] == [
        (None, {"id": "g0"}), ("B", None), ("C", None)]  # fmt: skip
    assert values("name.given.id", patient) == ["g0"]
    assert values("name.given.where(hasValue())", patient) == ["B", "C"]


def test_references_are_followed_in_a_bundle_and_beyond():
    patient = {"resourceType": "Patient", "id": "p", "active": True}
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": [
        {"fullUrl": "urn:uuid:1", "resource": {"resourceType": "Goal", "subject": {
            "reference": "urn:uuid:2"}, "expressedBy": {"reference": "Patient/q"}}},
        {"fullUrl": "urn:uuid:2", "resource": patient}]}  # fmt: skip
    assert values("entry.resource.subject.resolve().id", bundle) == ["p"]
    assert values("entry.resource.expressedBy.resolve()", bundle) == []
    elsewhere = {"Patient/q": {"resourceType": "Patient", "id": "q"}}
    found = values("entry.resource.expressedBy.resolve().id", bundle, resolver=elsewhere.get)
    assert found == ["q"]


def test_value_sets_and_profiles_are_asked_of_the_services():
    asked = []

    def member(item, canonical):
        asked.append((item.type, canonical))
        return True

    def conforms(item, canonical):
        return None if canonical.endswith("unknown") else item.type == "Observation"

    services = Services(member_of=member, conforms_to=conforms)
    assert values("status.memberOf('http://example.org/vs')", services=services) == [True]
    assert asked == [("code", "http://example.org/vs")]
    assert values("conformsTo('http://example.org/p')", services=services) == [True]
    assert values("conformsTo('http://example.org/unknown')", services=services) == []


@pytest.mark.parametrize(
    "text",
    [
        "status.memberOf('http://example.org/vs')",
        "conformsTo('http://example.org/p')",
        "now()",
        "%unheard",
        "component.value.as(string)",
        "component.single()",
        "component.code.text.startsWith('a')",
        "code.startsWith('a')",
        "iif(component, 1, 2)",
        "(1).repeat($this + 1)",
    ],
)
def test_what_cannot_be_answered_is_an_error_and_no_pass(text):
    with pytest.raises(FhirPathError):
        evaluate(text)
    with pytest.raises(FhirPathError):
        compile_expression(text, R4).holds(
            OBSERVATION, type_name="Observation", resource=OBSERVATION
        )


def test_unknown_modifiers_stop_an_evaluation():
    focus = OBSERVATION | {"modifierExtension": [{"url": "http://example.org/m"}]}
    assert values("checkModifiers('http://example.org/m').status", focus) == ["final"]
    with pytest.raises(FhirPathError, match="modifier"):
        values("checkModifiers('http://example.org/other').status", focus)


@pytest.mark.parametrize(
    ("text", "answer"),
    [("status = 'final'", True), ("status = 'draft'", False), ("note.text = 'a'", None),
     ("value", True), ("component.empty()", False)],
)  # fmt: skip
def test_conditions(text, answer):
    expression = compile_expression(text, R4)
    assert expression.holds(
        OBSERVATION, type_name="Observation", resource=OBSERVATION
    ) is answer  # fmt: skip
    scope = Scope(R4, OBSERVATION)
    assert expression.condition("Observation")(OBSERVATION, scope) is answer


def test_a_condition_on_a_primitive_sees_its_extensions():
    expression = compile_expression("hasValue() or (children().count() > id.count())", R4)
    scope = Scope(R4, OBSERVATION)
    condition = expression.condition("instant")
    assert condition(None, scope, OBSERVATION["_issued"]) is True
    assert condition(None, scope, {"id": "x"}) is False
    assert condition("2026-03-02T08:00:00Z", scope) is True


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("valueQuantity.exists()", "no element valueQuantity"),
        ("component.where(code.txt = 'a')", "no element txt"),
        ("Encounter.status", "no Encounter"),
        ("children().first()", "order"),
        ("status.coding", "no element coding"),
    ],
)
def test_the_static_check_finds_silent_mistakes(text, words):
    expression = compile_expression(text, R4)
    with pytest.raises(FhirPathError, match=words):
        expression.check("Observation")


DIV = '<div xmlns="http://www.w3.org/1999/xhtml">{}</div>'


@pytest.mark.parametrize(
    "inner",
    ["two <b>sets</b>&nbsp;of ten", '<img src="a.png" alt="a"/>', '<a href="#x">x</a>',
     '<table><tr><td colspan="2">1</td></tr></table>', "<p style='color: red'>x</p>"],
)  # fmt: skip
def test_narrative_that_is_allowed(inner):
    narrative = {"status": "generated", "div": DIV.format(inner)}
    assert values("htmlChecks()", narrative, type_name="Narrative") == [True]
    assert values("`div`.htmlChecks()", narrative, type_name="Narrative") == [True]


@pytest.mark.parametrize(
    "div",
    [
        DIV.format("<script>x</script>"),
        DIV.format('<p onclick="x()">x</p>'),
        DIV.format('<a href="javascript:x()">x</a>'),
        DIV.format("<form>x</form>"),
        DIV.format("  \n "),
        DIV.format("<b>x"),
        DIV.format("&unheard;"),
        "<p xmlns='http://www.w3.org/1999/xhtml'>x</p>",
        "<div>no namespace</div>",
        "plain text",
        '<!DOCTYPE div [<!ENTITY a "aaaa">]>' + DIV.format("&a;"),
        DIV.format("<b>" * 300 + "x" + "</b>" * 300),
    ],
)
def test_narrative_that_is_not(div):
    narrative = {"status": "generated", "div": div}
    assert values("htmlChecks()", narrative, type_name="Narrative") == [False]


@pytest.mark.parametrize(
    "text",
    [
        "'aaaaaaaaaa'" + ".select($this & $this)" * 60,
        "(1).combine(2)" + ".select($this.combine($this))" * 40,
        "'a'" + ".replace('a', 'aaaaaaaaaa')" * 12,
        "descendants()" + ".descendants()" * 50,
    ],
)
def test_an_expression_cannot_fill_the_memory(text):
    try:
        evaluate(text)
    except FhirPathError:
        return
    assert text.startswith("descendants")
