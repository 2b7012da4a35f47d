"""$lookup, $validate-code, $expand and $translate, over the terminology that is loaded.

Parameter names and answers are those of the R4 OperationDefinitions. GET takes simple parameters,
POST a Parameters resource. What nothing here can judge is answered 422 with an issue of severity
information (see ``service.fhir.terminology.errors``).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.api.headers import check_accept, check_content_type
from service.api.operation_inputs import CODING, CONCEPT, FLAG, TEXT, WHOLE, Inputs, Takes
from service.api.outcomes import FHIR_JSON, refusal
from service.api.served import Call, Operation
from service.fhir.json import JsonObject, read, write
from service.fhir.outcome import shown
from service.fhir.terminology import (
    Absent,
    Asked,
    Coding,
    Concept,
    NotCheckedError,
    Wanted,
    expand,
    judged,
    look_up,
    translate,
)

_DEFINITION = "http://hl7.org/fhir/OperationDefinition/"
_BOTH = ("GET", "POST")
_WAYS = ("code", "coding", "codeableConcept")
"""How codes are given: one of these."""

_LOOKUP = Takes(
    {
        "code": TEXT,
        "system": TEXT,
        "version": TEXT,
        "coding": CODING,
        "displayLanguage": TEXT,
        "property": TEXT,
    },
    unserved=frozenset({"date"}),
    repeating=frozenset({"property"}),
)
_SYSTEM_CODE = Takes(
    {
        "url": TEXT,
        "code": TEXT,
        "version": TEXT,
        "display": TEXT,
        "coding": CODING,
        "codeableConcept": CONCEPT,
        "displayLanguage": TEXT,
    },
    unserved=frozenset({"codeSystem", "date", "abstract"}),
)
_VALUE_SET_CODE = Takes(
    {
        "url": TEXT,
        "valueSetVersion": TEXT,
        "code": TEXT,
        "system": TEXT,
        "systemVersion": TEXT,
        "display": TEXT,
        "coding": CODING,
        "codeableConcept": CONCEPT,
        "displayLanguage": TEXT,
    },
    unserved=frozenset({"valueSet", "context", "date", "abstract"}),
)
_EXPAND = Takes(
    {
        "url": TEXT,
        "valueSetVersion": TEXT,
        "filter": TEXT,
        "offset": WHOLE,
        "count": WHOLE,
        "includeDesignations": FLAG,
        "displayLanguage": TEXT,
        "excludeNested": FLAG,  # the list is flat either way
    },
    unserved=frozenset(
        [
            "valueSet", "context", "contextDirection", "date", "designation", "includeDefinition",
            "activeOnly", "excludeNotForUI", "excludePostCoordinated", "exclude-system",
            "system-version", "check-system-version", "force-system-version",
        ]
    ),
)  # fmt: skip
EXPANSION_PARAMETERS = tuple(name for name in _EXPAND.kinds if name != "url")
"""What an expansion can be asked for with, beside its value set."""

_TRANSLATE = Takes(
    {
        "url": TEXT,
        "conceptMapVersion": TEXT,
        "code": TEXT,
        "system": TEXT,
        "version": TEXT,
        "source": TEXT,
        "coding": CODING,
        "codeableConcept": CONCEPT,
        "target": TEXT,
        "targetsystem": TEXT,
        "reverse": FLAG,
    },
    unserved=frozenset({"conceptMap", "dependency"}),
)


_Work = Callable[[Call, Inputs], JsonObject]


@dataclass(frozen=True, slots=True)
class _Answer:
    """One operation: what it takes, and what it makes of it."""

    takes: Takes
    work: _Work

    async def answer(self, call: Call) -> Response:
        """Raises 400, 404 and 422 (see the module)."""
        check_accept(call.request)
        body = await call.request.body()
        if body:
            check_content_type(call.request)

        def work() -> Response:
            told = self.work(call, Inputs(call, body, self.takes))
            return Response(write(told), media_type=FHIR_JSON)

        return await run_in_threadpool(work)


def _look_up(call: Call, inputs: Inputs) -> JsonObject:
    (coding,) = _codings(inputs, ("code", "coding"), version="version")
    system = call.services.terminology.systems.get(str(coding.system), coding.version)
    language = inputs.text("displayLanguage")
    return look_up(system, str(coding.code), inputs.texts("property"), language)


def _validate_in_system(call: Call, inputs: Inputs) -> JsonObject:
    canonical = _canonical(call, inputs, "version")
    if canonical is None and "coding" not in inputs:
        inputs.required("url")
    url, version = canonical or (None, None)
    codings = _codings(inputs, _WAYS, version="version", system=url)
    if url is None:
        url, version = str(codings[0].system), codings[0].version
    system = call.services.terminology.systems.get(url, version)

    def find(coding: Coding) -> Concept | Absent:
        if coding.system != system.url:
            return Absent(f"Found {_of_system(coding)}, expected a code of {system.url}.")
        if coding.version not in {None, version, system.version}:
            told = f"Version {shown(coding.version)} of {system.url} was not checked."
            raise NotCheckedError(told)
        return system.find(coding.code or "")

    return judged(find, codings, inputs.text("displayLanguage")).parameters()


def _validate_in_value_set(call: Call, inputs: Inputs) -> JsonObject:
    value_sets = call.services.terminology.value_sets
    content = value_sets.get(*_value_set(call, inputs))
    codings = _codings(inputs, _WAYS, version="systemVersion")
    language = inputs.text("displayLanguage")
    return judged(lambda coding: value_sets.find(content, coding), codings, language).parameters()


def _expand(call: Call, inputs: Inputs) -> JsonObject:
    terminology = call.services.terminology
    content = terminology.value_sets.get(*_value_set(call, inputs))
    wanted = Wanted(
        filter=inputs.text("filter"),
        offset=inputs.whole("offset") or 0,
        count=inputs.whole("count"),
        designations=inputs.flag("includeDesignations"),
        language=inputs.text("displayLanguage"),
    )
    return expand(content, wanted, terminology.systems, call.services.clock())


def _translate(call: Call, inputs: Inputs) -> JsonObject:
    terminology = call.services.terminology
    canonical = _canonical(call, inputs, "conceptMapVersion")
    asked = Asked(
        codings=_codings(inputs, _WAYS, version="version"),
        map=terminology.maps.get(*canonical) if canonical else None,
        source=inputs.text("source"),
        target=inputs.text("target"),
        target_system=inputs.text("targetsystem"),
        reverse=inputs.flag("reverse"),
    )
    return translate(asked, terminology.maps, terminology.value_sets)


def _codings(
    inputs: Inputs, ways: Sequence[str], *, version: str, system: str | None = None
) -> list[Coding]:
    """The codings that are asked about; ``system`` is that of a bare code. Raises 400."""
    way = inputs.one_of(*ways)
    if way == "code":
        return [
            Coding(
                system or inputs.required("system"),
                inputs.text("code"),
                inputs.text(version),
                inputs.text("display"),
            )
        ]
    for name in ("system", "display"):
        if name in inputs:
            told = f"{name} goes with code; a {way} has its own."
            raise refusal(400, told, expression=f"http.{name}")
    given = inputs.object(way) or {}
    if way == "codeableConcept":
        return [Coding.of(coding) for coding in given.get("coding", ())]
    for name in ("system", "code"):
        if name not in given:
            told = f"A {name} is expected."
            raise refusal(400, told, code="required", expression=f"Coding.{name}")
    return [Coding.of(given)]


def _canonical(call: Call, inputs: Inputs, version: str) -> tuple[str, str | None] | None:
    """URL and version of the definition that is asked: the one at this address, or by ``url``."""
    asked = inputs.text(version)
    if "id" in call.request.path_params:
        if "url" in inputs:
            told = f"This is the address of one {call.type}: it takes no url."
            raise refusal(400, told, expression="http.url")
        resource = read(call.record.read(call.caller, call.type, call.id).body)
        return resource["url"], asked or resource.get("version")
    canonical = inputs.text("url")
    if canonical is None:
        return None
    url, _, own = canonical.partition("|")
    if own and asked not in {None, own}:
        told = f"url names version {shown(own)}, {version} is {shown(asked)}."
        raise refusal(400, told, expression=f"http.{version}")
    return url, own or asked


def _value_set(call: Call, inputs: Inputs) -> tuple[str, str | None]:
    return _canonical(call, inputs, "valueSetVersion") or (inputs.required("url"), None)


def _of_system(coding: Coding) -> str:
    return "a coding without system" if coding.system is None else f"one of {coding.system}"


def _operation(
    type_: str, name: str, takes: Takes, work: _Work, *, on_instance: bool = True
) -> Operation:
    return Operation(
        name=name,
        definition=f"{_DEFINITION}{type_}-{name}",
        handler=_Answer(takes, work).answer,
        on_type=_BOTH,
        on_instance=_BOTH if on_instance else (),
    )


TERMINOLOGY = {
    "CodeSystem": (
        _operation("CodeSystem", "lookup", _LOOKUP, _look_up, on_instance=False),
        _operation("CodeSystem", "validate-code", _SYSTEM_CODE, _validate_in_system),
    ),
    "ValueSet": (
        _operation("ValueSet", "expand", _EXPAND, _expand),
        _operation("ValueSet", "validate-code", _VALUE_SET_CODE, _validate_in_value_set),
    ),
    "ConceptMap": (_operation("ConceptMap", "translate", _TRANSLATE, _translate),),
}
"""By the type that they are asked of."""
