"""Brings the subs of one filter to one level: scales from star fluxes, skies from their meshes, weights from noise.

Both solutions are joint over all subs of all nights, so that no single frame hands its own errors to the rest: the
scales share one set of true star fluxes, the skies one common field.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import sparse

from nightfold.errors import FoldError
from nightfold.fold.records import SkySurface
from nightfold.robust import mad_sigma

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

TUKEY = 4.685
"""Biweight constant of 95 % efficiency for normal errors (CHECKS S6)."""
HUBER, HUBER_ROUNDS = 1.345, 6
TERMS_OF_ORDER = (1, 3, 6)
MOST_NODES = 40
"""Nodes of the common sky along one axis, at most: 1600 unknowns keep the dense solution below a second."""
MOST_SCATTER_SAMPLES = 20_000
NOISE_LAG_PX = 6
MOST_NOISE_PAIRS = 2_000_000
"""Rows are left out beyond about so many pairs a direction: the noise is then known to 0.1 %."""


class SkyPoints(NamedTuple):
    """Sky cells of one sub on the master's grid; four arrays of one size. NaN levels are left out.

    `level` is the sky in electrons per second over the sub's scale, `sigma` its 1 sigma error.
    """

    x: FloatArray
    y: FloatArray
    level: FloatArray
    sigma: FloatArray


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
        trust = HUBER / np.maximum(np.abs(pull), HUBER) if number < HUBER_ROUNDS else _biweight(pull)
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
    points = [_clean_points(i, mesh) for i, mesh in enumerate(meshes)]
    share = np.asarray(weights, np.float64)
    if share.shape != (len(points),):
        raise ValueError(f"weights is {share.shape}, meshes are {len(points)}; allowed: one weight a sub")
    if not points:
        return []
    if not (np.isfinite(share).all() and (share >= 0.0).all() and share.sum() > 0.0):
        raise FoldError("no sub has a weight", seen=f"{share.tolist()}", next_step="keep at least one sub")
    share = share / share.sum()
    frame = _Lattice.around(points)
    say = np.flatnonzero(share > 0.0)
    asked = _asked_orders(order, points)
    voters = [points[i] for i in say]
    solution = _solve_common(voters, asked[say], frame, rounds)
    if order is None and len(say) > 1:
        chosen = _choose_orders(solution, share[say], asked[say], [len(p.x) for p in voters])
        if (chosen != asked[say]).any():
            solution = _solve_common(voters, chosen, frame, rounds)
    coefficients = np.zeros((len(points), 6))
    coefficients[say] = solution.coefficients
    mean = share @ coefficients
    for i in np.flatnonzero(share == 0.0):
        coefficients[i] = _fit_to_common(points[i], int(asked[i]), frame, solution.field, rounds)
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


def _biweight(pull: FloatArray) -> FloatArray:
    """Tukey's weights of residuals in units of their sigma: 1 in the middle, 0 past 4.685."""
    scaled = pull / TUKEY
    result: FloatArray = np.where(np.abs(scaled) < 1.0, (1.0 - scaled**2) ** 2, 0.0)
    return result


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


