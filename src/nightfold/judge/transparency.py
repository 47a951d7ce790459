"""How much of the stars' light came through, sub by sub: star-flux ratios solved jointly over all subs.

Every clean star that is seen in several subs gives equations ``flux rate = brightness x scale``. Brightness of each star and scale of
each sub are solved together, so that no single sub imprints its errors, and then referred to the fixed reference sub. `scale` keeps air mass and the rig's throughput in; `transparency` has the air mass taken off.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nightfold.measure.neighbours import nearest_point
from nightfold.robust import biweight, mad_sigma

FloatArray = npt.NDArray[np.float64]

HUBER, HUBER_ROUNDS = 1.345, 6
MOST_SCATTER_SAMPLES = 20_000
LEAST_SNR = 8.0
"""A star speaks for a sub only where its expected signal-to-noise there reaches this: choosing by what was detected would
keep the lucky half of the faint ones and flatter the dim subs."""


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


def trusted(rates: FloatArray, errors: FloatArray, reference_index: int) -> npt.NDArray[np.bool_]:
    """Which samples (n_subs, n_stars) may speak: stars whose expected signal-to-noise in that sub is high enough.

    The expectation comes from a first solution, not from the sample itself, so that no luck decides.
    """
    first, _ = solve_scales(rates, errors, reference_index)
    with np.errstate(invalid="ignore"):
        brightness = np.nanmedian(np.where(np.isfinite(first)[:, None], rates / first[:, None], np.nan), axis=0)
        return np.asarray(first[:, None] * brightness[None, :] > LEAST_SNR * errors)


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
    order = [anchor, *(i for i in range(len(positions)) if i != anchor)]
    common = np.zeros((0, 2))
    found: list[npt.NDArray[np.int64]] = [np.zeros(0, np.int64)] * len(positions)
    for i in order:
        xy = positions[i][:brightest]
        index = np.full(len(positions[i]), -1, np.int64)
        if len(xy):
            if len(common):
                nearest, distance = nearest_point(common, xy, radius_px)
                hit = nearest >= 0
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


MAG_PER_LN = 2.5 / float(np.log(10.0))
PRIOR_EXTINCTION_MAG = 0.05
"""How well a site's one number for V tells the extinction in a filter."""
STEADY_AIR = 0.02
"""A clear sky's transparency wanders by about 2 % through a night (common experience, no source)."""


def fit_extinction(
    scales: FloatArray, airmass: FloatArray, night: npt.NDArray[np.int64], site_extinction_mag: float
) -> tuple[float, float]:
    """Extinction in mag per air mass from how scales fall with air mass within nights, and its 1 sigma.

    Model: ln s = c(night) - k X / 1.0857, each night with its own clear level; least squares with the biweight, started from
    each night's upper quarter, since cloud only takes light away. The site's value is a measurement with an error of 0.05.
    Nights that span little air mass say little, and the site's value stays.
    """
    good = np.isfinite(scales) & (scales > 0) & np.isfinite(airmass)
    if np.count_nonzero(good) < 3:
        return site_extinction_mag, PRIOR_EXTINCTION_MAG
    y, x, n = np.log(scales[good]), airmass[good] / MAG_PER_LN, night[good]
    names, index = np.unique(n, return_inverse=True)
    k, sigma_k = site_extinction_mag, PRIOR_EXTINCTION_MAG
    clear = y + k * x
    level = np.array([np.percentile(clear[index == i], 75) for i in range(len(names))])
    for _ in range(25):
        residual = y + k * x - level[index]
        upper = residual[residual > 0]
        # Cloud pulls down only: the spread of a clear sky is seen above its level.
        sigma = max(STEADY_AIR, 1.4826 * float(np.median(upper)) if upper.size >= 3 else 0.0)
        weight = biweight(residual / min(sigma, 0.05)) / sigma**2
        total = np.bincount(index, weight, len(names))
        held = np.maximum(total, 1e-12)
        mean_x, mean_y = (
            np.bincount(index, weight * x, len(names)) / held,
            np.bincount(index, weight * y, len(names)) / held,
        )
        dx, dy = x - mean_x[index], y - mean_y[index]
        information = float((weight * dx**2).sum()) + PRIOR_EXTINCTION_MAG**-2
        new = (-float((weight * dx * dy).sum()) + site_extinction_mag * PRIOR_EXTINCTION_MAG**-2) / information
        new, sigma_k = float(np.clip(new, 0.0, 1.0)), information**-0.5
        level = np.where(total > 0, mean_y + new * mean_x, level)
        done, k = abs(new - k) < 1e-6, new
        if done:
            break
    return k, sigma_k
