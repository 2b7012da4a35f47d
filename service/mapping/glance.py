"""Sessions read many times faster: whole, or only as far as figures rest on them.

Nothing is taken that ``observation_to_session`` would refuse or read otherwise: where that is not
certain there is no glance, and the long way has to be gone. Most elements of a session say what
those of other sessions say, letter for letter. So the meaning of a text is worked out once, by the
table and the document's own model as on the long way, and remembered.
"""

from collections.abc import Callable, Iterable
from datetime import datetime
from decimal import Decimal
from functools import cache
from typing import Annotated, Any, Generic, Literal, NamedTuple, TypeVar

from msgspec import MsgspecError, Raw, Struct, field
from msgspec.json import Decoder
from pydantic import TypeAdapter
from pydantic.fields import FieldInfo

from service.fhir.codings import codings
from service.fhir.json import JsonObject, read_back
from service.mapping.canonical import SESSION_DIGEST, code_system
from service.mapping.converters import Context
from service.mapping.interpretable import may_bend
from service.mapping.logs import performer_in, regimen_key
from service.mapping.references import target_of
from service.mapping.tables import tables
from service.programme.base import Document, Identifier, instant
from service.programme.log import Outcome, RecordedBy, Session

T = TypeVar("T")
Model = TypeVar("Model", bound=Document)

_MOST_KEPT = 50_000
"""So many texts of one element are remembered; one has some 250 bytes."""


def _reading(of: FieldInfo) -> Callable[[Any], Any]:
    """How the model reads a field."""
    kind: Any = Annotated[of.annotation, *of.metadata] if of.metadata else of.annotation
    return TypeAdapter(kind).validator.validate_python


_FIELDS = {of.alias or name: (name, _reading(of)) for name, of in Session.model_fields.items()}
_NEEDED = {name for name, of in Session.model_fields.items() if of.is_required()}
_NO_CONTEXT = Context()
_SESSION = (code_system("airway-log"), "session")
_PART = code_system("airway-session-part")
_DOUBT = (ArithmeticError, AttributeError, LookupError, TypeError, ValueError, MsgspecError)
"""What an Observation that is not as expected may raise."""


class SeenSession(NamedTuple):
    """What adherence asks of a session (see ``Session``)."""

    technique: str
    regimen: str | None
    start: datetime
    end: datetime | None
    recorded_by: RecordedBy
    outcome: Outcome
    minutes: Decimal | None
    cycles: int | None
    sets: int | None
    clock: Literal["corrected", "suspect"] | None


