"""Criteria as SQL over the index tables.

The values of one condition are alternatives, and all conditions must hold. What ``:not`` and
``:missing`` say is true of a resource or false, not of one of its values.

The condition that promises the fewest resources drives the question; the others are asked of each
resource that it gives. Without that an engine with poor statistics reads whole parameters. Where it
would be a patient, and dates are asked for as well, the dates of that patient drive.
"""

from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import (
    BigInteger,
    Column,
    ColumnElement,
    CompoundSelect,
    Select,
    Table,
    and_,
    exists,
    false,
    literal,
    not_,
    or_,
    select,
    union,
)
from sqlalchemy.sql.base import ReadOnlyColumnCollection

from service.fhir.search.terms import (
    AnyOf,
    Condition,
    Criterion,
    DateValue,
    Having,
    Kind,
    Linked,
    QuantityValue,
    ReferenceValue,
    StringValue,
    TokenValue,
    UriValue,
    Value,
)
from service.store import tables
from service.store.contract import MOST_PARTS, Key, TooCostlyError
from service.store.index import BY_SUBJECT, LONGEST_TEXT, beginning, cut, sortable

Clause = ColumnElement[bool]
Expression = ColumnElement[Any]
Columns = ReadOnlyColumnCollection[str, Column[Any]]
Keys = Select[Any] | CompoundSelect[Any]
Driver = tuple[Keys, list[Criterion]]
"""Keys of all resources that can match, and the criteria that each of these meets."""

TABLES: dict[Kind, Table] = {
    "reference": tables.reference,
    "uri": tables.uri,
    "string": tables.string,
    "quantity": tables.quantity,
    "token": tables.token,
    "date": tables.date,
}
"""Where the rows of each kind are; the kinds that tend to leave the fewest resources first."""

_PROMISE = {kind: place for place, kind in enumerate(TABLES)}
_OWN = ("_id", "_lastUpdated")


def matching(type_: str, criteria: Sequence[Criterion]) -> list[Clause]:
    """What a row of ``resource`` must meet to be an undeleted resource that matches."""
    if _parts(criteria) > MOST_PARTS:
        raise TooCostlyError
    return _clauses(type_, criteria, tables.resource.c)


def only_target(criteria: Sequence[Criterion]) -> tuple[str, Key] | None:
    """Parameter and target of a question for nothing but what refers to one resource."""
    match criteria:
        case [Condition(parameter, "reference", (ReferenceValue(str(type_), id_),), False, None)]:
            return parameter, (type_, cut(id_, LONGEST_TEXT))
    return None


def _parts(criteria: Sequence[Criterion]) -> int:
    return sum(
        1 + (len(one.values) if isinstance(one, Condition) else _parts(one.criteria))
        for one in criteria
    )


def _clauses(type_: str, criteria: Sequence[Criterion], own: Columns) -> list[Clause]:
    """``own`` are the columns of ``resource`` under the name that the question gives it."""
    driver = _driver(type_, criteria)
    if driver is None:
        clauses = [own.type == type_, own.deleted.is_(False)]
        return clauses + [_met(type_, one, own) for one in criteria]
    # Index rows know the type, and a deleted resource has none: nothing else need be said, and
    # said it would tempt an engine to read the whole type.
    keys, met = driver
    return [own.key.in_(keys), *(_met(type_, one, own) for one in criteria if one not in met)]


def _driver(type_: str, criteria: Sequence[Criterion]) -> Driver | None:
    able = list(filter(_can_drive, criteria))
    best = min(able, key=_promise, default=None)
    if best is None:
        return None
    plain = [one for one in able if isinstance(one, Condition)]
    dates = [one for one in plain if one.kind == "date"]
    about = next(filter(_patients, plain), None)
    if about and dates and _promise(best) == _PROMISE["reference"]:
        return _dates_of(type_, about, dates)
    return _keys(type_, best), [best]


