"""Search queries, from what the CapabilityStatement says can be asked."""

from random import Random
from typing import Any
from urllib.parse import quote

from oddities import TEXTS

PREFIXES = ("", "", "eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap", "xx")
MODIFIERS = (
    *("missing", "exact", "contains", "not", "identifier", "of-type", "in", "not-in", "text"),
    *("above", "below", "Patient", "Nonsense", ""),
)
_DATES = ("2031", "2031-03", "2031-03-09", "2031-03-09T12:00Z", "2031-03-09T12:00:00.5+01:00")
_WORDS = ("Quill", "q", "a|b", "|a", "a|", "|", "final", "Patient/p", "Patient", "urn:oid:1.2")
_VALUES: dict[str, tuple[str, ...]] = {
    "number": ("1", "100.0", "-1.5e3", "1e400"),
    "date": (*_DATES, "2031-13", "2031-02-30", "20x1"),
    "string": ("Quill", "é", "a\\,b"),
    "token": ("final", "http://loinc.org|1-1", "|a", "http://unitsofmeasure.org|", "true"),
    "reference": ("Patient/p", "p", "http://127.0.0.1:8000/fhir/Patient/p", "Patient/p/_history/1"),
    "quantity": ("5", "5.4|http://unitsofmeasure.org|mg", "5||kg", "5.4|u|not[a]unit", "1|2|3|4"),
    "uri": ("http://a.example/x", "urn:uuid:1"),
    "composite": ("a|b$5", "a$b$c", "$", "a|b$gt5|http://unitsofmeasure.org|min"),
    "special": ("x", "-83.694810|42.256500|11.20|km"),
}
_RESULT: dict[str, tuple[str, ...]] = {
    "_count": ("0", "1", "2", "20", "-1", "1000000", "x", "1.5", "9" * 30),
    "_sort": ("_id", "-_lastUpdated", "date,-code", "nonsense", "-", ",", "--date"),
    "_total": ("none", "estimate", "accurate", "all"),
    "_summary": ("true", "text", "data", "count", "false", "x"),
    "_elements": ("id", "code,subject", "Patient.name", "nonsense", "", ","),
    "_contained": ("true", "false", "both", "x"),
    "_containedType": ("container", "contained"),
    "_format": ("json", "application/fhir+json", "xml", "ttl", "html", "x"),
    "_pretty": ("true", "false", "x"),
    "_since": ("2031-03-09T12:00:00Z", "2031", "x", "9999-12-31T23:59:59Z", "0001-01-01T00:00:00Z"),
    "_at": ("2031-03-09T12:00:00Z", "2031", "x", "ge2031"),
    "_page": ("x", "AAAA", "1"),
    "_cursor": ("x", "AAAA"),
    "_type": ("Patient,Observation", "Nonsense", "", ","),
    "_id": ("p", "p,q", "a/b", "x" * 70),
    "_list": ("42", "$current-problems"),
    "_filter": ("name eq Quill",),
    "_query": ("x",),
    "_text": ("lantern", '"a b"', "a AND", "*", "NEAR(", 'col:"x'),
    "_content": ("lantern", "-", "a*", '"'),
    "_lastUpdated": ("gt2031", "x", "2031-03-09T12:00:00.000001Z"),
    "_tag": ("a|b", "|"),
    "_has": ("x",),
}


class Searches:
    """``resources`` are the ``rest.resource`` entries of the CapabilityStatement."""

    def __init__(self, rng: Random, resources: list[Any]) -> None:
        self._rng = rng
        self.parameters = {
            one["type"]: {p["name"]: p["type"] for p in one.get("searchParam", [])}
            for one in resources
        }
        self.types = sorted(self.parameters)
        self._includes = {one["type"]: one.get("searchInclude", []) for one in resources}
        self._reverse = {one["type"]: one.get("searchRevInclude", []) for one in resources}

    def query(self, type_: str) -> str:
        """Without the question mark; mostly what could be meant, now and then what could not."""
        pairs = [self._pair(type_) for _ in range(self._rng.choice((0, 1, 1, 2, 3)))]
        text = "&".join(f"{self._name(name)}={self._escaped(value)}" for name, value in pairs)
        if self._rng.random() < 0.04:
            text += self._rng.choice(
                ("&", "&&=", "%", "%zz", "&a", "=x", "&=", "+", "%00", "&x=%ff")
            )
        return text

    def _pair(self, type_: str) -> tuple[str, str]:
        rng, kind = self._rng, self._rng.random()
        if kind < 0.25:
            name = rng.choice(sorted(_RESULT))
            return name, rng.choice((*_RESULT[name], rng.choice(TEXTS)))
        if kind < 0.35:
            return self._include(type_)
        if kind < 0.45:
            return self._having()
        return self._plain(type_, depth=rng.choice((0, 0, 0, 1, 2, 3, 4)))

    def _plain(self, type_: str, depth: int) -> tuple[str, str]:
        """A parameter, or a chain of them."""
        rng = self._rng
        known = self.parameters.get(type_) or {"nonsense": "string"}
        name = rng.choice(sorted(known))
        kind = known[name]
        if depth and (kind == "reference" or rng.random() < 0.1):
            target = rng.choice(self.types)
            rest, value = self._plain(target, depth - 1)
            return f"{name}{rng.choice(('', f':{target}'))}.{rest}", value
        if rng.random() < 0.3:
            name = f"{name}:{rng.choice(MODIFIERS)}"
        return name, self._value(kind)

    def _value(self, kind: str) -> str:
        rng = self._rng
        if rng.random() < 0.15:
            return rng.choice(TEXTS)
        values = [rng.choice((*_VALUES.get(kind, ()), rng.choice(_WORDS))) for _ in range(2)]
        value = ",".join(values[: rng.choice((1, 1, 2))])
        return rng.choice(PREFIXES) + value if rng.random() < 0.5 else value

    def _include(self, type_: str) -> tuple[str, str]:
        rng = self._rng
        name = rng.choice(("_include", "_revinclude"))
        known = (self._includes if name == "_include" else self._reverse).get(type_) or ["A:b"]
        value = rng.choice(
            (*known, "*", f"{type_}:*", "a", "a:b:c:d", ":", f"{type_}:subject:Patient")
        )
        return name + rng.choice(("", "", ":iterate", ":recurse", ":x")), value

    def _having(self) -> tuple[str, str]:
        rng = self._rng
        parts = []
        for _ in range(rng.choice((1, 1, 2, 3, 4))):
            source = rng.choice(self.types)
            references = [n for n, kind in self.parameters[source].items() if kind == "reference"]
            parts.append(f"_has:{source}:{rng.choice(references or ['x'])}:")
        name, value = self._plain(rng.choice(self.types), 0)
        return "".join(parts) + name, value

    def _name(self, name: str) -> str:
        return (
            name
            if self._rng.random() < 0.8
            else quote(name.encode("utf-8", "surrogatepass"), safe="")
        )

    def _escaped(self, value: str) -> str:
        safe = "/:|$,-." if self._rng.random() < 0.7 else ""
        return quote(value.encode("utf-8", "surrogatepass"), safe=safe)
