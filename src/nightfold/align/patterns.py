"""Patterns of four stars that stay the same under shift, turn and scale.

A quad is a star with three of its nearest neighbours, in order of distance. In the frame in which the first star lies at 0 and
the farthest of the three at 1 of the complex plane, the other two give four numbers that no similarity changes; a mirror
conjugates them. The code is that of Lang et al. 2010 (AJ 139, 1782), section 2; the choice of quads is ours: neighbourhoods
survive unequal depth better than the brightest stars of the whole frame do.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Quads:
    """Codes (n, 4) of quads and the stars that make them (n, 4): the first, the farthest, then the two between."""

    code: FloatArray
    stars: IntArray


def make_quads(xy: FloatArray, *, stars: int, neighbours: int) -> Quads:
    """Quads of each of the first `stars` positions of `xy` (n, 2) with any three of its nearest `neighbours` among them."""
    points = np.asarray(xy[:stars], np.float64)
    n = len(points)
    k = min(neighbours, n - 1)
    if k < 3:
        return Quads(np.zeros((0, 4)), np.zeros((0, 4), np.int64))
    z = points[:, 0] + 1j * points[:, 1]
    apart = np.abs(z[:, None] - z)
    np.fill_diagonal(apart, np.inf)
    some = np.argpartition(apart, k - 1, axis=1)[:, :k]
    nearest = np.take_along_axis(
        some, np.argsort(np.take_along_axis(apart, some, axis=1), axis=1, kind="stable"), axis=1
    )
    c, d, b = np.array(list(combinations(range(k), 3))).T
    relative = z[nearest] - z[:, None]
    span = relative[:, b]
    with np.errstate(divide="ignore", invalid="ignore"):
        wc, wd = relative[:, c] / span, relative[:, d] / span
    code = np.stack([wc.real, wc.imag, wd.real, wd.imag], axis=-1).reshape(-1, 4)
    first = np.broadcast_to(np.arange(n)[:, None], span.shape)
    members = np.stack([first, nearest[:, b], nearest[:, c], nearest[:, d]], axis=-1).reshape(-1, 4)
    usable = np.isfinite(code).all(axis=1)
    return Quads(code[usable], members[usable].astype(np.int64))


def mirrored(code: FloatArray) -> FloatArray:
    """The codes of the same quads in a mirror."""
    return np.asarray(code * np.array([1.0, -1.0, 1.0, -1.0]))
