"""FHIRPath constraints as Python expressions.

Only what can be translated exactly is: three-valued logic is carried as two expressions, one for
true and one for false. Every other sub-expression becomes ``unsure()``, which stops the quick path
when, and only when, the outcome hangs on it.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Protocol

from service.fhir.fast import compare
from service.fhir.fast.facts import PRIMITIVES, Part, TypeChoice, type_facts
from service.fhir.fast.terms import (
    UNSURE,
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
    negated,
    total,
    with_value,
)
from service.fhir.fhirpath.parser import parse
from service.fhir.fhirpath.syntax import (
    Binary,
    Call,
    Literal,
    Member,
    Node,
    Special,
    TypeTest,
    Variable,
)
from service.fhir.r4 import tables
from service.fhir.units import UCUM

Value = Collection | Truth
_ALWAYS, _NEVER = total(YES), total(negated(YES))


class Focus(Protocol):
    """What a constraint is about: an object whose elements stand in local variables."""

    def member(self, name: str) -> Collection:
        """The branches of an element of the focus."""
        ...

    def itself(self) -> Collection:
        """The focus as one branch."""
        ...

    @property
    def is_resource(self) -> bool:
        """Whether ``%resource`` is the focus."""
        ...

    def fact(self, branch: Branch) -> str | None:
        """A condition on single items of an array, where those are gathered as facts of items."""
        ...


class Translator:
    """Translates constraints on one focus. ``new_name`` gives loop variables, ``constant`` takes in
    an object and gives the name that generated code knows it by.
    """

    def __init__(
        self, focus: Focus, new_name: Callable[[], str], constant: Callable[[str, object], str]
    ) -> None:
        self._focus, self._new_name, self._constant = focus, new_name, constant
        self._this: Collection | None = None
        self._outside = False
        """Whether the criteria being translated look at more than the item they judge."""

    def holds(self, expression: str) -> str:
        """A Python expression that is true exactly where the constraint is."""
        return self._truth(parse(expression)).true

    # Conditions

    def _truth(self, tree: Node) -> Truth:
        try:
            return self._as_truth(self._value(tree))
        except UntranslatableError:
            return Truth(UNSURE, UNSURE)

    def _as_truth(self, value: Value) -> Truth:
        if isinstance(value, Truth):
            return value
        return compare.boolean(value)

    def _value(self, tree: Node) -> Value:
        match tree:
            case Literal():
                return _literal(tree)
            case Variable(name="ucum"):
                return Collection([Branch(repr(UCUM), "String", sure=True)])
            case Variable(name="resource") if self._focus.is_resource:
                self._outside = True
                return self._focus.itself()
            case Special(name="this"):
                return self._here()
            case Member():
                return self._member(tree)
            case TypeTest():
                return self._type_test(tree)
            case Call():
                return self._call(tree)
            case Binary():
                return self._binary(tree)
        raise UntranslatableError

    def _here(self) -> Collection:
        return self._focus.itself() if self._this is None else self._this

    def _collection(self, tree: Node | None) -> Collection:
        value = self._here() if tree is None else self._value(tree)
        if isinstance(value, Truth):
            raise UntranslatableError
        return value

    # Elements

    def _member(self, tree: Member) -> Collection:
        outer = tree.target is None or tree.target == Special("this", tree.target.at)
        if outer and self._this is None:
            return self._focus.member(tree.name)
        target = self._collection(tree.target)
        if target == self._focus.itself():
            return self._focus.member(tree.name)
        found = (self._step(branch, tree.name) for branch in target)
        return Collection((b for branches in found for b in branches), target.loose)

    def _step(self, branch: Branch, name: str) -> list[Branch]:
        if branch.choices:
            return [step for one in self._alike(branch, name) for step in self._step(one, name)]
        part = _part(branch.type, name)
        if part is None:
            return []
        owner = branch.value if branch.sure else f"({branch.value} or EMPTY)"
        return [self._element(branch, owner, part)]

    def _alike(self, branch: Branch, name: str) -> list[Branch]:
        """The types of a choice that have an element, those taken together whose elements are of
        one type.
        """
        groups: dict[tuple[TypeChoice, ...], list[TypeChoice]] = {}
        for choice in branch.choices:
            part = _part(choice.type, name)
            if part is not None:
                groups.setdefault((*part.choices, *([choice] * part.many)), []).append(choice)
        return [self._chosen(branch, *group) for group in groups.values()]

    def _chosen(self, branch: Branch, *choices: TypeChoice) -> Branch:
        """A choice element narrowed to some of its types; the first stands for all."""
        keys = tuple(choice.key for choice in choices)
        value = f"pick({branch.owner}, {keys!r})"
        if len(keys) == 1:
            value = f'{branch.owner}.get("{keys[0]}")'
        kind = choices[0].type
        return replace(branch, value=value, type=kind, choices=(), owner="", sure=False)

    def _element(self, branch: Branch, owner: str, part: Part) -> Branch:
        first = part.choices[0]
        if first.type == "Resource":
            raise UntranslatableError
        if len(part.choices) > 1:
            keys = frozenset(choice.key for choice in part.choices)
            value = f"pick({owner}, {self._constant('KEYS', keys)})"
            return replace(
                branch, value=value, sure=False, choices=part.choices, owner=owner, type=""
            )
        value = f'{owner}.get("{first.key}")'
        if not part.many:
            return replace(branch, value=value, type=first.type, sure=False)
        name = self._new_name()
        clauses = (*branch.clauses, Clause(f"{value} or ()", name))
        return replace(branch, value=name, type=first.type, sure=True, clauses=clauses)

    def _type_test(self, tree: TypeTest) -> Value:
        target = self._collection(tree.target)
        if len(target) != 1 and not all(branch.type for branch in target):
            raise UntranslatableError
        chosen = Collection(self._of_type(b, tree.name) for b in target)
        chosen = Collection((b for b in chosen if b.type), target.loose)
        if tree.operator != "is":
            return chosen
        found = exists(chosen)
        return Truth(found, both(exists(target), negated(found)))

    def _of_type(self, branch: Branch, name: str) -> Branch:
        types = [choice.type for choice in branch.choices] or [branch.type]
        if any(name in _bases(type_name) for type_name in types):
            raise UntranslatableError
        if not branch.choices:
            return branch if branch.type == name else replace(branch, type="")
        for choice in branch.choices:
            if choice.type == name:
                return self._chosen(branch, choice)
        return replace(branch, type="", choices=())

    # Operators

    def _binary(self, tree: Binary) -> Value:
        match tree.operator:
            case "and":
                left = self._truth(tree.left)
                return left if left == _NEVER else self._and(left, self._truth(tree.right))
            case "or" | "implies":
                left = self._truth(tree.left)
                left = _opposite(left) if tree.operator == "implies" else left
                return left if left == _ALWAYS else self._or(left, self._truth(tree.right))
            case "xor":
                return self._equal(tree, opposite=True)
            case "=":
                return self._equal(tree)
            case "!=":
                return self._equal(tree, opposite=True)
            case "<" | ">" | "<=" | ">=":
                one, other = self._collection(tree.left), self._collection(tree.right)
                return compare.ordered(one, tree.operator, other)
            case "|":
                one, other = self._collection(tree.left), self._collection(tree.right)
                return Collection([*one, *other], loose=True)
            case "+":
                return compare.added(self._collection(tree.left), self._collection(tree.right))
            case "in":
                return compare.among(self._collection(tree.left), self._collection(tree.right))
        raise UntranslatableError

    def _and(self, left: Truth, right: Truth) -> Truth:
        false = None
        if left.false is not None and right.false is not None:
            false = either(left.false, right.false)
        return Truth(both(left.true, right.true), false, left.total and right.total)

    def _or(self, left: Truth, right: Truth) -> Truth:
        false = None
        if left.false is not None and right.false is not None:
            false = both(left.false, right.false)
        return Truth(either(left.true, right.true), false, left.total and right.total)

    def _equal(self, tree: Binary, *, opposite: bool = False) -> Truth:
        left, right = self._value(tree.left), self._value(tree.right)
        if isinstance(left, Truth) or isinstance(right, Truth) or tree.operator == "xor":
            same = compare.same_truth(self._as_truth(left), self._as_truth(right))
        else:
            same = compare.equal(left, right)
        return _opposite(same) if opposite else same

    # Functions

    def _call(self, tree: Call) -> Value:
        name, arguments = tree.name, tree.arguments
        if name == "not" and tree.target is not None:
            return _opposite(self._truth(tree.target))
        if name == "iif" and tree.target is None and len(arguments) == 3:
            return self._iif(arguments)
        if name == "trace":
            return self._value(tree.target) if tree.target is not None else self._here()
        if name == "htmlChecks":
            return total(YES)  # the leaf has been looked at already
        target = self._collection(tree.target)
        if name in ("where", "all", "exists") and arguments:
            return self._filtered(name, target, arguments[0])
        if name in ("exists", "empty", "hasValue") and not arguments:
            found = self._exists(target)
            return total(negated(found) if name == "empty" else found)
        if name == "intersect" and len(arguments) == 1:
            return compare.common(target, self._collection(arguments[0]))
        if name == "count":
            return compare.count(target)
        return compare.computed(name, target, [self._literal(a) for a in arguments])

    def _literal(self, tree: Node) -> str | int:
        if isinstance(tree, Literal) and isinstance(tree.value, str | int):
            return tree.value
        raise UntranslatableError

    def _iif(self, arguments: tuple[Node, ...]) -> Value:
        test = self._truth(arguments[0])
        values = [self._value(argument) for argument in arguments[1:]]
        if not any(isinstance(value, Truth) for value in values):
            return compare.one_of_two(test.true, *map(self._collection, arguments[1:]))
        one, other = map(self._as_truth, values)
        false = None
        if one.false is not None and other.false is not None:
            false = f"({one.false} if {test.true} else {other.false})"
        return Truth(f"({one.true} if {test.true} else {other.true})", false)

    def _exists(self, target: Collection) -> str:
        text = negated(YES)
        for branch in target:
            fact = self._focus.fact(branch) if branch.origin else None
            text = either(text, exists([branch]) if fact is None else fact)
        return text

    def _filtered(self, name: str, target: Collection, criteria: Node) -> Value:
        kept = Collection(loose=target.loose)
        always = YES
        for branch in target:
            item, truth = self._judged(branch, criteria)
            kept.append(replace(item, clauses=(*item.clauses, Clause(truth.true))))
            always = both(always, negated(any_of(item.clauses, negated(truth.true))))
        if name == "where":
            return kept
        return total(self._exists(kept) if name == "exists" else always)

    def _judged(self, branch: Branch, criteria: Node) -> tuple[Branch, Truth]:
        item = with_value(branch)
        if not item.value.isidentifier():
            named = self._new_name()
            clause = Clause(f"({item.value},)", named)
            item = replace(item, value=named, clauses=(*item.clauses, clause))
        outer, self._this = self._this, Collection([replace(item, clauses=(), origin="")])
        outside, self._outside = self._outside, False
        try:
            truth = self._truth(criteria)
        finally:
            self._this = outer
        if self._outside:
            item = replace(item, origin="")
        self._outside = self._outside or outside
        return item, truth


def _literal(tree: Literal) -> Value:
    match tree.value:
        case bool(value):
            return total(YES if value else negated(YES))
        case str(value):
            return Collection([Branch(repr(value), "String", sure=True)])
        case int(value):
            return Collection([Branch(repr(value), "Integer", sure=True)])
    raise UntranslatableError


def _opposite(truth: Truth) -> Truth:
    return Truth(truth.false or UNSURE, truth.true, truth.total)


def _bases(type_name: str) -> set[str]:
    """The types that a type specialises."""
    bases: set[str] = set()
    base = tables.types().get(type_name, {}).get("base")
    while base is not None:
        bases.add(base)
        base = tables.types()[base].get("base")
    return bases


def _part(type_name: str, name: str) -> Part | None:
    if type_name in PRIMITIVES or type_name in ("String", "Integer"):
        return None
    return type_facts(type_name).parts.get(name)
