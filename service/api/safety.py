"""$assess-safety of a child: what holds now by the safety rules, and what is new is stored."""

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.bodies import object_in
from service.api.bundle import bundle, full_url, plain_entry
from service.api.headers import check_accept, check_content_type
from service.api.outcomes import FHIR_JSON
from service.api.parameters import Parameters
from service.api.served import Call, Operation
from service.fhir.json import write
from service.fhir.outcome import Finding, operation_outcome
from service.mapping.canonical import BASE
from service.record.bodies import instant_text
from service.record.safety import Assessed, SafetyWatch, assess_child


async def assess_safety(call: Call) -> Response:
    """A collection of DetectedIssues, with an OperationOutcome where something was not readable.

    Raises 400 for a body that is no Parameters, 404 and 410 for a child who is not here, 503 while
    others write.
    """
    check_accept(call.request)
    body = await call.request.body()
    if body:  # it takes no parameters; what is no Parameters is refused all the same
        check_content_type(call.request)
        Parameters(object_in(body, call.services.settings.max_body_bytes))
    watch = SafetyWatch(call.services.policy.safety)

    def work() -> Response:
        clock = call.services.clock
        found = assess_child(call.record, watch, call.caller, call.id, clock)
        return Response(_bundle(found, call), media_type=FHIR_JSON)

    return await run_in_threadpool(work)


def _bundle(found: Assessed, call: Call) -> bytes:
    entries = [plain_entry(one.body, full_url(one, call.base)) for one in found.issues]
    if found.left_out:
        told = [
            Finding("warning", "incomplete", "", f"{one.id} was not looked at: {one.reason}")
            for one in found.left_out
        ]
        entries.append(b'{"resource":%b}' % write(operation_outcome(told)))
    return bundle("collection", entries, timestamp=instant_text(call.services.clock()))


ASSESS_SAFETY = Operation(
    name="assess-safety",
    definition=f"{BASE}/OperationDefinition/patient-assess-safety",
    handler=assess_safety,
    on_instance=("POST",),
)
