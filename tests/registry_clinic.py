"""A small clinic for the registry, with a canary in every place where a person could be named.

Each child has a home programme from 15 June 2026 (OPEP once a day: 16 sessions due by the 30th)
and logs some of them. Nobody in it exists.
"""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

from service.fhir.json import JsonObject, read, write
from service.mapping.canonical import BASE
from service.mapping.feed_lines import lines_of
from service.mapping.feeds import JsonLines, rows_of
from service.record import Actor, Create, Record, Update
from service.record.programmes import Programmes
from service.record.sessions import Upload

BY = Actor("Zztest Hawthorn, physiotherapist")
START = date(2026, 6, 15)
DUE = 16
AFTERWARDS = datetime(2026, 7, 3, 8, 0, tzinfo=UTC)

_SNOMED = "http://snomed.info/sct"
CANARIES = (
    *("Zztest", "Alder", "Rowan", "Hawthorn", "Bramble", "9000", "01632-960456", "BLOW-31-B"),
    *("2017-03", "2026-06-1", "2026-06-2", "2026-01-10", "Patient/", "CarePlan/", "Consent/"),
    *("RelatedPerson", "example.org", "clinic.example", "coughed", "Europe/Paris"),
)
"""Text that only the record may know."""


class RegistryClinic:
    """The clinic in a record; ``clock`` is what the record goes by, with a ``now`` to be set."""

    def __init__(self, record: Record, clock: Any) -> None:
        self.record, self.clock = record, clock
        self.patients: dict[int, str] = {}

    def child(self, number: int, *, done: int, consent: bool = True, **changes: Any) -> str:
        """A child who logs the first ``done`` of 16 days; gives the Patient's id."""
        self.clock.now = datetime(2026, 6, 14, 9, tzinfo=UTC)
        opened = Programmes(self.record, self.clock).post(programme(number, **changes), BY).opened
        patient = str(opened.resources.care_plan["subject"]["reference"]).partition("/")[2]
        self.patients[number] = patient
        self._adorn(patient, number)
        self.clock.now = datetime(2026, 7, 1, 9, tzinfo=UTC)
        self._log(number, done)
        if consent:
            self.consent(number)
        self.clock.now = AFTERWARDS
        return patient

    def consent(self, number: int, change: Callable[[JsonObject], None] | None = None) -> str:
        """A parent's consent to research, changed by ``change``; gives its id."""
        made = consent_of(self.patients[number], number)
        if change is not None:
            change(made)
        (written,) = self.record.write([Create(made)], BY)
        return written.id

    def change(self, type_: str, id_: str, **values: Any) -> None:
        """Give a stored resource other elements."""
        stored: JsonObject = read(self.record.read(BY, type_, id_).body)
        self.record.write([Update(stored | values)], BY)

    def _adorn(self, patient: str, number: int) -> None:
        """Everything by which a Patient may be known, in every kind of element."""
        self.change(
            "Patient",
            patient,
            text={
                "status": "generated",
                "div": f'<div xmlns="http://www.w3.org/1999/xhtml">Zztest Alder, {900000 + number}'
                "</div>",
            },
            contained=[
                {"resourceType": "RelatedPerson", "id": "rp", "patient": {"reference": "#"}}
            ],
            extension=[
                {
                    "url": "https://elsewhere.example/ring-first",
                    "valueString": "Rowan answers 01632-960456",
                }
            ],
            telecom=[{"system": "phone", "value": "01632-960456"}],
            address=[{"city": "Bramble", "postalCode": "9000"}],
            contact=[{"name": {"text": "Zztest Rowan"}}],
        )

    def _log(self, number: int, done: int) -> None:
        lines = b"".join(
            write(session(number, START + timedelta(days=day))) + b"\n" for day in range(done)
        )
        upload = Upload(self.record, BY, received=self.clock.now)
        answers = list(upload.take(rows_of(JsonLines(), lines_of([lines]))))
        assert [answer.status for answer in answers] == ["accepted"] * done


def programme(number: int, **changes: Any) -> JsonObject:
    """The programme of child ``number``."""
    return {
        "child": {
            "identifier": [_identifier(number)],
            "name": {"text": f"Zztest Alder {number}", "family": "Alder"},
            "birthDate": f"2017-03-{number % 28 + 1:02}",
            "sex": "female",
        },
        "author": {"name": {"text": "Zztest Hawthorn"}, "role": "physiotherapist"},
        "team": {"name": "Bramble airway team", "phone": "01632-960456"},
        "diagnosis": [{"condition": {"text": "CF, Alder", "system": _SNOMED, "code": "190905008"}}],
        "start": START.isoformat(),
        "timeZone": [{"zone": "Europe/Paris"}],
        "regimen": [
            {
                "key": "opep",
                "technique": "opep",
                "healthState": "any",
                "schedule": {"frequency": 1, "period": 1, "periodUnit": "d"},
                "dose": {"basis": "cycles", "cycles": 6, "breaths": 10, "huffs": 1, "coughs": 1},
                "instruction": "Rowan holds the blower BLOW-31-B.",
            }
        ],
        "note": ["Alder coughed"],
    } | changes


def session(number: int, day: date) -> JsonObject:
    """One complete session on ``day``, told by a parent."""
    return {
        "source": "diary-of-Alder",
        "child": _identifier(number),
        "technique": "opep",
        "start": f"{day.isoformat()}T07:05:00+02:00",
        "recordedBy": "diary",
        "performer": "parent",
        "helper": "Zztest Rowan",
        "outcome": "complete",
        "reason": "Alder coughed",
    }


def consent_of(patient: str, number: int) -> JsonObject:
    """A parent's consent to research on adherence."""
    reason = "http://terminology.hl7.org/CodeSystem/v3-ActReason"
    return {
        "resourceType": "Consent",
        "identifier": [{"system": "https://clinic.example/consent", "value": f"{900000 + number}"}],
        "status": "active",
        "scope": _concept("http://terminology.hl7.org/CodeSystem/consentscope", "research"),
        "category": [_concept(f"{BASE}/CodeSystem/airway-consent", "adherence-research")],
        "patient": {"reference": f"Patient/{patient}", "display": "Zztest Alder"},
        "dateTime": "2026-01-10",
        "performer": [{"display": "Zztest Rowan"}],
        "policyRule": {"text": "Signed by Rowan"},
        "provision": {
            "type": "permit",
            "period": {"start": "2026-01-10", "end": "2032-01-01"},
            "purpose": [{"system": reason, "code": "HRESCH"}],
        },
    }


def _identifier(number: int) -> JsonObject:
    return {"system": "https://clinic.example/mrn", "value": f"{900000 + number}"}


def _concept(system: str, code: str) -> JsonObject:
    return {"coding": [{"system": system, "code": code}]}
