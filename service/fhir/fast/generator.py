"""From definitions to functions: names, memories and extensions shared by all that is written."""

import re
import threading
from collections.abc import Callable
from typing import Any

from service.fhir.definitions import Definitions
from service.fhir.fast.leaves import coding_test
from service.fhir.fast.memory import UnsureError, Verified
from service.fhir.fast.module import Module
from service.fhir.fast.nodes import NodeWriter
from service.fhir.fast.rules import Rule, UnsupportedError, rule_tree
from service.fhir.fast.spec import REPEATING, Spec
from service.fhir.json import JsonObject
from service.fhir.structure import Binding
from service.fhir.units import ucum_fault
from service.fhir.validation.coded import binding_faults

_SAID = frozenset({"error", "warning"})
_DEEPEST_EXTENSION = 8
"""Nesting of objects and arrays in an extension that no profile speaks of."""


class Generator:
    """Writes functions into a module, each spec once. One lock guards the writing."""

    def __init__(self, definitions: Definitions) -> None:
        self.definitions = definitions
        self.module = Module()
        self.lock = threading.RLock()
        self.nesting: set[str] = set()
        """Resource types with elements that nest in themselves."""
        self._names: dict[Spec, str] = {}
        self._rules: dict[str, Rule] = {}
        self._kept: list[Rule] = []
        self._known: set[str] = set()
        codings = Verified(coding_test(definitions.code_sets.codes_of))
        self.module.bind("CODINGS", codings)
        self.module.bind("UCUM", Verified(lambda code: ucum_fault(code) is None))
        self.module.bind("unsure_of", _unsure_of)
        for namespace in (self.module.quick, self.module.exact):
            known = _KnownExtensions(self, namespace)
            namespace["known_extension"], namespace["extra"] = known, known.extra

    def function(self, spec: Spec) -> str:
        """The name of the function that checks a spec, written now unless it has been before.

        Raises UnsupportedError.
        """
        name = self._names.get(spec)
        if name is None:
            if spec.rule is not None:
                self._kept.append(spec.rule)  # its id stays its own
            words = re.sub(r"[^A-Za-z0-9]+", "_", spec.path.rpartition("/")[2])
            name = self._names[spec] = self.module.name(words)
            try:
                self.module.pending.append(NodeWriter(self, spec, name).source())
            except (UnsupportedError, LookupError, ValueError) as error:
                self._names[spec] = ""
                self.module.pending.append(f"{name} = unsure_of\n")
                raise UnsupportedError(str(error)) from error
        if not name:
            raise UnsupportedError(spec.path)
        return name

    def test(self, spec: Spec, value: str) -> str:
        """A Python expression that checks the value of a complex type."""
        if spec.type not in REPEATING or spec.remembered:
            return f"{self.function(spec)}({value})"
        known = self.known(self.function(spec))
        return f"({known}.get(w := dumps({value})) or {known}.learn(w, {value}))"

    def known(self, name: str) -> str:
        """The memory of objects that a function has found clean."""
        known = f"{name}_known"
        if known not in self._known:
            self._known.add(known)
            self.module.pending.append(f"{known} = VerifiedObjects(lambda o: {name}(o))\n")
        return known

    def rules(self, profile: JsonObject) -> Rule:
        """The rules of a profile. Raises UnsupportedError."""
        key = f"{profile['url']}|{profile.get('version', '')}"
        if key not in self._rules:
            self._rules[key] = rule_tree(profile)
        return self._rules[key]

    def extension(self, url: str, contexts: tuple[str, ...]) -> str:
        """The name of the function that checks an extension at a place that its contexts allow.

        Raises UnsupportedError.
        """
        definition = self.definitions.structure(url)
        if definition is None or definition.get("type") != "Extension":
            raise UnsupportedError(f"the extension {url}")
        if not _allowed(definition, contexts):
            raise UnsupportedError(f"the extension {url} at {contexts[0]}")
        rule = self.rules(definition)
        if "url" not in rule.children or rule.children["url"].fixed != url:
            raise UnsupportedError(f"the extension {url} with another url")
        return self.function(Spec("Extension", url, remembered=True).with_rule(rule))

    def bound(self, binding: Binding, kind: str) -> Callable[[Any], bool]:
        """The test of a value of a coded type against a binding: neither error nor warning."""

        def test(value: Any) -> bool:
            faults = binding_faults(binding, value, kind, self.definitions)
            return not any(severity in _SAID for severity, *_ in faults)

        return test

    def resource(self, type_name: str, profile: JsonObject | None = None) -> str:
        """The name of the function that checks a resource. Raises UnsupportedError."""
        spec = Spec(type_name, type_name)
        return self.function(spec if profile is None else spec.with_rule(self.rules(profile)))


def _allowed(definition: JsonObject, contexts: tuple[str, ...]) -> bool:
    if definition.get("contextInvariant"):
        return False
    return any(
        context["type"] == "element" and context["expression"] in contexts
        for context in definition.get("context", ())
    )


def _unsure_of(_: Any) -> bool:
    raise UnsureError


class _KnownExtensions:
    """Extensions that no profile names at their place: those with a definition are checked."""

    def __init__(self, generator: Generator, namespace: dict[str, Any]) -> None:
        self._generator, self._namespace = generator, namespace
        self._checks: dict[tuple[str, tuple[str, ...]], Callable[[Any], bool]] = {}

    def __call__(self, extension: Any, contexts: tuple[str, ...]) -> bool:
        place = (extension["url"], contexts)
        check = self._checks.get(place)
        if check is None:
            with self._generator.lock:
                check = self._checks[place] = self._found(*place)
        return _shallow(extension, _DEEPEST_EXTENSION) and check(extension)

    def _found(self, url: str, contexts: tuple[str, ...]) -> Callable[[Any], bool]:
        try:
            name = self._generator.extension(url, contexts)
        except UnsupportedError as error:
            raise UnsureError from error
        self._generator.module.build()
        check: Callable[[Any], bool] = self._namespace[name]
        return check

    def extra(self, owner: Any, contexts: tuple[str, ...]) -> int:
        """1 if the owner has extensions and all are clean. Raises UnsureError otherwise."""
        extensions = owner.get("extension")
        if extensions.__class__ is not list or not extensions:
            raise UnsureError
        if not all(self(extension, contexts) for extension in extensions):
            raise UnsureError
        return 1


def _shallow(value: Any, depth: int) -> bool:
    if value.__class__ is dict:
        return depth > 0 and all(_shallow(part, depth - 1) for part in value.values())
    if value.__class__ is list:
        return depth > 0 and all(_shallow(part, depth - 1) for part in value)
    return True
