"""$document of a programme: the plan and all it refers to as one document Bundle."""

from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.bodies import body_of
from service.api.bundle import bundle, full_url, plain_entry
from service.api.headers import check_accept
from service.api.operation_inputs import FLAG, TEXT, Inputs, Takes
from service.api.outcomes import FHIR_JSON, refusal
from service.api.served import Call, Operation
from service.fhir.json import write
from service.mapping.canonical import BASE
from service.record.bodies import instant_text
from service.record.document import document as document_of

_TAKES: Final = Takes({"persist": FLAG, "graph": TEXT}, unserved=frozenset({"graph"}))
_URI: Final = "urn:ietf:rfc3986"


async def document(call: Call) -> Response:
    """The document as it is now. Raises 422 when it shall be stored: it is made anew each time."""
    check_accept(call.request)
    body = await call.request.body()
    if body:
        body = await body_of(call.request)

    def work() -> bytes:
        if Inputs(call, body, _TAKES).flag("persist"):
            told = "Documents are not stored here: ask without persist and keep the answer."
            raise refusal(422, told, code="not-supported", expression="http.persist")
        return _bundle(call)

    return Response(await run_in_threadpool(work), media_type=FHIR_JSON)


def _bundle(call: Call) -> bytes:
    record, now = call.record, call.services.clock()
    record.read(call.caller, call.type, call.id)  # says whether it never was or was deleted
    with record.view(call.caller) as view:
        made = document_of(view, call.id, base=call.base, now=now, new_id=record.new_id)
    entries = [
        plain_entry(write(made.composition), f"urn:uuid:{made.composition['id']}"),
        *(plain_entry(one.body, full_url(one, call.base)) for one in made.versions),
    ]
    name = {"system": _URI, "value": f"urn:uuid:{record.new_id()}"}
    return bundle("document", entries, identifier=name, timestamp=instant_text(now))


DOCUMENT = Operation(
    name="document",
    definition=f"{BASE}/OperationDefinition/careplan-document",
    handler=document,
    on_instance=("GET", "POST"),
)
"""Of a CarePlan."""
