"""Sheets of the invented clinic's programmes, and of one that has every part."""

from datetime import date
from functools import cache
from typing import Any

from service.clinic import clinic_module
from service.pages import Change, Sheet
from service.programme.plan import Programme
from service.programme.standing import Standing

ADDRESS = "https://record.example/fhir/CarePlan/1b2c3d4e-0000-4000-8000-00000000abcd/$sheet"
TODAY = date(2026, 6, 15)


@cache
def programmes() -> dict[str, Programme]:
    """The last document of each child, by the child's name; those alike in all that is done
    appear once."""
    found: dict[str, Programme] = {}
    kinds: set[Any] = set()
    for posting in clinic_module().invent().programmes:
        programme = Programme.model_validate(posting.document)
        kind = (programme.regimen, programme.device, programme.override, programme.title)
        if kind not in kinds:
            kinds.add(kind)
            found[f"{programme.id} from {programme.start}"] = programme
    return found


def sheet_of(programme: Programme, **changes: Any) -> Sheet:
    """A sheet of the version in force, with other values where they are given."""
    values: dict[str, Any] = {
        "programme": programme,
        "number": 1,
        "standing": Standing("in-force", "plan-1"),
        "address": ADDRESS,
        "today": TODAY,
        "changes": (Change(1, programme.start, "Isolde Thimblewick", programme.change_reason),),
    }
    return Sheet(**(values | changes))
