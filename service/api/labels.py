"""$meta, $meta-add and $meta-delete: profiles, tags and security labels (R4 Resource-meta...).

A change of labels is a change of the resource: it makes a new version with its Provenance, and
none when nothing changes. R4 leaves that to the server; here whatever can be read was written by
somebody at some time, labels that decide on access too.
"""

from collections.abc import Callable, Sequence

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.bodies import body_of
from service.api.headers import check_accept, etag, last_modified
from service.api.outcomes import FHIR_JSON, refusal
from service.api.parameters import parts_in
from service.api.served import Call, Operation
from service.fhir.json import JsonObject, read, write
from service.fhir.labels import with_labels, without_labels
from service.record.changes import Patch
from service.store.contract import Label, Version

_DEFINITION = "http://hl7.org/fhir/OperationDefinition/Resource-"

Edit = Callable[[JsonObject, JsonObject], JsonObject]


async def meta(call: Call) -> Response:
    """The metadata of a resource; of a type or the system, the labels that are in use there."""
    check_accept(call.request)

    def work() -> Response:
        if "id" in call.request.path_params:
            return _answer(call.record.read(call.caller, call.type, call.id))
        with call.record.view(call.caller) as view:
            return _parameters(_meta_of(view.labels(call.type or None)))

    return await run_in_threadpool(work)


async def meta_add(call: Call) -> Response:
    """Adds labels to a resource."""
    return await _change(call, with_labels)


async def meta_delete(call: Call) -> Response:
    """Takes labels from a resource."""
    return await _change(call, without_labels)


async def _change(call: Call, edit: Edit) -> Response:
    check_accept(call.request)
    body = await body_of(call.request)

    def work() -> Response:
        labels = _labels_in(call, body)
        tag = call.request.headers.get("if-match")
        change = Patch(call.type, call.id, lambda resource: edit(resource, labels), if_match=tag)
        return _answer(call.record.write([change], by=call.caller)[0])

    return await run_in_threadpool(work)


def _labels_in(call: Call, body: bytes) -> JsonObject:
    """The Meta in a Parameters body. Raises 400."""
    parts = parts_in(call, body)
    given = [part for part in parts if part["name"] == "meta"]
    if len(parts) != 1 or not given or "valueMeta" not in given[0]:
        told = "One parameter meta with a valueMeta is expected, and no other."
        raise refusal(400, told, code="required", expression="Parameters.parameter")
    labels: JsonObject = given[0]["valueMeta"]
    return labels


def _meta_of(labels: Sequence[Label]) -> JsonObject:
    found: JsonObject = {}
    for parameter, system, code in labels:
        coding = {"system": system, "code": code} if system else {"code": code}
        label = code if parameter == "_profile" else coding
        found.setdefault(parameter.removeprefix("_"), []).append(label)
    return found


def _answer(version: Version) -> Response:
    answer = _parameters(read(version.body)["meta"])
    answer.headers["ETag"] = etag(version.version)
    answer.headers["Last-Modified"] = last_modified(version.instant)
    return answer


def _parameters(found: JsonObject) -> Response:
    """With no labels at all there is no parameter: R4 knows no empty Meta (inv-1, ele-1)."""
    told: JsonObject = {"resourceType": "Parameters"}
    if found:
        told["parameter"] = [{"name": "return", "valueMeta": found}]
    return Response(write(told), media_type=FHIR_JSON)


_BOTH = ("GET", "POST")
META = Operation("meta", f"{_DEFINITION}meta", meta, _BOTH, _BOTH, _BOTH)
META_ADD = Operation("meta-add", f"{_DEFINITION}meta-add", meta_add, on_instance=("POST",))
META_DELETE = Operation(
    "meta-delete", f"{_DEFINITION}meta-delete", meta_delete, on_instance=("POST",)
)
