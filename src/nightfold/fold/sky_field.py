"""The one sky that all subs of a filter share, solved together with a low-order surface of each sub's own.

The common field is free at every node of a lattice; the surfaces are eliminated sub by sub, which leaves one dense
system of the nodes, whatever the number of subs. Serves `normalise.solve_skies`.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from nightfold.errors import FoldError
from nightfold.robust import biweight, mad_sigma

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

TERMS_OF_ORDER = (1, 3, 6)
MOST_NODES = 40
"""Nodes of the common sky along one axis, at most: 1600 unknowns keep the dense solution below a second."""


class SkyPoints(NamedTuple):
    """Sky cells of one sub on the master's grid; four arrays of one size. NaN levels are left out.

    `level` is the sky in electrons per second over the sub's scale, `sigma` its 1 sigma error.
    """

    x: FloatArray
    y: FloatArray
    level: FloatArray
    sigma: FloatArray


class Joints(NamedTuple):
    """A matrix (cells, nodes) of bilinear interpolation: the share of four nodes in each cell.

    `first` (cells,) is the first of them, the others lie `steps` after it; `share` is (4, cells).
    """

    first: IntArray
    share: FloatArray
    steps: tuple[int, int, int, int]
    nodes: int

    def of(self, field: FloatArray) -> FloatArray:
        """The field (nodes,) at the cells."""
        return np.asarray(sum(own * field[self.first + step] for own, step in zip(self.share, self.steps, strict=True)))

    def squares(self, weight: FloatArray) -> FloatArray:
        """The matrix's transpose times `weight` (cells,) times the matrix: (nodes, nodes), which the lattice makes banded."""
        result = np.zeros((self.nodes, self.nodes))
        flat = result.reshape(-1)
        for a in range(4):
            weighted = weight * self.share[a]
            for b in range(4):
                band = np.bincount(self.first, weighted * self.share[b], self.nodes)[: self.nodes - self.steps[3]]
                start = self.steps[a] * self.nodes + self.steps[b]
                flat[start :: self.nodes + 1][: band.size] += band
        return result

    def sums(self, values: FloatArray, group: IntArray, groups: int) -> FloatArray:
        """The matrix's transpose times `values` (cells,), for each `group` of cells by itself: (groups, nodes)."""
        result = np.zeros(groups * self.nodes)
        for own, step in zip(self.share, self.steps, strict=True):
            result += np.bincount(group * self.nodes + self.first + step, own * values, result.size)
        return result.reshape(groups, self.nodes)


class Lattice(NamedTuple):
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
    def around(cls, points: list[SkyPoints]) -> Lattice:
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

    def joints(self, p: SkyPoints) -> Joints:
        """How the nodes join bilinearly at the cells."""
        at_x = np.clip((p.x - self.x0) / self.step_x, 0.0, self.columns - 1.0)
        at_y = np.clip((p.y - self.y0) / self.step_y, 0.0, self.rows - 1.0)
        i = np.minimum(at_x.astype(np.int64), self.columns - 2)
        j = np.minimum(at_y.astype(np.int64), self.rows - 2)
        u, v = at_x - i, at_y - j
        share = np.stack([(1 - u) * (1 - v), u * (1 - v), (1 - u) * v, u * v])
        return Joints(j * self.columns + i, share, (0, 1, self.columns, self.columns + 1), self.columns * self.rows)

    def terms(self, p: SkyPoints, order: int) -> FloatArray:
        """The polynomial terms 1, u, v, u2, uv, v2 up to `order` at the cells, shape (cells, terms)."""
        u, v = (p.x - self.centre[0]) / self.radius[0], (p.y - self.centre[1]) / self.radius[1]
        all_terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)
        return all_terms[:, : TERMS_OF_ORDER[order]]


class Solution(NamedTuple):
    field: FloatArray  # (nodes,)
    coefficients: FloatArray  # (subs, 6), zeros past each sub's order
    precision: list[FloatArray]  # inverse covariance of each sub's own terms, scatter of its residuals included


def clean_points(number: int, mesh: SkyPoints | tuple[FloatArray, FloatArray, FloatArray, FloatArray]) -> SkyPoints:
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