class _Lattice(NamedTuple):
    """Nodes of the common field, and the unit square that polynomials are written in."""

    x0: float
    y0: float
    step_x: float
    step_y: float
    columns: int
    rows: int
    centre: tuple[float, float]
    radius: tuple[float, float]

    @classmethod
    def around(cls, points: list[SkyPoints]) -> _Lattice:
        """A lattice over all cells, as fine as the cells of the densest sub."""
        x0, x1 = min(float(p.x.min()) for p in points), max(float(p.x.max()) for p in points)
        y0, y1 = min(float(p.y.min()) for p in points), max(float(p.y.max()) for p in points)
        width, height = max(x1 - x0, 1.0), max(y1 - y0, 1.0)
        cells = max(len(p.x) for p in points)
        step = max(float(np.sqrt(width * height / cells)), width / (MOST_NODES - 1), height / (MOST_NODES - 1))
        columns, rows = max(2, round(width / step) + 1), max(2, round(height / step) + 1)
        return cls(
            x0=x0,
            y0=y0,
            step_x=width / (columns - 1),
            step_y=height / (rows - 1),
            columns=columns,
            rows=rows,
            centre=(0.5 * (x0 + x1), 0.5 * (y0 + y1)),
            radius=(0.5 * width, 0.5 * height),
        )

    def interpolation(self, p: SkyPoints) -> sparse.csr_array:
        """Matrix (cells, nodes) of bilinear interpolation."""
        at_x = np.clip((p.x - self.x0) / self.step_x, 0.0, self.columns - 1.0)
        at_y = np.clip((p.y - self.y0) / self.step_y, 0.0, self.rows - 1.0)
        i = np.minimum(at_x.astype(np.int64), self.columns - 2)
        j = np.minimum(at_y.astype(np.int64), self.rows - 2)
        u, v = at_x - i, at_y - j
        node = j * self.columns + i
        index = np.concatenate([node, node + 1, node + self.columns, node + self.columns + 1])
        value = np.concatenate([(1 - u) * (1 - v), u * (1 - v), (1 - u) * v, u * v])
        cell = np.tile(np.arange(len(p.x)), 4)
        return sparse.csr_array((value, (cell, index)), shape=(len(p.x), self.columns * self.rows))

    def terms(self, p: SkyPoints, order: int) -> FloatArray:
        """The polynomial terms 1, u, v, u2, uv, v2 up to `order` at the cells, shape (cells, terms)."""
        u, v = (p.x - self.centre[0]) / self.radius[0], (p.y - self.centre[1]) / self.radius[1]
        all_terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)
        return all_terms[:, : TERMS_OF_ORDER[order]]


class _Solution(NamedTuple):
    field: FloatArray  # (nodes,)
    coefficients: FloatArray  # (subs, 6), zeros past each sub's order
    precision: list[FloatArray]  # inverse covariance of each sub's own terms, scatter of its residuals included


def _clean_points(number: int, mesh: SkyPoints | tuple[FloatArray, FloatArray, FloatArray, FloatArray]) -> SkyPoints:
    """The finite cells, flat; errors made usable."""
    x, y, level, sigma = (np.asarray(a, np.float64).ravel() for a in mesh)
    good = np.isfinite(x) & np.isfinite(y) & np.isfinite(level)
    if not good.any():
        raise FoldError(
            f"sub {number + 1} has no sky to bring to the common level",
            seen=f"{level.size} cells, none finite",
            allowed="at least one",
            next_step="drop it",
        )
    usable = good & np.isfinite(sigma) & (sigma > 0.0)
    typical = float(np.median(sigma[usable])) if usable.any() else 1.0
    sigma = np.where(usable, sigma, typical)
    # A cell that claims to be far better than its neighbours would own the fit.
    return SkyPoints(x[good], y[good], level[good], np.maximum(sigma[good], 0.2 * typical))


def _asked_orders(order: int | Sequence[int] | None, points: list[SkyPoints]) -> IntArray:
    """The order of each sub: as asked, but never more terms than a third of its cells."""
    asked = np.broadcast_to(np.asarray(2 if order is None else order, np.int64), (len(points),)).copy()
    if ((asked < 0) | (asked > 2)).any():
        raise ValueError(f"order is {order}; allowed: 0, 1 or 2")
    for i, p in enumerate(points):
        while asked[i] > 0 and len(p.x) < 3 * TERMS_OF_ORDER[asked[i]]:
            asked[i] -= 1
    return asked


