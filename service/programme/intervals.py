"""How sure a share is."""

from math import sqrt

Z_95 = 1.959963984540054
"""The 97.5% point of the standard normal distribution."""


def wilson(successes: int, trials: int) -> tuple[float, float]:
    """The 95% score interval for a share (Wilson, J Am Stat Assoc 1927;22:209).

    It treats the trials as independent, which the sessions of one child are not, so it is too
    narrow for more than a rough idea; answers say so. Raises ``ValueError`` when there is no
    trial or the counts are impossible.
    """
    if not 0 <= successes <= trials or trials == 0:
        raise ValueError(f"{successes} of {trials} is no share")
    share = successes / trials
    spread = Z_95**2 / trials
    centre = share + spread / 2
    half = Z_95 * sqrt(share * (1 - share) / trials + spread / (4 * trials))
    low = (centre - half) / (1 + spread)
    high = (centre + half) / (1 + spread)
    return (0.0 if successes == 0 else low, 1.0 if successes == trials else high)
