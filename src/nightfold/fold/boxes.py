"""The boxes of a master: what every used sub covers, and where to cut the picture."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nightfold.kernels.rectangle import largest_rectangle

Box = tuple[int, int, int, int]
"""x0, y0, x1, y1 in pixels, 0-based, all four inclusive."""

CUT_SHARE = 0.85
"""Of the greatest summed weight; where there is less, a picture is cut."""


def largest_box(mask: npt.NDArray[np.bool_]) -> Box | None:
    """The largest rectangle in which every pixel of `mask` (height, width) is True; None if no pixel is."""
    if mask.ndim != 2:
        raise ValueError(f"mask has {mask.ndim} axes; allowed: 2 (rows, columns)")
    box = np.zeros(4, np.int64)
    area = largest_rectangle(np.ascontiguousarray(mask, dtype=np.bool_), box)
    if area == 0:
        return None
    return int(box[0]), int(box[1]), int(box[2]), int(box[3])


def common_box(coverage: npt.NDArray[np.integer], subs_used: int) -> Box | None:
    """The largest rectangle that all `subs_used` subs cover; `coverage` (height, width) counts them per pixel."""
    return largest_box(coverage >= subs_used) if subs_used > 0 else None


def intersection(boxes: list[Box | None]) -> Box | None:
    """What all the boxes share, as pictures of several filters use it; None if that is empty or there are none."""
    known = [box for box in boxes if box is not None]
    if not known or len(known) < len(boxes):
        return None
    x0, y0 = max(b[0] for b in known), max(b[1] for b in known)
    x1, y1 = min(b[2] for b in known), min(b[3] for b in known)
    return (x0, y0, x1, y1) if x0 <= x1 and y0 <= y1 else None


def box_slices(box: Box) -> tuple[slice, slice]:
    """Row and column slices of an inclusive box."""
    return slice(box[1], box[3] + 1), slice(box[0], box[2] + 1)
