"""How much of the stars' light came through, sub by sub: star-flux ratios solved jointly over all subs.

Every clean star that is seen in several subs gives equations ``flux rate = brightness x scale``. Brightness of each star and scale of
each sub are solved together by alternating robust means in the logarithm, so that no single sub imprints its errors, and then
referred to the fixed reference sub. `scale` keeps air mass and the rig's throughput in; `transparency` has the air mass taken off.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

CALIBRATION_FLOOR = 0.01
"""Relative error of a single star's flux below which flat-field and profile errors rule; value from memory of such data."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scales:
    """Scale of each sub against the reference, its 1 sigma error, and how many stars it rests on; NaN for none."""

    scale: FloatArray
    error: FloatArray
    stars: npt.NDArray[np.int64]


def solve_scales(rates: FloatArray, errors: FloatArray, reference: int, *, rounds: int = 50) -> Scales:
    """Scale of each sub relative to sub `reference`, solved jointly over all stars.

    Parameters
    ----------
    rates : (n_subs, n_stars) float64
        Star fluxes over exposure, any common unit; NaN where a star was not seen or is not clean.
    errors : (n_subs, n_stars) float64
        Their 1 sigma errors, same unit.
    reference : int
        The sub whose scale is 1.

    Returns
    -------
    Scales
        A sub that shares no star with the rest has scale NaN.

    Notes
    -----
    Huber weights (Huber 1981, k = 1.345) keep variable stars, blends and uneven cloud from pulling a sub.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        good = np.isfinite(rates) & (rates > 0) & np.isfinite(errors) & (errors > 0)
        log_rate = np.where(good, np.log(np.where(good, rates, 1.0)), 0.0)
        sigma = np.where(good, np.hypot(errors / np.where(good, rates, 1.0), CALIBRATION_FLOOR), np.inf)
    good &= good.sum(axis=0) >= 2
    base = np.where(good, 1.0 / sigma**2, 0.0)
    weight = base.copy()
    n_subs = rates.shape[0]
    log_scale = np.zeros(n_subs)
    star = np.zeros(rates.shape[1])
    for _ in range(rounds):
        star = _weighted_mean(log_rate - log_scale[:, None], weight, axis=0)
        step = _weighted_mean(log_rate - star[None, :], weight, axis=1) - log_scale
        log_scale = log_scale + step
        residual = np.where(
            good, np.abs(log_rate - log_scale[:, None] - star[None, :]) / np.where(good, sigma, 1.0), 0.0
        )
        weight = base * np.minimum(1.0, 1.345 / np.maximum(residual, 1e-12))
        if np.abs(step - step[reference]).max() < 1e-7:
            break
    total = weight.sum(axis=1)
    spread = np.sqrt(np.maximum(1.0, (weight * residual**2).sum(axis=1) / np.maximum(total, 1e-300)))
    log_scale -= log_scale[reference]
    with np.errstate(divide="ignore"):
        error = np.exp(log_scale) * spread / np.sqrt(total)
    unseen = total <= 0
    return Scales(
        scale=np.where(unseen, np.nan, np.exp(log_scale)),
        error=np.where(unseen, np.nan, error),
        stars=good.sum(axis=1),
    )


def _weighted_mean(values: FloatArray, weight: FloatArray, axis: int) -> FloatArray:
    total = weight.sum(axis=axis)
    return np.asarray((values * weight).sum(axis=axis) / np.where(total > 0, total, 1.0))


def cross_match(
    positions: list[FloatArray], *, radius_px: float = 2.0, anchor: int = 0, brightest: int = 1200
) -> list[npt.NDArray[np.int64]]:
    """For each sub, the index of each of its stars in one common list, -1 for stars not in it.

    Parameters
    ----------
    positions : list of (n_i, 2) float64
        Star positions of each sub on the common grid, brightest first.
    radius_px : float
        Two positions within this are one star.
    anchor : int
        The sub whose stars open the list; stars of others that are not in it are added as they come, so that the frame
        need not overlap with the anchor's.
    """
    from scipy.spatial import cKDTree

    order = [anchor, *(i for i in range(len(positions)) if i != anchor)]
    common = np.zeros((0, 2))
    found: list[npt.NDArray[np.int64]] = [np.zeros(0, np.int64)] * len(positions)
    for i in order:
        xy = positions[i][:brightest]
        index = np.full(len(positions[i]), -1, np.int64)
        if len(xy):
            if len(common):
                reply = cKDTree(common).query(xy, distance_upper_bound=radius_px)
                distance, nearest = np.asarray(reply[0]), np.asarray(reply[1])
                hit = np.isfinite(distance)
            else:
                distance, nearest = np.full(len(xy), np.inf), np.zeros(len(xy), np.int64)
                hit = np.zeros(len(xy), bool)
            # A common star is given to the nearest of the sub's stars only: the first in order of distance.
            rank = np.argsort(np.where(hit, distance, np.inf), kind="stable")
            _, first = np.unique(nearest[rank], return_index=True)
            winner = np.zeros(len(xy), bool)
            winner[rank[first]] = True
            keep = hit & winner
            index[: len(xy)][keep] = nearest[keep]
            fresh = np.flatnonzero(~hit)
            index[fresh] = len(common) + np.arange(len(fresh))
            common = np.vstack([common, xy[fresh]])
        found[i] = index
    return found


def rate_table(
    members: list[npt.NDArray[np.int64]], rates: list[FloatArray], errors: list[FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Star rates and errors as (n_subs, n_stars) arrays, NaN where a star was not seen in a sub."""
    n_stars = 1 + max((int(m.max()) for m in members if m.size), default=-1)
    rate = np.full((len(members), n_stars), np.nan)
    error = np.full((len(members), n_stars), np.nan)
    for i, (m, r, e) in enumerate(zip(members, rates, errors)):
        seen = m >= 0
        rate[i, m[seen]] = r[seen]
        error[i, m[seen]] = e[seen]
    return rate, error
