"""What the benchmarks of the service are told on the command line."""

import argparse
import os

from engines import ENGINES
from turns import TURNS


def options(**numbers: float) -> argparse.Namespace:
    """``--engine`` (more than once, or both), ``--turns``, and numbers with their defaults.

    Says on what machine the benchmark runs.
    """
    parser = argparse.ArgumentParser()
    parser.add_argument("--engine", choices=ENGINES, action="append", dest="engines")
    parser.add_argument("--turns", type=int, default=TURNS)
    for name, default in numbers.items():
        parser.add_argument(f"--{name}", type=type(default), default=default)
    told = parser.parse_args()
    told.engines = told.engines or list(ENGINES)
    print(f"{os.cpu_count()} cores, load before {os.getloadavg()[0]:.1f}", flush=True)  # noqa: T201
    return told
