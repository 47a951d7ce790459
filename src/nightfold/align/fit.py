"""Weighted least squares of a transform to matched stars, growing the model only where the residuals ask for it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.align.chance import f_tail
from nightfold.align.records import Transform, polynomial_terms
from nightfold.robust import median

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

FLOOR_PX = 0.003
"""Pixel-phase errors of centroids that no photon count shows; keeps single bright stars from ruling the fit."""
SIGNIFICANCE = 1e-4
"""An F-test must reach this before the model grows: one needless growth in ten thousand fits."""
LEAST_STARS = {"similarity": 3, "affine": 12, "cubic": 60}
CLIP_SIGMA = 4.0


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted transform with its evidence. `used` marks the pairs that were not clipped."""

    transform: Transform
    used: BoolArray
    chi2: float
    parameters: int
    residual_rms_px: float
    error_px: float
    model: str


def fit_transform(
    source: FloatArray,
    target: FloatArray,
    sigma: FloatArray,
    *,
    shape: tuple[int, int],
    mirror: bool,
    within: tuple[float, float, float, float] | None = None,
    rounds: int = 8,
) -> Fit:
    """The simplest of similarity, affine and cubic that the pairs do not contradict.

    Parameters
    ----------
    source, target : (n, 2) float64
        Matched positions in the sub and on the grid, n >= 3.
    sigma : (n,) float64
        Combined 1 sigma position error per axis of each pair, px.
    shape : (int, int)
        Height and width of the sub.
    within : (x0, y0, x1, y1), optional
        Part of the grid that the other frame covers: the transform's error is told over the area that both share.
    mirror : bool
        True if the map turns handedness over (only the similarity needs to be told).

    Notes
    -----
    Pairs beyond 4 sigma are clipped, sigma being scaled by the residuals' own spread where that is larger, and each
    model is weighed against the simpler one by an F-test on the weighted residuals of the pairs that both use. It must
    also change the map by more than twice its own error, or it would trade a small bias for a larger scatter.
    """
    weight = 1.0 / (sigma**2 + FLOOR_PX**2)
    centre = (0.5 * (shape[1] - 1), 0.5 * (shape[0] - 1))
    radius = 0.5 * float(np.hypot(*shape))
    area = _shared_lattice(source, target, shape, mirror, within)
    best = _solve("similarity", source, target, weight, centre, radius, mirror, area, rounds)
    for model in ("affine", "cubic"):
        if best.used.sum() < LEAST_STARS[model] or (model == "cubic" and not _covers(source[best.used], shape)):
            break
        richer = _solve(model, source, target, weight, centre, radius, mirror, area, rounds)
        if not _is_asked_for(best, richer, source, target, weight, area):
            # A cubic can be needed where an affine alone does not help; an affine first is only cheaper.
            if model == "affine":
                continue
            break
        best = richer
    return best


def _covers(points: FloatArray, shape: tuple[int, int]) -> bool:
    """True if stars stand in at least 12 of 16 parts of the frame, so that a cubic is not let loose in a void."""
    i = np.clip((points[:, 0] * 4 / shape[1]).astype(int), 0, 3)
    j = np.clip((points[:, 1] * 4 / shape[0]).astype(int), 0, 3)
    return len(np.unique(4 * j + i)) >= 12


def _is_asked_for(
    simple: Fit, rich: Fit, source: FloatArray, target: FloatArray, weight: FloatArray, area: FloatArray
) -> bool:
    both = rich.used
    free = 2 * int(both.sum()) - rich.parameters
    if free < 8:
        return False
    change = rich.transform.apply(area) - simple.transform.apply(area)
    if np.sqrt((change**2).mean(axis=0)).max() < 2.0 * rich.error_px:
        return False
    chi2_simple = _chi2(simple.transform, source[both], target[both], weight[both])
    chi2_rich = _chi2(rich.transform, source[both], target[both], weight[both])
    if chi2_rich <= 0:
        return False
    extra = rich.parameters - simple.parameters
    f = (chi2_simple - chi2_rich) / extra / (chi2_rich / free)
    return bool(f > 0 and f_tail(extra, free, f) < SIGNIFICANCE)


