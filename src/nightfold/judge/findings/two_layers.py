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

import itertools
from dataclasses import dataclass

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
    N is a bicubic spline on a lattice of one cell (solved block by block along its longer side, then what goes with the camera), held together by a slight penalty on its second differences where nothing else
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
    n, ny, nx = levels.shape
    v, u = np.meshgrid(np.linspace(-1, 1, ny), np.linspace(-1, 1, nx), indexing="ij")
    sky = np.array([float(np.nanmedian(one)) if np.isfinite(one).any() else np.nan for one in levels])
    good = np.isfinite(levels) & np.isfinite(shape) & np.isfinite(place).all(axis=-1)
    good &= (np.isfinite(sky) & np.isfinite(transparency))[:, None, None]
    sub, row, column = np.nonzero(good)
    if sub.size < 12 * n:
        return None
    typical = float(np.nanmedian(sky))
    known = sky[np.isfinite(sky)]
    apart = bool(known.min() > 0 and known.max() > 1.5 * known.min())
    y = levels[good] - sky[sub]
    own = np.stack([np.ones(sub.size), u[row, column] * sky[sub], v[row, column] * sky[sub], shape[row, column], y])
    lattice = Lattice.at(place[good], transparency[sub], place)
    mixing, ours, tilts = _mixing(np.nan_to_num(sky), typical, drift, apart)
    stiffness = lattice.stiffness()
    unknowns = len(stiffness) + mixing.shape[1] - 1
    weight = np.ones(sub.size)
    sigma = _cell_noise(levels)
    for _ in range(ROUNDS):
        picture, cross, border = _normal_equations(lattice, own, sub, n, weight)
        cross, border = cross @ mixing, mixing.T @ border @ mixing
        picture += STIFFNESS * float(np.mean(np.diag(picture))) * stiffness
        border[tilts, tilts] += (sigma / jitter) ** 2
        # Constants and planes of the picture are also those of the subs: a trace of a pull towards none settles which.
        for matrix, last in ((picture, None), (border, -1)):
            pull = np.arange(len(matrix))[:last]
            matrix[pull, pull] += TRACE * np.maximum(matrix[pull, pull], 1e-12)
        try:
            nodes, rest_of_border, inverse = _solve(picture, cross, border, lattice.band, len(ours))
        except np.linalg.LinAlgError:
            return None
        per_sub = (mixing[:, :-1] @ rest_of_border).reshape(n, 5)
        rest = y - np.einsum("ji,ij->i", own[:4], per_sub[sub, :4]) - lattice.value(nodes)
        freedom = max(sub.size - unknowns, 0.2 * sub.size)
        sigma = max(float(mad_sigma(rest)) * float(np.sqrt(sub.size / freedom)), 1e-9)
        weight = biweight(rest / sigma)
    solution = rest_of_border[: len(ours)]
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


