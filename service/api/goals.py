"""Goal/$progress: how far a counted goal is reached, week by week. It changes nothing."""

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.adherence_questions import asked_in, pairs_in
from service.api.outcomes import FHIR_JSON
from service.api.served import Call, Operation
from service.fhir.json import write
from service.mapping.canonical import BASE
from service.mapping.goals import progress_parameters
from service.record.goals import progress_of

_NAMES = ("start", "end", "knownAt")


async def _progress(call: Call) -> Response:
    asked = asked_in(await pairs_in(call, _NAMES), call.services.clock())

    def work() -> Response:
        found = progress_of(call.record, call.caller, call.id, asked)
        return Response(write(progress_parameters(f"Goal/{call.id}", found)), media_type=FHIR_JSON)

    return await run_in_threadpool(work)


PROGRESS = Operation(
    name="progress",
    definition=f"{BASE}/OperationDefinition/goal-progress",
    handler=_progress,
    on_instance=("GET", "POST"),
)
"""Of one goal."""
