"""The one place where the parts of the service are put together from settings."""

import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

from pydantic import SecretStr

from service.api.services import Services
from service.api.types import SHIPPED, STORED, WHOLE, served_types
from service.fhir.definitions import DefinitionError, Definitions
from service.fhir.fast.validator import QuickValidator
from service.fhir.json import JsonObject, read
from service.fhir.r4.tables import operations
from service.fhir.search.parameters import SearchParameters
from service.fhir.search.terms import IndexRow
from service.fhir.terminology import Terminology
from service.fhir.validation import profile_rules
from service.mapping.tables import tables
from service.programme.checks import Policy
from service.programme.checks.clinic import PolicyError, policy_of
from service.record import Record
from service.record.bodies import stamped
from service.record.bulk import Maker
from service.record.drafts import Index
from service.record.safety import SafetyWatch
from service.record.upkeep import settle_index
from service.resources import mappings_dir, profiles_dir
from service.settings import Settings
from service.store.contract import Entry, Store, Version
from service.store.postgres import PostgresStore
from service.store.sqlite import SqliteStore

Clock = Callable[[], datetime]


def system_clock() -> datetime:
    """The computer's own time, in UTC: the only place that reads it."""
    return datetime.now(UTC)


def build_definitions(settings: Settings | None = None) -> Definitions:
    """The definitions that ship with the software and those that the settings name.

    Raises ``DefinitionError`` or ``JsonError`` for what cannot be used.
    """
    more = (settings or Settings()).definitions
    return Definitions.load(profiles_dir(), mappings_dir() / "conceptmaps", *more)


def build_validator(definitions: Definitions | None = None) -> QuickValidator:
    """The validator with the profiles and the rules by which ours apply."""
    rules = profile_rules(read((profiles_dir() / "rules.json").read_bytes()))
    return QuickValidator(definitions or build_definitions(), rules, rest_references=True)


def build_parameters(definitions: Definitions | None = None) -> SearchParameters:
    """What resources are found by: R4's own parameters and those among the definitions."""
    further = (definitions or build_definitions()).of_type("SearchParameter")
    return SearchParameters.of(STORED, further)


def build_record(
    store: Store,
    validator: QuickValidator,
    clock: Clock = system_clock,
    *,
    policy: Policy | None = None,
    parameters: SearchParameters | None = None,
) -> Record:
    """The record over a store, looked through by the safety rules of a clinic's policy.

    It is indexed by ``parameters``, or those that the settings lead to.
    """
    known = parameters or build_parameters()
    settle_index(store, known.digest)
    watch = SafetyWatch((policy or Policy()).safety)
    return Record(store, validator, clock, known, follower=watch)


def build_index() -> Index:
    """What works out index rows, for a process by itself."""
    return build_parameters().index


def build_maker(settings: Settings | None = None) -> Maker:
    """What makes the rows of a bulk load ready, for a process by itself."""
    definitions = build_definitions(settings)
    return maker_with(build_validator(definitions), definitions, build_parameters(definitions))


def maker_with(
    validator: QuickValidator, definitions: Definitions, parameters: SearchParameters
) -> Maker:
    """The same with what is built already."""
    served = served_types(definitions, parameters).values()
    types = [one.name for one in served if "update" in one.interactions]
    return Maker(validator, parameters.index, types)


def load_policy(settings: Settings) -> Policy:
    """The clinic's policy, or the defaults. Raises ``PolicyError``."""
    if settings.policy is None:
        return Policy()
    try:
        written = tomllib.loads(settings.policy.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise PolicyError(f"{settings.policy} cannot be read: {error}") from None
    return policy_of(written)


@contextmanager
def open_store(where: Path | SecretStr) -> Iterator[Store]:
    """The store in a file or database, made where there is none, and closed at the end.

    Raises StoreFormatError.
    """
    store: Store
    if isinstance(where, SecretStr):
        store = PostgresStore(where.get_secret_value())
    else:
        where.parent.mkdir(parents=True, exist_ok=True)
        store = SqliteStore(where)
    try:
        yield store
    finally:
        store.close()


@contextmanager
def open_services(settings: Settings, clock: Clock = system_clock) -> Iterator[Services]:
    """Everything that requests need, closed at the end.

    Raises TableError when a mapping table does not fit the documents.
    """
    tables()
    definitions = build_definitions(settings)
    validator, parameters = build_validator(definitions), build_parameters(definitions)
    with (
        open_store(settings.store) as store,
        TemporaryDirectory(prefix="airway-") as folder,
        open_store(Path(folder) / "definitions.sqlite") as shelf,
    ):
        _put_on_shelf(shelf, definitions, parameters, clock())
        policy = load_policy(settings)
        yield Services(
            settings=settings,
            record=build_record(store, validator, clock, policy=policy, parameters=parameters),
            definition_record=build_record(shelf, validator, clock, parameters=parameters),
            definitions=definitions,
            parameters=parameters,
            terminology=Terminology.of(definitions),
            validator=validator,
            policy=policy,
            clock=clock,
            maker=maker_with(validator, definitions, parameters),
            build_maker=partial(build_maker, settings),
        )


def _put_on_shelf(
    shelf: Store, definitions: Definitions, parameters: SearchParameters, instant: datetime
) -> None:
    """Definitions are found and read like any resource, from a store of their own."""
    found = {
        (one["resourceType"], one["id"]): one
        for one in _shipped(definitions, parameters)
        if "id" in one
    }
    entries = [
        Entry(
            Version(type_, id_, 1, instant, False, stamped(one, id_, 1, instant)),
            _rows_of(one, parameters),
        )
        for (type_, id_), one in found.items()
    ]
    with shelf.begin() as work:
        work.write(entries)


def _rows_of(definition: JsonObject, parameters: SearchParameters) -> list[IndexRow]:
    """Nothing has checked an operator's definition before. Raises DefinitionError."""
    try:
        return parameters.index(definition)
    except (AttributeError, TypeError, ValueError) as error:
        told = f"{definition.get('url')} has something that R4 does not have there"
        raise DefinitionError(told) from error


def _shipped(definitions: Definitions, parameters: SearchParameters) -> Iterator[JsonObject]:
    """What says how this service works: ours, the operator's, and R4's that hold here."""
    for type_ in SHIPPED:
        if type_ != "SearchParameter":
            yield from definitions.of_type(type_)
    yield from parameters.resources
    served = (WHOLE, *served_types(definitions, parameters).values())
    urls = {one.definition for each in served for one in each.operations.values()}
    yield from (one for url, one in operations().items() if url in urls)
