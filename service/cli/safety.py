"""``airway assess-safety``: every child looked through by the safety rules."""

from collections import Counter

import typer

from service.cli.answers import BY
from service.cli.options import StoreOption, open_record, policy_of_settings
from service.compose import system_clock
from service.fhir.json import read
from service.record.safety import Assessed, SafetyWatch, assess_children


def assess_safety(store: StoreOption = None) -> None:
    """Look through every child with a home programme, and tell the teams what is new.

    Run it every day: what the clock brings about (a review overdue, a part due to be replaced,
    unwell for longer than agreed) is found by nothing else. Findings become DetectedIssues and
    Tasks in the record; nobody is called. Prints how many findings hold, by rule, and no child's
    data. Exit status 1 if a child could not be looked through.

    Example: airway assess-safety --store airway-record/airway.sqlite
    """
    rules: Counter[str] = Counter()
    children = new = failed = 0
    policy = policy_of_settings()
    with open_record(store, must_exist=True) as record:
        for _, found in assess_children(record, SafetyWatch(policy.safety), BY, system_clock):
            children += 1
            failed += found is None
            if found is not None:
                rules.update(_rules(found))
                new += found.new
    for rule, times in sorted(rules.items()):
        typer.echo(f"{times:>8} {rule}")
    typer.echo(f"{children} children, {rules.total()} findings, {new} resources written")
    if failed:
        typer.echo(f"{failed} children could not be looked through", err=True)
        raise typer.Exit(1)


def _rules(found: Assessed) -> list[str]:
    return [read(one.body)["code"]["coding"][0]["code"] for one in found.issues]
