"""Makes requests: every interaction, with examples as they are and as they should not be."""

import json
from collections.abc import Callable, Sequence
from random import Random
from typing import Any
from urllib.parse import quote

from oddities import TEXTS, anything, places, tampered, written
from searches import Searches
from shots import Header, Shot

Json = dict[str, Any]
FHIR = ("content-type", "application/fhir+json")
_TYPES = (
    *("application/fhir+json", "application/json", "application/json-patch+json"),
    *("application/x-www-form-urlencoded", "text/csv", "application/x-ndjson", "application/xml"),
    *(
        "",
        "nonsense",
        "application/fhir+json; charset=utf-16",
        "application/fhir+json;fhirVersion=5.0",
    ),
)
_HEADERS: dict[str, tuple[str, ...]] = {
    "if-match": ('W/"1"', 'W/"2"', '"1"', "*", "", 'W/"x"', 'W/"99999999999999999999"', "1"),
    "if-none-match": ('W/"1"', "*", '"x"', "", "1", 'W/"1", W/"2"'),
    "if-modified-since": ("Sun, 09 Mar 2031 12:00:00 GMT", "x", "", "0", "2031-03-09"),
    "if-none-exist": ("identifier=a|b", "x=1", "&&", "_id=p", "?identifier=a", "date=%ff", ""),
    "prefer": (
        *("return=minimal", "return=representation", "return=OperationOutcome", "handling=strict"),
        *("handling=lenient", ";;=", "return=x", "respond-async"),
    ),
    "accept": (
        *("*/*", "application/fhir+json", "text/csv", "application/xml", ";", "", "x/*;q=9"),
        *("application/fhir+json;q=x", "application/fhir+json;fhirVersion=3.0", "text/html"),
    ),
    "accept-encoding": ("gzip", "gzip;q=0", "br", "*", "gzip;q=x"),
    "content-encoding": ("gzip", "br", "identity", "x"),
    "x-request-id": ("a", "a\tb", "x" * 300, "é"),
    "x-correlation-id": ("a", ""),
    "authorization": ("Bearer x",),
    "x-http-method-override": ("DELETE",),
    "device-clock": ("2031-03-09T12:00:00Z", "x"),
}
_OPERATIONS = (
    *("$validate", "$everything", "$document", "$lastn", "$meta", "$meta-add", "$meta-delete"),
    *(
        "$adherence",
        "$expand",
        "$lookup",
        "$validate-code",
        "$translate",
        "$load",
        "$nonsense",
        "$",
    ),
)
_OTHER_PATHS = (
    *("/programmes", "/programmes/home-1", "/programmes/home-1/versions", "/sessions"),
    *("/programmes/home-1/versions/1", "/registry/adherence", "/registry/adherence/manifest"),
    *("/registry/codebook", "/schemas/programme", "/schemas/x", "/health/live", "/health/ready"),
    *("/metrics", "/openapi.json", "/docs", "/", "/nonsense", "//fhir", "/fhir//Patient", "/fhir/"),
    *("/fhir/metadata", "/fhir/metadata?mode=x", "/fhir/%2e%2e/programmes", "/fhir/Patient/%ff"),
)
_OTHER_QUERIES = ("map=phone-diary", "map=x", "zone=Europe/Paris", "zone=x", "half-year=2026-H1")


