"""Brings the subs of one filter to one level: skies from their meshes, weights from their noise.

The skies are solved jointly over all subs of all nights, so that no single frame hands its own gradient to the rest.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from nightfold.errors import FoldError
from nightfold.fold.records import SkySurface
from nightfold.fold.sky_field import (
    TERMS_OF_ORDER,
    Lattice,
    asked_orders,
    choose_orders,
    clean_points,
    fit_to_common,
    solve_common,
)
from nightfold.fold.sky_field import SkyPoints as SkyPoints
from nightfold.robust import mad_sigma

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

NOISE_LAG_PX = 6
MOST_NOISE_PAIRS = 2_000_000
"""Rows are left out beyond about so many pairs a direction: the noise is then known to 0.1 %."""


def solve_skies(
    meshes: Sequence[SkyPoints | tuple[FloatArray, FloatArray, FloatArray, FloatArray]],
    weights: FloatArray,
    *,
    order: int | Sequence[int] | None = None,
    rounds: int = 8,
) -> list[SkySurface]:
    """The surface to take off each sub, after its scale, so that all subs show one common sky.

    Parameters
    ----------
    meshes : sequence of SkyPoints (or plain tuples of x, y, level, sigma)
        The sky cells of each sub at their places on the grid.
    weights : array, shape (n_subs,)
        The subs' weights in the master. Sum of weight times surface is zero in every term, so that the master keeps
        the weighted mean of the subs' skies, gradient included. A sub of weight 0 gets a surface but no say.
    order : 0, 1, 2, one per sub, or None
        None chooses per sub, from the data: the lowest order that the cells do not contradict (Schwarz 1978).

    Notes
    -----
    Model: level_i(x, y) = common(x, y) + surface_i(x, y). The common field is free at every node of a lattice as fine
    as the cells, joined bilinearly, so that nebulae and the gradient that all nights share stay in it; it drops out.
    A polynomial common to all surfaces could as well stand in the field: the sum over the subs fixes it.
    """
    points = [clean_points(i, mesh) for i, mesh in enumerate(meshes)]
    share = np.asarray(weights, np.float64)
    if share.shape != (len(points),):
        raise ValueError(f"weights is {share.shape}, meshes are {len(points)}; allowed: one weight a sub")
    if not points:
        return []
    if not (np.isfinite(share).all() and (share >= 0.0).all() and share.sum() > 0.0):
        raise FoldError("no sub has a weight", seen=f"{share.tolist()}", next_step="keep at least one sub")
    share = share / share.sum()
    frame = Lattice.around(points)
    say = np.flatnonzero(share > 0.0)
    asked = asked_orders(order, points)
    voters = [points[i] for i in say]
    solution = solve_common(voters, asked[say], frame, rounds)
    if order is None and len(say) > 1:
        chosen = choose_orders(solution, share[say], asked[say], [len(p.x) for p in voters])
        if (chosen != asked[say]).any():
            solution = solve_common(voters, chosen, frame, rounds)
    coefficients = np.zeros((len(points), 6))
    coefficients[say] = solution.coefficients
    mean = share @ coefficients
    for i in np.flatnonzero(share == 0.0):
        coefficients[i] = fit_to_common(points[i], int(asked[i]), frame, solution.field, rounds)
    coefficients -= mean
    # What rounding leaves of the sum goes to the heaviest sub, where it weighs least.
    heaviest = int(np.argmax(share))
    coefficients[heaviest] -= (share @ coefficients) / share[heaviest]
    terms = 1 + int(np.max(np.nonzero(np.any(coefficients != 0.0, axis=0))[0], initial=0))
    terms = next(t for t in TERMS_OF_ORDER if t >= terms)
    return [SkySurface(coefficients=c[:terms].copy(), centre=frame.centre, radius=frame.radius) for c in coefficients]


def weights_inverse_variance(
    scales: FloatArray, variances: FloatArray, *, fwhm_px: FloatArray | None = None
) -> FloatArray:
    """Weights that sum to 1: inverse variance at equal signal, scale^2 / variance.

    With `fwhm_px` the best weights for point sources, (scale / (sigma FWHM))^2 (Zackay & Ofek 2017 I; CHECKS R5). A sub
    whose numbers are not finite or not above 0 gets weight 0.
    """
    scales = np.asarray(scales, np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        weights = scales**2 / np.asarray(variances, np.float64)
        if fwhm_px is not None:
            weights = weights / np.asarray(fwhm_px, np.float64) ** 2
    weights = np.where(np.isfinite(weights) & (scales > 0.0) & (weights > 0.0), weights, 0.0)
    total = float(weights.sum())
    if not total > 0.0:
        raise FoldError(
            "no sub has a weight",
            seen=f"{len(weights)} subs without scale or noise",
            allowed="scale and variance above 0",
            next_step="look at the verdicts of these subs",
        )
    return weights / total


def ideal_noise(sigmas_at_scale_1: FloatArray) -> float:
    """1 / sqrt(sum sigma^-2), electron/s: the least noise of a master of these subs (CHECKS D12).

    `sigmas_at_scale_1`: each sub's blank-sky sigma of a raw pixel over its scale, without master-dark and flat noise.
    """
    sigmas = np.asarray(sigmas_at_scale_1, np.float64)
    sigmas = sigmas[np.isfinite(sigmas) & (sigmas > 0.0)]
    return float(1.0 / np.sqrt(np.sum(sigmas**-2.0))) if sigmas.size else float("nan")


def noise_over_ideal(
    noise_e_per_s: float, *, weights: FloatArray, sigmas_at_scale_1: FloatArray, kernel_rms: FloatArray
) -> float:
    """The master's noise over the ideal for its subs, corrected for what resampling smoothed away.

    `kernel_rms` is each sub's root of the mean sum of squared kernel weights (CHECKS R1); r^2 is its mean weighted with
    weight^2 sigma^2. NaN if no sub has a weight.
    """
    used = np.asarray(weights, np.float64) > 0.0
    if not used.any():
        return float("nan")
    share = (np.asarray(weights, np.float64)[used] * np.asarray(sigmas_at_scale_1, np.float64)[used]) ** 2
    smoothing = np.sqrt(np.sum(share * np.asarray(kernel_rms, np.float64)[used] ** 2) / share.sum())
    return float(noise_e_per_s / smoothing / ideal_noise(np.asarray(sigmas_at_scale_1, np.float64)[used]))


def measure_noise_e_per_s(
    image: npt.NDArray[np.floating],
    box: tuple[int, int, int, int],
    sources: npt.NDArray[np.bool_] | None = None,
    *,
    lag_px: int = NOISE_LAG_PX,
) -> float:
    """Robust sigma of blank sky, from differences of pixels `lag_px` apart in both directions, over sqrt 2.

    Parameters
    ----------
    image : array (height, width), electron/s, NaN where nothing covers
    box : x0, y0, x1, y1 inclusive
        The common box; lags of at least 6 px lie beyond the reach of the resampling kernel.
    sources : bool array (height, width), optional
        True on stars and nebula; a pair with one such pixel is left out.

    Returns
    -------
    float
        electron/s; NaN for fewer than 20 pairs.
    """
    if lag_px < NOISE_LAG_PX:
        raise ValueError(f"lag_px is {lag_px}; allowed: {NOISE_LAG_PX} or more, beyond the resampling kernel")
    x0, y0, x1, y1 = box
    columns = slice(x0, x1 + 1)
    every = max(1, (x1 - x0 + 1) * (y1 - y0 + 1) // MOST_NOISE_PAIRS)

    def blank(rows: slice) -> npt.NDArray[np.float32]:
        values = np.asarray(image[rows, columns], np.float32)
        if sources is None:
            return values
        return np.where(sources[rows, columns], np.float32(np.nan), values)

    upper = blank(slice(y0, y1 + 1, every))
    lower = blank(slice(y0 + lag_px, y1 + 1, every))
    across = upper[:, lag_px:] - upper[:, :-lag_px]
    down = lower - upper[: len(lower)]
    variances = []
    for difference in (across, down):
        finite = difference[np.isfinite(difference)]
        if finite.size >= 20:
            variances.append(float(mad_sigma(finite)) ** 2 / 2.0)
    return float(np.sqrt(np.mean(variances))) if variances else float("nan")