def _met(type_: str, one: Criterion, own: Columns) -> Clause:
    match one:
        case Condition(parameter=parameter) if parameter in _OWN:
            return _about_itself(one, own)
        case Condition():
            return _about_each(one, own)
        case Linked():
            return own.key.in_(_linked(type_, one))
        case Having():
            return own.id.in_(_referred_to(type_, one))
        case AnyOf():
            return or_(false(), *(_met(type_, each, own) for each in one.criteria))


def _linked(type_: str, link: Linked) -> Select[Any]:
    """Keys of resources that refer to one that meets the chain."""
    far, rows = tables.resource.alias().c, tables.reference.alias().c
    ids = select(far.id).where(*_clauses(link.type, link.criteria, far))
    return select(rows.resource).where(
        rows.type == type_,
        rows.parameter == link.parameter,
        rows.target_type == link.type,
        rows.target.in_(ids),
    )


def _referred_to(type_: str, having: Having) -> Select[Any]:
    """Ids of resources that one which meets the rest refers to."""
    far, rows = tables.resource.alias().c, tables.reference.alias().c
    keys = select(far.key).where(*_clauses(having.type, having.criteria, far))
    return select(rows.target).where(
        rows.type == having.type,
        rows.parameter == having.parameter,
        rows.target_type == type_,
        rows.resource.in_(keys),
    )


def _can_drive(one: Criterion) -> bool:
    match one:
        case Condition():
            return bool(one.values) and not one.negated and one.parameter not in _OWN
        case AnyOf():
            return bool(one.criteria) and all(map(_can_drive, one.criteria))
        case _:
            return False


def _promise(one: Criterion) -> int:
    """Of alternatives that of the worst."""
    return max(
        -1 if each.parameter == "identifier" else _PROMISE[each.kind] for each in _conditions(one)
    )


def _conditions(one: Criterion) -> Iterator[Condition]:
    if isinstance(one, Condition):
        yield one
    elif isinstance(one, AnyOf):
        for each in one.criteria:
            yield from _conditions(each)


def _patients(about: Condition) -> list[str]:
    """By which patients the date lines of all that meets this are found; none: by no patient."""
    if about.parameter not in ("patient", "subject"):
        return []
    asked = [value for value in about.values if isinstance(value, ReferenceValue)]
    ids = [cut(value.id, LONGEST_TEXT) for value in asked if value.type == "Patient"]
    if len(ids) < len(about.values) or any(not id_ or BY_SUBJECT in id_ for id_ in ids):
        return []
    return ids if about.parameter == "patient" else [*ids, *(BY_SUBJECT + id_ for id_ in ids)]


def _dates_of(type_: str, about: Condition, dates: Sequence[Condition]) -> Driver:
    """Resources about patients, by their date lines alone: whatever else these patients have is
    not looked at. Each condition may be met by another date of a resource."""
    of_them = tables.date.c.patient.in_(_patients(about))
    first, *others = (_keys_of(type_, one).where(of_them) for one in dates)
    for keys in others:
        first = first.where(tables.date.c.resource.in_(keys.correlate(None)))
    return first, [*dates, about] if about.parameter == "patient" else list(dates)


def _keys(type_: str, one: Criterion) -> Keys:
    """Keys of the resources that meet a condition, or any of several."""
    asked = [_keys_of(type_, each) for each in _conditions(one)]
    return asked[0] if len(asked) == 1 else union(*asked)


def _keys_of(type_: str, condition: Condition) -> Select[Any]:
    rows = TABLES[condition.kind].c
    return select(rows.resource).where(
        rows.type == type_, rows.parameter == condition.parameter, _any_value(condition)
    )


def _about_each(condition: Condition, own: Columns) -> Clause:
    rows = TABLES[condition.kind].c
    found = exists().where(rows.resource == own.key, rows.parameter == condition.parameter)
    if condition.missing is not None:
        return not_(found) if condition.missing else found
    found = found.where(_any_value(condition))
    return not_(found) if condition.negated else found