class Glance:
    """Looks at the Observations of one child or many, and remembers what texts mean."""

    def __init__(self) -> None:
        self._codes = _Kept(lambda code: _SESSION in codings([code]))
        self._subjects = _Kept(lambda subject: (target_of(subject), _told("subject", subject)))
        self._methods = _Kept(lambda method: _told("method", method))
        self._components = _Kept(_component)
        self._parts = _Kept(lambda items: _told("component", items))
        self._extensions = _Kept(_extension)
        self._regimens = _Kept(_regimen)
        self._performers = _Kept(lambda items: performer_in({"performer": items}))

    def whole(self, body: bytes, patient: str) -> tuple[Session, str] | None:
        """The session of ``patient`` (``Patient/id``) that the JSON of an Observation holds, as
        ``observation_to_session`` has it, and the Observation's status.

        None where it holds something else, or cannot be read at a glance.
        """
        return self._look(body, patient, self._whole)

    def session(self, body: bytes, patient: str) -> tuple[SeenSession, str] | None:
        """The same of what figures rest on."""
        return self._look(body, patient, self._session)

    def _look(
        self, body: bytes, patient: str, made: Callable[["_Observation", JsonObject], T]
    ) -> tuple[T, str] | None:
        try:
            seen = _decoder.decode(body)
            if may_bend(b"".join(seen.unread())):
                return None
            told = self._told(seen, patient)
            return None if told is None else (made(seen, told), seen.status)
        except _DOUBT:
            return None

    def _told(self, seen: "_Observation", patient: str) -> JsonObject | None:
        """What is told by elements that say what those of other sessions say."""
        target, child = self._subjects[bytes(seen.subject)]
        if target != patient or "child" not in child or not self._codes[bytes(seen.code)]:
            return None
        told = child | self._methods[bytes(seen.method)]
        self._add_components(told, seen.component)
        _gather(told, self._extensions, seen.extension)
        return told

    def _add_components(self, told: JsonObject, components: Iterable[Raw]) -> None:
        together = _gather(told, self._components, components)
        if together:
            told.update(self._parts[b"[%b]" % b",".join(together)])

    def _whole(self, seen: "_Observation", told: JsonObject) -> Session:
        end, recorded = seen.effective.end, seen.issued
        told["start"] = instant(seen.effective.start)
        told["end"] = None if end is None else instant(end)
        told["recorded"] = None if recorded is None else instant(recorded)
        told["regimen"] = self._regimen(seen.based_on)
        told["performer"] = self._performers[bytes(seen.performer)]
        name = _sent_name(seen.identifier)
        if name is not None:
            told["id"] = _made(Identifier, {"system": name.system, "value": name.value})
        if not told.keys() >= _NEEDED:
            raise LookupError
        return _made(Session, told)

    def _session(self, seen: "_Observation", told: JsonObject) -> SeenSession:
        _check_unused(seen, told)
        start, end = seen.effective.start, seen.effective.end
        return SeenSession(
            technique=told["technique"],
            regimen=self._regimen(seen.based_on),
            start=instant(start),
            end=None if end is None else instant(end),
            recorded_by=told["recorded_by"],
            outcome=told["outcome"],
            minutes=told.get("minutes"),
            cycles=told.get("cycles"),
            sets=told.get("sets"),
            clock=told.get("clock"),
        )

    def _regimen(self, based_on: list[Raw]) -> str | None:
        if not based_on:
            return None
        (only,) = based_on
        return self._regimens[bytes(only)]


@cache
def shared_glance() -> Glance:
    """The process's own: a text means the same in every question."""
    return Glance()


class _Identifier(Struct, gc=False, forbid_unknown_fields=True):
    system: str = ""
    value: str = ""


class _Period(Struct, gc=False, forbid_unknown_fields=True):
    start: str
    end: str | None = None


class _Observation(Struct, gc=False, forbid_unknown_fields=True):
    """The elements that the table reads, those that ``logs`` reads beside it, and those that are
    often there too. With any other there is no glance: it may change what these say."""

    status: str
    code: Raw
    subject: Raw
    method: Raw
    effective: _Period = field(name="effectivePeriod")
    component: list[Raw]
    extension: list[Raw]
    identifier: list[_Identifier] = []
    based_on: list[Raw] = field(name="basedOn", default_factory=list)
    issued: str | None = None
    performer: Raw = Raw(b"[]")
    resource_type: Literal["Observation"] = field(name="resourceType", default="Observation")
    id: str = ""
    language: str = ""
    meta: Raw = Raw(b"")
    text: Raw = Raw(b"")
    category: Raw = Raw(b"")
    absent: Raw = field(name="dataAbsentReason", default=Raw(b""))
    note: Raw = Raw(b"")
    device: Raw = Raw(b"")
    encounter: Raw = Raw(b"")

    def unread(self) -> tuple[Raw, ...]:
        """Those of which only is asked whether they bend the others."""
        often = self.meta, self.category, self.absent
        return *often, self.text, self.note, self.device, self.encounter


class _Kept(dict[bytes, T], Generic[T]):
    """The meaning of each text of an element, worked out when it is first met.

    Raises ValueError for one that may bend what it says.
    """

    def __init__(self, work: Callable[[Any], T]) -> None:
        self._work = work

    def __missing__(self, text: bytes) -> T:
        if may_bend(text):
            raise ValueError
        if len(self) >= _MOST_KEPT:
            self.clear()
        self[text] = found = self._work(read_back(text))
        return found


