"""Comparisons and functions of the translated subset, each exact or refused."""

from dataclasses import replace

from service.fhir.fast.facts import QUANTITIES, TEXTUAL
from service.fhir.fast.terms import (
    NO,
    YES,
    Branch,
    Clause,
    Collection,
    Truth,
    UntranslatableError,
    any_of,
    both,
    either,
    exists,
    listed,
    negated,
    presence,
    visits,
    with_value,
)

_MOMENTS = frozenset({"date", "dateTime", "instant"})
_NUMBERS = frozenset({"decimal", "integer", "positiveInt", "unsignedInt", "Integer"})
_TEXTS = (TEXTUAL - _MOMENTS - {"time", "base64Binary"}) | {"String"}


def _kind(type_name: str) -> str:
    kinds = {"text": _TEXTS, "number": _NUMBERS, "moment": _MOMENTS, "quantity": QUANTITIES}
    return next((kind for kind, types in kinds.items() if type_name in types), "")


def _single(values: Collection, kind: str = "") -> Branch:
    """At most one value of a kind, as one branch without loops.

    A choice element is narrowed to the kind: a value of any other kind counts as none, which a
    condition that has to be true never forgives.
    """
    branches = [_narrowed(b, kind) if b.choices and kind else b for b in values]
    kept = [branch for branch in branches if branch is not None]
    kinds = {_kind(branch.type) for branch in kept}
    if len(kinds) != 1 or kinds == {""}:
        raise UntranslatableError
    if len(kept) == 1 and not kept[0].loops:
        return kept[0]
    return Branch(f"only({listed(kept)})", kept[0].type)


def boolean(values: Collection) -> Truth:
    """A Boolean element as a condition."""
    if not values:
        return Truth(NO, NO)
    if len(values) != 1 or values[0].type != "boolean" or values[0].loops:
        raise UntranslatableError
    branch = values[0]
    return Truth(
        any_of(branch.clauses, f"({branch.value} is True)"),
        any_of(branch.clauses, f"({branch.value} is False)"),
        branch.sure and not branch.clauses,
    )


def same_truth(left: Truth, right: Truth) -> Truth:
    """Whether two conditions agree."""
    if left.total and right.total:
        for one, other in ((left, right), (right, left)):
            if one.true in (YES, NO):
                return other if one.true == YES else Truth(negated(other.true), other.true, True)
        return Truth(f"({left.true} == {right.true})", f"({left.true} != {right.true})", True)
    if left.false is None or right.false is None:
        raise UntranslatableError
    agree = either(both(left.true, right.true), both(left.false, right.false))
    differ = either(both(left.true, right.false), both(left.false, right.true))
    return Truth(agree, differ)


def _literal(values: Collection) -> Branch | None:
    branch = values[0] if len(values) == 1 else None
    plain = branch is not None and branch.type in ("String", "Integer") and not branch.clauses
    return branch if plain else None


def equal(left: Collection, right: Collection) -> Truth:
    """``=`` where one side is written out in the expression and the other may be a choice, or of
    two texts or two whole numbers.
    """
    if _literal(left) is not None:
        left, right = right, left
    literal = _literal(right)
    if literal is None:
        return _same(left, right)
    kind = _kind(literal.type)
    true, exact = NO, True
    for branch in left:
        candidate = _narrowed(branch, kind)
        exact = exact and candidate == branch
        if candidate is not None:
            true = either(true, _equals(candidate, literal.value))
    false = both(exists(left), negated(true)) if exact else None
    return Truth(true, false, exact and exists(left) == YES)


def _same(left: Collection, right: Collection) -> Truth:
    one, other = with_value(_single(left)), with_value(_single(right))
    kinds = {_kind(one.type), _kind(other.type)}
    if kinds not in ({"text"}, {"number"}) or "decimal" in (one.type, other.type):
        raise UntranslatableError
    clauses = (*one.clauses, *other.clauses)
    same, differ = (f"({one.value} {sign} {other.value})" for sign in ("==", "!="))
    return Truth(any_of(clauses, same), any_of(clauses, differ), not clauses)


def _narrowed(branch: Branch, kind: str) -> Branch | None:
    if not branch.choices:
        return branch if _kind(branch.type) == kind else None
    fitting = [choice for choice in branch.choices if _kind(choice.type) == kind]
    if not fitting:
        return None
    keys = tuple(choice.key for choice in fitting)
    value = f"pick({branch.owner}, {keys!r})"
    return replace(branch, value=value, choices=(), type=fitting[0].type, sure=False)


def _equals(branch: Branch, literal: str) -> str:
    if branch.loops:
        return f"(only({listed([branch])}) == {literal})"
    return any_of(branch.clauses, f"({branch.value} == {literal})")