def _chi2(transform: Transform, source: FloatArray, target: FloatArray, weight: FloatArray) -> float:
    return float((weight[:, None] * (transform.apply(source) - target) ** 2).sum())


def _terms(model: str, xy: FloatArray, centre: tuple[float, float], radius: float) -> FloatArray:
    """The terms of an affine or cubic, (n, k), over centred and scaled coordinates; both axes share them."""
    u = (xy[:, 0] - centre[0]) / radius
    v = (xy[:, 1] - centre[1]) / radius
    linear = np.stack([u, v, np.ones(len(xy))], axis=-1)
    return np.concatenate([linear, polynomial_terms(u, v)], axis=1) if model == "cubic" else linear


def _similarity_design(xy: FloatArray, centre: tuple[float, float], radius: float, mirror: bool) -> FloatArray:
    """Rows for both axes, interleaved x then y, (2 n, 4)."""
    u = (xy[:, 0] - centre[0]) / radius
    v = (xy[:, 1] - centre[1]) / radius
    s = -1.0 if mirror else 1.0
    rows = np.zeros((len(xy), 2, 4))
    rows[:, 0, 0], rows[:, 0, 1], rows[:, 0, 2] = u, -s * v, 1.0
    rows[:, 1, 0], rows[:, 1, 1], rows[:, 1, 3] = s * v, u, 1.0
    return rows.reshape(-1, 4)


