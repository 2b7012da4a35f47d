"""Generated source and what it refers to, on the way to being a module in memory."""

import linecache
from dataclasses import dataclass, field
from functools import partial
from itertools import count
from typing import Any

import orjson

from service.fhir.fast import comparing, leaves
from service.fhir.fast.memory import UnsureError, Verified, VerifiedObjects
from service.fhir.fhirpath.functions.text import pattern
from service.fhir.json import write

Namespace = dict[str, Any]

_SEEN_BEFORE = ("base64Binary", "code", "oid", "time", "uuid")
_numbers = count(1)


def unsure() -> bool:
    """Stops the quick path."""
    raise UnsureError


def only(values: list[Any]) -> Any:
    """The one value, None where there is none. Raises UnsureError for more."""
    if len(values) > 1:
        raise UnsureError
    return values[0] if values else None


def matches(text: str, expression: str) -> bool:
    """The function of FHIRPath."""
    return pattern(expression).search(text) is not None


def pick(owner: dict[str, Any], keys: Any) -> Any:
    """The value of a choice element."""
    for key in owner:
        if key in keys:
            return owner[key]
    return None


def common(left: list[Any], right: list[Any]) -> None:
    """None for codings of which surely no two are equal. Raises UnsureError for others."""
    codes = {coding.get("code") for coding in left}
    if any(coding.get("code") in codes for coding in right):
        raise UnsureError


def _helpers(*, exact: bool) -> Namespace:
    """Names that generated code relies on.

    ``exact``: numbers are Decimals, never floats.
    """
    names: Namespace = {
        "EMPTY": {},
        "VerifiedObjects": VerifiedObjects,
        "agrees": leaves.agrees,
        "common": common,
        "dumps": write if exact else orjson.dumps,
        "fits": leaves.fits,
        "is_id": leaves.format_test("id"),
        "is_narrative": leaves.Narratives(),
        "is_number": leaves.is_exact_number if exact else leaves.is_number,
        "is_text": leaves.is_text,
        "matches": matches,
        "moment_order": comparing.moment_order,
        "only": only,
        "pick": pick,
        "quantity_order": comparing.quantity_order,
        "unsure": unsure,
    }
    for kind in ("date", "dateTime", "instant"):
        names[f"is_{kind}"] = leaves.Moments(kind)
    for kind in _SEEN_BEFORE:
        names[kind.upper()] = Verified(leaves.format_test(kind))
    names["URI"] = names["URL"] = Verified(leaves.is_address)
    names["CANONICAL"] = names["ABSOLUTE"] = Verified(leaves.is_absolute_address)
    return names


@dataclass(slots=True)
class Module:
    """What has been made so far. Two namespaces run the same code, on floats and on Decimals."""

    quick: Namespace = field(default_factory=partial(_helpers, exact=False))
    exact: Namespace = field(default_factory=partial(_helpers, exact=True))
    pending: list[str] = field(default_factory=list)
    text: str = ""
    _constants: dict[tuple[str, Any], str] = field(default_factory=dict)
    _counters: dict[str, int] = field(default_factory=dict)

    def name(self, prefix: str) -> str:
        """A new name."""
        number = self._counters[prefix] = self._counters.get(prefix, 0) + 1
        return f"{prefix}_{number}"

    def constant(self, prefix: str, value: Any, *, key: Any = None) -> str:
        """The name of an object, the same for equal objects (``key`` for those not hashable)."""
        known = (prefix, value if key is None else key)
        if known not in self._constants:
            name = self._constants[known] = self.name(prefix)
            self.quick[name] = self.exact[name] = value
        return self._constants[known]

    def bind(self, name: str, value: object) -> None:
        """Give generated code something of ours."""
        self.quick[name] = self.exact[name] = value

    def build(self) -> None:
        """Compile what has been written since the last time."""
        if not self.pending:
            return
        source = "\n\n".join(self.pending)
        self.pending = []
        self.text += source
        file = f"<fhir checks {next(_numbers)}>"
        # Tracebacks and profilers show the lines of generated code.
        linecache.cache[file] = (len(source), None, source.splitlines(keepends=True), file)
        code = compile(source, file, "exec")
        for namespace in (self.quick, self.exact):
            exec(code, namespace)  # noqa: S102  # written here, from definitions