class Gunner:
    """``examples`` are resources by type, ``documents`` our own programme and session documents."""

    def __init__(
        self,
        rng: Random,
        resources: list[Any],
        examples: dict[str, list[Json]],
        documents: Sequence[Json],
    ) -> None:
        self._rng = rng
        self._examples = examples
        self._documents = documents
        self._searches = Searches(rng, resources)
        self._types = [one["type"] for one in resources]
        writable = [
            one["type"]
            for one in resources
            if {"create", "update"} & {i["code"] for i in one.get("interaction", [])}
        ]
        self._writable = [type_ for type_ in writable if examples.get(type_)]
        self.known: list[str] = ["Patient/p"]
        """References that are likely to be there; whoever judges the answers adds to them."""
        self._ways: dict[Callable[[], Shot], int] = {
            self._create: 14,
            self._update: 14,
            self._read: 10,
            self._search: 25,
            self._history: 8,
            self._patch: 10,
            self._delete: 3,
            self._bundle: 8,
            self._operation: 8,
            self._elsewhere: 5,
        }

    def shot(self) -> Shot:
        (way,) = self._rng.choices([*self._ways], [*self._ways.values()])
        shot = way()
        if self._rng.random() < 0.25:
            extra = self._rng.choices(sorted(_HEADERS), k=2)
            added = tuple((name, self._rng.choice(_HEADERS[name])) for name in dict.fromkeys(extra))
            shot = Shot(shot.method, shot.path, shot.headers + added, shot.body, shot.sent)
        if self._rng.random() < 0.02:
            method = self._rng.choice(("OPTIONS", "HEAD", "TRACE", "PATCH", "PROPFIND", "DELETE"))
            shot = Shot(method, shot.path, shot.headers, shot.body)
        return shot

    def _json(self, method: str, path: str, body: Any, sent: Any = None) -> Shot:
        kind = FHIR
        if self._rng.random() < 0.04:
            kind = ("content-type", self._rng.choice(_TYPES))
        return Shot(method, path, (kind,), written(self._rng, body), sent)

    def _resource(self, type_: str | None = None) -> Json:
        """An example, as it is or changed."""
        chosen = self._rng.choice(self._examples[type_ or self._rng.choice(self._writable)])
        if self._rng.random() < 0.5:
            return self._pointed(chosen)
        return tampered(self._rng, self._pointed(chosen))  # type: ignore[no-any-return]

    def _pointed(self, resource: Json) -> Json:
        """The resource with one reference that leads to something here, now and then."""
        if self._rng.random() < 0.5:
            return resource
        changed: Json = json.loads(json.dumps(resource))
        links = [holder for holder, key in places(changed) if key == "reference"]
        if links and isinstance(links[0], dict):
            self._rng.choice(links)["reference"] = self._rng.choice(self.known)
        return changed

    def _id(self) -> str:
        ids = ("p", "q", "r-1", self._rng.choice(self.known).split("/")[1])
        odd = (_percent(self._rng.choice(TEXTS)), "x" * 65, "a b")
        return self._rng.choice(odd) if self._rng.random() < 0.05 else self._rng.choice(ids)

    def _place(self) -> str:
        if self._rng.random() < 0.7:
            return self._rng.choice(self.known)
        return f"{self._rng.choice((*self._types, 'Nonsense'))}/{self._id()}"

    def _create(self) -> Shot:
        body = self._resource()
        type_ = (
            body.get("resourceType") if self._rng.random() < 0.95 else self._rng.choice(self._types)
        )
        return self._json("POST", f"/fhir/{_percent(str(type_))}", body, body)

    def _update(self) -> Shot:
        body = self._resource()
        type_ = _percent(str(body.get("resourceType")))
        if self._rng.random() < 0.15:
            return self._json("PUT", f"/fhir/{type_}?{self._searches.query(type_)}", body, body)
        id_ = self._id()
        if self._rng.random() < 0.95:
            body = body | {"id": id_}
        return self._json("PUT", f"/fhir/{type_}/{id_}", body, body)

    def _read(self) -> Shot:
        tail = self._rng.choice(("", "", "", "/_history/1", "/_history/2", "/_history/x"))
        query = f"?{self._searches.query('Patient')}" if self._rng.random() < 0.1 else ""
        return Shot(self._rng.choice(("GET", "GET", "HEAD")), f"/fhir/{self._place()}{tail}{query}")

    def _search(self) -> Shot:
        type_ = self._rng.choice((*self._types, self._rng.choice(self._writable), "Nonsense"))
        query = self._searches.query(type_)
        where = self._rng.random()
        if where < 0.12:
            form = ("content-type", "application/x-www-form-urlencoded")
            body = query.encode("utf-8", "surrogatepass")
            more = self._searches.query(type_) if self._rng.random() < 0.3 else ""
            return Shot("POST", f"/fhir/{type_}/_search?{more}", (form,), body)
        if where < 0.2:
            holder = self._rng.choice(("Patient", "Practitioner", "Device", "Group", "Encounter"))
            return Shot(
                "GET", f"/fhir/{holder}/{self._id()}/{self._rng.choice((type_, '*'))}?{query}"
            )
        if where < 0.24:
            return Shot("GET", f"/fhir?_type={type_}&{query}")
        return Shot("GET", f"/fhir/{type_}?{query}")

    def _history(self) -> Shot:
        where = self._rng.choice((f"/{self._place()}", f"/{self._rng.choice(self._types)}", ""))
        return Shot("GET", f"/fhir{where}/_history?{self._searches.query('Patient')}")

    def _delete(self) -> Shot:
        if self._rng.random() < 0.2:
            type_ = self._rng.choice(self._writable)
            return Shot("DELETE", f"/fhir/{type_}?{self._searches.query(type_)}")
        return Shot("DELETE", f"/fhir/{self._place()}")

    def _patch(self) -> Shot:
        place = self._place()
        if self._rng.random() < 0.1:
            place = f"{place.split('/')[0]}?{self._searches.query(place.split('/')[0])}"
        if self._rng.random() < 0.5:
            body = written(self._rng, self._json_patch(place.split("/")[0].split("?")[0]))
            kind = ("content-type", "application/json-patch+json")
            return Shot("PATCH", f"/fhir/{place}", (kind,), body)
        return self._json("PATCH", f"/fhir/{place}", self._path_patch(place.split("/")[0]))

    def _json_patch(self, type_: str) -> Any:
        rng = self._rng
        example = rng.choice(self._examples.get(type_) or [{"id": "x"}])
        pointers = [
            *_pointers(example),
            "",
            "/",
            "/-",
            "/x/-",
            "/~1~0",
            "/~2",
            "x",
            "/name/0/given/9",
        ]
        operations = []
        for _ in range(rng.choice((1, 1, 2, 5))):
            one = {
                "op": rng.choice(("add", "add", "remove", "replace", "move", "copy", "test", "x")),
                "path": rng.choice(pointers),
                "value": rng.choice((anything(rng), "x", {"text": "x"})),
                "from": rng.choice(pointers),
            }
            operations.append(tampered(rng, one) if rng.random() < 0.1 else one)
        return tampered(rng, operations) if rng.random() < 0.05 else operations

    def _path_patch(self, type_: str) -> Json:
        rng = self._rng
        paths = (
            *(type_, f"{type_}.id", f"{type_}.status", f"{type_}.identifier[0]", f"{type_}.meta"),
            *(
                f"{type_}.name.where(use='official')",
                f"{type_}.extension",
                "x",
                "1 +",
                "",
                "%resource",
            ),
            *(f"{type_}.descendants()", f"{type_}.code.coding.first().system", "now()", "(" * 200),
        )
        parts: list[Json] = [
            {
                "name": "type",
                "valueCode": rng.choice(("add", "insert", "delete", "replace", "move", "x")),
            },
            {"name": "path", "valueString": rng.choice(paths)},
            {
                "name": "name",
                "valueString": rng.choice(("status", "note", "extension", "id", "x", "")),
            },
            {
                "name": "value",
                rng.choice(("valueString", "valueCode", "valueHumanName")): anything(rng),
            },
            {"name": "index", "valueInteger": rng.choice((0, -1, 99, 2**40))},
            {"name": "source", "valueInteger": 0},
            {"name": "destination", "valueInteger": rng.choice((0, 1, 99))},
        ]
        kept = [part for part in parts if rng.random() < 0.85]
        whole = {
            "resourceType": "Parameters",
            "parameter": [{"name": "operation", "part": kept}],
        }
        return tampered(rng, whole) if rng.random() < 0.15 else whole  # type: ignore[no-any-return]

    def _bundle(self) -> Shot:
        rng = self._rng
        kind = rng.choice(("transaction", "transaction", "batch", "batch", "collection", "history"))
        entries = [self._entry(number) for number in range(rng.choice((0, 1, 2, 3, 6)))]
        body: Any = {"resourceType": "Bundle", "type": kind, "entry": entries}
        if rng.random() < 0.15:
            body = tampered(rng, body)
        return self._json("POST", rng.choice(("/fhir", "/fhir", "/fhir/", "/fhir/Bundle")), body)

    def _entry(self, number: int) -> Json:
        rng = self._rng
        shot = rng.choice(
            (
                self._create,
                self._create,
                self._update,
                self._read,
                self._search,
                self._delete,
                self._patch,
            )
        )()
        url = shot.path.removeprefix("/fhir/")
        entry: Json = {"request": {"method": shot.method, "url": url}}
        if shot.sent is not None:
            entry["resource"] = shot.sent
        elif shot.method == "PATCH":
            entry["resource"] = self._path_patch(url.split("/")[0])
        if rng.random() < 0.6:
            entry["fullUrl"] = (
                f"urn:uuid:5d1f0f5e-9d36-4d1e-8c43-6a7c3f0d2a0{rng.choice((number, 0))}"
            )
        if rng.random() < 0.2:
            name = rng.choice(("ifMatch", "ifNoneExist", "ifNoneMatch", "ifModifiedSince"))
            header = {"ifMatch": "if-match", "ifNoneExist": "if-none-exist"}.get(
                name, "if-none-match"
            )
            entry["request"][name] = rng.choice(_HEADERS[header])
        if rng.random() < 0.2 and "resource" in entry:
            link = f"urn:uuid:5d1f0f5e-9d36-4d1e-8c43-6a7c3f0d2a0{rng.randrange(4)}"
            condition = f"Patient?{self._searches.query('Patient')}"
            entry["resource"] = entry["resource"] | {
                "subject": {"reference": rng.choice((link, condition))}
            }
        return entry

    def _operation(self) -> Shot:
        rng = self._rng
        where = rng.choice(("", f"/{rng.choice(self._types)}", f"/{self._place()}"))
        path = f"/fhir{where}/{rng.choice(_OPERATIONS)}"
        if rng.random() < 0.5:
            known = (
                "start=2031-01-01",
                "end=2031-12-31",
                "_since=2031",
                "_type=Observation",
                "max=2",
            )
            more = (
                "code=a",
                "url=x",
                "system=http://loinc.org",
                "persist=true",
                "subject=Patient/p",
            )
            chosen = [rng.choice((*known, *more)) for _ in range(rng.randrange(4))]
            return Shot("GET", f"{path}?{'&'.join([*chosen, self._searches.query('Patient')])}")
        whole: Any = {
            "resourceType": "Parameters",
            "parameter": [
                {"name": "resource", "resource": self._resource()},
                {"name": rng.choice(("mode", "profile", "url")), "valueCode": rng.choice(TEXTS)},
                {
                    "name": "meta",
                    "valueMeta": {"tag": [{"system": "s", "code": rng.choice(TEXTS)}]},
                },
                {"name": "code", "valueCode": "final"},
            ],
        }
        kept = [part for part in whole["parameter"] if rng.random() < 0.6]
        whole["parameter"] = kept
        body = rng.choice((whole, tampered(rng, whole), self._resource()))
        return self._json("POST", path, body)

    def _elsewhere(self) -> Shot:
        """Our own roads, and addresses where there is nothing."""
        rng = self._rng
        path = rng.choice(_OTHER_PATHS)
        query = "&".join(rng.choice(_OTHER_QUERIES) for _ in range(rng.randrange(3)))
        path = f"{path}?{query}" if query and "?" not in path else path
        if rng.random() < 0.5:
            return Shot("GET", path)
        body = tampered(rng, rng.choice(self._documents))
        kind: Header = (
            "content-type",
            rng.choice(("application/json", "application/x-ndjson", "text/csv")),
        )
        return Shot(rng.choice(("POST", "PUT", "DELETE")), path, (kind,), written(rng, body))


def _pointers(value: Any, before: str = "") -> list[str]:
    parts = value.items() if isinstance(value, dict) else enumerate(value)
    found = []
    for key, part in parts:
        here = f"{before}/{key}"
        found.append(here)
        if isinstance(part, dict | list):
            found += _pointers(part, here)
    return found


def _percent(text: str) -> str:
    return quote(text.encode("utf-8", "surrogatepass"), safe="")
