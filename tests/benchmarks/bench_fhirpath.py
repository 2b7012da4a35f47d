# ruff: noqa: T201
"""FHIRPath constraints, ours beside fhirpathpy, in one run. By hand, from the project's folder:

    PYTHONPATH=.:tests python tests/benchmarks/bench_fhirpath.py

Every constraint of R4 on every object of the official examples, all distinct. Both engines are
compiled before and warmed once; they take turns round by round, so that a busy machine slows both;
a figure is the median of its rounds, in microseconds for one evaluation.

hot: one object again and again, as when a document that was just read is checked.
cold: every object once in a round, so that the data come from memory anew.

Constraints that fhirpathpy cannot evaluate are left out of the comparison, ours given apart.
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

ROUNDS = 5
HOT_TIMES, MOST_HOT = 30, 12
"""Repetitions of a hot evaluation, and about how many objects of a constraint take part."""
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
    return ours, theirs


_COMPILED = {}


def _our_evaluation(text, type_name, value, scope):
    test = _COMPILED.setdefault(("ours", text), compile_expression(text, R4)).condition(type_name)
    if "%resource" not in text and "%rootResource" not in text:
        return lambda: test(value, scope)

    def afresh():
        # What depends on the resource alone is kept in the scope: no gift in a repetition.
        scope.kept.clear()
        return test(value, scope)

    return afresh


def _their_evaluation(text, type_name, value, resource):
    if ("theirs", text) not in _COMPILED:
        silent = {"traceFn": lambda *_: None}
        _COMPILED["theirs", text] = fhirpathpy.compile(text, models["r4"], silent)
    evaluate, around = _COMPILED["theirs", text], {"resource": resource, "rootResource": resource}
    return lambda: evaluate(ResourceNode.create_node(value, type_name), around)


def timed(works, times=1):
    """Microseconds for one evaluation, over all of ``works``."""
    start = time.perf_counter_ns()
    for work in works:
        for _ in range(times):
            work()
    return (time.perf_counter_ns() - start) / 1000 / len(works) / times


def main():
    """Prints the tables."""
    begin = time.perf_counter()
    for row in tables.invariants().values():
        compile_expression(row["expression"], R4)
    print(f"{len(tables.invariants())} constraints compiled in {time.perf_counter() - begin:.3f} s")
    ours, theirs = prepared()
    gc.disable()
    hot = {key: works[:: max(1, len(works) // MOST_HOT)] for key, works in ours.items()}
    hot_theirs = {key: works[:: max(1, len(works) // MOST_HOT)] for key, works in theirs.items()}
    report("hot", *measured(hot, hot_theirs, (HOT_TIMES, 2)), ours)
    report("cold", *measured(ours, theirs, (1, 1)), ours)


def measured(ours, theirs, times):
    """Figures of all rounds by constraint, ours and theirs."""
    mine, other = defaultdict(list), defaultdict(list)
    for turn in range(ROUNDS + 1):
        for key, works in ours.items():
            figure = timed(works, times[0])
            if turn:
                mine[key].append(figure)
            if key in theirs:
                figure = timed(theirs[key], times[1])
                if turn:
                    other[key].append(figure)
    return mine, other


def report(title, mine, other, ours):
    """Medians by constraint, then the whole."""
    print(f"{title:14}{'objects':>8}{'ours':>9}{'fhirpathpy':>12}{'ratio':>7}")
    ratios, sums = [], [0.0, 0.0]
    for key in sorted(mine):
        a, count = statistics.median(mine[key]), len(ours[key])
        if key not in other:
            print(f"{key:14}{count:8}{a:9.2f}{'-':>12}")
            continue
        b = statistics.median(other[key])
        ratios.append(b / a)
        sums = [sums[0] + a * count, sums[1] + b * count]
        print(f"{key:14}{count:8}{a:9.2f}{b:12.1f}{b / a:7.0f}")
    ratios.sort()
    print(
        f"{title}: ratio by constraint: median {statistics.median(ratios):.0f}, lowest"
        f" {ratios[0]:.1f}; {sum(r >= 20 for r in ratios)} of {len(ratios)} at least 20,"
        f" {sum(r >= 50 for r in ratios)} at least 50; over all evaluations"
        f" {sums[0] / 1000:.1f} ms to {sums[1] / 1000:.1f} ms, ratio {sums[1] / sums[0]:.0f}\n"
    )


if __name__ == "__main__":
    main()
