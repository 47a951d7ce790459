"""Which of many points in a plane are neighbours, by going along x: quick where the reach is small beside the plane."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nightfold.kernels.neighbours import close_pairs, nearest_within

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


def pairs_within(x: FloatArray, y: FloatArray, reach: float) -> tuple[IntArray, IntArray]:
    """Indices (i, j), i < j, of all pairs of points at most `reach` apart, each (n,), in the order of i, then j."""
    order = np.argsort(x, kind="stable")
    capacity = max(1000, 4 * x.size)
    while True:
        first, second = np.empty(capacity, np.int64), np.empty(capacity, np.int64)
        n = int(close_pairs(x, y, order, float(reach), first, second))
        if n <= capacity:
            break
        capacity = n
    sort = np.lexsort((second[:n], first[:n]))
    return first[:n][sort], second[:n][sort]


def nearest_point(points: FloatArray, places: FloatArray, reach: float) -> tuple[IntArray, FloatArray]:
    """Index of the nearest of `points` (n, 2) to each of `places` (m, 2), and its distance; -1, inf beyond `reach`."""
    x, y = (np.ascontiguousarray(points[:, k], dtype=np.float64) for k in (0, 1))
    at_x, at_y = (np.ascontiguousarray(places[:, k], dtype=np.float64) for k in (0, 1))
    index, distance = np.empty(at_x.size, np.int64), np.empty(at_x.size)
    nearest_within(x, y, np.argsort(x, kind="stable"), at_x, at_y, float(reach), index, distance)
    return index, distance
