"""What stays with the camera told apart from what stays with the sky, from subs that lie differently on it.

The calibrated sky of sub i at place x of the sensor is

    L_i(x) = a_i + b_i · x + m_i S(x) + t_i N(T_i x),

a plane of its own, the flat's shape S = 1/V - 1 in an amount m_i that a calibration left, and the sky's own picture N (nebula, faint
stars), dimmed by t_i and carried by the sub's place on the grid T_i. Dither, flip and turn move N over the sensor and leave S where
it is, so that both come out of one least-squares fit. Where the subs lie alike the two cannot be told apart; the error of the fit
then says so.

A bowl that moves changes by a plane, (x - d)² = x² - 2 d x + d², so planes of their own would hide what dither tells. But the sky's
gradient drifts slowly while dither jumps: the slopes b_i are smooth in time within a night and a side of the pier, but for a
jitter whose size the slopes themselves tell.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from nightfold.judge.findings.misfit import Misfit
from nightfold.robust import biweight, mad_sigma

FloatArray = npt.NDArray[np.float64]

MOST_CELLS = 22
"""Along the longer side: vignetting is smooth, and the fit grows with the square of the cells."""
ROUNDS = 4
LEAST_SUBS = 6
LEAST_JITTER = 1e-4
STIFFNESS = 1e-7
TRACE = 1e-10


FEIGNED = 0.05
"""Of what the sky's picture would feign as a bowl, this may be left in the fit: a lattice does not draw a nebula perfectly (found on
simulated nebulae that fill the field)."""
CORNER_FLOOR, SIGMAS, AGREE_SIGMAS, HINT_SIGMAS = 0.01, 5.0, 3.0, 2.0


@dataclass(frozen=True, slots=True)
class TwoLayers:
    """The amount of the flat's shape that stays with the camera: as a share of the sky, and its 1 sigma.

    `varies` is the part that goes with the sky's brightness, NaN where the skies differ too little to tell it from the constant.
    """

    amount: float
    error: float
    constant_e: float
    constant_error_e: float
    varies: float
    varies_error: float
    subs: int


def camera_corner(alone: Misfit | None, layers: TwoLayers | None, corner_shape: float) -> tuple[float, float] | None:
    """The corners' excess that the camera has, as a share of the sky, with its 1 sigma; None if nothing is sure.

    `alone` takes all of a sky's bowl for the camera's and is sharp; `layers` takes only what did not move with the sky, and is blunt
    where subs lie alike. Either the second is sure by itself, or it bears out the first.
    """
    if layers is None:
        return None
    corner, error = layers.amount * corner_shape, abs(layers.error * corner_shape)
    if alone is not None:
        error = float(np.hypot(error, FEIGNED * (alone.corner - corner)))
    if abs(corner) > max(CORNER_FLOOR, SIGMAS * error):
        return corner, error
    if alone is None or not alone.significant:
        return None
    agree = abs(alone.corner - corner) < AGREE_SIGMAS * error and corner * alone.corner > 0.0
    return (alone.corner, alone.error) if agree and abs(corner) > HINT_SIGMAS * error else None


def fit_two_layers(
    levels_e: FloatArray,
    flat: FloatArray,
    place: FloatArray,
    transparency: FloatArray,
    *,
    start_s: FloatArray,
    stretch: npt.NDArray[np.int64],
) -> TwoLayers | None:
    """The fit of the module's model; None for too few subs or an even flat.

    Parameters
    ----------
    levels_e : (n_subs, ny, nx)
        Sky meshes, electrons; NaN for cells without sky.
    flat : (ny, nx)
        The flat at the same cells, 1 in its middle.
    place : (n_subs, ny, nx, 2)
        Where each cell lies on the grid, pixels.
    transparency : (n_subs,)
        Star-flux ratios: by what the sky's picture is dimmed.
    start_s : (n_subs,)
        When they were taken.
    stretch : (n_subs,)
        Number of the night and side of the pier of each: within one the gradient drifts smoothly.

    Notes
    -----
    N is a bicubic spline on a lattice of one cell, held together by a slight penalty on its second differences where nothing else
    tells. m_i = c + d level_i. Weights by Tukey's biweight; the error is the fit's own, from the scatter that it leaves.
    """
    shape = 1.0 / flat - 1.0
    n = len(levels_e)
    if n < LEAST_SUBS or not np.nanmax(np.abs(shape)) > 0.02:
        return None
    levels, shape, place = _coarser(levels_e, shape, place)
    drift = _drifts(start_s, stretch)
    jitter = _jitter(levels, shape, place, transparency, drift)
    return None if jitter is None else _fit(levels, shape, place, transparency, drift, jitter)


def _drifts(start_s: FloatArray, stretch: npt.NDArray[np.int64]) -> FloatArray:
    """Columns (n_subs, k) of what is smooth in time: a parabola for each stretch, less where it holds few subs."""
    columns = []
    for one in np.unique(stretch):
        mine = stretch == one
        count = int(mine.sum())
        at = start_s[mine] - start_s[mine].mean()
        at = at / max(float(np.abs(at).max()), 1.0)
        for power in range(3 if count >= 8 else 2 if count >= 4 else 1):
            column = np.zeros(len(start_s))
            column[mine] = at**power
            columns.append(column)
    return np.column_stack(columns)


def _jitter(
    levels: FloatArray, shape: FloatArray, place: FloatArray, transparency: FloatArray, drift: FloatArray
) -> float | None:
    """1 sigma of what the gradient does beside its drift, as a share of the sky over half a frame; None for too few subs.

    From planes fitted to differences from the mean sky: less their drift, and less what goes with the place, which is the bowl's.
    """
    n, ny, nx = levels.shape
    v, u = (a.ravel() for a in np.meshgrid(np.linspace(-1, 1, ny), np.linspace(-1, 1, nx), indexing="ij"))
    mean = np.nanmedian(levels / np.nanmedian(levels, axis=(1, 2))[:, None, None], axis=0)
    slopes = np.full((n, 2), np.nan)
    for i, level in enumerate(levels):
        rest = (level / np.nanmedian(level) - mean).ravel()
        good = np.isfinite(rest)
        if good.sum() >= 12:
            slopes[i] = np.linalg.lstsq(
                np.column_stack([np.ones(good.sum()), u[good], v[good]]), rest[good], rcond=None
            )[0][1:]
    middle = place[:, ny // 2, nx // 2]
    design = np.column_stack([drift, (middle - middle.mean(axis=0)) / 100.0])
    good = np.isfinite(slopes).all(axis=1)
    if good.sum() < design.shape[1] + 2:
        return None
    solution = np.linalg.lstsq(design[good], slopes[good], rcond=None)[0]
    rest = slopes[good] - design[good] @ solution
    return float(
        max(1.4826 * np.median(np.abs(rest)) * np.sqrt(len(rest) / (len(rest) - design.shape[1])), LEAST_JITTER)
    )


def _coarser(levels: FloatArray, shape: FloatArray, place: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    step = -(-max(shape.shape) // MOST_CELLS)
    if step == 1:
        return levels, shape, place
    h, w = shape.shape[0] // step * step, shape.shape[1] // step * step

    def blocks(a: FloatArray) -> FloatArray:
        """Means of step x step cells over axes 1 and 2; NaN where one is not known."""
        cut = a[:, :h, :w]
        return np.asarray(cut.reshape(len(a), h // step, step, w // step, step, -1).mean(axis=(2, 4)))

    return blocks(levels)[..., 0], blocks(shape[None])[0, ..., 0], blocks(place)


def _fit(
    levels: FloatArray,
    shape: FloatArray,
    place: FloatArray,
    transparency: FloatArray,
    drift: FloatArray,
    jitter: float,
) -> TwoLayers | None:
    from scipy import linalg, sparse

    n, ny, nx = levels.shape
    v, u = np.meshgrid(np.linspace(-1, 1, ny), np.linspace(-1, 1, nx), indexing="ij")
    sky = np.array([float(np.nanmedian(one)) if np.isfinite(one).any() else np.nan for one in levels])
    good = np.isfinite(levels) & np.isfinite(shape) & np.isfinite(place).all(axis=-1)
    good &= (np.isfinite(sky) & np.isfinite(transparency))[:, None, None]
    sub, row, column = np.nonzero(good)
    if sub.size < 12 * n:
        return None
    typical = float(np.nanmedian(sky))
    y = levels[good] - sky[sub]
    s = shape[row, column]
    splines, lattice = _spline_columns(place[good], transparency[sub], place)
    one = np.arange(sub.size)
    across, up = u[row, column] * sky[sub], v[row, column] * sky[sub]
    planes = sparse.csr_matrix(
        (
            np.concatenate([np.ones(sub.size), across, up]),
            (np.tile(one, 3), np.concatenate([3 * sub, 3 * sub + 1, 3 * sub + 2])),
        ),
        shape=(sub.size, 3 * n),
    )
    smooth = np.hstack([drift[sub] * across[:, None], drift[sub] * up[:, None]])
    known = sky[np.isfinite(sky)]
    apart = bool(known.min() > 0 and known.max() > 1.5 * known.min())
    ours = [s * sky[sub] / typical] if not apart else [s, s * (sky[sub] - typical) / typical]
    design: Any = sparse.hstack(
        [sparse.csr_matrix(np.column_stack(ours)), planes, sparse.csr_matrix(smooth), splines]
    ).tocsr()
    penalty = _stiffness(lattice)
    tilts = len(ours) + np.flatnonzero(np.arange(3 * n) % 3)
    first = len(ours) + 3 * n + smooth.shape[1]
    weight = np.ones(sub.size)
    solution = np.zeros(design.shape[1])
    inverse = np.zeros((len(ours), len(ours)))
    sigma = _cell_noise(levels)
    for _ in range(ROUNDS):
        weighted = design.multiply(weight[:, None]).tocsr()
        normal = np.asarray((design.T @ weighted).todense())
        stiff = STIFFNESS * float(np.mean(np.diag(normal)[first:]))
        normal[first:, first:] += stiff * penalty
        normal[tilts, tilts] += (sigma / jitter) ** 2
        # Constants and planes of the picture are also those of the subs: a trace of a pull towards none settles which.
        normal[np.diag_indices_from(normal)] += TRACE * np.maximum(np.diag(normal), 1e-12)
        try:
            factor = linalg.cho_factor(normal)
        except linalg.LinAlgError:
            return None
        solution = np.asarray(linalg.cho_solve(factor, np.asarray(weighted.T @ y)))
        rest = y - design @ solution
        freedom = max(sub.size - design.shape[1], 0.2 * sub.size)
        sigma = max(float(mad_sigma(rest)) * float(np.sqrt(sub.size / freedom)), 1e-9)
        weight = biweight(rest / sigma)
        unit = np.eye(design.shape[1], len(ours))
        inverse = np.asarray(linalg.cho_solve(factor, unit))[: len(ours)]
    covariance = sigma**2 * inverse
    errors = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    constant = constant_error = varies = varies_error = float("nan")
    if apart:
        # m = first + second (sky - typical)/typical: the second is what goes with the sky, the rest stays when there is none.
        varies, varies_error = float(solution[1]) / typical, float(errors[1]) / typical
        constant = float(solution[0] - solution[1])
        constant_error = float(np.sqrt(max(covariance[0, 0] + covariance[1, 1] - 2.0 * covariance[0, 1], 0.0)))
    return TwoLayers(
        amount=float(solution[0]) / typical,
        error=float(errors[0]) / abs(typical),
        constant_e=constant,
        constant_error_e=constant_error,
        varies=varies,
        varies_error=varies_error,
        subs=n,
    )


def _cell_noise(levels: FloatArray) -> float:
    """1 sigma of a cell, from second differences along rows."""
    step = (levels[:, :, 1:-1] - 0.5 * (levels[:, :, :-2] + levels[:, :, 2:])).ravel()
    step = step[np.isfinite(step)]
    return max(float(mad_sigma(step)) / float(np.sqrt(1.5)), 1e-9) if step.size else 1.0


def _spline_columns(at: FloatArray, dimming: FloatArray, place: FloatArray) -> tuple[Any, tuple[int, int]]:
    """Columns of the bicubic spline at places (m, 2), times the dimming; and the lattice's rows and columns."""
    from scipy import sparse

    step = float(np.nanmedian(np.hypot(*(place[:, :, 1:] - place[:, :, :-1]).reshape(-1, 2).T)))
    low = at.min(axis=0)
    cells = (at - low) / max(step, 1e-9)
    size = np.floor(cells.max(axis=0)).astype(np.int64) + 4
    base = np.floor(cells).astype(np.int64)
    f = cells - base
    taps = np.stack([(1 - f) ** 3, 3 * f**3 - 6 * f**2 + 4, -3 * f**3 + 3 * f**2 + 3 * f + 1, f**3], axis=-1) / 6.0
    rows, columns, values = [], [], []
    for j in range(4):
        for i in range(4):
            rows.append(np.arange(len(at)))
            columns.append((base[:, 1] + j) * size[0] + base[:, 0] + i)
            values.append(taps[:, 1, j] * taps[:, 0, i] * dimming)
    matrix = sparse.csr_matrix(
        (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
        shape=(len(at), int(size[0] * size[1])),
    )
    return matrix, (int(size[1]), int(size[0]))


def _stiffness(lattice: tuple[int, int]) -> FloatArray:
    """Sum of squares of second differences along both axes of a lattice, as a matrix."""
    rows, columns = lattice

    def second(count: int) -> FloatArray:
        d = np.diff(np.eye(count), 2, axis=0)
        return np.asarray(d.T @ d)

    return np.asarray(np.kron(second(rows), np.eye(columns)) + np.kron(np.eye(rows), second(columns)))
