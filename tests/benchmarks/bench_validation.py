# ruff: noqa: T201
"""The full check of resources beside libraries that check structure only, in one run.

By hand, from the project's folder, with fhirkit-rs (a structure checker written in Rust) installed:

    PYTHONPATH=.:tests:tests/benchmarks python tests/benchmarks/bench_validation.py [batch size]

Documents are those of the invented clinic as the service stores them, all distinct. In each round
every contender takes all documents of a kind, one contender after the other, so that a busy
machine slows all; figures are medians over documents and rounds, in microseconds, from bytes. Cold:
compiled but fresh, no document seen before. Hot: the same once more. Ours checks structure, codes,
constraints, the profile that applies and its extensions; the libraries check structure alone.
"""

import gc
import statistics
import sys
import time
from resource import RUSAGE_CHILDREN, RUSAGE_SELF, getrusage

import fhirkit
import fhirpathpy
import orjson
from documents import programme_resources, session_observations, texts
from fhir.resources.R4B import get_fhir_model_class
from fhirpathpy.models import models
from r4_elements import objects
from translated import translated

from service.compose import build_definitions
from service.fhir.batch import Summary, check_batch
from service.fhir.fast import FastPath, QuickValidator
from service.fhir.fast.facts import type_facts
from service.fhir.fast.memory import UnsureError
from service.fhir.fast.terms import YES
from service.fhir.fast.translate import Translator
from service.fhir.json import read
from service.fhir.r4 import tables
from service.fhir.validation import Validator, profile_rules
from service.resources import profiles_dir

MOST, ROUNDS = 500, 5
"""Documents of a kind at most, and how often."""
OUT_OF_REACH = ("hasValue", "low <= high")
"""What fhirpathpy cannot evaluate; left out on both sides."""
NOT_FHIRPATH = {"ele-1", "txt-1", "txt-2", "dom-3", "dom-6", "ref-1"}
"""Checked by form, mere advice, or beyond fhirpathpy (%rootResource, htmlChecks)."""


def rules():
    return profile_rules(read((profiles_dir() / "rules.json").read_bytes()))


def build():
    """The validator of a batch process."""
    return QuickValidator(build_definitions(), rules())


