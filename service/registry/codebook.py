"""The code book: what every column of a release means, generated from the rules."""

from typing import Any

from service.registry.columns import ANY, AnyColumn
from service.registry.rules import Rules

NOTICE = (
    "k-anonymised, not anonymous in law: whoever has other data about a child may still learn "
    "something. Do not try to find out who a child is, and do not join this with other data on "
    "children. Not for decisions about the treatment of any child."
)


def codebook_json(rules: Rules) -> dict[str, Any]:
    """Columns in the order of the files, each with its levels, and the policy."""
    columns = [*rules.quasi_identifiers, rules.adherence]
    return {
        "notice": NOTICE,
        "version": rules.version,
        "policy": rules.policy.model_dump(by_alias=True),
        "columns": [_column(column) for column in columns],
    }


def codebook_markdown(rules: Rules) -> str:
    """The same as a page to read."""
    policy = rules.policy
    lines = [
        "# Code book of the adherence release",
        "",
        NOTICE,
        "",
        f"Version {rules.version}. One record a child and calendar half-year. At least {policy.k} "
        f"children are alike in every column but the last, and they have at least "
        f"{policy.distinct_bands} different adherence bands. Columns are coarsened, the same for "
        f"all records, until that holds; at most {policy.suppressed_at_most}% of the children are "
        "left out for it. The manifest of a release names the level of each column.",
    ]
    for column in codebook_json(rules)["columns"]:
        lines += ["", f"## {column['name']}", "", *_section(column)]
    return "\n".join(lines) + "\n"


def _column(column: AnyColumn) -> dict[str, Any]:
    levels = column.levels_as_json()
    coarsest = [{ANY: "every value"}] if column.height and column.role != "adherence" else []
    described = {
        "name": column.name,
        "meaning": column.meaning,
        "unit": column.unit,
        "role": column.role,
        "weight": column.weight if coarsest else None,
        "source": column.source,
        "levels": [*levels, *coarsest],
    }
    return {name: value for name, value in described.items() if value is not None}


def _section(column: dict[str, Any]) -> list[str]:
    unit = f" ({column['unit']})" if "unit" in column else ""
    lines = [f"{column['meaning']}{unit}. Role: {column['role']}. Source: {column['source']}.", ""]
    for number, level in enumerate(column["levels"]):
        lines.append(f"- Level {number}: " + "; ".join(_label(*item) for item in level.items()))
    return lines


def _label(label: str, holds: Any) -> str:
    if isinstance(holds, list) and holds != [label]:
        return f"`{label}` = {', '.join(holds)}"
    if isinstance(holds, dict) and "under" not in holds:
        return f"{label}: " + "; ".join(_label(*item) for item in holds.items())
    return f"`{label}`" if isinstance(holds, list | dict) else f"`{label}` ({holds})"
