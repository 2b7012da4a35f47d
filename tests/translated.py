"""One constraint as the quick path translates it, as a function of an object."""

from collections.abc import Callable
from functools import cache
from itertools import count

from service.fhir.fast.facts import type_facts
from service.fhir.fast.focus import Held, ObjectFocus, variable
from service.fhir.fast.module import Module
from service.fhir.fast.translate import Translator
from service.fhir.json import JsonObject

_MODULE = Module()
Check = Callable[[JsonObject], bool]


@cache
def translated(type_name: str, expression: str) -> Check:
    """The translation for objects of a type; it reads only the elements that it speaks of."""
    facts = type_facts(type_name)
    held = {
        part.name: Held(part.choices, False, part.many)
        for part in facts.parts.values()
        if part.choices[0].type != "Resource"  # the quick path leaves out what holds resources
    }
    numbers = count(1)
    focus = ObjectFocus(
        type_name, facts.is_resource, held, lambda: f"x{next(numbers)}", _MODULE.constant
    )
    text = Translator(focus, focus.new_name, _MODULE.constant).holds(expression)
    keys = [choice.key for part in facts.parts.values() for choice in part.choices]
    lines = [f'    {variable(key)} = o.get("{key}")' for key in keys if variable(key) in text]
    name = _MODULE.name("check")
    _MODULE.pending.append("\n".join([f"def {name}(o):", *lines, f"    return {text}\n"]))
    _MODULE.build()
    check: Check = _MODULE.exact[name]
    return check