def asked_orders(order: int | Sequence[int] | None, points: list[SkyPoints]) -> IntArray:
    """The order of each sub: as asked, but never more terms than a third of its cells."""
    asked = np.broadcast_to(np.asarray(2 if order is None else order, np.int64), (len(points),)).copy()
    if ((asked < 0) | (asked > 2)).any():
        raise ValueError(f"order is {order}; allowed: 0, 1 or 2")
    for i, p in enumerate(points):
        while asked[i] > 0 and len(p.x) < 3 * TERMS_OF_ORDER[asked[i]]:
            asked[i] -= 1
    return asked


def solve_common(points: list[SkyPoints], orders: IntArray, frame: Lattice, rounds: int) -> Solution:
    """Field and surfaces together, reweighted by Tukey's biweight; the surfaces are eliminated sub by sub."""
    own_joints = [frame.joints(p) for p in points]
    joints = own_joints[0]._replace(
        first=np.concatenate([j.first for j in own_joints]), share=np.concatenate([j.share for j in own_joints], axis=1)
    )
    starts = np.concatenate([[0], np.cumsum([len(p.x) for p in points])])
    cells = [slice(int(a), int(b)) for a, b in pairwise(starts)]
    terms = [frame.terms(p, int(o)) for p, o in zip(points, orders, strict=True)]
    most_terms = np.zeros((int(starts[-1]), max(t.shape[1] for t in terms)))
    for own_cells, t in zip(cells, terms, strict=True):
        most_terms[own_cells, : t.shape[1]] = t
    group = np.repeat(np.arange(len(points)), np.diff(starts))
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
        matrix = joints.squares(weight)
        right = joints.sums(weight * level, np.zeros_like(group), 1)[0]
        crosses = np.stack([joints.sums(weight * t, group, len(points)) for t in most_terms.T], axis=2)
        eliminated: list[tuple[FloatArray, FloatArray, FloatArray]] = []
        roots = []
        precision = []
        for own_cells, t, all_crosses in zip(cells, terms, crosses, strict=True):
            own = t.T @ (weight[own_cells, None] * t)
            values, vectors = np.linalg.eigh(own)
            held = values > 1e-12 * values[-1]
            root = vectors[:, held] / np.sqrt(values[held])  # own^-1 = root @ root.T
            cross = np.ascontiguousarray(all_crosses[:, : t.shape[1]])
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
        residual = level - joints.of(field)
        before = trust
        trust = np.ones(len(level))
        for i, (own_cells, t, c) in enumerate(zip(cells, terms, surfaces, strict=True)):
            pull = (residual[own_cells] - t @ c) / sigma[own_cells]
            spread[i] = max(1.0, float(mad_sigma(pull))) if len(pull) >= 6 else 1.0
            own_trust = biweight(pull / spread[i])
            if own_trust.sum() >= t.shape[1]:
                trust[own_cells] = own_trust
        if np.abs(trust - before).max() < 1e-3:
            break
    coefficients = np.zeros((len(points), 6))
    for i, c in enumerate(surfaces):
        coefficients[i, : len(c)] = c
    return Solution(field=field + zero, coefficients=coefficients, precision=precision)


def choose_orders(solution: Solution, share: FloatArray, asked: IntArray, cells: list[int]) -> IntArray:
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


def fit_to_common(p: SkyPoints, order: int, frame: Lattice, field: FloatArray, rounds: int) -> FloatArray:
    """The surface of a sub that had no say, against the field of the others; six coefficients."""
    terms = frame.terms(p, order)
    level = p.level - frame.joints(p).of(field)
    trust = np.ones(len(level))
    coefficients = np.zeros(terms.shape[1])
    for _ in range(rounds):
        weight = trust / p.sigma**2
        matrix = terms.T @ (weight[:, None] * terms)
        coefficients = np.asarray(np.linalg.pinv(matrix, hermitian=True) @ (terms.T @ (weight * level)), np.float64)
        residual = level - terms @ coefficients
        spread = max(1.0, float(mad_sigma(residual / p.sigma)))
        trust = biweight(residual / (spread * p.sigma))
    result = np.zeros(6)
    result[: len(coefficients)] = coefficients
    return result
