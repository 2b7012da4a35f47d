# ruff: noqa: T201
"""Contenders in turns, and the small table that a benchmark prints of them."""

import time
from collections import Counter
from collections.abc import Callable, Mapping
from statistics import median

import psutil
from processes import processor_seconds

TURNS = 5


class Turns:
    """A figure by contender from several turns each: its median; a first turn only warms up.

    ``watched`` are processes by name, for what they use while a contender runs.
    """

    def __init__(
        self,
        contenders: Mapping[str, Callable[[int], float]],
        watched: Mapping[str, psutil.Process],
        unit: str = "a second",
        *,
        turns: int = TURNS,
    ) -> None:
        rates: dict[str, list[float]] = {name: [] for name in contenders}
        used: dict[str, Counter] = {name: Counter() for name in contenders}
        for turn in range(turns + 1):
            for name, run in contenders.items():
                before = {one: processor_seconds(watched[one]) for one in watched}
                began = time.perf_counter()
                rate = run(turn)
                if turn:
                    rates[name].append(rate)
                    used[name]["wall"] += time.perf_counter() - began
                    for one, spent in before.items():
                        used[name][one] += processor_seconds(watched[one]) - spent
        self._rates, self._used, self._unit = rates, used, unit
        self.rate = {name: median(some) for name, some in rates.items()}

    def tell(self, name: str, more: str = "") -> None:
        """A line of the table."""
        some, used = self._rates[name], self._used[name]
        cores = ", ".join(
            f"{one} {used[one] / used['wall']:.2f}"
            for one in used
            if one != "wall" and used[one] / used["wall"] >= 0.05
        )
        digits = 0 if median(some) > 100 else 2
        figure = f"{self.rate[name]:9.{digits}f} {self._unit}"
        told = [f"{figure} ({min(some):.{digits}f} to {max(some):.{digits}f})"]
        told += [f"cores: {cores}"] if cores else []
        told += [more] if more else []
        print(f"  {name:16}{'   '.join(told)}", flush=True)


def verdict(name: str, ratio: float, *, least: float = 0, most: float | None = None) -> None:
    """The ratio beside what is asked for."""
    if most is None:
        told, met = f"{ratio:.0%}, required {least:.0%}", ratio >= least
    else:
        told, met = f"{ratio:.2f}, at most {most:.2f}", ratio <= most
    print(f"  {name}: {told}: {'met' if met else 'MISSED'}", flush=True)


def tell_shares(name: str, shares: Counter) -> None:
    """What a profile found, the greatest first."""
    if not shares:
        print("  (py-spy is not here, so that there is no profile)")
        return
    total = sum(shares.values())
    listed = ", ".join(f"{part} {times / total:.0%}" for part, times in shares.most_common(8))
    print(f"  interpreter of {name}: {listed}")