def ordered(left: Collection, operator: str, right: Collection) -> Truth:
    """``<``, ``>``, ``<=``, ``>=`` of two single values of one kind.

    Two choice elements are compared as numbers, or not at all.
    """
    kinds = {_kind(branch.type) for branch in (*left, *right)} - {""}
    if len(kinds) > 1:
        raise UntranslatableError
    kind = kinds.pop() if kinds else "number"
    one, other = with_value(_single(left, kind)), with_value(_single(right, kind))
    test = f"{one.value} {operator} {other.value}"
    if kind in ("moment", "quantity"):
        test = f"{kind}_order({one.value}, {other.value}) {operator} 0"
    clauses = (*one.clauses, *other.clauses)
    exact = not any(branch.choices for branch in (*left, *right))
    false = any_of(clauses, f"(not {test})") if exact else None
    return Truth(any_of(clauses, f"({test})"), false, exact and not clauses)


def among(left: Collection, right: Collection) -> Truth:
    """``in``: a single value among texts."""
    one = with_value(_single(left, "text"))
    if any(_kind(branch.type) != "text" for branch in right):
        raise UntranslatableError
    test = f"({one.value} in {listed(right)})"
    return Truth(any_of(one.clauses, test), any_of(one.clauses, negated(test)), not one.clauses)


def added(left: Collection, right: Collection) -> Collection:
    """``+`` of whole numbers."""
    one, other = _single(left, "number"), _single(right, "number")
    if one.type == "decimal" or other.type == "decimal":
        raise UntranslatableError
    one, other = with_value(one), with_value(other)
    clauses = (*one.clauses, *other.clauses)
    return Collection([Branch(f"({one.value} + {other.value})", "Integer", True, clauses)])


def one_of_two(test: str, left: Collection, right: Collection) -> Collection:
    """``iif`` of two numbers."""
    one, other = _single(left, "number"), _single(right, "number")
    if one.clauses or other.clauses:
        raise UntranslatableError
    value = f"({one.value} if {test} else {other.value})"
    return Collection([Branch(value, "Integer", one.sure and other.sure)])


def common(left: Collection, right: Collection) -> Collection:
    """``intersect`` of codings, as far as it is surely empty."""
    if any(branch.type != "Coding" for branch in (*left, *right)):
        raise UntranslatableError
    return Collection([Branch(f"common({listed(left)}, {listed(right)})", "Coding")])


def count(values: Collection) -> Collection:
    """``count()`` as a number."""
    if values.loose:
        raise UntranslatableError
    parts = []
    for branch in values:
        if branch.loops:
            item = with_value(branch)
            clauses = item.clauses
            if not clauses[0].name:
                clauses = (Clause("(1,)", "_"), *clauses)
            parts.append(f"sum(1 {visits(clauses)})")
        else:
            parts.append({YES: "1", NO: "0"}.get(text := presence(branch), f"bool({text})"))
    value = parts[0] if len(parts) == 1 else f"({' + '.join(parts)})" if parts else "0"
    return Collection([Branch(value, "Integer", sure=True)])


_COMPUTED = frozenset(
    [
        "toString",
        "toDateTime",
        "length",
        "substring",
        "startsWith",
        "endsWith",
        "contains",
        "matches",
    ]
)


def computed(name: str, target: Collection, arguments: list[str | int]) -> Collection | Truth:
    """The functions on text that constraints use."""
    if name not in _COMPUTED:
        raise UntranslatableError
    if not target:
        return Collection()
    branch = with_value(_single(target, "text"))
    if _kind(branch.type) not in ("text", "moment"):
        raise UntranslatableError
    value = branch.value
    match name, arguments:
        case "toString", []:
            return Collection([replace(branch, type="String")])
        case "toDateTime", [] if branch.type in ("dateTime", "instant"):
            return Collection([branch])
        case "length", []:
            return Collection([replace(branch, value=f"len({value})", type="Integer")])
        case "substring", [int(start), int(length)]:
            clauses = (*branch.clauses, Clause(f"len({value}) > {start}")) if start else None
            cut = f"{value}[{start}:{start + length}]"
            return Collection(
                [replace(branch, value=cut, type="String", clauses=clauses or branch.clauses)]
            )
        case "startsWith" | "endsWith" | "contains", [str(text)] if text:
            test = {
                "startsWith": f"{value}.startswith({text!r})",
                "endsWith": f"{value}.endswith({text!r})",
                "contains": f"({text!r} in {value})",
            }[name]
        case "matches", [str(pattern)]:
            test = f"matches({value}, {pattern!r})"
        case _:
            raise UntranslatableError
    clauses = branch.clauses
    return Truth(any_of(clauses, test), any_of(clauses, negated(test)), not clauses)
