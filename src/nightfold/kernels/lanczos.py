"""Lanczos-3 weights at exact phases, and where a sub's pixels lie under the grid's. Serves the loops that place subs.

Weights come from polynomials (Chebyshev nodes, error 4e-7), not from tables, so that loops need no gathers.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

LANES = 16
"""Columns of a block."""
CELL = 32
"""Spacing of the lattice that source positions are given on, in grid pixels."""
NOISE_ROWS = 8
"""Rows that share one entry of the noise planes; the columns are those of a block."""
SUPPORT = 3
STEPS_PER_PIXEL = 512
PHASES = 1024

SAFE = {"contract"}


def lanczos(x: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """The Lanczos-3 kernel, not normalised."""
    x = np.asarray(x, np.float64)
    return np.where(np.abs(x) < 3.0, np.sinc(x) * np.sinc(x / 3.0), 0.0)


def exact_weights(t: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Weights of the six taps -2 … 3 at fraction `t`, normalised to sum 1; shape (…, 6)."""
    w = lanczos(np.asarray(t, np.float64)[..., None] - np.arange(-2, 4))
    return w / w.sum(axis=-1, keepdims=True)


def _fit(terms=5):
    """Even and odd polynomials in u = t - 1/2 of the taps (0, -1, -2); taps 1, 2, 3 mirror them. Shape (3, terms) each."""
    u = 0.5 * np.cos(np.pi * (np.arange(400) + 0.5) / 400)
    w = exact_weights(u + 0.5)
    powers = np.vander(u * u, terms, increasing=True)
    even = [np.linalg.lstsq(powers, 0.5 * (w[:, 2 - k] + w[:, 3 + k]), rcond=None)[0] for k in range(3)]
    odd = [np.linalg.lstsq(powers * u[:, None], 0.5 * (w[:, 2 - k] - w[:, 3 + k]), rcond=None)[0] for k in range(3)]
    return np.array(even, np.float32), np.array(odd, np.float32)


def _fit_squares(terms=5):
    """Polynomial in u^2 of the sum of squared weights."""
    u = 0.5 * np.cos(np.pi * (np.arange(400) + 0.5) / 400)
    squares = (exact_weights(u + 0.5) ** 2).sum(axis=-1)
    return np.linalg.lstsq(np.vander(u * u, terms, increasing=True), squares, rcond=None)[0]


EVEN, ODD = _fit()
_E00, _E01, _E02, _E03, _E04 = EVEN[0]
_E10, _E11, _E12, _E13, _E14 = EVEN[1]
_E20, _E21, _E22, _E23, _E24 = EVEN[2]
_O00, _O01, _O02, _O03, _O04 = ODD[0]
_O10, _O11, _O12, _O13, _O14 = ODD[1]
_O20, _O21, _O22, _O23, _O24 = ODD[2]
_S0, _S1, _S2, _S3, _S4 = _fit_squares()
HALF = np.float32(0.5)
KERNEL_TABLE = lanczos(np.arange(3 * STEPS_PER_PIXEL + 2) / STEPS_PER_PIXEL)
"""For kernels widened to a coarser grid, whose number of taps varies."""


@njit(inline="always")
def tap_weights(t):
    """Six weights at fraction `t`, float32."""
    u = t - HALF
    x = u * u
    e0 = (((_E04 * x + _E03) * x + _E02) * x + _E01) * x + _E00
    o0 = ((((_O04 * x + _O03) * x + _O02) * x + _O01) * x + _O00) * u
    e1 = (((_E14 * x + _E13) * x + _E12) * x + _E11) * x + _E10
    o1 = ((((_O14 * x + _O13) * x + _O12) * x + _O11) * x + _O10) * u
    e2 = (((_E24 * x + _E23) * x + _E22) * x + _E21) * x + _E20
    o2 = ((((_O24 * x + _O23) * x + _O22) * x + _O21) * x + _O20) * u
    return e2 + o2, e1 + o1, e0 + o0, e0 - o0, e1 - o1, e2 - o2


@njit(inline="always")
def sum_of_squares(t):
    u = t - 0.5
    x = u * u
    return (((_S4 * x + _S3) * x + _S2) * x + _S1) * x + _S0


@njit(inline="always")
def start_and_step(lattice, y, x):
    """Source position at region pixel (y, x), x a multiple of 16, and its step along the row; float64.

    Positions are bilinear between nodes of `lattice` (rows, columns, 2), whose first node is the region's first pixel's
    cell; y and x count from that node.
    """
    j = y // CELL
    i = x // CELL
    share = (y - j * CELL) / CELL
    left_x = lattice[j, i, 0] + share * (lattice[j + 1, i, 0] - lattice[j, i, 0])
    left_y = lattice[j, i, 1] + share * (lattice[j + 1, i, 1] - lattice[j, i, 1])
    right_x = lattice[j, i + 1, 0] + share * (lattice[j + 1, i + 1, 0] - lattice[j, i + 1, 0])
    right_y = lattice[j, i + 1, 1] + share * (lattice[j + 1, i + 1, 1] - lattice[j, i + 1, 1])
    step_x = (right_x - left_x) / CELL
    step_y = (right_y - left_y) / CELL
    inside = x - i * CELL
    return left_x + inside * step_x, left_y + inside * step_y, step_x, step_y


@njit(inline="always")
def table_weights(position, first, taps, widen, table, weights):
    """Fill the weights of a kernel `widen` times as wide about `position`; their sum becomes 1, the sum of squares is given."""
    total = 0.0
    step = STEPS_PER_PIXEL / widen
    for k in range(taps):
        u = abs(first + k - position) * step
        j = int(u)
        w = 0.0
        if j < 3 * STEPS_PER_PIXEL:
            w = table[j] + (u - j) * (table[j + 1] - table[j])
        weights[k] = w
        total += w
    squares = 0.0
    total = 1.0 / total
    for k in range(taps):
        weights[k] *= total
        squares += weights[k] * weights[k]
    return squares


def phase_table(widen: float) -> npt.NDArray[np.float32]:
    """Weights of Lanczos-3 made `widen` times as wide, normalised, at 1025 fractions from 0 to 1, float32.

    Columns are the ``2 * ceil(3 * widen)`` taps, those after them 0 up to a multiple of 16. Between fractions weights are
    joined linearly, which is good to 1e-6.
    """
    taps = 2 * int(np.ceil(SUPPORT * widen))
    fraction = np.linspace(0.0, 1.0, PHASES + 1)
    weights = lanczos((np.arange(taps) - (taps // 2 - 1) - fraction[:, None]) / widen)
    table = np.zeros((PHASES + 1, -(-taps // LANES) * LANES), np.float32)
    table[:, :taps] = weights / weights.sum(axis=1, keepdims=True)
    return table


@njit(inline="always")
def phase_weights(at, phases, weights):
    j = int(at)
    share = np.float32(at - j)
    low = phases[j]
    high = phases[j + 1]
    for k in range(weights.size):
        weights[k] = low[k] + share * (high[k] - low[k])
