"""The radius of the same stars in every frame of a focus run, so that stars that come and go do not bend the curve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from nightfold.robust import mad_sigma

FloatArray = npt.NDArray[np.float64]

BRIGHTEST = 40
REACH_PX = 3.0
LEAST_SHARED = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameRadius:
    """The typical half-flux radius of each frame, arrays of shape (n,); NaN where a frame shares no stars."""

    radius_px: FloatArray
    error_px: FloatArray  # 1 sigma, from how the stars agree; NaN for fewer than three
    light: FloatArray  # flux of the shared stars against the other frames, 1 for the usual
    stars: npt.NDArray[np.int64]


def shared_radii(
    places: Sequence[FloatArray], radii: Sequence[FloatArray], fluxes: Sequence[FloatArray]
) -> FrameRadius:
    """Typical radius of each frame from the stars it shares with the one that has most.

    Parameters
    ----------
    places : arrays of shape (n_k, 2)
        Clean stars of each frame, brightest first, pixels; frames may be shifted against each other, not turned.
    radii, fluxes : arrays of shape (n_k,)

    Notes
    -----
    Radii are taken apart into one factor a star and one a frame, by medians in turn on the logarithms (Tukey's median
    polish, Exploratory Data Analysis, 1977); the frame's factor times the stars' mean is its radius.
    """
    count = len(places)
    reference = int(np.argmax([len(p) for p in places])) if count else 0
    base = places[reference][:BRIGHTEST] if count else np.zeros((0, 2))
    table = np.full((count, len(base)), np.nan)
    light = np.full((count, len(base)), np.nan)
    for k in range(count):
        pairs = _pairs(places[k][: 2 * BRIGHTEST], base)
        good = radii[k][pairs[:, 0]] > 0.0
        table[k, pairs[good, 1]] = np.log(radii[k][pairs[good, 0]])
        positive = fluxes[k][pairs[:, 0]] > 0.0
        light[k, pairs[positive, 1]] = np.log(fluxes[k][pairs[positive, 0]])
    often = np.isfinite(table).sum(axis=0) >= max(2, 0.6 * count)
    table, light = table[:, often], light[:, often]
    stars = np.isfinite(table).sum(axis=1)
    enough = stars >= LEAST_SHARED
    of_frame, rest = _polished(table)
    spread = np.array(
        [float(mad_sigma(r[np.isfinite(r)])) if n >= 3 else np.nan for r, n in zip(rest, stars, strict=True)]
    )
    radius = np.where(enough, np.exp(of_frame), np.nan)
    return FrameRadius(
        radius_px=radius,
        error_px=np.where(enough, radius * spread / np.sqrt(np.maximum(stars, 1)), np.nan),
        light=np.where(enough, np.exp(_polished(light)[0] - np.nanmedian(_polished(light)[0])), np.nan) if count and often.any() else np.full(count, np.nan),
        stars=stars.astype(np.int64),
    )  # fmt: skip


def _polished(table: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Level of each row with the columns' own taken out, and what is left; NaN cells are left out."""
    rest, rows, columns = table.copy(), np.zeros(table.shape[0]), np.zeros(table.shape[1])
    if not np.isfinite(table).any():
        return np.full(table.shape[0], np.nan), rest
    for _ in range(12):
        for axis, levels in ((1, rows), (0, columns)):
            lines = rest if axis == 1 else rest.T
            step = np.array([np.median(v[np.isfinite(v)]) if np.isfinite(v).any() else 0.0 for v in lines])
            levels += step
            rest = rest - (step[:, None] if axis == 1 else step[None, :])
    return rows + float(np.mean(columns)), rest


def _pairs(places: FloatArray, base: FloatArray) -> npt.NDArray[np.int64]:
    """Stars of a frame and of the reference that are the same, by the shift that most of them share."""
    if len(places) == 0 or len(base) == 0:
        return np.zeros((0, 2), np.int64)
    shifts = (base[None, :BRIGHTEST] - places[:BRIGHTEST, None]).reshape(-1, 2)
    tree = cKDTree(shifts)
    votes = tree.query_ball_point(shifts, REACH_PX, return_length=True)
    best = shifts[tree.query_ball_point(shifts[int(np.argmax(votes))], REACH_PX)].mean(axis=0)
    answer = cKDTree(base).query(places + best, distance_upper_bound=REACH_PX)
    distance, index = np.asarray(answer[0], np.float64), np.asarray(answer[1], np.int64)
    found: list[tuple[int, int]] = []
    used: set[int] = set()
    for i in np.argsort(distance):
        if np.isfinite(distance[i]) and int(index[i]) not in used:
            used.add(int(index[i]))
            found.append((int(i), int(index[i])))
    return np.array(found, np.int64).reshape(-1, 2)
