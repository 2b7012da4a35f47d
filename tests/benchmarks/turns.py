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
    """Rates by contender, from several turns each; a first turn warms all and does not count.

    ``watched`` are processes by name, for what they use while a contender runs.
    """

    def __init__(
        self,
        contenders: Mapping[str, Callable[[int], float]],
        watched: Mapping[str, psutil.Process],
    ) -> None:
        rates: dict[str, list[float]] = {name: [] for name in contenders}
        used: dict[str, Counter] = {name: Counter() for name in contenders}
        for turn in range(TURNS + 1):
            for name, run in contenders.items():
                before = {one: processor_seconds(watched[one]) for one in watched}
                began = time.perf_counter()
                rate = run(turn)
                if turn:
                    rates[name].append(rate)
                    used[name]["wall"] += time.perf_counter() - began
                    for one, spent in before.items():
                        used[name][one] += processor_seconds(watched[one]) - spent
        self._rates, self._used = rates, used
        self.rate = {name: median(some) for name, some in rates.items()}

    def tell(self, name: str, more: str = "") -> None:
        """A line of the table."""
        some, used = self._rates[name], self._used[name]
        cores = ", ".join(
            f"{one} {used[one] / used['wall']:.2f}"
            for one in used
            if one != "wall" and used[one] / used["wall"] >= 0.05
        )
        print(
            f"  {name:16}{self.rate[name]:9.0f} a second ({min(some):.0f} to {max(some):.0f})"
            f"{'   cores: ' + cores if cores else ''}{'   ' + more if more else ''}"
        )


def verdict(name: str, ratio: float, required: float) -> None:
    """The ratio beside what is asked for."""
    met = "met" if ratio >= required else "MISSED"
    print(f"  {name}: {ratio:.0%}, required {required:.0%}: {met}")


def tell_shares(name: str, shares: Counter) -> None:
    """What a profile found, the greatest first."""
    if not shares:
        print("  (py-spy is not here, so that there is no profile)")
        return
    total = sum(shares.values())
    listed = ", ".join(f"{part} {times / total:.0%}" for part, times in shares.most_common(8))
    print(f"  time of {name}: {listed}")
