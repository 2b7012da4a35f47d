"""$validate: what would be said of a resource, without storing it."""

from dataclasses import dataclass

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.bodies import Sent, body_of, object_in, sent_in
from service.api.headers import check_accept
from service.api.outcomes import outcome_response, refusal
from service.api.parameters import Parameters
from service.api.queries import only, pairs_of
from service.api.served import Call
from service.fhir.json import JsonObject, read
from service.fhir.outcome import Finding, has_errors, shown

_MODES = frozenset({"create", "update", "delete", "profile"})
_CARRIED_OUT = frozenset({"batch", "transaction"})


@dataclass(frozen=True, slots=True)
class _Question:
    resource: JsonObject | None
    mode: str | None
    profile: str | None
    sent: Sent | None
    """Where the resource was sent, if it was."""


async def validate(call: Call) -> Response:
    """Answers 200 and an OperationOutcome, whatever is found.

    The resource is the body, the parameter ``resource`` of a Parameters body, or, at a resource's
    own address and without either, the one that is stored. Findings in what was sent have its lines
    and columns.
    """
    check_accept(call.request)
    body = b"" if call.request.method == "GET" else await call.request.body()
    if body:
        body = await body_of(call.request)

    def work() -> Response:
        return outcome_response(200, _findings(call, _question(call, body)))

    return await run_in_threadpool(work)


def _question(call: Call, body: bytes) -> _Question:
    pairs = pairs_of(call.request)
    mode, profile = only(pairs, "mode"), only(pairs, "profile")
    resource, sent = None, None
    if body:
        sent = sent_in(call.request, body)
        resource = object_in(body, call.services.settings.max_body_bytes)
        if resource.get("resourceType") == "Parameters":
            given = Parameters(resource)
            mode = given.text("mode") or mode
            profile = given.text("profile") or profile
            resource, sent = given.resource("resource"), sent.inside(given.place("resource"))
    if mode is not None and mode not in _MODES:
        told = f"Found {shown(mode)}, expected one of: {', '.join(sorted(_MODES))}."
        raise refusal(400, told, code="value", expression="http.mode")
    if mode == "profile" and profile is None:
        raise refusal(400, "Mode profile needs a profile.", expression="http.profile")
    return _Question(resource, mode, profile, sent)


def _findings(call: Call, question: _Question) -> list[Finding]:
    id_ = call.request.path_params.get("id")
    if question.mode == "delete":
        if id_ is None:
            told = "Mode delete is asked at the address of the resource."
            raise refusal(400, told, expression="http.mode")
        call.record.read(call.caller, call.type, id_)
        return [Finding("information", "informational", "", "It can be deleted.")]
    resource = question.resource
    if resource is None:
        if id_ is None:
            raise refusal(400, "A resource to validate is expected.", code="required")
        resource = read(call.record.read(call.caller, call.type, id_).body)
    if resource.get("resourceType") != call.type:
        told = f"The address is that of {call.type}, found {shown(resource.get('resourceType'))}."
        raise refusal(400, told, expression="resourceType")
    profiles = [question.profile] if question.profile else []
    findings = call.services.validator.diagnose(resource, profiles)
    findings += _findings_of_mode(call.type, question.mode, resource, id_)
    if question.sent is not None:
        findings = question.sent.located(findings)
    if not has_errors(findings):
        accepted = question.mode in {"create", "update"}
        told = "No errors: this would be accepted." if accepted else "No errors were found."
        findings.append(Finding("information", "informational", "", told))
    return findings


def _findings_of_mode(
    type_: str, mode: str | None, resource: JsonObject, id_: str | None
) -> list[Finding]:
    """Why a resource that may be well formed could not be written in this way."""
    if mode == "update" and (id_ is None or resource.get("id") != id_):
        told = "An update is at the address of the resource, with the same id in its body."
        return [Finding("error", "value", f"{type_}.id", told)]
    if mode == "create" and type_ == "Bundle" and resource.get("type") not in _CARRIED_OUT:
        told = f"Found {shown(resource.get('type'))}, expected batch or transaction: no other"
        return [Finding("error", "not-supported", "Bundle.type", f"{told} Bundle is taken.")]
    return []
