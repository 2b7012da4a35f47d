"""The source of one function: a type, backbone element, profile, slice or extension.

The function answers True only for an object that nothing can be said against. It reads every
element it knows into a variable, counts them, and compares the count with the object's size: what
it does not know, null included, makes the difference.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from service.fhir.fast.arrays import ArrayWriter
from service.fhir.fast.facts import PRIMITIVES, QUANTITIES, Part, TypeChoice, type_facts
from service.fhir.fast.focus import Held, LeafFocus, ObjectFocus, variable
from service.fhir.fast.leaves import reference_test
from service.fhir.fast.memory import Verified
from service.fhir.fast.primitives import leaf_test, literal_test
from service.fhir.fast.rules import Rule, UnsupportedError
from service.fhir.fast.spec import BOUND_PRIMITIVES, CODED, Spec, allowed, strict_binding
from service.fhir.fast.terms import UNSURE, YES
from service.fhir.fast.translate import Translator
from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.r4 import tables
from service.fhir.structure import Binding
from service.fhir.units import UCUM

if TYPE_CHECKING:
    from service.fhir.fast.generator import Generator

_LEFT_OUT = frozenset({"modifierExtension", "contained", "implicitRules"})
"""Elements that the diagnosing validator has to look at."""


@dataclass(slots=True)
class _Plan:
    """One element of the node: what of it is written."""

    part: Part
    rule: Rule | None
    held: Held
    array: ArrayWriter | None = None


class NodeWriter:
    """Writes one function. Raises UnsupportedError where a rule cannot be turned into code."""

    def __init__(self, generator: "Generator", spec: Spec, name: str) -> None:
        self._generator, self._spec, self._name = generator, spec, name
        self._facts = type_facts(spec.type)
        self._variables = 0
        self._aside = False
        self._plans: list[_Plan] = []
        held: dict[str, Held] = {}
        children = {} if spec.rule is None else spec.rule.children
        if unknown := children.keys() - self._facts.parts.keys():
            raise UnsupportedError(f"elements that {spec.type} does not have: {unknown}")
        for part in self._facts.parts.values():
            plan = self._plan(part, children.get(part.name))
            if plan is not None:
                self._plans.append(plan)
                held[part.name] = plan.held
        self._focus = ObjectFocus(
            spec.type,
            self._facts.is_resource,
            held,
            self._new_name,
            generator.module.constant,
            aside=self._aside,
        )

    # Which elements are written

    def _plan(self, part: Part, rule: Rule | None) -> _Plan | None:
        if self._is_left_out(part, rule):
            if part.required or (rule is not None and rule.low):
                raise UnsupportedError(f"{part.name} is required and not written")
            return None
        try:
            return self._written(part, rule)
        except UnsupportedError:
            if part.required or (rule is not None and (rule.low or _needs_slice(rule))):
                raise
            return None

    def _is_left_out(self, part: Part, rule: Rule | None) -> bool:
        name, spec = part.name, self._spec
        if rule is not None and rule.prohibited:
            return True
        if name == "extension" and rule is None:
            self._aside = True
            return True
        return (
            name in _LEFT_OUT
            or (name == "id" and not self._facts.is_resource)
            or (name == "comparator" and spec.simple)
            or (name == "identifier" and spec.bare)
            or (name == "version" and spec.type == "Coding")
            or any(choice.type == "Resource" for choice in part.choices)
        )

    def _written(self, part: Part, rule: Rule | None) -> _Plan:
        choices = allowed(part, rule)
        if len(choices) > 1 and rule is not None and _says_more_than_type(rule):
            raise UnsupportedError("rules on an element of several types")
        required = part.required or (rule is not None and bool(rule.low))
        held = Held(choices, required, part.many)
        plan = _Plan(part, rule, held)
        if part.many and choices[0].type not in PRIMITIVES:
            item = self._child(part, choices[0], rule)
            name = self._generator.module.name(f"{self._name}_{part.name}")
            plan.array = ArrayWriter(self._generator, name, self._spec, item, rule, held)
            held.required = held.required or plan.array.needed
            return plan
        if rule is not None and rule.slices:
            raise UnsupportedError("slices of an element that is no array of objects")
        for choice in choices:  # what cannot be written is found out while it can be left out
            self._test(plan, choice, "v")
        return plan

    def _child(self, part: Part, choice: TypeChoice, rule: Rule | None) -> Spec:
        backbone = "." in choice.type
        if backbone and self._spec.type.startswith(choice.type):
            self._generator.nesting.add(self._spec.type.partition(".")[0])
        path = choice.type
        if rule is not None:
            path = f"{self._spec.path}.{part.name}"
        invariants = tables.invariants()
        return Spec(
            choice.type,
            path,
            targets=choice.targets,
            simple=choice.simple,
            constraints=tuple(
                (invariants[name]["key"], invariants[name]["expression"])
                for name in part.constraints
                if name not in ("ele-1", "ext-1")
            ),
            bindings=strict_binding(part.binding) if choice.type in CODED else (),
            remembered=self._spec.remembered,
            bare=self._spec.type == "Identifier" and choice.type == "Reference",
        )

    def _new_name(self) -> str:
        self._variables += 1
        return f"x{self._variables}"

    # Source

    def source(self) -> str:
        """The text of the function."""
        constraints = self._constraints()
        counted = sum(p.held.required and len(p.held.choices) == 1 for p in self._plans)
        counted += self._facts.is_resource
        lines = [f"n = {counted}"]
        for plan in self._plans:
            lines += self._element(plan)
        lines += self._count(counted)
        lines += self._own_rules()
        for key, text in constraints:
            lines += [f"if not {text}:  # {key}", "    return False"]
        body = "\n".join(f"    {line}" for line in [*lines, "return True"])
        return f"def {self._name}(o):  # {self._spec.path}\n{body}\n"

    def _constraints(self) -> list[tuple[str, str]]:
        """Key and translation of the constraints that are not settled already."""
        invariants = tables.invariants()
        stated = [
            (invariants[name]["key"], invariants[name]["expression"])
            for name in self._facts.constraints
            if name != "ele-1" and not invariants[name].get("bestPractice")
        ]
        translator = Translator(self._focus, self._new_name, self._generator.module.constant)
        texts = []
        for key, expression in dict.fromkeys([*stated, *self._spec.constraints]):
            text = self._translated(translator, expression)
            if text != YES:
                texts.append((key, text))
        return texts

    def _translated(self, translator: Translator, expression: str) -> str:
        try:
            return translator.holds(expression)
        except FhirPathError:
            return UNSURE

    def _element(self, plan: _Plan) -> list[str]:
        choices = plan.held.choices
        seen = f"seen_{plan.part.name}"
        gathered = plan.array is not None and plan.array.gathered()
        lines = [f"{seen} = 0"] if gathered else []
        if len(choices) == 1:
            lines += self._single(plan, choices[0])
        else:
            lines.append("c = 0")
            for choice in choices:
                lines += self._present(plan, choice, "c += 1")
            lines += [f"if c {'!= 1' if plan.held.required else '> 1'}:", "    return False"]
            lines.append("n += c")
        return lines + (plan.array.after(seen) if plan.array is not None else [])

    def _single(self, plan: _Plan, choice: TypeChoice) -> list[str]:
        if not plan.held.required:
            return self._present(plan, choice, "n += 1")
        name = variable(choice.key)
        lines = [f'{name} = o.get("{choice.key}")', f"if {name} is None:", "    return False"]
        return lines + self._value(plan, choice)

    def _present(self, plan: _Plan, choice: TypeChoice, counting: str) -> list[str]:
        name = variable(choice.key)
        inner = [counting, *self._value(plan, choice)]
        return [
            f'{name} = o.get("{choice.key}")',
            f"if {name} is not None:",
            *(f"    {line}" for line in inner),
        ]

    def _value(self, plan: _Plan, choice: TypeChoice) -> list[str]:
        name = variable(choice.key)
        if not plan.part.many:
            return [f"if not {self._test(plan, choice, name)}:", "    return False"]
        lines = [f"if {name}.__class__ is not list or not {name}{self._bounds(plan, name)}:"]
        lines.append("    return False")
        if plan.array is not None:
            return lines + plan.array.loop(name, f"seen_{plan.part.name}")
        test = self._leaf(plan.part, choice, plan.rule, "y")
        return [*lines, f"for y in {name}:", f"    if not {test}:", "        return False"]

    def _bounds(self, plan: _Plan, name: str) -> str:
        rule = plan.rule
        if rule is None:
            return ""
        text = ""
        if rule.high not in (None, "*"):
            text += f" or len({name}) > {int(rule.high)}"
        if rule.low is not None and rule.low > 1:
            text += f" or len({name}) < {rule.low}"
        return text

    def _test(self, plan: _Plan, choice: TypeChoice, name: str) -> str:
        if choice.type in PRIMITIVES:
            return self._leaf(plan.part, choice, plan.rule, name)
        return self._generator.test(
            self._child(plan.part, choice, plan.rule).with_rule(plan.rule), name
        )

    def _leaf(self, part: Part, choice: TypeChoice, rule: Rule | None, name: str) -> str:
        tests = [leaf_test(choice.type, name)]
        bindings = strict_binding(part.binding) if choice.type in BOUND_PRIMITIVES else ()
        constraints = [
            tables.invariants()[key]["expression"]
            for key in part.constraints
            if key not in ("ele-1", "ext-1", "txt-1", "txt-2")
        ]
        if rule is not None:
            if rule.children:
                raise UnsupportedError("rules on the extensions of a primitive")
            bindings += strict_binding(rule.binding) if choice.type in BOUND_PRIMITIVES else ()
            constraints += [constraint["expression"] for constraint in rule.constraints]
            literal = literal_test(rule, name)
            tests = tests if literal is None else [literal]
            if rule.max_length is not None:
                tests.append(f"len({name}) <= {rule.max_length}")
        tests += self._coded(choice.type, bindings, name)
        translator = Translator(
            LeafFocus(name, choice.type), self._new_name, self._generator.module.constant
        )
        tests += [self._translated(translator, expression) for expression in constraints]
        return tests[0] if len(tests) == 1 else f"({' and '.join(tests)})"

    def _coded(self, kind: str, bindings: tuple[Binding, ...], name: str) -> list[str]:
        """Tests of a primitive against value sets."""
        tests = []
        for binding in bindings:
            codes = self._generator.definitions.code_set(binding.value_set)
            module = self._generator.module
            if binding.strength == "required" and codes is not None and not codes.whole_systems:
                tests.append(f"{name} in {module.constant('CODES', codes.codes)}")
            else:
                test = Verified(self._generator.bound(binding, kind))
                known = module.constant("BOUND", test, key=(binding, kind))
                tests.append(f"({name} in {known} or {known}.learn({name}))")
        return tests

    def _count(self, counted: int) -> list[str]:
        lines = []
        if self._aside:
            contexts = self._generator.module.constant("CONTEXTS", self._spec.contexts)
            lines += [f"if n != len(o) and n + extra(o, {contexts}) != len(o):", "    return False"]
        else:
            lines += ["if n != len(o):", "    return False"]
        if not counted:
            lines += ["if not o:", "    return False"]
        return lines

    def _own_rules(self) -> list[str]:
        tests = [*self._type_rules()]
        rule = self._spec.rule
        if rule is not None:
            if rule.fixed is not None:
                raise UnsupportedError("a fixed value of a complex type")
            if rule.pattern is not None:
                pattern = self._generator.module.constant(
                    "PATTERN", rule.pattern, key=repr(rule.pattern)
                )
                tests.append(f"fits(o, {pattern})")
        for binding in dict.fromkeys(strict_binding(self._facts.binding) + self._spec.bindings):
            test = self._generator.bound(binding, self._spec.type)
            name = self._generator.module.constant("bound", test, key=(binding, self._spec.type))
            tests.append(f"{name}(o)")
        return [line for test in tests for line in (f"if not {test}:", "    return False")]

    def _type_rules(self) -> list[str]:
        """What R4 says of a type in words."""
        kind = self._spec.type
        if kind == "Coding":
            return ["((system, code) in CODINGS or CODINGS.learn((system, code)))"]
        if kind in QUANTITIES:
            return [f"(system != {UCUM!r} or code is None or code in UCUM or UCUM.learn(code))"]
        if kind == "Identifier":
            return ["(system is None or system in ABSOLUTE or ABSOLUTE.learn(system))"]
        if kind == "Attachment":
            return ["(data is None or size is None)"]  # else the size has to be counted
        if kind == "Reference":
            return self._reference_rules()
        return []

    def _reference_rules(self) -> list[str]:
        targets = self._spec.targets
        if targets is None:
            kinds = tables.types().items()
            targets = frozenset(name for name, facts in kinds if facts["kind"] == "resource")
        module = self._generator.module
        known = module.constant("REFERENCES", Verified(reference_test(targets)), key=targets)
        names = module.constant("TYPES", targets)
        literal = f"(reference is None or reference in {known} or {known}.learn(reference))"
        beside = f"(reference is None or agrees({variable('type')}, reference))"
        typed = f"({variable('type')} is None or ({variable('type')} in {names} and {beside}))"
        return [literal, typed]


def _needs_slice(rule: Rule) -> bool:
    return any(piece.low for piece in rule.slices.values())


def _says_more_than_type(rule: Rule) -> bool:
    return bool(
        rule.children
        or rule.slices
        or rule.constraints
        or rule.fixed is not None
        or rule.pattern is not None
    )
