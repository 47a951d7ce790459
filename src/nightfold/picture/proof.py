"""Strips that show what a step does: the picture before it on the left of a line, after it on the right."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nightfold.errors import PictureError

Picture = npt.NDArray[np.float32]
STRIP_SHARE = 0.25
"""Height of a strip as a share of the picture's; it is cut from the middle."""


def before_and_after(before: Picture, after: Picture) -> Picture:
    """One strip: left half before, right half after, a light line between; float32 sRGB, (rows, width, 3)."""
    if before.shape != after.shape:
        raise PictureError("a proof needs pictures of one size", seen=f"{before.shape}", allowed=f"{after.shape}")
    height, width = after.shape[:2]
    rows = max(1, round(STRIP_SHARE * height))
    start = (height - rows) // 2
    strip = after[start : start + rows].copy()
    middle = width // 2
    strip[:, :middle] = before[start : start + rows, :middle]
    strip[:, middle : middle + max(1, width // 800)] = 0.8
    return strip
