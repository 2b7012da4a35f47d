"""Problems of the trade, and of carrying documents over, as findings."""

from service.fhir.outcome import Finding, shown
from service.mapping.errors import UnmappableError
from service.programme.checks import Problem

OVERRIDE = (
    "To prescribe it all the same, add an override that names this caution and the regimen, with "
    "author and reason. Local policy and the clinician decide."
)
_CODES = {
    "missing": "required",
    "dose-part-missing": "required",
    "child-identifier": "required",
    "who-it-is": "required",
    "unknown-field": "structure",
    "wrong-shape": "structure",
    "wrong-value": "value",
    "impossible-number": "value",
    "impossible-date": "value",
    "bad-reference": "value",
    "unknown-code": "code-invalid",
    "unknown-technique": "code-invalid",
    "unknown-position": "code-invalid",
    "unknown-device-kind": "code-invalid",
    "unknown-goal-measure": "code-invalid",
    "unknown-zone": "code-invalid",
    "unknown-precaution": "code-invalid",
    "unknown-step": "code-invalid",
    "unknown-device": "not-found",
    "unknown-override": "not-found",
    "duplicate-key": "duplicate",
    "two-doses": "duplicate",
    "step-twice": "duplicate",
}
"""Key of a problem to FHIR issue type; a rule of the trade that is not here is an invariant."""


def problem_of(problem: Problem) -> Finding:
    """What forbids accepting a document, at its place. A caution says how it may be accepted."""
    found = "nothing" if problem.found is None else shown(problem.found)
    told = f"{problem.message}: {problem.expected} is expected, found {found}"
    if problem.kind == "caution":
        told = f"{told}. {_source(problem)}{OVERRIDE}"
        return Finding("error", "business-rule", problem.path, told, problem.key)
    code = _CODES.get(problem.key, "invariant")
    return Finding("error", code, problem.path, told, problem.key)


def accepted_caution(problem: Problem) -> Finding:
    """A caution that the document overrides: to be shown where somebody acts on the document."""
    told = f"{problem.message}: accepted by an override; {problem.expected} is usual"
    told += f". {_source(problem)}".rstrip() if problem.source else ""
    return Finding("warning", "business-rule", problem.path, told, problem.key)


def warning_of(problem: Problem) -> Finding:
    """What should be known where somebody acts on a document, and refuses nothing."""
    found = "nothing" if problem.found is None else shown(problem.found)
    told = f"{problem.message}: {problem.expected} is expected, found {found}. {_source(problem)}"
    return Finding("warning", "business-rule", problem.path, told.rstrip(), problem.key)


def still_open(problem: Problem) -> Finding:
    """A caution against a programme in force that no override answers."""
    told = warning_of(problem)
    words = f"{told.diagnostics} No override answers it. Local policy and the clinician decide."
    return Finding("warning", told.code, told.expression, words, told.key)


def _source(problem: Problem) -> str:
    return "" if problem.source is None else f"Source: {problem.source}. "


def unmappable(error: UnmappableError) -> Finding:
    """What the mapping refuses."""
    return Finding("error", "processing", error.expression, error.diagnostics)
