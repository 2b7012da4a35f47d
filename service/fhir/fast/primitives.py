"""Source that tests a primitive value in a variable."""

from typing import Any

from service.fhir.fast.rules import Rule, UnsupportedError

_WHOLE_NUMBERS = {
    "integer": "-2147483648 <= {v} <= 2147483647",
    "positiveInt": "1 <= {v} <= 2147483647",
    "unsignedInt": "0 <= {v} <= 2147483647",
}
_CALLED = {
    "string": "is_text", "markdown": "is_text", "decimal": "is_number", "date": "is_date",
    "dateTime": "is_dateTime", "instant": "is_instant", "id": "is_id", "xhtml": "is_narrative",
}  # fmt: skip


def leaf_test(type_name: str, value: str) -> str:
    """An expression that is true for a value of the type; it may raise for other JSON kinds."""
    if type_name == "boolean":
        return f"({value} is True or {value} is False)"
    if type_name in _WHOLE_NUMBERS:
        bounds = _WHOLE_NUMBERS[type_name].format(v=value)
        return f"({value}.__class__ is int and {bounds})"
    if type_name in _CALLED:
        return f"{_CALLED[type_name]}({value})"
    known = type_name.upper()
    return f"({value} in {known} or {known}.learn({value}))"


def literal_test(rule: Rule, value: str) -> str | None:
    """An expression for a fixed or pattern value of a primitive, None where there is neither.

    Raises UnsupportedError for decimals and objects.
    """
    wanted: Any = rule.pattern if rule.fixed is None else rule.fixed
    if wanted is None:
        return None
    if wanted is True or wanted is False:
        return f"{value} is {wanted}"
    if wanted.__class__ is str:
        return f"{value} == {wanted!r}"
    if wanted.__class__ is int:
        return f"({value}.__class__ is int and {value} == {wanted})"
    raise UnsupportedError("a fixed value that is no text, integer or boolean")