_Piece = tuple[str | None, JsonObject | None]
"""What a repetition is a slice of, None for nobody's that we read, and what it tells; None where
that is told together with others."""

_decoder = Decoder(_Observation)


def _gather(told: JsonObject, kept: _Kept[_Piece], items: Iterable[Raw]) -> list[bytes]:
    """All that the repetitions tell, but for those that tell it together: they are answered.

    Raises ValueError where two are the same slice.
    """
    together: list[bytes] = []
    met: list[str] = []
    for text in map(bytes, items):
        name, piece = kept[text]
        if name is None:
            continue
        met.append(name)
        if piece is None:
            together.append(text)
        else:
            told |= piece
    if len(set(met)) < len(met):
        raise ValueError(met)
    return together


def _check_unused(seen: _Observation, told: JsonObject) -> None:
    """Raises ValueError where what no figure rests on may keep a session from being one."""
    if seen.issued is not None:
        instant(seen.issued)
    if "source" not in told:
        raise ValueError
    _sent_name(seen.identifier)


def _sent_name(identifiers: list[_Identifier]) -> _Identifier | None:
    """What the sender calls the session, where it has a name. Raises ValueError for half a name."""
    for one in identifiers:
        if one.system == SESSION_DIGEST:
            return None
    if not identifiers:
        return None
    name = identifiers[0]
    if not (name.system.strip() and name.value.strip()):
        raise ValueError(identifiers)
    return name


def _component(item: JsonObject) -> _Piece:
    ours = [code for system, code in codings([item.get("code", {})]) if system == _PART]
    if len(ours) > 1:
        raise ValueError("two parts at once")
    name = ours[0] if ours else None
    return name, None if name in _told_together() else _told("component", [item])


@cache
def _told_together() -> frozenset[str]:
    """Codes of the components that are part of something in the document."""
    rows = [node for node in tables()["session"].group.nodes if len(node.names) > 1]
    keys = [node.steps[0].key for node in rows if node.steps[0].name == "component"]
    return frozenset(key[1] for key in keys if isinstance(key, tuple))


def _extension(item: JsonObject) -> _Piece:
    return item["url"], _told("extension", [item])


def _regimen(item: JsonObject) -> str | None:
    key = regimen_key({"basedOn": [item]}, _not_asked)
    return str(_taken({"regimen": key})["regimen"]) if key else None


def _not_asked(reference: str) -> JsonObject:
    """The regimen itself would have to be asked for its key. Raises LookupError."""
    raise LookupError(reference)


def _made(model: type[Model], values: JsonObject) -> Model:
    """A document of values that its model has taken one by one: none depends on another.

    As ``model_construct`` makes it, which looks at every field.
    """
    made = model.__new__(model)
    object.__setattr__(made, "__dict__", _blank(model) | values)
    object.__setattr__(made, "__pydantic_fields_set__", set(values))
    object.__setattr__(made, "__pydantic_extra__", None)
    object.__setattr__(made, "__pydantic_private__", None)
    return made


@cache
def _blank(model: type[Document]) -> JsonObject:
    """All fields in their order, as they are where nothing is said of them."""
    return {name: of.get_default() for name, of in model.model_fields.items()}


def _told(element: str, value: Any) -> JsonObject:
    """What one element tells of a session. Raises ValueError for what the model refuses."""
    return _taken(tables()["session"].read({element: value}, _NO_CONTEXT))


def _taken(document: JsonObject) -> JsonObject:
    """Part of a document as the model takes it among a whole one, by its own names."""
    taken = {}
    for alias, value in document.items():
        name, reading = _FIELDS[alias]
        taken[name] = reading(value)
    return taken