def _about_itself(condition: Condition, own: Columns) -> Clause:
    """``_id`` and ``_lastUpdated``, which every resource has."""
    if condition.missing is not None:
        return false() if condition.missing else not_(false())
    clauses = []
    for value in condition.values:
        if isinstance(value, TokenValue):
            clauses.append(own.id == cut(value.code or "") if not value.system else false())
        elif isinstance(value, DateValue):
            # A version's instant is known to the millisecond: that span, in microseconds.
            clauses.append(_date(value, own.instant, own.instant + literal(1000, BigInteger)))
    found = or_(false(), *clauses)
    return not_(found) if condition.negated else found


def _any_value(condition: Condition) -> Clause:
    rows = TABLES[condition.kind].c
    return or_(false(), *(_clause(value, rows) for value in condition.values))


def _clause(value: Value, rows: Columns) -> Clause:
    match value:
        case TokenValue():
            return _named(rows, value.system, value.code)
        case ReferenceValue():
            target = cut(value.id, LONGEST_TEXT)
            return _equal((rows.target, target), (rows.target_type, value.type))
        case DateValue():
            return _date(value, rows.low, rows.high)
        case StringValue():
            return _string(value, rows)
        case QuantityValue():
            amount = _quantity(value, rows.low, rows.high)
            return and_(amount, _named(rows, value.system, value.code))
        case UriValue():
            return _uri(value, rows.uri)


def _named(rows: Columns, system: str | None, code: str | None) -> Clause:
    code, system = (None if one is None else cut(one) for one in (code, system))
    return _equal((rows.code, code), (rows.system, system))


def _equal(*pairs: tuple[Expression, str | None]) -> Clause:
    """Each column has its text, where there is one."""
    return and_(True, *(column == text for column, text in pairs if text is not None))


def _date(value: DateValue, low: Expression, high: Expression) -> Clause:
    """Spans without their upper ends. As R4 search.html#prefix has it, eq asks whether the value
    lies inside what was asked; gt and lt whether part of it is beyond; sa and eb whether all is."""
    inside = and_(low >= value.low, low < value.high, high <= value.high)
    match value.prefix:
        case "eq":
            return inside
        case "ne":
            return not_(inside)
        case "gt":
            return high > value.high
        case "lt":
            return low < value.low
        case "ge":
            return or_(high > value.high, inside)
        case "le":
            return or_(low < value.low, inside)
        case "sa":
            return low >= value.high
        case "eb":
            return high <= value.low
        case "ap":
            return and_(high > value.low, low < value.high)


def _quantity(value: QuantityValue, low: Expression, high: Expression) -> Clause:
    """R4 search.html#number: eq and ne go by the precision that was given, the rest are exact."""
    number = sortable(value.number)
    inside = and_(low >= sortable(value.low), high < sortable(value.high))
    match value.prefix:
        case "eq":
            return inside
        case "ne":
            return not_(inside)
        case "gt":
            return high > number
        case "ge":
            return high >= number
        case "lt":
            return low < number
        case "le":
            return low <= number
        case "sa":
            return low > number
        case "eb":
            return high < number
        case "ap":
            return and_(high >= sortable(value.low), low <= sortable(value.high))


def _string(value: StringValue, rows: Columns) -> Clause:
    match value.how:
        case "exact":
            return rows.text == cut(value.text)
        case "contains":
            return rows.folded.contains(beginning(value.text), autoescape=True)
        case "starts":
            return _starts(rows.folded, beginning(value.text))


def _uri(value: UriValue, uri: Expression) -> Clause:
    match value.how:
        case "exact":
            return uri == cut(value.uri, LONGEST_TEXT)
        case "below":
            base = beginning(value.uri.rstrip("/"), LONGEST_TEXT)
            return or_(uri == cut(value.uri, LONGEST_TEXT), _starts(uri, f"{base}/"))
        case "above":
            steps = cut(value.uri, LONGEST_TEXT).split("/")
            return uri.in_(["/".join(steps[:count]) for count in range(1, len(steps) + 1)])


def _starts(column: Expression, text: str) -> Clause:
    """As a range, which an index can answer."""
    return and_(column >= text, column < text + "\U0010ffff")
