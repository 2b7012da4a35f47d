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
from service.fhir.definitions import Definitions
from service.fhir.fast.validator import QuickValidator
from service.fhir.json import JsonObject, read
from service.fhir.r4.tables import operations, search_parameters
from service.fhir.search.parameters import index_values, parameters_of
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


def build_record(
    store: Store,
    validator: QuickValidator,
    clock: Clock = system_clock,
    policy: Policy | None = None,
) -> Record:
    """The record over a store, looked through by the safety rules of a clinic's policy."""
    return Record(store, validator, clock, follower=SafetyWatch((policy or Policy()).safety))


def build_index() -> Index:
    """What works out index rows, for a process by itself."""
    return index_values


def build_maker(settings: Settings | None = None) -> Maker:
    """What makes the rows of a bulk load ready, for a process by itself."""
    definitions = build_definitions(settings)
    return maker_with(build_validator(definitions), definitions)


def maker_with(validator: QuickValidator, definitions: Definitions) -> Maker:
    """The same with a validator that is built already."""
    served = served_types(definitions).values()
    types = [one.name for one in served if "update" in one.interactions]
    return Maker(validator, index_values, types)


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
    validator = build_validator(definitions)
    with (
        open_store(settings.store) as store,
        TemporaryDirectory(prefix="airway-") as folder,
        open_store(Path(folder) / "definitions.sqlite") as shelf,
    ):
        _put_on_shelf(shelf, definitions, clock())
        policy = load_policy(settings)
        yield Services(
            settings=settings,
            record=build_record(store, validator, clock, policy),
            definition_record=build_record(shelf, validator, clock),
            definitions=definitions,
            terminology=Terminology.of(definitions),
            validator=validator,
            policy=policy,
            clock=clock,
            maker=maker_with(validator, definitions),
            build_maker=partial(build_maker, settings),
        )


def _of_the_standard(type_: str, definitions: Definitions) -> list[JsonObject]:
    """R4's own definitions that say what is served here."""
    if type_ == "SearchParameter":
        return [one for one in search_parameters().values() if _is_served(one)]
    if type_ != "OperationDefinition":
        return []
    served = (WHOLE, *served_types(definitions).values())
    urls = {one.definition for each in served for one in each.operations.values()}
    return [one for url, one in operations().items() if url in urls]


def _is_served(parameter: JsonObject) -> bool:
    """Whether some type is searched by it; those of all resources are declared for each."""
    types = STORED if parameter["base"][0].endswith("Resource") else parameter["base"]
    return any(parameter["code"] in parameters_of(type_) for type_ in types if type_ in STORED)


def _put_on_shelf(shelf: Store, definitions: Definitions, instant: datetime) -> None:
    """Definitions are found and read like any resource, from a store of their own."""
    entries = [
        Entry(
            Version(type_, one["id"], 1, instant, False, stamped(one, one["id"], 1, instant)),
            index_values(one),
        )
        for type_ in SHIPPED
        for one in (*definitions.of_type(type_), *_of_the_standard(type_, definitions))
        if "id" in one
    ]
    with shelf.begin() as work:
        work.write(entries)
