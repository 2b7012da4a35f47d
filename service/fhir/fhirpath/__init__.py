"""FHIRPath (N1, with the functions and variables of R4), compiled against the types of R4.

    expression = compile_expression("component.value.ofType(Quantity).code", model)
    expression.check("Observation")                       # names that no type has
    expression.evaluate(observation, type_name="Observation", resource=observation)

    condition = expression.condition("Observation")       # for constraints, many times
    scope = Scope(model, observation)                     # once for a resource
    condition(observation, scope)                         # True, False, or None for empty

``model`` is a ``TypeModel``: the elements of a type, its base, and whether a name is a type. Data
are raw JSON as ``service.fhir.json.read`` gives them, and are never changed.

How it is built: ``lexer`` and ``parser`` make a tree (``syntax``), with positions. ``compiler``
turns every tree into closures over collections of items: the complete language, for data of any
shape. ``direct`` has quicker forms of conditions on paths whose types are known: raw JSON, no
collections; part by part it falls back on the compiler. ``fixed`` keeps what depends on the
resource alone. ``check`` reads a tree without data.

House rules:

- An evaluation that has no answer raises FhirPathError. Nobody may turn that into a pass.
- Three-valued logic as written: a condition is True, False or None, and ``all``, ``where`` and
  ``exists`` take only True.
- A quick form answers what the compiler answers; a test holds every form to that. A new form comes
  with its shape in that test. It presumes the JSON of R4: where a wrong shape makes it raise, the
  compiler is asked; where it does not, the fault is one that the structure check reports.
- Numbers are exact decimals, units exact fractions; a comparison that precision, offsets or units
  leave open is empty.
- A function is one entry in a module of ``functions``; it gets collections and may not change them.
- An expression may stop early: once an answer is certain, later items are not evaluated (N1 leaves
  this open), so what would raise there does not.
- Nothing of the data goes into a message, and ``trace`` writes nowhere.
- Sizes are bounded (length and nesting of the text, items of ``select`` and ``repeat``, characters
  of a String), regular expressions in time are not: expressions come from definitions that an
  operator loads. One from a client needs a list of allowed functions first.

Where the official suite or R4 depart from N1, the module concerned says so: ``type_tests`` (``as``
and ``ofType``), ``temporal_sums`` (fractions of a second), ``boundaries`` (rounding).
"""

from service.fhir.fhirpath.errors import FhirPathError
from service.fhir.fhirpath.expression import Expression, compile_expression
from service.fhir.fhirpath.items import Item
from service.fhir.fhirpath.model import Element, TypeModel
from service.fhir.fhirpath.scope import Scope, Services

__all__ = [
    "Element",
    "Expression",
    "FhirPathError",
    "Item",
    "Scope",
    "Services",
    "TypeModel",
    "compile_expression",
]
