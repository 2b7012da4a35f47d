"""JSON Patch against RFC 6902: the cases of its appendix A, and the jsonpatch library as oracle."""

from decimal import Decimal

import jsonpatch
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.fhir.json import read, write
from service.fhir.patch import InapplicablePatchError, JsonPatch, MalformedPatchError
from service.fhir.patch.json_patch import MAX_COPIED, MAX_OPERATIONS, equal

APPENDIX_A = [
    ("A.1", {"a": 1}, [("add", "/b", 2)], {"a": 1, "b": 2}),
    ("A.2", {"a": ["x", "z"]}, [("add", "/a/1", "y")], {"a": ["x", "y", "z"]}),
    ("A.3", {"a": 1, "b": 2}, [("remove", "/b")], {"a": 1}),
    ("A.4", {"a": ["x", "y", "z"]}, [("remove", "/a/1")], {"a": ["x", "z"]}),
    ("A.5", {"a": 1, "b": 2}, [("replace", "/b", 3)], {"a": 1, "b": 3}),
    ("A.6", {"a": {"b": 1, "c": 2}, "d": {}}, [("move", "/d/e", "/a/c")],
     {"a": {"b": 1}, "d": {"e": 2}}),
    ("A.7", {"a": [1, 2, 3, 4]}, [("move", "/a/3", "/a/1")], {"a": [1, 3, 4, 2]}),
    ("A.8", {"a": 1, "b": ["x", 2]}, [("test", "/a", 1), ("test", "/b/1", 2)],
     {"a": 1, "b": ["x", 2]}),
    ("A.10", {"a": 1}, [("add", "/b", {"c": {}})], {"a": 1, "b": {"c": {}}}),
    ("A.13, -", {"a": [1]}, [("add", "/a/-", [2, 3])], {"a": [1, [2, 3]]}),
    ("A.14", {"/": 9, "~1": 10}, [("test", "/~01", 10)], {"/": 9, "~1": 10}),
    ("4.4", {"a": 1}, [("move", "/a", "/a")], {"a": 1}),
    ("4.5", {"a": {"b": 1}}, [("copy", "/c", "/a")], {"a": {"b": 1}, "c": {"b": 1}}),
]  # fmt: skip
FAILING = [
    ("A.9: another value", {"a": 1}, [("test", "/a", 2)]),
    ("A.12: no parent", {"a": 1}, [("add", "/b/c", 2)]),
    ("A.15: text is no number", {"a": 10}, [("test", "/a", "10")]),
    ("nothing to remove", {"a": 1}, [("remove", "/b")]),
    ("nothing to replace", {"a": 1}, [("replace", "/b", 1)]),
    ("past the end", {"a": [1]}, [("add", "/a/2", 1)]),
    ("a number with a leading zero", {"a": [1, 2]}, [("remove", "/a/01")]),
    ("- names nothing that is there", {"a": [1]}, [("remove", "/a/-")]),
    ("true is not 1", {"a": True}, [("test", "/a", 1)]),
    ("the whole document", {"a": 1}, [("remove", "")]),
    ("no object is left", {"a": 1}, [("replace", "", [])]),
]
MALFORMED = [
    {"op": "add", "path": "/a", "value": 1},
    ["add"],
    [{"op": "delete", "path": "/a"}],
    [{"op": ["add"], "path": "/a", "value": 1}],
    [{"path": "/a", "value": 1}],
    [{"op": "add", "value": 1}],
    [{"op": "add", "path": "/a"}],
    [{"op": "add", "path": "a", "value": 1}],
    [{"op": "add", "path": "/a~2", "value": 1}],
    [{"op": "move", "path": "/b"}],
    [{"op": "move", "from": "/a", "path": "/a/b"}],
    [{"op": "remove", "path": "/a"}] * (MAX_OPERATIONS + 1),
]


def operations(listed):
    made = []
    for name, path, *rest in listed:
        third = "from" if name in ("move", "copy") else "value"
        made.append({"op": name, "path": path} | ({third: rest[0]} if rest else {}))
    return made


@pytest.mark.parametrize(
    ("before", "listed", "after"), [case[1:] for case in APPENDIX_A], ids=[c[0] for c in APPENDIX_A]
)
def test_the_examples_of_the_rfc(before, listed, after):
    untouched = write(before)
    assert JsonPatch(operations(listed))(before) == after
    assert write(before) == untouched


