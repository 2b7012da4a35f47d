"""Known faults of the 4.0.1 definitions, and what is applied in their place.

Every row replaces the expression of one constraint. A constraint holds only where it evaluates to
true, so rows also say where an absent element satisfies it. Later releases of FHIR state most of
these rules in the corrected form.
"""

CONSTRAINTS: dict[str, str] = {
    # Evaluates to empty without a reference; no reference is no broken one.
    # A bare # means the container itself.
    "ref-1": "reference.exists() implies (reference.startsWith('#').not() or reference = '#'"
    " or (reference.substring(1).trace('url') in %rootResource.contained.id.trace('ids')))",
    # The same for an entry without fullUrl.
    "bdl-8": "fullUrl.exists() implies fullUrl.contains('/_history/').not()",
    # as() takes one item, here are many; canonical, uri and url are chosen by ofType().
    "dom-3": "contained.where((('#'+id in (%resource.descendants().reference"
    " | %resource.descendants().ofType(canonical) | %resource.descendants().ofType(uri)"
    " | %resource.descendants().ofType(url))) or descendants().where(reference = '#').exists()"
    " or descendants().where(ofType(canonical) = '#').exists()).not())"
    ".trace('unmatched', id).empty()",
    # "more than 2" in 4.0.1; the rule in words, and later releases, say more than one.
    "que-12": "enableWhen.count() > 1 implies enableBehavior.exists()",
    # Boolean is the type of the language, the answer has FHIR's type boolean.
    "que-7": "operator = 'exists' implies (answer is boolean)",
    # in takes one item on its left, when repeats.
    "tim-9": "offset.empty() or (when.exists()"
    " and when.where($this in ('C' | 'CM' | 'CD' | 'CV')).empty())",
}
"""Constraint key to expression."""

_SD = "http://hl7.org/fhir/StructureDefinition/"

SEARCH_EXPRESSIONS: dict[str, str | None] = {
    # Names that begin nowhere.
    "InsurancePlan-name": "InsurancePlan.name | InsurancePlan.alias",
    # hasExtension() is no function of FHIRPath; the extension's own id has the prefix.
    "questionnaireresponse-extensions-QuestionnaireResponse-item-subject": "QuestionnaireResponse"
    f".item.where(extension('{_SD}questionnaireresponse-isSubject').exists())"
    ".answer.value.ofType(Reference)",
    # Names the search parameter in place of the extension.
    "patient-extensions-Patient-mothersMaidenName": "Patient"
    f".extension('{_SD}patient-mothersMaidenName').value.ofType(string)",
    # About extensions that R4 does not define.
    "device-extensions-Device-din": None,
    "observation-genetic-Observation-amino-acid-change": None,
    "observation-genetic-Observation-dna-variant": None,
    "observation-genetic-Observation-gene-amino-acid-change": None,
    "observation-genetic-Observation-gene-dnavariant": None,
    # Examples of how a parameter may be written; neither fits its own base.
    "example": None,
    "example-extension": None,
    "example-reference": None,
}
"""Search parameter id to expression; None where the parameter is left out."""

SEARCH_COMPONENTS: dict[tuple[str, str], str] = {
    # There is no type DateTime in R4.
    (
        "Observation-value-date",
        "value.as(DateTime) | value.as(Period)",
    ): "value.as(dateTime) | value.as(Period)",
    # Each has the expression of the other: the document is the target, the relation the code.
    ("DocumentReference-relatesto", "code"): "target",
    ("DocumentReference-relation", "target"): "code",
}
"""Parameter that a part of a composite is, and its expression, to the corrected expression."""

NAME_RULE = "name.matches("
"""Constraints that begin so say how a name should look, not that there must be one."""

ELEMENT_TYPES: dict[str, str] = {
    # Typed string in the snapshots; resource.html gives it the type id.
    "Resource.id": "id",
}
"""Element path, as in the type that declares it, to primitive type."""


def corrected(key: str, expression: str) -> str:
    """The expression to evaluate for a constraint stated as ``expression``."""
    if expression.startswith(NAME_RULE):
        return f"name.exists() implies {expression}"
    return CONSTRAINTS.get(key, expression)
