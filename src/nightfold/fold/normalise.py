"""Brings the subs of one filter to one level: scales from star fluxes, skies from their meshes, weights from noise.

Both solutions are joint over all subs of all nights, so that no single frame hands its own errors to the rest: the
scales share one set of true star fluxes, the skies one common field.
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
    biweight,
    choose_orders,
    clean_points,
    fit_to_common,
    solve_common,
)
from nightfold.fold.sky_field import SkyPoints as SkyPoints
from nightfold.robust import mad_sigma

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

HUBER, HUBER_ROUNDS = 1.345, 6
MOST_SCATTER_SAMPLES = 20_000
NOISE_LAG_PX = 6
MOST_NOISE_PAIRS = 2_000_000
"""Rows are left out beyond about so many pairs a direction: the noise is then known to 0.1 %."""


def solve_scales(
    fluxes: FloatArray, errors: FloatArray, reference_index: int, *, rounds: int = 20
) -> tuple[FloatArray, FloatArray]:
    """Transparency of each sub relative to the reference, and its 1 sigma error.

    Parameters
    ----------
    fluxes, errors : arrays, shape (n_subs, n_stars)
        Electrons per second of the same unsaturated clean stars in every sub; NaN where a star was not measured.
    reference_index : int
        The sub whose scale is 1.

    Returns
    -------
    scales, errors : arrays, shape (n_subs,)
        NaN for a sub that shares no stars, not even through others, with the reference. The reference's error is 0.

    Notes
    -----
    Model: f_ij = s_i F_j, least squares with Tukey's biweight (1977) of the relative deviations, so that variable stars,
    blends and stars under a trail lose their say. A scatter beyond the stated errors is measured and added to them. Stars
    of S/N 3 do not bend the result, if they were chosen by their flux in the reference: chosen because they were
    detected in the sub itself, the faint ones are high by selection.
    """
    fluxes = np.asarray(fluxes, np.float64)
    errors = np.asarray(errors, np.float64)
    if fluxes.ndim != 2 or errors.shape != fluxes.shape:
        raise ValueError(f"fluxes is {fluxes.shape}, errors is {errors.shape}; allowed: both (n_subs, n_stars)")
    subs = len(fluxes)
    good = np.isfinite(fluxes) & np.isfinite(errors) & (errors > 0.0)
    seen = good & (np.where(good, fluxes, 0.0) > 3.0 * np.where(good, errors, 1.0))
    good &= seen.any(axis=0)  # a star that is too faint in one sub still counts, as it was measured there
    linked = _linked_to(seen, reference_index)
    scales = np.full(subs, np.nan)
    scale_errors = np.full(subs, np.nan)
    scales[reference_index], scale_errors[reference_index] = 1.0, 0.0
    rows = np.flatnonzero(linked)
    used = np.flatnonzero((good[rows].sum(axis=0) >= 2) & seen[rows].any(axis=0))
    if len(rows) < 2 or used.size == 0:
        return scales, scale_errors

    seen, good = seen[np.ix_(rows, used)], good[np.ix_(rows, used)]
    flux = np.where(good, fluxes[np.ix_(rows, used)], 1.0)
    sigma_flux = np.where(good, errors[np.ix_(rows, used)], 1.0)
    reference = int(np.flatnonzero(rows == reference_index)[0])
    log_scales, log_stars = _median_start(np.where(seen, np.log(np.where(seen, flux, 1.0)), np.nan))
    covariance = np.eye(len(rows))
    for number in range(rounds):
        log_model = np.clip(log_scales[:, None] + log_stars, -700, 700)
        model = np.exp(log_model)
        relative = sigma_flux / model
        # Linear in the flux: a mean of logarithms would be low, and a robust one is neither that nor the truth.
        residual = np.where(good, np.clip(flux / model - 1.0, -2.0, 4.0), np.nan)
        sigma = np.sqrt(relative**2 + _extra_scatter(residual, relative, good) ** 2)
        pull = np.where(good, residual / sigma, 0.0)
        # Huber's weights first: the biweight, which forgets what is far off, would hold on to a poor start.
        trust = HUBER / np.maximum(np.abs(pull), HUBER) if number < HUBER_ROUNDS else biweight(pull)
        weight = np.where(good, trust, 0.0) / sigma**2
        target = np.where(good, log_model + residual, 0.0)
        new_scales, new_stars, covariance = _two_way_fit(target, weight, reference)
        change = float(np.nanmax(np.abs(new_scales - log_scales + log_scales[reference])))
        log_scales, log_stars = new_scales, new_stars
        if change < 1e-7 and number > HUBER_ROUNDS:
            break
    scales[rows] = np.exp(log_scales)
    scale_errors[rows] = scales[rows] * np.sqrt(np.maximum(np.diag(covariance), 0.0))
    scales[reference_index], scale_errors[reference_index] = 1.0, 0.0
    return scales, scale_errors


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


def rate_variance(
    sky_e_per_s: npt.ArrayLike,
    exposure_s: npt.ArrayLike,
    *,
    read_noise_e: npt.ArrayLike,
    dark_e_per_s: npt.ArrayLike = 0.0,
    e_per_adu: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Variance of a blank raw pixel's rate, (electron/s)^2: photons of sky and dark, read noise, rounding (CHECKS D4).

    Without the noise of master dark and flat, which all subs share and which therefore is no part of the ideal.
    """
    time = np.asarray(exposure_s, np.float64)
    counts = np.maximum(np.asarray(sky_e_per_s, np.float64), 0.0) + np.asarray(dark_e_per_s, np.float64)
    variance = counts * time + np.asarray(read_noise_e, np.float64) ** 2 + np.asarray(e_per_adu, np.float64) ** 2 / 12
    result: FloatArray = variance / time**2
    return result


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