@pytest.mark.parametrize(
    ("before", "listed"), [case[1:] for case in FAILING], ids=[case[0] for case in FAILING]
)
def test_what_cannot_be_applied_changes_nothing(before, listed):
    untouched = write(before)
    with pytest.raises(InapplicablePatchError):
        JsonPatch([{"op": "add", "path": "/new", "value": 1}, *operations(listed)])(before)
    assert write(before) == untouched


@pytest.mark.parametrize("value", MALFORMED, ids=range(len(MALFORMED)))
def test_what_is_no_patch(value):
    with pytest.raises(MalformedPatchError):
        JsonPatch(value)


def test_unknown_members_mean_nothing():
    """RFC 6902 A.11."""
    assert JsonPatch([{"op": "add", "path": "/b", "value": 2, "xyz": 1}])({}) == {"b": 2}


def test_numbers_keep_their_digits_and_are_compared_as_numbers():
    before = read('{"a": 12.50, "b": [0.10]}')
    patch = JsonPatch(
        read('[{"op":"test","path":"/a","value":12.5},{"op":"copy","from":"/a","path":"/b/-"}]')
    )
    assert write(patch(before)) == b'{"a":12.50,"b":[0.10,12.50]}'
    assert equal(1, Decimal("1.0"))
    assert not equal(Decimal(1), True)


def test_copies_of_copies_are_stopped():
    doubling = [
        {"op": "copy", "from": "/a", "path": f"/a/{number}"} for number in range(MAX_OPERATIONS)
    ]
    with pytest.raises(InapplicablePatchError) as deep:
        JsonPatch(doubling)({"a": {}})
    assert deep.value.finding.code == "too-costly"
    wide = [{"op": "copy", "from": "/a", "path": f"/{number}"} for number in range(3)]
    with pytest.raises(InapplicablePatchError) as long:
        JsonPatch(wide)({"a": "x" * (MAX_COPIED // 2)})
    assert long.value.finding.code == "too-costly"


def test_a_value_given_once_is_not_shared():
    value = {"x": []}
    patch = JsonPatch([{"op": "add", "path": f"/{name}", "value": value} for name in "ab"])
    first = patch({})
    first["a"]["x"].append(1)
    assert first["b"] == {"x": []} == value


NAMES = st.sampled_from(["a", "b", "~x", "y/z"])
VALUES = st.recursive(
    st.integers(-3, 3) | st.text(max_size=2),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(NAMES, inner, max_size=3),
    max_leaves=6,
)
DOCUMENTS = st.dictionaries(NAMES, VALUES, max_size=4)


def paths(value, here=""):
    yield here
    parts = enumerate(value) if isinstance(value, list) else ()
    if isinstance(value, dict):
        parts = ((k.replace("~", "~0").replace("/", "~1"), v) for k, v in value.items())
    for step, part in parts:
        yield from paths(part, f"{here}/{step}")


@given(st.data(), DOCUMENTS)
def test_as_the_jsonpatch_library_does(data, document):
    """Where the library has an answer. It takes true for 1, so no Booleans are drawn."""
    known = [path for path in paths(document) if path] or ["/a"]
    step = st.sampled_from(["", "/-", "/0", "/new", "/9"])
    places = st.builds(lambda path, more: path + more, st.sampled_from(known), step)
    value = st.fixed_dictionaries({"path": places, "value": VALUES})
    drawn = data.draw(
        st.lists(
            st.one_of(
                value.map(lambda v: {"op": "add"} | v),
                value.map(lambda v: {"op": "test"} | v),
                st.sampled_from(known).map(lambda path: {"op": "remove", "path": path}),
                st.builds(
                    lambda op, source, path: {"op": op, "from": source, "path": path},
                    st.sampled_from(["move", "copy"]),
                    st.sampled_from(known),
                    places,
                ),
            ),
            max_size=4,
        )
    )
    theirs: object
    try:
        theirs = jsonpatch.apply_patch(document, drawn)
    except (jsonpatch.JsonPatchException, jsonpatch.JsonPointerException, TypeError):
        theirs = None
    try:
        ours: object = JsonPatch(drawn)(document)
    except (InapplicablePatchError, MalformedPatchError):
        ours = None
    assert ours == theirs


@given(DOCUMENTS, DOCUMENTS)
def test_a_patch_and_its_inverse(one, other):
    """Differences as the library works them out lead there and back."""
    there = JsonPatch(jsonpatch.make_patch(one, other).patch)
    back = JsonPatch(jsonpatch.make_patch(other, one).patch)
    assert there(one) == other
    assert back(there(one)) == one
