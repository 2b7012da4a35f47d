"""What can be asked of the record, by whom, and what became of it."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from service.fhir.json import JsonObject
from service.fhir.search.terms import Criterion
from service.store.contract import Identity, Version

Done = Literal["created", "updated", "deleted", "unchanged", "existing", "absent"]
"""``unchanged``: the record says so already. ``existing``: a conditional create found one.
``absent``: what was to be deleted never was, or nothing meets the condition (R4 http.html#delete:
no error); its version is 0.
"""


@dataclass(frozen=True, slots=True)
class Actor:
    """Who writes or reads: a name, and a reference to a resource where there is one.

    ``role`` is a code of the standard's provenance-participant-type.
    """

    display: str
    reference: str | None = None
    role: str = "author"


@dataclass(frozen=True, slots=True)
class Match:
    """The one resource that a conditional request is about.

    Either ``identity``, a business identifier, or the criteria of a search. ``text`` is the
    condition as a person would read it and stands for it where two requests are compared.
    """

    type: str
    text: str
    criteria: tuple[Criterion, ...] = ()
    identity: Identity | None = None

    @classmethod
    def identifier(cls, type_: str, system: str, value: str) -> "Match":
        """The resource of this type that carries this identifier."""
        return cls(type_, f"identifier={system}|{value}", identity=(system, value))

    @property
    def name(self) -> str:
        """Stands for the match among all types."""
        return f"{self.type}?{self.text}"


@dataclass(frozen=True, slots=True)
class Create:
    """A new resource. An id inside ``resource`` is ignored; without ``id`` the record gives one.

    With ``match``: only when no resource meets it (If-None-Exist).
    """

    resource: JsonObject
    id: str | None = None
    match: Match | None = None
    place: str = ""


@dataclass(frozen=True, slots=True)
class Update:
    """A resource as it shall be from now on, by its id or by ``match``; made if there is none.

    ``if_match`` is an entity tag (``W/"3"``, ``"3"`` or ``*``). ``only_new``: refused when there is
    such a resource (If-None-Match: *). ``revise(stored, resource)`` may turn what came into what is
    kept when there is a current version, for example to carry a status forward; what it gives back
    is validated again.
    """

    resource: JsonObject
    if_match: str | None = None
    only_new: bool = False
    match: Match | None = None
    revise: Callable[[JsonObject, JsonObject], JsonObject] | None = None
    place: str = ""


@dataclass(frozen=True, slots=True)
class Patch:
    """A change of parts of a resource, by its id or by ``match``.

    ``edit`` gives the changed resource and leaves the one it was given as it is, or raises
    PatchError. What comes out is judged like an Update.
    """

    type: str
    id: str | None
    edit: Callable[[JsonObject], JsonObject]
    if_match: str | None = None
    match: Match | None = None
    place: str = ""


@dataclass(frozen=True, slots=True)
class Delete:
    """The end of a resource, by its id or by ``match``; its versions stay."""

    type: str
    id: str | None
    if_match: str | None = None
    match: Match | None = None
    place: str = ""


Change = Create | Update | Patch | Delete
"""``place`` of each: the FHIRPath of the resource within what the client sent, for findings."""


@dataclass(frozen=True, slots=True)
class Premise:
    """A search result that a writer relied upon: the only match, or ``None`` for no match."""

    match: Match
    found: str | None


@dataclass(frozen=True, slots=True)
class Written(Version):
    """The version that a change led to, and what was done."""

    done: Done

    @classmethod
    def of(cls, version: Version, done: Done) -> "Written":
        return cls(
            version.type,
            version.id,
            version.version,
            version.instant,
            version.deleted,
            version.body,
            done,
        )
