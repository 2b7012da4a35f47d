"""The text of a plan for people who see the resource without our software."""

from html import escape

from service.fhir.json import JsonObject
from service.mapping.converters import technique_name

_TITLE = "Airway-clearance home programme"
_STATES = {"well": "when well", "unwell": "when unwell", "any": "when well and when unwell"}


def narrative(programme: JsonObject) -> JsonObject:
    """``CarePlan.text``: the title, and a line for each regimen. It replaces no instruction."""
    title = escape(programme.get("title", _TITLE))
    lines = "".join(f"<li>{_line(regimen)}</li>" for regimen in programme["regimen"])
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"><p>{title}</p><ul>{lines}</ul></div>'
    return {"status": "generated", "div": div}


def _line(regimen: JsonObject) -> str:
    words = f"{technique_name(regimen['technique'])}, {_STATES[regimen['healthState']]}"
    if regimen.get("instruction"):
        words += f": {regimen['instruction']}"
    return escape(words)
