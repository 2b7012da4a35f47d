"""What a clinic decides about the safety rules: which are on, and their numbers."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal

from service.programme.safety.rules import RULES

_EVER = 100 * 366


def _rules_on() -> frozenset[str]:
    return frozenset(code for code, rule in RULES.items() if rule.source.standing != "unverified")


@dataclass(frozen=True, slots=True)
class SafetyPolicy:
    """``rules``: codes of those that are on. ``numbers``: by rule and threshold, where the clinic
    sets its own.

    ``recent_days``: for how long what a log says is held up, counted from when it happened or, if
    that was later, from when the record learnt of it.
    """

    rules: frozenset[str] = field(default_factory=_rules_on)
    numbers: Mapping[tuple[str, str], Decimal] = field(default_factory=dict)
    recent_days: int = 28

    def ever(self) -> "SafetyPolicy":
        """The same for everything that was ever logged."""
        return replace(self, recent_days=_EVER)

    def holds(self, rule: str) -> bool:
        """Whether the rule is on."""
        return rule in self.rules

    def number(self, rule: str, name: str) -> Decimal:
        """A threshold. Raises KeyError for one that is nowhere set."""
        number = self.own_number(rule, name)
        if number is None:
            raise KeyError(name)
        return number

    def own_number(self, rule: str, name: str) -> Decimal | None:
        """The clinic's number, else the one that the rule comes with; None where neither is."""
        default = {threshold.name: threshold.default for threshold in RULES[rule].thresholds}[name]
        return self.numbers.get((rule, name), default)

    def days(self, rule: str, name: str) -> int:
        """A threshold that is a whole number."""
        return int(self.number(rule, name))

    def expected(self, rule: str, **agreed: int) -> str:
        """What does not raise the rule, with the clinic's numbers or those ``agreed``."""
        names = {threshold.name for threshold in RULES[rule].thresholds} - agreed.keys()
        numbers = {name: self.number(rule, name) for name in names}
        return RULES[rule].expected.format(**numbers, **agreed)


DEFAULT_POLICY = SafetyPolicy()
"""The rules as they come, for a clinic that has not decided yet."""
