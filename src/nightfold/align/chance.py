"""How likely chance brings forth what was seen: tails of the binomial and of the F distribution.

Both are a regularised incomplete beta function, by its continued fraction (DLMF 8.17.22, in Lentz's way), which gives all digits
also far out in the tail. Written here because the library that has it takes longer to load than a night takes to match.
"""

from __future__ import annotations

import math

TINY = 1e-300


def incomplete_beta(a: float, b: float, x: float) -> float:
    """The regularised incomplete beta function I_x(a, b), for a, b > 0 and x within 0 to 1."""
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    if x > (a + 1.0) / (a + b + 2.0):  # there the fraction of the other side is the quick one
        return 1.0 - incomplete_beta(b, a, 1.0 - x)
    front = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    c, d = 1.0, 1.0 / _not_zero(1.0 - (a + b) * x / (a + 1.0))
    fraction = d
    for m in range(1, 2000):
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 / _not_zero(1.0 + term * d)
            c = _not_zero(1.0 + term / c)
            step = c * d
            fraction *= step
        if abs(step - 1.0) < 1e-15:
            break
    return math.exp(max(front, -745.0)) * fraction / a


def binomial_tail(least: int, trials: int, chance: float) -> float:
    """Probability of `least` or more successes in `trials` of probability `chance` each."""
    if least <= 0:
        return 1.0
    if least > trials:
        return 0.0
    return incomplete_beta(float(least), float(trials - least + 1), chance)


def f_tail(first: int, second: int, value: float) -> float:
    """Probability that a ratio of two mean squares with `first` and `second` degrees of freedom is above `value`."""
    if value <= 0.0:
        return 1.0
    if math.isinf(value):
        return 0.0
    share = first * value / (second + first * value)
    if value < 1e-3:  # nearly certain; 1 less a small share would lose its digits
        return 1.0 - incomplete_beta(0.5 * first, 0.5 * second, share)
    return incomplete_beta(0.5 * second, 0.5 * first, second / (second + first * value))


def _not_zero(value: float) -> float:
    return value if abs(value) > TINY else TINY
