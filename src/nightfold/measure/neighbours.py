"""Which of many points in a plane are neighbours, by going along x: quick where the reach is small beside the plane."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nightfold.kernels.neighbours import close_pairs, members_within, nearest_within

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


class Sorted:
    """Points (n, k), sorted by their first coordinate, to be asked for neighbours again and again."""

    def __init__(self, points: FloatArray) -> None:
        self.points = np.ascontiguousarray(points, dtype=np.float64)
        self._order = np.argsort(self.points[:, 0], kind="stable")

    def within(self, places: FloatArray, reach: float) -> tuple[IntArray, IntArray]:
        """All (place, point) closer than or at `reach`, each (m,), in the order of the places."""
        places = np.ascontiguousarray(places, dtype=np.float64)
        counts = np.empty(len(places), np.int64)
        capacity = max(1000, 8 * len(places))
        while True:
            members = np.empty(capacity, np.int64)
            n = int(members_within(self.points, self._order, places, float(reach), counts, members))
            if n <= capacity:
                return np.repeat(np.arange(len(places)), counts), members[:n]
            capacity = n

    def count(self, places: FloatArray, reach: float) -> IntArray:
        """How many points lie within `reach` of each place."""
        counts = np.empty(len(places), np.int64)
        none = np.empty(0, np.int64)
        members_within(self.points, self._order, np.ascontiguousarray(places, np.float64), float(reach), counts, none)
        return counts
