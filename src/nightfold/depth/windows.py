"""Parts of the subs folded over parts of the grid: cheap looks at what fewer subs give."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from nightfold.depth.boxes import BoxNoise, box_noise
from nightfold.engine.core import CancelToken
from nightfold.fold.core import fold_subs
from nightfold.fold.records import FoldOptions, FoldSub

FloatArray = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Box = tuple[int, int, int, int]
"""x0, y0, x1, y1, inclusive."""

WINDOW_PX = 384
MOST_WINDOWS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class FallPoint:
    """The noise of boxes in masters of so many subs, and what the ideal 1/sqrt makes of the smallest part's noise."""

    subs: int
    exposure_s: float
    noise_e_per_s: float
    ideal_e_per_s: float


def window_sub(sub: FoldSub, x0: int, y0: int) -> FoldSub:
    """The same sub on a grid that begins at (x0, y0) of the old one."""
    matrix = sub.transform.matrix.copy()
    matrix[:, 2] -= (x0, y0)
    cx, cy = sub.sky.centre
    return replace(
        sub, transform=replace(sub.transform, matrix=matrix), sky=replace(sub.sky, centre=(cx - x0, cy - y0))
    )


def fold_window(
    subs: Sequence[FoldSub],
    which: npt.NDArray[np.int64],
    box: Box,
    options: FoldOptions,
    cancelled: CancelToken | None = None,
) -> npt.NDArray[np.float32]:
    """The master of some of the subs over a box of the grid, electrons per second."""
    x0, y0, x1, y1 = box
    chosen = [window_sub(subs[i], x0, y0) for i in which]
    return fold_subs(chosen, (y1 - y0 + 1, x1 - x0 + 1), options, cancelled=cancelled).image


def choose_windows(
    blank: Mask, inside: Box, *, size_px: int = WINDOW_PX, most: int = MOST_WINDOWS, whole_below: int = 2
) -> list[Box]:
    """The windows of a grid that show most blank sky, apart from each other; the whole where it is hardly larger.

    Parameters
    ----------
    blank : (height, width) bool
        Of the box `inside`.
    inside : box of the grid
    """
    x0, y0, x1, y1 = inside
    height, width = y1 - y0 + 1, x1 - x0 + 1
    across, down = max(1, width // size_px), max(1, height // size_px)
    if across * down <= whole_below or min(height, width) <= size_px:
        return [inside]
    found: list[tuple[float, Box]] = []
    for j in range(down):
        for i in range(across):
            a, b = i * width // across, j * height // down
            cut = blank[b : b + size_px, a : a + size_px]
            found.append((float(cut.mean()), (x0 + a, y0 + b, x0 + a + cut.shape[1] - 1, y0 + b + cut.shape[0] - 1)))
    found.sort(key=lambda f: (-f[0], f[1]))
    return [box for _, box in found[:most]]


def noise_of_parts(
    subs: Sequence[FoldSub],
    parts: Sequence[Sequence[npt.NDArray[np.int64]]],
    windows: Sequence[tuple[Box, Mask]],
    box_px: float,
    options: FoldOptions,
    *,
    cancelled: CancelToken | None = None,
) -> list[tuple[float, float]] | None:
    """Variance of a box's mean and its 1 sigma for each amount of subs; None where the windows hold too little sky.

    Parameters
    ----------
    parts : for each amount, the parts of the subs (`depth.core.nested_parts`)
    windows : boxes of the grid with their blank pixels
    """
    result = []
    for amount in parts:
        variances, errors = [], []
        for which in amount:
            for box, blank in windows:
                found: BoxNoise | None = box_noise(fold_window(subs, which, box, options, cancelled), blank, box_px)
                if found is not None:
                    variances.append(found.sigma**2)
                    errors.append(2.0 * found.sigma * found.error)
        if not variances:
            return None
        weight = 1.0 / np.square(errors)
        mean = float((weight * variances).sum() / weight.sum())
        result.append((mean, float(1.0 / np.sqrt(weight.sum()))))
    return result
