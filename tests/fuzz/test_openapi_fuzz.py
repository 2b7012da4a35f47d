"""schemathesis against /openapi.json: what our own roads say of themselves holds, whatever is sent.

https://schemathesis.readthedocs.io - it makes requests that fit the description and ones that do
not; the checks are that no answer is a server error and that each has a status, a content type and
a body as described.
"""

import os
from pathlib import Path
from typing import Any

import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)
from served_process import served

SEED = int(os.environ.get("AIRWAY_FUZZ_SEED", "20310309"))
EXAMPLES = max(int(os.environ.get("AIRWAY_FUZZ_REQUESTS", "1500")) // 150, 10)
"""Requests for each road."""
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]


def test_answers_are_as_described(tmp_path: Path) -> None:
    with served(str(tmp_path / "record.sqlite"), tmp_path) as address:
        schema = schemathesis.openapi.from_url(f"{address}/openapi.json")
        operations = [one.ok() for one in schema.get_all_operations()]
        assert len(operations) >= 12
        for operation in operations:
            ask(operation)


def ask(operation: Any) -> None:
    fitting, others = (operation.as_strategy(generation_mode=mode) for mode in GenerationMode)

    @seed(SEED)
    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        database=None,
        phases=(Phase.generate,),
        suppress_health_check=list(HealthCheck),
    )
    @given(st.one_of(fitting, others))
    def answered(case: Any) -> None:
        case.call_and_validate(checks=CHECKS)

    answered()
