"""The law of the quick forms: they answer what the general way answers."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from r4_elements import example_objects, invariants_by_type, official_invariants

from service.fhir.fhirpath import FhirPathError, Scope, compile_expression
from service.fhir.fhirpath.direct import condition
from service.fhir.fhirpath.model import SYSTEM_OF, types_of
from service.fhir.r4 import tables
from service.fhir.type_model import R4

TYPES = types_of(R4)


def both_ways(text, value, type_name, resource):
    """Answers of the general way and of the quick form, ``error`` where one raises."""
    expression = compile_expression(text, R4)
    quick = condition(expression.tree, type_name, TYPES)
    [general] = _outcome(lambda: _general(text, value, type_name, resource))
    [direct] = _outcome(lambda: quick(value, Scope(R4, resource)))
    return general, direct


def _general(text, value, type_name, resource):
    # A criterion is always a focus's own: this way leaves no part to the quick forms.
    items = compile_expression(text, R4).evaluate(value, type_name=type_name, resource=resource)
    if len(items) > 1:
        raise FhirPathError("several items")
    if not items:
        return None
    held = items[0].value
    return held if held is None or isinstance(held, bool) else True


def _outcome(work):
    try:
        return [work()]
    except FhirPathError:
        return ["error"]


def assert_same(text, value, type_name, resource):
    general, direct = both_ways(text, value, type_name, resource)
    # A quick form may stop before a later item that would raise; it never raises on its own.
    assert direct == general or (general == "error" and direct != "error"), text


def test_every_invariant_of_r4_on_every_object_of_the_examples():
    evaluated = 0
    for _, resource, type_name, value in example_objects():
        for key in invariants_by_type()[type_name]:
            if key != "ele-1":
                assert_same(official_invariants()[key], value, type_name, resource)
                evaluated += 1
    assert evaluated > 5000


@pytest.mark.parametrize("key", sorted(tables.invariants()))
def test_every_invariant_of_our_tables_compiles(key):
    compile_expression(tables.invariants()[key]["expression"], R4)


def test_every_official_invariant_compiles():
    for text in official_invariants().values():
        compile_expression(text, R4)


def paths(type_name, depth=2):
    """Paths from a type, with the types they may lead to."""
    elements = TYPES.elements(type_name) or {}
    for name, element in elements.items():
        kinds = set(element.keys.values())
        name = f"`{name}`"  # some are words of the grammar
        yield name, kinds
        if depth > 1 and len(kinds) == 1 and not kinds & set(SYSTEM_OF):
            for rest, inner in paths(next(iter(kinds)), depth - 1):
                yield f"{name}.{rest}", inner


@st.composite
def conditions(draw, type_name, depth=2):
    """A condition on a focus of a type, from the forms that constraints are written in."""
    path, kinds = draw(st.sampled_from(sorted(paths(type_name), key=lambda p: p[0])))
    kind = sorted(kinds)[0]
    named = "BackboneElement" if "." in kind else kind
    forms = [
        f"{path}.exists()", f"{path}.empty()", f"{path}.exists().not()", f"{path}.hasValue()",
        f"{path}.count() > 1", f"(id.count() + {path}.count()) <= 1", f"{path} is {named}",
        f"{path}.ofType({named}).exists()", f"{path} = 'final'", f"{path} != {path}",
        f"{path} in ('final' | 'male' | 'official')", f"{path} <= {path}", f"{path} = true",
        f"{path}.startsWith('h')", f"{path}.contains('e')", f"{path}.matches('^[a-z]+$')",
        f"{path} > 1", f"{path} < @2014-06-01", f"{path}.trace('x').exists()", path,
        f"({path} | extension).exists()", f"{path} = %ucum",
        f"%resource.{path}.exists() = {path}.exists()", "children().count() > id.count()",
    ]  # fmt: skip
    if len(kinds) == 1 and kind not in SYSTEM_OF and depth:
        inner = draw(conditions(kind, depth - 1))
        forms += [
            f"{path}.where({inner}).exists()", f"{path}.all({inner})", f"{path}.exists({inner})",
            f"{path}.where({inner}).empty()", f"{path}.where({inner}).count() = 1",
        ]  # fmt: skip
    form = draw(st.sampled_from(forms))
    if not depth:
        return form
    operator = draw(st.sampled_from(["", "and", "or", "xor", "implies", "=", "!="]))
    if not operator:
        return form
    return f"({form}) {operator} ({draw(conditions(type_name, depth - 1))})"


@pytest.fixture(scope="module")
def foci():
    return [row for row in example_objects() if len(row[3]) > 2]


@given(data=st.data())
@settings(max_examples=400, deadline=None)
def test_generated_conditions(foci, data):
    _, resource, type_name, value = foci[data.draw(st.integers(0, len(foci) - 1))]
    dropped = data.draw(st.sets(st.sampled_from(sorted(set(value) - {"resourceType"}))))
    kept = {key: part for key, part in value.items() if key not in dropped}
    text = data.draw(conditions(type_name))
    assert_same(text, kept, type_name, resource)


_LEAVES = st.none() | st.booleans() | st.integers(-9, 9) | st.text("aT2-", max_size=5)
_FLAT = _LEAVES | st.lists(_LEAVES, max_size=3)
JUNK = (
    _FLAT
    | st.dictionaries(st.sampled_from(["id", "extension", "value", "code"]), _FLAT)
    | st.lists(st.dictionaries(st.sampled_from(["id", "extension", "url"]), _FLAT), max_size=3)
)


@given(data=st.data())
@settings(max_examples=150, deadline=None)
def test_data_of_any_shape_gives_an_answer_or_a_fhirpath_error(foci, data):
    _, _, type_name, value = foci[data.draw(st.integers(0, len(foci) - 1))]
    key = data.draw(st.sampled_from(sorted(value)))
    broken = value | {key: data.draw(JUNK)}
    text = data.draw(conditions(type_name))
    constraints = [official_invariants()[key] for key in invariants_by_type()[type_name]]
    for each in [text, *constraints]:
        expression = compile_expression(each, R4)
        for work in (expression.holds, expression.evaluate):
            _outcome(lambda work=work: work(broken, type_name=type_name, resource=broken))