def _mixing(
    sky: FloatArray, typical: float, drift: FloatArray, apart: bool
) -> tuple[FloatArray, npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """How the unknowns make up what each sub has of its own five columns (1, u, v, shape, measured), as (5 n, unknowns + 1).

    The unknowns are the amount of the shape (two where the skies differ), each sub's plane, what drifts in common; last comes what
    was measured. Also the places of the amounts, and of the slopes that only jitter makes.
    """
    n, smooth = len(drift), drift.shape[1]
    amounts = [sky / typical] if not apart else [np.ones(n), (sky - typical) / typical]
    first = len(amounts)
    mixing = np.zeros((n, 5, first + 3 * n + 2 * smooth + 1))
    each = np.arange(n)
    for k, amount in enumerate(amounts):
        mixing[:, 3, k] = amount
    for k in range(3):
        mixing[each, k, first + 3 * each + k] = 1.0
    mixing[:, 1, first + 3 * n : first + 3 * n + smooth] = drift
    mixing[:, 2, first + 3 * n + smooth : -1] = drift
    mixing[:, 4, -1] = 1.0
    tilts = first + np.flatnonzero(np.arange(3 * n) % 3)
    return mixing.reshape(5 * n, -1), np.arange(first), tilts


def _normal_equations(
    lattice: Lattice, own: FloatArray, sub: npt.NDArray[np.int64], n: int, weight: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Weighted normal equations of the lattice (nodes, nodes), of it with each sub's own columns (nodes, 5 n), of those (5 n, 5 n)."""
    nodes = lattice.nodes
    weighted = lattice.taps * weight
    at = lattice.first
    reach = int(at.max()) + 1
    picture = np.zeros((nodes, nodes))
    starts = np.unique(at)
    for p, there in enumerate(lattice.steps):
        for q in range(p, len(lattice.steps)):
            block = np.bincount(at, weighted[p] * lattice.taps[q], reach)[starts]
            picture[starts + there, starts + lattice.steps[q]] += block
            if q > p:
                picture[starts + lattice.steps[q], starts + there] += block
    where = ((at + lattice.steps[:, None]) * n + sub).ravel()
    cross = np.empty((nodes, n, 5))
    for k in range(5):
        cross[:, :, k] = np.bincount(where, (weighted * own[k]).ravel(), nodes * n).reshape(nodes, n)
    border = np.zeros((n, 5, n, 5))
    each = np.arange(n)
    for j in range(5):
        for k in range(j, 5):
            border[each, j, each, k] = border[each, k, each, j] = np.bincount(sub, weight * own[j] * own[k], n)
    return picture, cross.reshape(nodes, 5 * n), border.reshape(5 * n, 5 * n)


def _solve(
    picture: FloatArray, cross: FloatArray, border: FloatArray, band: int, ours: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Nodes, border's unknowns, and the covariance of its first `ours` at unit weight; the border's last column is the right side.

    Nodes further apart than `band` do not touch, so that they go one block of rows after the other, and the border last.
    """
    edges = [*range(0, len(picture), band), len(picture)]
    blocks = [slice(a, b) for a, b in itertools.pairwise(edges)]
    schur = border.copy()
    ahead: list[FloatArray] = []
    solved: list[FloatArray] = []
    for k, here in enumerate(blocks):
        inner, right = picture[here, here], cross[here]
        if k:
            link = picture[blocks[k - 1], here]
            inner, right = inner - link.T @ ahead[-1], right - link.T @ solved[-1]
        after = picture[here, blocks[k + 1]] if k + 1 < len(blocks) else np.zeros((len(inner), 0))
        both: FloatArray = np.linalg.solve(inner, np.hstack([after, right])).astype(np.float64, copy=False)
        ahead.append(both[:, : after.shape[1]])
        solved.append(both[:, after.shape[1] :])
        schur -= right.T @ solved[-1]
    right = np.column_stack([schur[:-1, -1], np.eye(len(schur) - 1, ours)])
    rest: FloatArray = np.linalg.solve(schur[:-1, :-1], right).astype(np.float64, copy=False)
    found = rest[:, 0]
    nodes = np.empty(len(picture))
    for k in range(len(blocks) - 1, -1, -1):
        nodes[blocks[k]] = solved[k][:, -1] - solved[k][:, :-1] @ found
        if k + 1 < len(blocks):
            nodes[blocks[k]] -= ahead[k] @ nodes[blocks[k + 1]]
    return nodes, found, rest[:ours, 1:]


def _cell_noise(levels: FloatArray) -> float:
    """1 sigma of a cell, from second differences along rows."""
    step = (levels[:, :, 1:-1] - 0.5 * (levels[:, :, :-2] + levels[:, :, 2:])).ravel()
    step = step[np.isfinite(step)]
    return max(float(mad_sigma(step)) / float(np.sqrt(1.5)), 1e-9) if step.size else 1.0


@dataclass(frozen=True, slots=True)
class Lattice:
    """A bicubic spline on a lattice of one cell, its nodes numbered along the shorter side first, at places."""

    rows: int
    columns: int
    first: npt.NDArray[np.int64]  # (places,) the first of the 16 nodes of each place
    steps: npt.NDArray[np.int64]  # (16,) from it to the others
    taps: FloatArray  # (16, places) times the dimming

    @classmethod
    def at(cls, at: FloatArray, dimming: FloatArray, place: FloatArray) -> Lattice:
        """For places (m, 2) in pixels and what dims each, the mesh's cells lying at `place` (n_subs, ny, nx, 2)."""
        step = float(np.nanmedian(np.hypot(*(place[:, :, 1:] - place[:, :, :-1]).reshape(-1, 2).T)))
        cells = (at - at.min(axis=0)) / max(step, 1e-9)
        if np.ptp(cells[:, 0]) > np.ptp(cells[:, 1]):
            cells = cells[:, ::-1]
        columns, rows = (int(c) for c in np.floor(cells.max(axis=0)).astype(np.int64) + 4)
        base = np.floor(cells).astype(np.int64)
        f = cells - base
        taps = np.stack([(1 - f) ** 3, 3 * f**3 - 6 * f**2 + 4, -3 * f**3 + 3 * f**2 + 3 * f + 1, f**3], axis=-1) / 6.0
        both = (taps[:, 1, :, None] * taps[:, 0, None, :]).reshape(-1, 16)
        steps = (np.arange(4)[:, None] * columns + np.arange(4)).ravel()
        return cls(
            rows, columns, base[:, 1] * columns + base[:, 0], steps, np.ascontiguousarray((both * dimming[:, None]).T)
        )

    @property
    def nodes(self) -> int:
        """How many there are."""
        return self.rows * self.columns

    @property
    def band(self) -> int:
        """Nodes whose numbers differ by more share no place."""
        return 3 * self.columns + 3

    def value(self, nodes: FloatArray) -> FloatArray:
        """The spline at each place, dimmed."""
        return np.asarray(np.einsum("ji,ji->i", self.taps, nodes[self.first + self.steps[:, None]]))

    def stiffness(self) -> FloatArray:
        """Sum of squares of second differences along both axes, as a matrix."""

        def second(count: int) -> FloatArray:
            d = np.diff(np.eye(count), 2, axis=0)
            return np.asarray(d.T @ d)

        return np.asarray(
            np.kron(second(self.rows), np.eye(self.columns)) + np.kron(np.eye(self.rows), second(self.columns))
        )
