"""Technique reviews as documents: what each must say.

The steps are those of a checklist in common practice; the lengths that they are judged by are of an
instruction page of a children's hospital in the USA.
"""

from typing import Any

import pytest
from trade_examples import CHILD

from service.programme.checks import KnownChild, check_review

GOOD: dict[str, Any] = {
    "child": CHILD,
    "technique": "pep",
    "deviceKind": "pep-mask",
    "date": "2031-05-12",
    "method": "in-clinic",
    "reviewer": {"name": "Ash Birch"},
    "helper": "grandfather",
    "step": [{"step": "seal", "shown": "seen"}, {"step": "hold", "shown": "prompted"}],
}


def test_a_good_review_is_accepted() -> None:
    checked = check_review(GOOD, known=KnownChild(birth_date="2022-03-09"))
    assert checked.problems == ()
    assert checked.value is not None
    assert [(one.step, one.shown) for one in checked.value.step] == [
        ("seal", "seen"), ("hold", "prompted"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("change", "found"),
    [
        ({"technique": "whistling"}, [("technique", "unknown-technique")]),
        ({"deviceKind": "trumpet"}, [("deviceKind", "unknown-device-kind")]),
        ({"date": "2031-05"}, [("date", "wrong-value")]),
        ({"date": "2022-03-07"}, [("date", "before-birth")]),
        ({"method": "by-ear"}, [("method", "unknown-code")]),
        ({"reviewer": {}}, [("reviewer", "who-it-is")]),
        ({"reviewer": None}, [("reviewer", "wrong-shape")]),
        ({"step": []}, [("step", "missing")]),
        ({"step": [{"step": "tongue", "shown": "seen"}]}, [("step[0].step", "unknown-step")]),
        ({"step": [{"step": "seal", "shown": "nearly"}]}, [("step[0].shown", "unknown-code")]),
        (
            {"step": [{"step": "seal", "shown": "seen"}, {"step": "seal", "shown": "not-yet"}]},
            [("step[1].step", "step-twice")],
        ),
        ({"mark": 7}, [("mark", "unknown-field")]),
    ],
)
def test_what_is_wrong_is_named_at_its_place(
    change: dict[str, Any], found: list[tuple[str, str]]
) -> None:
    checked = check_review(GOOD | change, known=KnownChild(birth_date="2022-03-09"))
    assert checked.value is None
    assert [(one.path, one.key) for one in checked.problems] == [
        (f"TechniqueReview.{place}", key) for place, key in found
    ]