def _solve_common(points: list[SkyPoints], orders: IntArray, frame: _Lattice, rounds: int) -> _Solution:
    """Field and surfaces together, reweighted by Tukey's biweight; the surfaces are eliminated sub by sub."""
    interpolation = sparse.csr_array(sparse.vstack([frame.interpolation(p) for p in points]))
    starts = np.concatenate([[0], np.cumsum([len(p.x) for p in points])])
    cells = [slice(int(a), int(b)) for a, b in pairwise(starts)]
    terms = [frame.terms(p, int(o)) for p, o in zip(points, orders, strict=True)]
    level = np.concatenate([p.level for p in points])
    sigma = np.concatenate([p.sigma for p in points])
    zero = float(np.median(level))
    level -= zero
    trust = np.ones(len(level))
    spread = np.ones(len(points))
    nodes = frame.columns * frame.rows
    field = np.zeros(nodes)
    surfaces: list[FloatArray] = []
    precision: list[FloatArray] = []
    for _ in range(rounds):
        weight = trust / (np.repeat(spread, np.diff(starts)) * sigma) ** 2
        weighted = sparse.csr_array(interpolation.multiply(weight[:, None])).T.tocsr()
        matrix = (weighted @ interpolation).toarray()
        right = weighted @ level
        eliminated: list[tuple[FloatArray, FloatArray, FloatArray]] = []
        roots = []
        precision = []
        for own_cells, t in zip(cells, terms, strict=True):
            own = t.T @ (weight[own_cells, None] * t)
            values, vectors = np.linalg.eigh(own)
            held = values > 1e-12 * values[-1]
            root = vectors[:, held] / np.sqrt(values[held])  # own^-1 = root @ root.T
            cross = np.asarray(weighted[:, own_cells] @ t)
            on_terms = t.T @ (weight[own_cells] * level[own_cells])
            roots.append(cross @ root)
            right -= roots[-1] @ (root.T @ on_terms)
            eliminated.append((root, cross, on_terms))
            precision.append(own)
        all_roots = np.concatenate(roots, axis=1)
        matrix -= all_roots @ all_roots.T
        # The trace that ties down nodes without cells and the polynomial that field and surfaces could exchange.
        matrix[np.diag_indices(nodes)] += 1e-9 * float(np.trace(matrix)) / nodes + np.finfo(float).tiny
        field = np.linalg.solve(matrix, right)
        surfaces = [root @ (root.T @ (on_terms - cross.T @ field)) for root, cross, on_terms in eliminated]
        residual = level - interpolation @ field
        before = trust
        trust = np.ones(len(level))
        for i, (own_cells, t, c) in enumerate(zip(cells, terms, surfaces, strict=True)):
            pull = (residual[own_cells] - t @ c) / sigma[own_cells]
            spread[i] = max(1.0, float(mad_sigma(pull))) if len(pull) >= 6 else 1.0
            own_trust = _biweight(pull / spread[i])
            if own_trust.sum() >= t.shape[1]:
                trust[own_cells] = own_trust
        if np.abs(trust - before).max() < 1e-3:
            break
    coefficients = np.zeros((len(points), 6))
    for i, c in enumerate(surfaces):
        coefficients[i, : len(c)] = c
    return _Solution(field=field + zero, coefficients=coefficients, precision=precision)


def _choose_orders(solution: _Solution, share: FloatArray, asked: IntArray, cells: list[int]) -> IntArray:
    """The lowest order of each sub whose left-out terms are not significant against the mean surface."""
    away = solution.coefficients - share @ solution.coefficients
    chosen = asked.copy()
    for i, count in enumerate(cells):
        for lower in range(int(asked[i])):
            first, last = TERMS_OF_ORDER[lower], TERMS_OF_ORDER[int(asked[i])]
            covariance = np.linalg.pinv(solution.precision[i], hermitian=True)[first:last, first:last]
            left_out = away[i, first:last]
            evidence = float(left_out @ np.linalg.pinv(covariance, hermitian=True) @ left_out)
            if evidence < (last - first) * np.log(max(count, 3)):
                chosen[i] = lower
                break
    return chosen


def _fit_to_common(p: SkyPoints, order: int, frame: _Lattice, field: FloatArray, rounds: int) -> FloatArray:
    """The surface of a sub that had no say, against the field of the others; six coefficients."""
    terms = frame.terms(p, order)
    level = p.level - frame.interpolation(p) @ field
    trust = np.ones(len(level))
    coefficients = np.zeros(terms.shape[1])
    for _ in range(rounds):
        weight = trust / p.sigma**2
        matrix = terms.T @ (weight[:, None] * terms)
        coefficients = np.asarray(np.linalg.pinv(matrix, hermitian=True) @ (terms.T @ (weight * level)), np.float64)
        residual = level - terms @ coefficients
        spread = max(1.0, float(mad_sigma(residual / p.sigma)))
        trust = _biweight(residual / (spread * p.sigma))
    result = np.zeros(6)
    result[: len(coefficients)] = coefficients
    return result
