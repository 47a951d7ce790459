"""Where pixels are full, seen from the pixels themselves: values pile up at one number and thin out below it."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

LEAST_FULL = 8
"""Pixels at the greatest value that make a pile: one star that is full covers as many."""
BELOW = 0.02
"""Share of the range below the greatest value in which there must be fewer pixels than at it."""
SPREAD, BELOW_SPREAD = 0.01, 0.05
"""Shares of the range for wells that are full before the converter ends: read noise then spreads the pile over the first,
and down to the second there must be fewer pixels. A smooth bright core has as many pixels in each step of its height."""
LEVELS_BELOW = 2
"""Levels below the pile that are looked at where converters count so coarsely that those shares hold none."""


def full_value(values: npt.NDArray[Any]) -> float | None:
    """The value at which pixels are full, in the unit of `values`; None if none or too few are.

    Parameters
    ----------
    values : array of any shape
        Raw pixels; NaN is left out. Converters and wells cut light off at one value; light itself piles up nowhere, for
        ever fewer pixels are ever brighter. Where the pile has a spread, its greatest value is given.
    """
    finite = values[np.isfinite(values)] if values.dtype.kind == "f" else values.ravel()
    if finite.size == 0:
        return None
    top = float(finite.max())
    low = float(np.median(finite[:: max(1, finite.size // 100_000)]))
    if not top > low:
        return None
    high = finite[finite >= top - BELOW_SPREAD * (top - low)].astype(np.float64)
    return top if _piles(high, top, top, BELOW * (top - low), finite) or _piles(
        high, top - SPREAD * (top - low), top, BELOW_SPREAD * (top - low), finite
    ) else None  # fmt: skip


def _piles(high: npt.NDArray[np.float64], bottom: float, top: float, below: float, finite: npt.NDArray[Any]) -> bool:
    """Whether more pixels lie from `bottom` to the top than below that, down to `top - below` and on the next levels."""
    full = int(np.count_nonzero(high >= bottom))
    if full < LEAST_FULL or full <= int(np.count_nonzero(high >= top - below)) - full:
        return False
    level = bottom
    for _ in range(LEVELS_BELOW):
        under = finite[finite < level]
        if under.size == 0:
            break
        level = float(under.max())
        if full <= int(np.count_nonzero(under == level)):
            return False
    return True
