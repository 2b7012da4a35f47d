# ruff: noqa: T201
"""FHIRPath constraints, ours beside fhirpathpy, in one run. By hand, from the project's folder:

    PYTHONPATH=.:tests python tests/benchmarks/bench_fhirpath.py

Both are compiled before and warmed once. Each round evaluates every constraint of R4 on every
object of the official examples (all distinct), first with one engine, then with the other, so that
a busy machine slows both; a figure is the median of its rounds. Constraints that fhirpathpy cannot
evaluate are left out on both sides, for ours they are given apart.
"""

import gc
import statistics
import time
from collections import defaultdict

import fhirpathpy
from fhirpathpy.engine.nodes import ResourceNode
from fhirpathpy.models import models
from r4_elements import example_objects, invariants_by_type

from service.fhir.fhirpath import Scope, compile_expression
from service.fhir.r4 import tables
from service.fhir.type_model import R4

ROUNDS = 7
OUT_OF_REACH = ("hasValue", "resolve", "htmlChecks", "low <= high")


def rows():
    """``(key, type, object, resource)`` for every evaluation of a round."""
    known = tables.invariants()
    for _, resource, type_name, value in example_objects():
        for name in invariants_by_type()[type_name]:
            key = f"{name}@{type_name}" if f"{name}@{type_name}" in known else name.split("@")[0]
            yield key, type_name, value, resource


def prepared():
    """By key: our evaluations and theirs, as functions without arguments."""
    scopes, ours, theirs = {}, defaultdict(list), defaultdict(list)
    for key, type_name, value, resource in rows():
        text = tables.invariants()[key]["expression"]
        scope = scopes.setdefault(id(resource), Scope(R4, resource))
        ours[key].append(_our_evaluation(text, type_name, value, scope))
        if not any(word in text for word in OUT_OF_REACH):
            theirs[key].append(_their_evaluation(text, type_name, value, resource))
    return ours, theirs, list(scopes.values())


_COMPILED = {}


def _our_evaluation(text, type_name, value, scope):
    test = _COMPILED.setdefault(("ours", text), compile_expression(text, R4)).condition(type_name)
    return lambda: test(value, scope)


def _their_evaluation(text, type_name, value, resource):
    if ("theirs", text) not in _COMPILED:
        silent = {"traceFn": lambda *_: None}
        _COMPILED["theirs", text] = fhirpathpy.compile(text, models["r4"], silent)
    evaluate, around = _COMPILED["theirs", text], {"resource": resource, "rootResource": resource}
    return lambda: evaluate(ResourceNode.create_node(value, type_name), around)


def timed(works):
    """Microseconds for one evaluation, over all of ``works``."""
    start = time.perf_counter_ns()
    for work in works:
        work()
    return (time.perf_counter_ns() - start) / 1000 / len(works)


def main():
    """Prints the table."""
    begin = time.perf_counter()
    for row in tables.invariants().values():
        compile_expression(row["expression"], R4)
    print(f"{len(tables.invariants())} constraints compiled in {time.perf_counter() - begin:.3f} s")
    ours, theirs, scopes = prepared()
    mine, other, alone = defaultdict(list), defaultdict(list), defaultdict(list)
    gc.disable()
    for turn in range(ROUNDS + 1):
        for key, works in ours.items():
            for scope in scopes:
                scope.kept.clear()
            figure = timed(works)
            if turn and key in theirs:
                mine[key].append(figure)
            elif turn:
                alone[key].append(figure)
            if turn and key in theirs:
                other[key].append(timed(theirs[key]))
    report(mine, other, alone, {key: len(works) for key, works in ours.items()})


def report(mine, other, alone, counts):
    """Medians by key, then the whole."""
    print(f"{'constraint':14}{'times':>7}{'ours us':>9}{'fhirpathpy us':>15}{'ratio':>7}")
    ratios, sums = [], [0.0, 0.0]
    for key in sorted(mine):
        a, b = statistics.median(mine[key]), statistics.median(other[key])
        ratios.append(b / a)
        sums = [sums[0] + a * counts[key], sums[1] + b * counts[key]]
        print(f"{key:14}{counts[key]:7}{a:9.2f}{b:15.1f}{b / a:7.0f}")
    for key in sorted(alone):
        print(f"{key:14}{counts[key]:7}{statistics.median(alone[key]):9.2f}{'-':>15}")
    ratios.sort()
    print(f"ratio by constraint: median {statistics.median(ratios):.0f}, lowest {ratios[0]:.1f},"
          f" {sum(r >= 20 for r in ratios)} of {len(ratios)} at least 20,"
          f" {sum(r >= 50 for r in ratios)} at least 50")  # fmt: skip
    print(f"one round, all evaluations: ours {sums[0] / 1000:.1f} ms, fhirpathpy"
          f" {sums[1] / 1000:.1f} ms, ratio {sums[1] / sums[0]:.0f}")  # fmt: skip


if __name__ == "__main__":
    main()
