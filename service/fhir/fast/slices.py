"""Slicing: by what an item is told apart, and which slice it then has to meet."""

from dataclasses import dataclass
from typing import Any

from service.fhir.fast.rules import Rule, UnsupportedError

Key = str | tuple[str, str]


@dataclass(frozen=True, slots=True)
class Slice:
    """One slice: the discriminator's value, the rule, and the bit that says it has been seen."""

    name: str
    key: Key
    rule: Rule
    bit: int


@dataclass(frozen=True, slots=True)
class Slicing:
    """How items of one array are told apart.

    ``form`` is value (a text at ``path``), coding (the one Coding at ``path``) or concept (any
    coding of the CodeableConcept at ``path``).
    """

    form: str
    path: tuple[str, ...]
    closed: bool
    slices: tuple[Slice, ...]

    @property
    def once(self) -> int:
        """Bits of slices that may be met once."""
        return sum(s.bit for s in self.slices if s.rule.high == "1")

    @property
    def needed(self) -> int:
        """Bits of slices that have to be met."""
        return sum(s.bit for s in self.slices if s.rule.low)


def slicing_of(rule: Rule) -> Slicing:
    """The slicing of an array by one fixed value or one coding. Raises UnsupportedError."""
    said = rule.slicing
    if said is None or said.get("ordered") or said.get("rules") not in ("open", "closed"):
        raise UnsupportedError("slices that are ordered, open at the end or not told apart")
    discriminators = said.get("discriminator", [])
    if len(discriminators) != 1 or discriminators[0]["type"] not in ("value", "pattern"):
        raise UnsupportedError("slices told apart in another way than by one value")
    path = discriminators[0]["path"]
    steps = () if path == "$this" else tuple(path.split("."))
    slices, forms = [], set()
    for place, (name, piece) in enumerate(rule.slices.items()):
        if piece.high not in (None, "0", "1", "*") or (piece.low or 0) > 1:
            raise UnsupportedError("a slice with bounds that have to be counted")
        form, key = _told_by(piece, steps)
        forms.add(form)
        slices.append(Slice(name, key, piece, 2 << place))
    if len(forms) != 1 or len({s.key for s in slices}) != len(slices):
        raise UnsupportedError("slices that are not told apart by one kind of value")
    return Slicing(forms.pop(), steps, said["rules"] == "closed", tuple(slices))


def _told_by(piece: Rule, steps: tuple[str, ...]) -> tuple[str, Key]:
    if steps == ("url",) and piece.types and piece.types[0].get("profile"):
        (canonical,) = piece.types[0]["profile"]
        return "value", str(canonical)
    rule = piece
    for step in steps:
        if step not in rule.children:
            raise UnsupportedError("a slice without the value it is told by")
        rule = rule.children[step]
    return _key(rule.pattern if rule.fixed is None else rule.fixed)


def _key(wanted: Any) -> tuple[str, Key]:
    if isinstance(wanted, str):
        return "value", wanted
    if isinstance(wanted, dict) and wanted.keys() == {"system", "code"}:
        return "coding", (wanted["system"], wanted["code"])
    if isinstance(wanted, dict) and wanted.keys() == {"coding"} and len(wanted["coding"]) == 1:
        form, key = _key(wanted["coding"][0])
        if form == "coding":
            return "concept", key
    raise UnsupportedError("slices told apart by another kind of value")


def choosing(slicing: Slicing, table: str) -> list[str]:
    """Lines that find the slice of the item ``y`` in a table, as ``found``; None for no slice."""
    place = "y"
    for step in slicing.path:
        place = f'{place}["{step}"]'
    if slicing.form == "value":
        *outer, last = slicing.path or ("",)
        owner = "y" + "".join(f'["{step}"]' for step in outer)
        value = f'{owner}.get("{last}")' if last else "y"
        return [f"found = {table}.get({value})"]
    if slicing.form == "coding":
        return [f'found = {table}.get(({place}.get("system"), {place}.get("code")))']
    return [
        "found = None",
        f'for c in {place}.get("coding", ()):',
        f'    hit = {table}.get((c.get("system"), c.get("code")))',
        "    if hit is not None:",
        "        if found is not None:",
        "            unsure()",
        "        found = hit",
    ]
