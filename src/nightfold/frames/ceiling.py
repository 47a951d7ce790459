"""Where pixels are full, seen from the pixels themselves: values pile up at one number and thin out below it."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

LEAST_FULL = 8
"""Pixels at the greatest value that make a pile: one star that is full covers as many."""
BELOW = 0.02
"""Share of the range below the greatest value in which there must be fewer pixels than at it."""


def full_value(values: npt.NDArray[Any]) -> float | None:
    """The value at which pixels are full, in the unit of `values`; None if none or too few are.

    Parameters
    ----------
    values : array of any shape
        Raw pixels; NaN is left out. Converters and wells cut light off at one value; light itself piles up nowhere, for
        ever fewer pixels are ever brighter.
    """
    finite = values[np.isfinite(values)] if values.dtype.kind == "f" else values.ravel()
    if finite.size == 0:
        return None
    top = finite.max()
    full = int(np.count_nonzero(finite == top))
    if full < LEAST_FULL:
        return None
    low = float(np.median(finite[:: max(1, finite.size // 100_000)]))
    edge = float(top) - BELOW * (float(top) - low)
    near = int(np.count_nonzero(finite >= edge)) - full
    return float(top) if float(top) > low and full > near else None
