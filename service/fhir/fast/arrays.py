"""Source for arrays of objects: one item after the other, slices and facts gathered as bits."""

from dataclasses import replace
from typing import TYPE_CHECKING

from service.fhir.fast.focus import Held
from service.fhir.fast.rules import Rule, UnsupportedError, merged
from service.fhir.fast.slices import Slice, Slicing, choosing, slicing_of
from service.fhir.fast.spec import REPEATING, Spec

if TYPE_CHECKING:
    from service.fhir.fast.generator import Generator


class ArrayWriter:
    """One array element of one node: ``rule`` is what the profile says of it, slices included."""

    def __init__(
        self, generator: "Generator", name: str, owner: Spec, item: Spec, rule: Rule | None,
        held: Held,
    ) -> None:  # fmt: skip
        self._generator, self._name, self._held = generator, name, held
        self._rule, self._contexts = rule, owner.contexts
        self._slicing = rule_slicing(rule)
        self.remembered = not item.remembered and (
            item.type in REPEATING or (self._slicing is not None and self._slicing.form != "value")
        )
        self._item = replace(item, remembered=item.remembered or self.remembered)
        self._once, self._needed = 0, 0
        if self._slicing is not None:
            held.gathers = True
            held.next_bit = 2 << len(self._slicing.slices)
            self._once, self._needed = self._slicing.once, self._slicing.needed
        held.gathers = held.gathers or self.remembered
        self._base = ""
        if self._slicing is None or not (self._slicing.closed or item.type == "Extension"):
            self._base = generator.function(self._item.with_rule(self._element()))
        self._table = self._slices()

    @property
    def needed(self) -> bool:
        """Whether a slice has to be met, so that the array has to be there."""
        return self._needed != 0

    def loop(self, array: str, seen: str) -> list[str]:
        """Lines that check every item of the array in a variable."""
        item = self._item_name()
        if self._slicing is None and not self._held.facts:
            return [f"for y in {array}:", f"    if not {self._test(item)}:", "        return False"]
        lines = [f"for y in {array}:", f"    m = {self._test(item)}"]
        again = f" or {seen} & m & {self._once}" if self._once else ""
        return [*lines, f"    if not m{again}:", "        return False", f"    {seen} |= m"]

    def gathered(self) -> bool:
        """Whether the loop fills a variable with bits."""
        return self._slicing is not None or bool(self._held.facts)

    def after(self, seen: str) -> list[str]:
        """Lines after the loop."""
        if not self._needed:
            return []
        return [f"if {seen} & {self._needed} != {self._needed}:", "    return False"]

    def _test(self, item: str) -> str:
        if not self.remembered:
            return f"{item}(y)"
        known = self._generator.known(item)
        return f"({known}.get(w := dumps(y)) or {known}.learn(w, y))"

    def _item_name(self) -> str:
        """The function of one item: of its type, or one that also answers bits."""
        if self._slicing is None:
            if not self._held.facts:
                return self._base
            return self._write(["mask = 1", f"if not {self._base}(y):", "    return 0"])
        return self._write(self._sliced(self._slicing))

    def _write(self, lines: list[str]) -> str:
        names = dict.fromkeys(name for name, _, _ in self._held.facts)
        lines = [*lines, *(f"{name} = y" for name in names)]
        for _, condition, bit in self._held.facts:
            lines += [f"if {condition}:", f"    mask |= {bit}"]
        body = "\n".join(f"    {line}" for line in [*lines, "return mask"])
        self._generator.module.pending.append(f"def {self._name}(y):\n{body}\n")
        return self._name

    def _sliced(self, slicing: Slicing) -> list[str]:
        return [
            *choosing(slicing, self._table),
            "if found is not None:",
            "    check, mask = found",
            "    if not check(y):",
            "        return 0",
            "else:",
            "    mask = 1",
            f"    if not {self._unsliced(slicing)}:",
            "        return 0",
        ]

    def _unsliced(self, slicing: Slicing) -> str:
        if slicing.closed:
            return "False"
        if self._item.type == "Extension":
            contexts = self._generator.module.constant("CONTEXTS", self._contexts)
            return f"known_extension(y, {contexts})"
        return f"{self._base}(y)"

    def _element(self) -> Rule | None:
        """What is said of every item, in whatever slice."""
        if self._rule is None:
            return None
        return replace(self._rule, slicing=None, slices={})

    def _slices(self) -> str:
        if self._slicing is None:
            return ""
        name = f"{self._name}_slices"
        rows = [self._row(piece) for piece in self._slicing.slices if not piece.rule.prohibited]
        refused = [s for s in self._slicing.slices if s.rule.prohibited]
        rows += [f"    {s.key!r}: (unsure_of, 0)," for s in refused]
        self._generator.module.pending.append("\n".join([f"{name} = {{", *rows, "}\n"]))
        return name

    def _row(self, piece: Slice) -> str:
        types = piece.rule.types
        if types and types[0].get("profile"):
            if piece.rule.children or piece.rule.constraints:
                raise UnsupportedError("rules on a slice beyond the extension's own")
            name = self._generator.extension(str(piece.key), self._contexts)
        else:
            rule = merged(self._element() or Rule(), piece.rule)
            path = f"{self._item.path}:{piece.name}"
            name = self._generator.function(replace(self._item, path=path).with_rule(rule))
        return f"    {piece.key!r}: ({name}, {piece.bit | 1}),"


def rule_slicing(rule: Rule | None) -> Slicing | None:
    """The slicing a rule asks for. Raises UnsupportedError."""
    if rule is None or not rule.slices:
        return None
    return slicing_of(rule)
