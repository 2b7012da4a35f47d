"""Tokens to a syntax tree, by precedence (FHIRPath N1, section 6.7)."""

from decimal import Decimal

from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.lexer import Token, tokens
from service.fhir.fhirpath.syntax import (
    Binary,
    Call,
    Empty,
    Index,
    Literal,
    Member,
    Node,
    QuantityLiteral,
    Special,
    TypeTest,
    Unary,
    Variable,
)
from service.fhir.fhirpath.temporal import parse_literal
from service.fhir.fhirpath.units import CALENDAR_WORDS

MAX_DEPTH = 60
"""Deepest nesting of brackets, function arguments and signs."""

_LEVELS = (
    ("implies",),
    ("or", "xor"),
    ("and",),
    ("in", "contains"),
    ("=", "!=", "~", "!~"),
    ("<", ">", "<=", ">="),
    ("|",),
    ("is", "as"),
    ("+", "-", "&"),
    ("*", "/", "div", "mod"),
)
"""Operators from the loosest to the tightest; all of them associate to the left."""
_RESERVED = frozenset({"and", "or", "xor", "implies", "div", "mod"})
_TYPE_TESTS = frozenset({"is", "as", "ofType"})
_LARGEST_INTEGER = 2**31 - 1


def parse(text: str) -> Node:
    """The tree of ``text``. Raises FhirPathError with the position of the first fault."""
    parser = _Parser(list(tokens(text)))
    tree = parser.expression(0)
    parser.expect_end()
    return tree


class _Parser:
    def __init__(self, read: list[Token]) -> None:
        self._tokens, self._next, self._depth = read, 0, 0

    def expect_end(self) -> None:
        if self._peek.kind != "end":
            raise FhirPathError(f"{self._peek.text!r} was not expected here", self._peek.at)

    def expression(self, level: int) -> Node:
        if level == len(_LEVELS):
            return self._signed()
        left = self.expression(level + 1)
        while (operator := self._operator(level)) is not None:
            if operator.text in ("is", "as"):
                left = self._type_test(operator, left)
            else:
                left = Binary(operator.text, left, self.expression(level + 1), operator.at)
        return left

    @property
    def _peek(self) -> Token:
        return self._tokens[self._next]

    def _take(self) -> Token:
        token = self._peek
        self._next += 1
        return token

    def _take_symbol(self, text: str) -> bool:
        if self._peek.kind == "symbol" and self._peek.text == text:
            self._next += 1
            return True
        return False

    def _expect(self, text: str) -> None:
        if not self._take_symbol(text):
            found = self._peek.text or "the end"
            raise FhirPathError(f"{text!r} was expected, found {found!r}", self._peek.at)

    def _operator(self, level: int) -> Token | None:
        token = self._peek
        if token.kind in ("symbol", "name") and token.text in _LEVELS[level]:
            return self._take()
        return None

    def _nested(self) -> Node:
        self._depth += 1
        if self._depth > MAX_DEPTH:
            raise FhirPathError(f"nested deeper than {MAX_DEPTH}", self._peek.at)
        inner = self.expression(0)
        self._depth -= 1
        return inner

    def _signed(self) -> Node:
        signs = []
        while self._peek.kind == "symbol" and self._peek.text in "+-":
            signs.append(self._take())
        if len(signs) > MAX_DEPTH:
            raise FhirPathError(f"more than {MAX_DEPTH} signs in a row", signs[MAX_DEPTH].at)
        tree = self._invocations()
        for sign in reversed(signs):
            tree = Unary(sign.text, tree, sign.at)
        return tree

    def _invocations(self) -> Node:
        tree = self._term()
        while True:
            at = self._peek.at
            if self._take_symbol("."):
                tree = self._after_dot(tree)
            elif self._take_symbol("["):
                tree = Index(tree, self._nested(), at)
                self._expect("]")
            else:
                return tree

    def _after_dot(self, target: Node) -> Node:
        token = self._take()
        if token.kind not in ("name", "quoted"):
            found = token.text or "the end"
            raise FhirPathError(f"a name was expected after the dot, found {found!r}", token.at)
        return self._invocation(target, token)

    def _invocation(self, target: Node | None, token: Token) -> Node:
        if token.kind == "quoted" or not self._take_symbol("("):
            return Member(target, token.text, token.at)
        if token.text in _TYPE_TESTS:
            namespace, name = self._type_name()
            self._expect(")")
            return TypeTest(token.text, target, namespace, name, True, token.at)
        arguments: list[Node] = []
        if not self._take_symbol(")"):
            arguments.append(self._nested())
            while self._take_symbol(","):
                arguments.append(self._nested())
            self._expect(")")
        return Call(target, token.text, tuple(arguments), token.at)

    def _type_test(self, operator: Token, target: Node) -> Node:
        namespace, name = self._type_name()
        return TypeTest(operator.text, target, namespace, name, False, operator.at)

    def _type_name(self) -> tuple[str | None, str]:
        if self._take_symbol("("):
            qualified = self._type_name()
            self._expect(")")
            return qualified
        first = self._name_of_type()
        return (first, self._name_of_type()) if self._take_symbol(".") else (None, first)

    def _name_of_type(self) -> str:
        token = self._take()
        if token.kind not in ("name", "quoted"):
            found = token.text or "the end"
            raise FhirPathError(f"the name of a type was expected, found {found!r}", token.at)
        return token.text

    def _term(self) -> Node:
        token = self._take()
        if token.kind == "symbol":
            return self._bracketed(token)
        if token.kind == "string":
            return Literal(token.text, token.at)
        if token.kind == "number":
            return self._number(token)
        if token.kind in ("date", "time"):
            return Literal(parse_literal(token.kind, token.text, token.at), token.at)
        if token.kind == "variable":
            return Variable(token.text, token.at)
        if token.kind == "special":
            return Special(token.text, token.at)
        return self._named(token)

    def _bracketed(self, token: Token) -> Node:
        if token.text == "(":
            inner = self._nested()
            self._expect(")")
            return inner
        if token.text == "{":
            self._expect("}")
            return Empty(token.at)
        raise FhirPathError(f"{token.text!r} was not expected here", token.at)

    def _named(self, token: Token) -> Node:
        if token.kind == "name":
            if token.text in ("true", "false"):
                return Literal(token.text == "true", token.at)
            if token.text in _RESERVED:
                raise FhirPathError(f"{token.text!r} was not expected here", token.at)
        if token.kind not in ("name", "quoted"):
            raise FhirPathError("the expression ends too early", token.at)
        return self._invocation(None, token)

    def _number(self, token: Token) -> Node:
        unit = self._peek
        if unit.kind == "string" or (unit.kind == "name" and unit.text in CALENDAR_WORDS):
            self._take()
            return QuantityLiteral(Decimal(token.text), unit.text, token.at)
        if "." in token.text:
            return Literal(Decimal(token.text), token.at)
        if len(token.text) > 10 or int(token.text) > _LARGEST_INTEGER:
            raise FhirPathError("an Integer is at most 2147483647", token.at)
        return Literal(int(token.text), token.at)