def documents():
    """Kind to distinct texts."""
    sessions, plans = session_observations(), programme_resources()
    return {
        "programme CarePlan": texts(plans, "CarePlan")[:MOST],
        "regimen ServiceRequest": texts(plans, "ServiceRequest", "regimen")[:MOST],
        "session Observation": texts(sessions, "Observation")[:: len(sessions) // MOST][:MOST],
    }


def times(check, listed):
    clock, taken = time.perf_counter_ns, []
    for text in listed:
        start = clock()
        check(text)
        taken.append(clock() - start)
    return taken


def fresh():
    """A quick path that has seen nothing."""
    quick = FastPath(build_definitions(), rules())
    quick.prepare()
    return quick.is_clean_text


def full_checks(found):
    started = time.perf_counter()
    quick = FastPath(build_definitions(), rules())
    quick.prepare()
    print(f"quick path compiled at start-up in {time.perf_counter() - started:.2f} s")
    started = time.perf_counter()
    slow = Validator(build_definitions(), rules())
    print(f"diagnosing path compiled at start-up in {time.perf_counter() - started:.2f} s\n")
    columns = ("bytes", "orjson", "ours cold", "ours hot", "fhirkit-rs", "fhir.resources",
               "diagnosing", "/fhirkit-rs", "/fhir.resources")  # fmt: skip
    print(f"{'':24}" + "".join(f"{name:>15}" for name in columns))
    for kind, listed in found.items():
        assert all(quick.is_clean_text(text) for text in listed)
        model = get_fhir_model_class(read(listed[0])["resourceType"])
        contenders = {
            "orjson": orjson.loads,
            "ours hot": quick.is_clean_text,
            "fhirkit-rs": fhirkit.validate,
            "fhir.resources": model.model_validate_json,
            "diagnosing": lambda text: slow.validate(read(text)),
        }
        rows = {name: [] for name in ("ours cold", *contenders)}
        for _ in range(ROUNDS):
            unused = fresh()
            gc.collect()
            gc.disable()
            rows["ours cold"] += times(unused, listed)
            for name, check in contenders.items():
                rows[name] += times(check, listed[:100] if name == "diagnosing" else listed)
            gc.enable()
        middle = {name: statistics.median(row) / 1000 for name, row in rows.items()}
        middle["bytes"] = statistics.median(map(len, listed))
        middle["/fhirkit-rs"] = middle["ours cold"] / middle["fhirkit-rs"]
        middle["/fhir.resources"] = middle["ours cold"] / middle["fhir.resources"]
        digits = ["2f" if name[0] == "/" else "1f" for name in columns]
        print(f"{kind:24}" + "".join(
            f"{middle[name]:15.{d}}" for name, d in zip(columns, digits, strict=True)
        ))  # fmt: skip


def constraint_rows(listed, profile):
    """``(type, expression, object, resource)`` of every constraint on every object."""
    stated = {}
    for element in profile["differential"]["element"]:
        for constraint in element.get("constraint", ()):
            if element["path"] == profile["type"]:
                stated.setdefault(profile["type"], []).append(constraint["expression"])
    for text in listed:
        resource = read(text)
        for kind, value in objects(resource, resource["resourceType"]):
            names = [n for n in type_facts(kind).constraints if n not in NOT_FHIRPATH]
            expressions = [tables.invariants()[name]["expression"] for name in names]
            for expression in (*expressions, *stated.get(kind, ())):
                if not any(word in expression for word in OUT_OF_REACH):
                    yield kind, expression, value, resource


def constraints(found):
    print("\nthe same constraints on the same objects, microseconds for one document")
    for kind, name in (
        ("programme CarePlan", "airway-care-plan"),
        ("regimen ServiceRequest", "airway-regimen"),
        ("session Observation", "airway-session"),
    ):
        url = f"https://airway-programmes.example/fhir/StructureDefinition/{name}"
        listed = found[kind][:40]
        rows = list(constraint_rows(listed, build_definitions().structure(url)))
        ours = [(translated(kind, expression), value) for kind, expression, value, _ in rows]
        theirs = {}
        for _, expression, _, _ in rows:
            theirs[expression] = fhirpathpy.compile(expression, models["r4"])
        for check, value in ours:
            assert answer(check, value) is not False
        for _, expression, value, resource in rows:
            theirs[expression](value, {"resource": resource})
        taken = {"ours": [], "fhirpathpy": []}
        for _ in range(5):
            started = time.perf_counter_ns()
            for check, value in ours:
                answer(check, value)
            middle = time.perf_counter_ns()
            for _, expression, value, resource in rows:
                theirs[expression](value, {"resource": resource})
            taken["fhirpathpy"].append(time.perf_counter_ns() - middle)
            taken["ours"].append(middle - started)
        one, other = (statistics.median(row) / len(listed) / 1000 for row in taken.values())
        print(f"{kind:24} ours {one:8.1f}   fhirpathpy {other:10.1f}   {other / one:6.0f} times"
              f"   ({len(rows) / len(listed):.0f} evaluations)")  # fmt: skip


def constraints_within(found):
    """What the constraints add to the quick path, which settles and remembers most of them."""
    print("\nwithin the quick path, microseconds for one document, all of it beside no constraint")
    whole = FastPath(build_definitions(), rules())
    whole.prepare()
    holds, Translator.holds = Translator.holds, lambda *_: YES
    without = FastPath(build_definitions(), rules())
    without.prepare()
    for kind, listed in found.items():
        taken = {"all": [], "none": []}
        for _ in range(ROUNDS):
            taken["all"] += times(whole.is_clean_text, listed)
            taken["none"] += times(without.is_clean_text, listed)
        one, other = (statistics.median(row) / 1000 for row in taken.values())
        print(f"{kind:24} with {one:8.1f}   without {other:8.1f}")
    Translator.holds = holds


def answer(check, value):
    try:
        return check(value)
    except UnsureError:
        return None


def processor_time():
    """Of this process and of those it has waited for."""
    return sum(u.ru_utime + u.ru_stime for u in map(getrusage, (RUSAGE_SELF, RUSAGE_CHILDREN)))


def batch(found, size):
    listed = found["session Observation"]
    print(f"\nbatch of {size} session Observations, each with an id of its own")

    def many():
        for number in range(size):
            yield listed[number % len(listed)].replace(b'"id":"', b'"id":"%d-' % number, 1)

    for workers in (1, None):
        summary, peaks = Summary(), []
        started, used = time.perf_counter(), processor_time()
        for findings in check_batch(many(), build, workers=workers):
            summary.add(findings)
            if summary.checked % (size // 4) == 0:
                peaks.append(getrusage(RUSAGE_SELF).ru_maxrss // 1024)
        took, used = time.perf_counter() - started, processor_time() - used
        assert summary.failed == 0
        of_workers = getrusage(RUSAGE_CHILDREN).ru_maxrss // 1024
        print(f"{workers or 'all'} worker(s): {took:.1f} s, {size / took:.0f} objects/s, "
              f"{size / used:.0f} a second of processor time; "
              f"peak memory by quarter {peaks} MiB, largest worker {of_workers} MiB")  # fmt: skip


if __name__ == "__main__":
    FOUND = documents()
    full_checks(FOUND)
    constraints(FOUND)
    constraints_within(FOUND)
    batch(FOUND, int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
