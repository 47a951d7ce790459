"""Float frames whose values run from 0 to 1: shares of a converter's full range, taken back to counts.

Programs that keep frames as floats often divide 16-bit counts by 65535. Gains, noise and ranges are told in counts, so the
values are multiplied again. A frame in other units betrays itself: counts exceed 1, and rates with their sky taken off
fall below 0. A frame that names its unit (BUNIT) is left as it is.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt

FULL_RANGE_COUNTS = 65535.0
"""Counts of a value of 1."""


def are_shares(pieces: Iterable[npt.NDArray[Any]]) -> bool:
    """Whether all values lie from 0 to 1 and some between; the first value outside ends the look.

    Parameters
    ----------
    pieces : iterable of float arrays
        The stored values of one image; NaN and infinite ones are left out.
    """
    between = False
    for piece in pieces:
        with np.errstate(invalid="ignore"):
            inside = (piece >= 0.0) & (piece <= 1.0)
            if not inside.all() and not (inside | ~np.isfinite(piece)).all():
                return False
            between = between or bool((inside & (piece > 0.0) & (piece < 1.0)).any())
    return between