def _linked_to(good: npt.NDArray[np.bool_], start: int) -> npt.NDArray[np.bool_]:
    """True for the subs that share stars with sub `start`, directly or through others."""
    linked = np.zeros(len(good), dtype=bool)
    linked[start] = True
    while True:
        stars = good[linked].any(axis=0)
        new = linked | (good & stars).any(axis=1)
        if (new == linked).all():
            return linked
        linked = new


def _median_start(logs: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Scales and star fluxes by alternating medians: coarse, but blind to outliers."""
    scales = np.zeros(len(logs))
    stars = np.zeros(logs.shape[1])
    for _ in range(4):
        stars = np.nan_to_num(np.nanmedian(logs - scales[:, None], axis=0))
        with_stars = np.isfinite(logs).any(axis=1)
        scales[with_stars] = np.nanmedian((logs - stars)[with_stars], axis=1)
    return scales, stars


def _extra_scatter(residual: FloatArray, relative: FloatArray, good: npt.NDArray[np.bool_]) -> float:
    """Relative scatter beyond the errors (flats, changing profiles) that brings the bright half's deviations to 1 sigma.

    Deviations are widened for the unknowns that were fitted to them. By halving, to 1e-5.
    """
    bright = np.flatnonzero((good & (relative <= np.median(relative[good]))).ravel())
    bright = bright[:: max(1, bright.size // MOST_SCATTER_SAMPLES)]
    deviation, known = residual.ravel()[bright], relative.ravel()[bright] ** 2
    unknowns = sum(good.shape) - 1
    widened = np.sqrt(good.sum() / max(good.sum() - unknowns, 1.0))
    low, high = 0.0, 0.5
    if widened * float(mad_sigma(deviation / np.sqrt(known))) <= 1.0:
        return 0.0
    while high - low > 1e-5:
        middle = 0.5 * (low + high)
        if widened * float(mad_sigma(deviation / np.sqrt(known + middle**2))) > 1.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _two_way_fit(target: FloatArray, weight: FloatArray, reference: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Weighted least squares of target = row + column with the reference row 0; rows, columns, covariance of the rows.

    The columns are eliminated, which leaves one equation a row.
    """
    column_weight = weight.sum(axis=0)
    held = column_weight > 0.0
    inverse = np.where(held, 1.0 / np.where(held, column_weight, 1.0), 0.0)
    matrix = np.diag(weight.sum(axis=1)) - (weight * inverse) @ weight.T
    right = (weight * target).sum(axis=1) - (weight * inverse) @ (weight * target).sum(axis=0)
    others = np.arange(len(target)) != reference
    covariance = np.zeros(matrix.shape)
    covariance[np.ix_(others, others)] = np.linalg.pinv(matrix[np.ix_(others, others)], hermitian=True)
    rows = covariance @ right
    columns = np.where(held, ((weight * (target - rows[:, None])).sum(axis=0)) * inverse, 0.0)
    lost = ~held
    if lost.any():  # all its samples were rejected: keep a median, so that it may come back
        columns[lost] = np.nan_to_num(np.median((target - rows[:, None])[:, lost], axis=0))
    return rows, columns, covariance