def _solve(
    model: str,
    source: FloatArray,
    target: FloatArray,
    weight: FloatArray,
    centre: tuple[float, float],
    radius: float,
    mirror: bool,
    area: FloatArray,
    rounds: int,
) -> Fit:
    alike = model == "similarity"  # the only model whose axes share their coefficients
    design = _similarity_design(source, centre, radius, mirror) if alike else _terms(model, source, centre, radius)
    k = 4 if alike else 2 * design.shape[1]
    aim = target.reshape(-1, 1) if alike else target
    root = np.sqrt(weight)
    used = np.ones(len(source), bool)
    spread = 1.0
    coefficients, inverse, residual = np.zeros((0, 0)), np.zeros((0, 0)), np.zeros_like(target)
    for _ in range(rounds):
        coefficients, inverse = _normal_equations(design, aim, weight, used)
        residual = (aim - design @ coefficients).reshape(-1, 2)
        pull = root * np.hypot(residual[:, 0], residual[:, 1]) / np.sqrt(2.0)
        # Median of the Rayleigh-distributed pull is 1.1774 sigma for two axes: the robust scale of the residuals.
        spread = max(1.0, median(pull[used]) * np.sqrt(2.0) / 1.17741)
        fresh = pull * np.sqrt(2.0) < CLIP_SIGMA * spread
        if fresh.sum() < max(LEAST_STARS["similarity"], (k + 1) // 2 + 1) or np.array_equal(fresh, used):
            break
        used = fresh
    else:
        inverse = _normal_equations(design, aim, weight, used)[1]
    rows = _similarity_design(area, centre, radius, mirror) if alike else _terms(model, area, centre, radius)
    error = _worst_error(rows, inverse * spread**2)
    w = weight[used]
    chi2 = float((w[:, None] * residual[used] ** 2).sum())
    rms = float(np.sqrt(chi2 / (2.0 * w.sum())))
    transform = _as_transform(model, coefficients.T.reshape(-1), centre, radius, mirror)
    return Fit(transform, used, chi2, k, rms, error, model)


def _normal_equations(
    design: FloatArray, aim: FloatArray, weight: FloatArray, used: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Coefficients for each column of `aim`, and their covariance at unit weight.

    The coordinates are centred and scaled, so the normal equations of the cubic are conditioned better than 1e7 and lose
    nothing that matters against the orthogonal solution, at a tenth of its cost.
    """
    masked = np.where(used, weight, 0.0)
    if len(design) != len(masked):  # a row for each axis
        masked = np.repeat(masked, 2)
    weighted = (design * masked[:, None]).T
    inverse = np.asarray(np.linalg.pinv(weighted @ design, hermitian=True), np.float64)
    return np.asarray(inverse @ (weighted @ aim)), inverse


def _shared_lattice(
    source: FloatArray,
    target: FloatArray,
    shape: tuple[int, int],
    mirror: bool,
    within: tuple[float, float, float, float] | None,
) -> FloatArray:
    """Points of the sub that lie where the other frame is, by a first rough map; the whole sub where that is not known."""
    x, y = np.meshgrid(np.linspace(0, shape[1] - 1, 17), np.linspace(0, shape[0] - 1, 17))
    xy = np.column_stack([x.ravel(), y.ravel()])
    if within is None:
        return xy
    design = _similarity_design(source, (0.0, 0.0), 1.0, mirror)
    rough = np.asarray(np.linalg.lstsq(design, target.reshape(-1), rcond=None)[0], np.float64)
    there = _as_transform("similarity", rough, (0.0, 0.0), 1.0, mirror).apply(xy)
    inside = (there >= np.array(within[:2])).all(axis=1) & (there <= np.array(within[2:])).all(axis=1)
    return xy[inside] if inside.sum() >= 4 else source


def _worst_error(rows: FloatArray, covariance: FloatArray) -> float:
    """Largest 1 sigma of a mapped position per axis, of the points whose rows of the design these are."""
    variance = ((rows @ covariance) * rows).sum(axis=1)
    return float(np.sqrt(max(variance.max(), 0.0)))


def _as_transform(model: str, c: FloatArray, centre: tuple[float, float], radius: float, mirror: bool) -> Transform:
    """Coefficients over scaled coordinates as a transform over pixels."""
    if model == "similarity":
        s = -1.0 if mirror else 1.0
        linear = np.array([[c[0], -s * c[1]], [c[1], s * c[0]]])
        shift = c[2:4]
        distortion = None
    else:
        k = len(c) // 2
        linear = np.array([[c[0], c[1]], [c[k], c[k + 1]]])
        shift = np.array([c[2], c[k + 2]])
        distortion = np.vstack([c[3:k], c[k + 3 :]]) if model == "cubic" else None
    linear = linear / radius
    offset = shift - linear @ np.array(centre)
    return Transform(matrix=np.column_stack([linear, offset]), distortion=distortion, centre=centre, radius=radius)


def best_affine(transform: Transform, shape: tuple[int, int]) -> FloatArray:
    """The affine (2, 3) nearest to a transform over a frame of `shape`, least squares on a lattice of its pixels."""
    if transform.distortion is None:
        return transform.matrix
    x, y = np.meshgrid(np.linspace(0, shape[1] - 1, 33), np.linspace(0, shape[0] - 1, 33))
    xy = np.column_stack([x.ravel(), y.ravel()])
    design = np.column_stack([xy, np.ones(len(xy))])
    return np.asarray(np.linalg.lstsq(design, transform.apply(xy), rcond=None)[0].T)


def compose(outer: Transform, inner: Transform, shape: tuple[int, int]) -> Transform:
    """The map ``outer(inner(p))`` over a frame of `shape`; exact for affine maps, else a cubic to about 1e-3 px."""
    if outer.distortion is None and inner.distortion is None:
        linear = outer.matrix[:, :2] @ inner.matrix[:, :2]
        shift = outer.matrix[:, :2] @ inner.matrix[:, 2] + outer.matrix[:, 2]
        return Transform(matrix=np.column_stack([linear, shift]))
    x, y = np.meshgrid(np.linspace(0, shape[1] - 1, 25), np.linspace(0, shape[0] - 1, 25))
    xy = np.column_stack([x.ravel(), y.ravel()])
    centre = (0.5 * (shape[1] - 1), 0.5 * (shape[0] - 1))
    radius = 0.5 * float(np.hypot(*shape))
    design = _terms("cubic", xy, centre, radius)
    solution = np.asarray(np.linalg.lstsq(design, outer.apply(inner.apply(xy)), rcond=None)[0], np.float64)
    return _as_transform("cubic", solution.T.reshape(-1), centre, radius, mirror=False)


def shared_area(transform: Transform, shape: tuple[int, int], grid_shape: tuple[int, int]) -> float:
    """Share of the grid's area that the frame covers, 0 to 1, from a lattice of grid points."""
    x, y = np.meshgrid(np.linspace(0, grid_shape[1] - 1, 41), np.linspace(0, grid_shape[0] - 1, 41))
    xy = transform.invert(np.column_stack([x.ravel(), y.ravel()]))
    inside = (xy >= 0).all(axis=1) & (xy[:, 0] <= shape[1] - 1) & (xy[:, 1] <= shape[0] - 1)
    return float(inside.mean())


def pooled_distortion(
    pairs: list[tuple[FloatArray, FloatArray, FloatArray]], transforms: list[Transform], shape: tuple[int, int]
) -> list[Transform] | None:
    """Transforms that share one third-order distortion of the sub's camera, or None where the residuals do not ask for it.

    A single sub of few stars cannot tell its optics' distortion from chance; all subs of a rig together can, because it stays
    at the same pixels however the field turns.

    Parameters
    ----------
    pairs : list of (source (n, 2), target (n, 2), sigma (n,))
        Matched stars of each sub.
    transforms : list of Transform
        Affine transforms fitted to them.
    shape : (int, int)
        Height and width of the subs.

    Notes
    -----
    Model: target = A_i (x + D(u, v)) + b_i with one D for all. Residuals are taken back into the sub's pixels, D is fitted
    with the linear terms beside it (those belong to each A_i), then every A_i and b_i is fitted again.
    """
    if any(t.distortion is not None for t in transforms):
        return None
    centre = (0.5 * (shape[1] - 1), 0.5 * (shape[0] - 1))
    radius = 0.5 * float(np.hypot(*shape))
    rows, residuals, weights = [], [], []
    for (source, target, sigma), t in zip(pairs, transforms):
        back = np.linalg.inv(t.matrix[:, :2])
        rows.append(source)
        residuals.append((target - t.apply(source)) @ back.T)
        weights.append(1.0 / (sigma**2 + FLOOR_PX**2))
    xy, residual, weight = np.vstack(rows), np.vstack(residuals), np.concatenate(weights)
    good = np.hypot(residual[:, 0], residual[:, 1]) * np.sqrt(weight) < 2.0 * CLIP_SIGMA
    xy, residual, weight = xy[good], residual[good], weight[good]
    if len(xy) < 10 * LEAST_STARS["cubic"] or not _covers(xy, shape):
        return None
    u, v = (xy[:, 0] - centre[0]) / radius, (xy[:, 1] - centre[1]) / radius
    design = np.column_stack([np.ones(len(xy)), u, v, polynomial_terms(u, v)])
    root = np.sqrt(weight)[:, None]
    solution = np.asarray(np.linalg.lstsq(design * root, residual * root, rcond=None)[0], np.float64)
    plain = np.asarray(np.linalg.lstsq(design[:, :3] * root, residual * root, rcond=None)[0], np.float64)
    before = float(((residual - design[:, :3] @ plain) ** 2 * weight[:, None]).sum())
    after = float(((residual - design @ solution) ** 2 * weight[:, None]).sum())
    free = 2 * len(xy) - 20
    f = (before - after) / 14.0 / (after / free) if after > 0 else np.inf
    if not f_tail(14, free, f) < SIGNIFICANCE:
        return None
    distortion = solution[3:].T
    result = []
    for (source, target, sigma), t in zip(pairs, transforms):
        su, sv = (source[:, 0] - centre[0]) / radius, (source[:, 1] - centre[1]) / radius
        straight = source + polynomial_terms(su, sv) @ distortion.T
        fit = fit_transform(straight, target, sigma, shape=shape, mirror=t.mirrored)
        linear = fit.transform.matrix
        if fit.transform.distortion is not None:
            return None
        result.append(Transform(matrix=linear, distortion=linear[:, :2] @ distortion, centre=centre, radius=radius))
    return result
