"""The benchmarks of the service run to their end, at sizes that say nothing about speed.

Those that take half a minute even so run in CI only.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
SMALL = {
    "bench_load.py": ("--rows", "250"),
    "bench_http.py": ("--seconds", "1"),
    "bench_search.py": ("--large", "1000", "--small", "500"),
    "bench_memory.py": ("--requests", "100"),
    "bench_cohort.py": ("--children", "10", "--sessions", "20"),
}


LONG = {"bench_http.py", "bench_search.py"}


@pytest.mark.slow
@pytest.mark.parametrize("name", SMALL)
def test_it_runs_and_tells_its_ratio(name: str) -> None:
    if name == "bench_cohort.py":
        pytest.importorskip("polars", reason="the peer is polars, of the extra bench")
    elif name != "bench_load.py" and shutil.which("wrk") is None:
        pytest.skip("the load over HTTP comes from wrk, which is not installed")
    if name in LONG and "AIRWAY_CI" not in os.environ:
        pytest.skip("takes half a minute; runs where AIRWAY_CI is set")
    ran = subprocess.run(
        [sys.executable, HERE / name, "--engine", "sqlite", "--turns", "1", *SMALL[name]],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": f"{ROOT}:{ROOT / 'tests'}:{HERE}"},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    assert "required" in ran.stdout or "at most" in ran.stdout
