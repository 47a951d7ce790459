"""Loops that bring raw pixels of a sub onto the master's grid by Lanczos-3 at exact phases. Serves `fold`.

Weights come from polynomials (Chebyshev nodes, error 4e-7), not from tables, so that loops need no gathers. Output is
made in blocks of 16 columns that start at multiples of 16 of the grid, and all arithmetic inside a block starts from
the block: a pixel's value does not depend on how the grid is cut into tiles.

A box of source pixels holds NaN wherever the sub has nothing; every weight, also a weight of 0, carries NaN on: a
sample exists where its whole support of 6x6 pixels does.
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
HARSH_MARGIN = 6
NARROW = np.float32(0.34)
_TAPER = np.array([1.0, 1.0, 0.85, 0.4])
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


_EVEN, _ODD = _fit()
_E00, _E01, _E02, _E03, _E04 = _EVEN[0]
_E10, _E11, _E12, _E13, _E14 = _EVEN[1]
_E20, _E21, _E22, _E23, _E24 = _EVEN[2]
_O00, _O01, _O02, _O03, _O04 = _ODD[0]
_O10, _O11, _O12, _O13, _O14 = _ODD[1]
_O20, _O21, _O22, _O23, _O24 = _ODD[2]
_S0, _S1, _S2, _S3, _S4 = _fit_squares()
_HALF = np.float32(0.5)
KERNEL_TABLE = lanczos(np.arange(3 * STEPS_PER_PIXEL + 2) / STEPS_PER_PIXEL)
"""For kernels widened to a coarser grid, whose number of taps varies."""


@njit(inline="always")
def _weights(t):
    """Six weights at fraction `t`, float32."""
    u = t - _HALF
    x = u * u
    e0 = (((_E04 * x + _E03) * x + _E02) * x + _E01) * x + _E00
    o0 = ((((_O04 * x + _O03) * x + _O02) * x + _O01) * x + _O00) * u
    e1 = (((_E14 * x + _E13) * x + _E12) * x + _E11) * x + _E10
    o1 = ((((_O14 * x + _O13) * x + _O12) * x + _O11) * x + _O10) * u
    e2 = (((_E24 * x + _E23) * x + _E22) * x + _E21) * x + _E20
    o2 = ((((_O24 * x + _O23) * x + _O22) * x + _O21) * x + _O20) * u
    return e2 + o2, e1 + o1, e0 + o0, e0 - o0, e1 - o1, e2 - o2


@njit(inline="always")
def _sum_of_squares(t):
    u = t - 0.5
    x = u * u
    return (((_S4 * x + _S3) * x + _S2) * x + _S1) * x + _S0


@njit(nogil=True, cache=True, error_model="numpy")
def _reverse(values, out):
    """`values` the other way round, in blocks of known size: a running index that falls is not vectorised."""
    size = values.size
    blocks = size // LANES
    for b in range(blocks):
        source = values[b * LANES : b * LANES + LANES]
        target = out[size - LANES * (b + 1) : size - LANES * b]
        for i in range(LANES):
            target[i] = source[LANES - 1 - i]
    for i in range(blocks * LANES, size):
        out[size - 1 - i] = values[i]


@njit(nogil=True, cache=True, error_model="numpy")
def calibrate_box(
    raw, y0, x0, dark, has_dark, pedestal, flat, has_flat, least_flat, factor, flip_x, flip_y, top, left, out
):
    """Fill `out` with (raw - dark) * factor / flat of a piece of a sub, turned over as asked.

    `raw` (rows, columns) starts at row y0, column x0 of the sub; it lands at (top, left) of `out`, whose rest becomes
    NaN. Flats at or below `least_flat` give NaN. Returns how many pixels of the piece have no value.
    """
    empty = 0
    rows, columns = raw.shape
    work = np.empty(columns, np.float32)
    height, width = out.shape
    nan = np.float32(np.nan)
    for r in range(height):
        line = out[r]
        inside = r - top
        if inside < 0 or inside >= rows:
            for i in range(width):
                line[i] = nan
            continue
        source = rows - 1 - inside if flip_y else inside
        for i in range(left):
            line[i] = nan
        for i in range(left + columns, width):
            line[i] = nan
        piece = work if flip_x else line[left : left + columns]
        values = raw[source]
        if has_dark:
            zero = dark[y0 + source, x0 : x0 + columns]
            for i in range(columns):
                piece[i] = (values[i] - zero[i]) * factor
        else:
            for i in range(columns):
                piece[i] = (values[i] - pedestal) * factor
        if has_flat:
            light = flat[y0 + source, x0 : x0 + columns]
            for i in range(columns):
                f = light[i]
                piece[i] = piece[i] / f if f > least_flat else nan
        for i in range(columns):
            empty += 1 if piece[i] != piece[i] else 0
        if flip_x:
            _reverse(piece, line[left : left + columns])
    return empty


@njit(nogil=True, cache=True, error_model="numpy")
def repair_box(box, bad_columns, row_starts, y0, x0, rows, columns, flip_x, flip_y, top, left, empty):
    """Replace known bad pixels, and lone pixels without value, by the mean of their good neighbours.

    Known bad pixels of sub row y are ``bad_columns[row_starts[y] : row_starts[y + 1]]``. The piece of the sub that
    starts at (y0, x0) lies in `box` as `calibrate_box` put it; `empty` of its pixels have no value. Such a pixel needs
    six good neighbours, so that no edge and no corner of a blank area is pushed into it. Repairs are made from what was read,
    never from other repairs.
    """
    height, width = box.shape
    most = row_starts[y0 + rows] - row_starts[y0] + (empty if empty < rows * columns else 0)
    if most == 0:
        return
    where = np.empty((most, 2), np.int64)
    n = 0
    for source in range(rows):
        r = top + (rows - 1 - source if flip_y else source)
        for j in range(row_starts[y0 + source], row_starts[y0 + source + 1]):
            i = bad_columns[j] - x0
            if 0 <= i < columns:
                where[n, 0] = r
                where[n, 1] = left + (columns - 1 - i if flip_x else i)
                n += 1
    known = n
    if 0 < empty < rows * columns:
        for r in range(top, top + rows):
            line = box[r, left : left + columns]
            for i in range(columns):
                if line[i] != line[i]:
                    where[n, 0] = r
                    where[n, 1] = left + i
                    n += 1
    for k in range(known):
        box[where[k, 0], where[k, 1]] = np.nan
    values = np.empty(n, np.float32)
    for k in range(n):
        total = 0.0
        count = 0
        for j in range(max(where[k, 0] - 1, 0), min(where[k, 0] + 2, height)):
            for i in range(max(where[k, 1] - 1, 0), min(where[k, 1] + 2, width)):
                v = box[j, i]
                if v == v:
                    total += v
                    count += 1
        values[k] = total / count if count >= (1 if k < known else 6) else np.nan
    for k in range(known, n):
        box[where[k, 0], where[k, 1]] = values[k]
    for k in range(known):  # last: a known bad pixel may be without value too
        box[where[k, 0], where[k, 1]] = values[k]


@njit(nogil=True, cache=True, error_model="numpy", fastmath=SAFE)
def _lane_block(box, row, column, tx, dx, ty, dy, lanes):
    """16 samples whose support starts at (row, column + lane); fractions tx + dx lane, ty + dy lane."""
    p0 = box[row, column : column + LANES + 5]
    p1 = box[row + 1, column : column + LANES + 5]
    p2 = box[row + 2, column : column + LANES + 5]
    p3 = box[row + 3, column : column + LANES + 5]
    p4 = box[row + 4, column : column + LANES + 5]
    p5 = box[row + 5, column : column + LANES + 5]
    for i in range(LANES):
        g0, g1, g2, g3, g4, g5 = _weights(tx + dx * np.float32(i))
        h0, h1, h2, h3, h4, h5 = _weights(ty + dy * np.float32(i))
        lanes[i] = (
            h0 * (g0 * p0[i] + g1 * p0[i + 1] + g2 * p0[i + 2] + g3 * p0[i + 3] + g4 * p0[i + 4] + g5 * p0[i + 5])
            + h1 * (g0 * p1[i] + g1 * p1[i + 1] + g2 * p1[i + 2] + g3 * p1[i + 3] + g4 * p1[i + 4] + g5 * p1[i + 5])
            + h2 * (g0 * p2[i] + g1 * p2[i + 1] + g2 * p2[i + 2] + g3 * p2[i + 3] + g4 * p2[i + 4] + g5 * p2[i + 5])
            + h3 * (g0 * p3[i] + g1 * p3[i + 1] + g2 * p3[i + 2] + g3 * p3[i + 3] + g4 * p3[i + 4] + g5 * p3[i + 5])
            + h4 * (g0 * p4[i] + g1 * p4[i + 1] + g2 * p4[i + 2] + g3 * p4[i + 3] + g4 * p4[i + 4] + g5 * p4[i + 5])
            + h5 * (g0 * p5[i] + g1 * p5[i + 1] + g2 * p5[i + 2] + g3 * p5[i + 3] + g4 * p5[i + 4] + g5 * p5[i + 5])
        )


@njit(inline="always")
def _start_and_step(lattice, y, x):
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


@njit(nogil=True, cache=True, error_model="numpy")
def resample_runs(box, box_y, box_x, lattice, from_y, from_x, out):
    """Fill `out` (rows, columns; columns a multiple of 16) for maps near identity, of any phase.

    Parameters
    ----------
    box : float32 (h, w)
        Source pixels from source row box_y, column box_x on, with room of 6 pixels around what is asked for.
    lattice : float64 (j, i, 2)
        Source x, y at nodes 32 grid pixels apart.
    from_y, from_x : int
        The first output pixel, counted from the first node; from_x a multiple of 16.

    Notes
    -----
    Where the whole-pixel part of the source position changes inside a block, all 16 lanes are computed for each part
    and the right ones kept: twice the work in the few blocks where that happens, and no scalar tail.
    """
    rows, columns = out.shape
    lanes = np.empty(LANES, np.float32)
    for y in range(rows):
        line = out[y]
        for b in range(columns // LANES):
            x0, y0, dx, dy = _start_and_step(lattice, from_y + y, from_x + b * LANES)
            target = line[b * LANES : b * LANES + LANES]
            done = 0
            while done < LANES:
                ix = int(np.floor(x0 + dx * done)) - done
                iy = int(np.floor(y0 + dy * done))
                end = LANES
                x_last = int(np.floor(x0 + dx * (LANES - 1))) - (LANES - 1)
                y_last = int(np.floor(y0 + dy * (LANES - 1)))
                if x_last != ix or y_last != iy:
                    end = done + 1
                    while end < LANES:
                        if int(np.floor(x0 + dx * end)) - end != ix or int(np.floor(y0 + dy * end)) != iy:
                            break
                        end += 1
                tx = np.float32(x0 - ix)
                ty = np.float32(y0 - iy)
                if done == 0 and end == LANES:
                    _lane_block(
                        box, iy - 2 - box_y, ix - 2 - box_x, tx, np.float32(dx - 1.0), ty, np.float32(dy), target
                    )
                else:
                    _lane_block(
                        box, iy - 2 - box_y, ix - 2 - box_x, tx, np.float32(dx - 1.0), ty, np.float32(dy), lanes
                    )
                    for i in range(done, end):
                        target[i] = lanes[i]
                done = end


@njit(nogil=True, cache=True, error_model="numpy", fastmath=SAFE)
def resample_any(box, box_y, box_x, lattice, from_y, from_x, out):
    """As `resample_runs` for any rotation: each sample finds its own 36 pixels."""
    rows, columns = out.shape
    width = box.shape[1]
    flat = box.reshape(-1)
    for y in range(rows):
        line = out[y]
        for b in range(columns // LANES):
            x0, y0, dx, dy = _start_and_step(lattice, from_y + y, from_x + b * LANES)
            target = line[b * LANES : b * LANES + LANES]
            for i in range(LANES):
                px = x0 + dx * i
                py = y0 + dy * i
                fx = np.floor(px)
                fy = np.floor(py)
                g0, g1, g2, g3, g4, g5 = _weights(np.float32(px - fx))
                h0, h1, h2, h3, h4, h5 = _weights(np.float32(py - fy))
                k = (np.int64(fy) - 2 - box_y) * width + np.int64(fx) - 2 - box_x
                q = flat[k : k + 5 * width + 6]
                s = h0 * (g0 * q[0] + g1 * q[1] + g2 * q[2] + g3 * q[3] + g4 * q[4] + g5 * q[5])
                w = width
                s += h1 * (g0 * q[w] + g1 * q[w + 1] + g2 * q[w + 2] + g3 * q[w + 3] + g4 * q[w + 4] + g5 * q[w + 5])
                w += width
                s += h2 * (g0 * q[w] + g1 * q[w + 1] + g2 * q[w + 2] + g3 * q[w + 3] + g4 * q[w + 4] + g5 * q[w + 5])
                w += width
                s += h3 * (g0 * q[w] + g1 * q[w + 1] + g2 * q[w + 2] + g3 * q[w + 3] + g4 * q[w + 4] + g5 * q[w + 5])
                w += width
                s += h4 * (g0 * q[w] + g1 * q[w + 1] + g2 * q[w + 2] + g3 * q[w + 3] + g4 * q[w + 4] + g5 * q[w + 5])
                w += width
                s += h5 * (g0 * q[w] + g1 * q[w + 1] + g2 * q[w + 2] + g3 * q[w + 3] + g4 * q[w + 4] + g5 * q[w + 5])
                target[i] = s


@njit(inline="always")
def _table_weights(position, first, taps, widen, table, weights):
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
def _phase_weights(at, phases, weights):
    j = int(at)
    share = np.float32(at - j)
    low = phases[j]
    high = phases[j + 1]
    for k in range(weights.size):
        weights[k] = low[k] + share * (high[k] - low[k])


@njit(nogil=True, cache=True, error_model="numpy", fastmath=SAFE | {"reassoc"})
def resample_wide(box, box_y, box_x, lattice, from_y, from_x, taps, phases, out):
    """As `resample_any` onto a coarser grid, with a wider kernel so that nothing aliases.

    `phases` are the weights of `phase_table`, `taps` of each row in use. `box` has room for 16 columns more than the
    kernel needs.
    """
    rows, columns = out.shape
    wide = phases.shape[1]
    steps = phases.shape[0] - 1
    across = np.empty(wide, np.float32)
    along = np.empty(wide, np.float32)
    parts = np.empty(wide, np.float32)
    zero = np.float32(0.0)
    for y in range(rows):
        for b in range(columns // LANES):
            x0, y0, dx, dy = _start_and_step(lattice, from_y + y, from_x + b * LANES)
            for i in range(LANES):
                px = x0 + dx * i
                py = y0 + dy * i
                whole_x = int(np.floor(px))
                whole_y = int(np.floor(py))
                _phase_weights((px - whole_x) * steps, phases, across)
                _phase_weights((py - whole_y) * steps, phases, along)
                left = whole_x - taps // 2 + 1 - box_x
                top = whole_y - taps // 2 + 1 - box_y
                # Rows first, 16 columns side by side, whether taps or not: a single running sum would wait at every tap.
                total = zero
                for g in range(0, wide, LANES):
                    part = parts[g : g + LANES]
                    share_across = across[g : g + LANES]
                    for k in range(LANES):
                        part[k] = zero
                    for j in range(taps):
                        piece = box[top + j, left + g : left + g + LANES]
                        share = along[j]
                        for k in range(LANES):
                            part[k] += share * piece[k]
                    for k in range(LANES):
                        total += share_across[k] * part[k] if g + k < taps else zero
                out[y, b * LANES + i] = total


@njit(nogil=True, cache=True, error_model="numpy")
def noise_entries(
    lattice,
    from_y,
    from_x,
    widen,
    table,
    unit,
    fixed_e2,
    flat,
    has_flat,
    least_flat,
    swap,
    flip_x,
    flip_y,
    shape,
    constant,
    slope,
    squares,
):
    """Noise of a sub for each entry of 8 rows by 16 columns: ``constant + slope * level`` in squared units of the result.

    `from_y`, `from_x` (multiples of 8 and 16, from the first node) are the first entry's first pixel. `unit` turns
    electrons of a raw pixel into the unit of the result, `fixed_e2` is the noise that does not depend on light. The
    sum of squared weights is the mean at eight pixels of the entry, which is exact where the phase hardly changes and
    fair where it does; the flat is that of the entry's centre. `squares` gets the sum of squares alone, NaN for entries
    whose centre the sub, of `shape` (height, width), does not cover.
    """
    rows, columns = constant.shape
    taps = 2 * int(np.ceil(SUPPORT * widen))
    weights = np.empty(taps, np.float64)
    height, width = shape
    for r in range(rows):
        for c in range(columns):
            total = 0.0
            for j in range(2):
                x0, y0, dx, dy = _start_and_step(lattice, from_y + r * NOISE_ROWS + 2 + 3 * j, from_x + c * LANES)
                for i in range(4):
                    px = x0 + dx * (2 + 4 * i)
                    py = y0 + dy * (2 + 4 * i)
                    if widen == 1.0:
                        total += _sum_of_squares(px - np.floor(px)) * _sum_of_squares(py - np.floor(py))
                    else:
                        a = _table_weights(px, int(np.floor(px)) - taps // 2 + 1, taps, widen, table, weights)
                        b = _table_weights(py, int(np.floor(py)) - taps // 2 + 1, taps, widen, table, weights)
                        total += a * b
            total /= 8.0
            x0, y0, dx, dy = _start_and_step(lattice, from_y + r * NOISE_ROWS + NOISE_ROWS // 2, from_x + c * LANES)
            px = x0 + dx * (LANES // 2)
            py = y0 + dy * (LANES // 2)
            if swap:
                px, py = py, px
            if flip_x:
                px = width - 1 - px
            if flip_y:
                py = height - 1 - py
            inside = 0.0 <= px <= width - 1.0 and 0.0 <= py <= height - 1.0
            light = 1.0
            if has_flat:
                seen = flat[min(max(int(py + 0.5), 0), height - 1), min(max(int(px + 0.5), 0), width - 1)]
                light = seen if seen > least_flat else 1.0
            constant[r, c] = np.float32(total * unit * unit * fixed_e2 / (light * light))
            slope[r, c] = np.float32(total * unit / light)
            squares[r, c] = np.float32(total) if inside else np.float32(np.nan)


@njit(nogil=True, cache=True, error_model="numpy")
def subtract_surface(out, y0, x0, coefficients):
    """Take 1, x, y, x2, xy, y2 times `coefficients` off `out`, whose first pixel is (y0, x0) of the grid."""
    rows, columns = out.shape
    for y in range(rows):
        ay = y0 + y
        constant = coefficients[0] + ay * (coefficients[2] + ay * coefficients[5])
        slope = coefficients[1] + ay * coefficients[4]
        line = out[y]
        for b in range(columns // LANES):
            start = x0 + b * LANES
            base32 = np.float32(constant + start * (slope + start * coefficients[3]))
            step32 = np.float32(slope + 2.0 * start * coefficients[3])
            bend32 = np.float32(coefficients[3])
            piece = line[b * LANES : b * LANES + LANES]
            for i in range(LANES):
                piece[i] -= base32 + np.float32(i) * (step32 + np.float32(i) * bend32)


@njit(inline="always")
def _rings(box, r, c, dr, dc, least_drop):
    """True if light is too narrow along an axis for the kernel, and the kernel falls below the sky beside it.

    Too narrow: the two pixels around the brightest pair hold less than 0.34 of it, as in stars of fewer than about 1.9
    pixels' FWHM. Falls below: half-way between pixels, one or two beyond the peak, under the lowest of the four around.
    """
    before = box[r - dr, c - dc]
    after = box[r + dr, c + dc]
    base = min(box[r - 3 * dr, c - 3 * dc], box[r + 3 * dr, c + 3 * dc])
    if after >= before:
        outer = before + box[r + 2 * dr, c + 2 * dc]
        pair = box[r, c] + after
    else:
        outer = after + box[r - 2 * dr, c - 2 * dc]
        pair = box[r, c] + before
    if not outer - 2 * base < NARROW * (pair - 2 * base):
        return False
    w0, w1, w2, w3, w4, w5 = _weights(_HALF)
    for side in (-1, 1):
        for start in (1, 2):
            j = side * dr
            i = side * dc
            y = r + start * j
            x = c + start * i
            v1 = box[y - j, x - i]
            v2 = box[y, x]
            v3 = box[y + j, x + i]
            v4 = box[y + 2 * j, x + 2 * i]
            value = w0 * box[y - 2 * j, x - 2 * i] + w1 * v1 + w2 * v2 + w3 * v3 + w4 * v4
            value += w5 * box[y + 3 * j, x + 3 * i]
            if value < min(min(v1, v2), min(v3, v4)) - least_drop:
                return True
    return False


@njit(nogil=True, cache=True, error_model="numpy")
def find_harsh(box, threshold, least_drop, clipped_from, harsh):
    """List source pixels that the kernel would ring about; how many there are (`harsh` (n, 3) may hold fewer).

    Each as row, column and 1 if it is clipped (at or above `clipped_from`), 0 if it is the peak of light above `threshold`
    too narrow for the kernel, which would dip by `least_drop` beside it: undersampled stars, hot pixels, cosmic rays.
    Pixels within 6 of the box's edge are not looked at.
    """
    height, width = box.shape
    count = 0
    for r in range(HARSH_MARGIN, height - HARSH_MARGIN):
        line = box[r]
        for b in range(HARSH_MARGIN, width - HARSH_MARGIN, 64):
            piece = line[b : min(b + 64, width - HARSH_MARGIN)]
            above = 0
            for i in range(piece.size):
                above += 1 if piece[i] > threshold else 0
            if above == 0:
                continue
            for i in range(piece.size):
                v = piece[i]
                if not v > threshold:
                    continue
                c = b + i
                clipped = v >= clipped_from
                harmful = clipped
                # One of equal neighbours is enough: the first.
                if not clipped and v > line[c - 1] and v >= line[c + 1] and v > box[r - 1, c] and v >= box[r + 1, c]:
                    harmful = _rings(box, r, c, 0, 1, least_drop) or _rings(box, r, c, 1, 0, least_drop)
                if harmful:
                    if count < harsh.shape[0]:
                        harsh[count, 0] = r
                        harsh[count, 1] = c
                        harsh[count, 2] = 1 if clipped else 0
                    count += 1
    return count


@njit(nogil=True, cache=True, error_model="numpy")
def _level_around(box, r, c):
    """Lower quartile of the 24 pixels at distance 3 around (r, c): a neighbouring star does not raise it."""
    values = np.empty(24, np.float32)
    n = 0
    for k in range(-3, 4):
        for side in (-3, 3):
            values[n] = box[r + side, c + k]
            n += 1
            if -3 < k < 3:
                values[n] = box[r + k, c + side]
                n += 1
    for k in range(1, 24):
        v = values[k]
        j = k - 1
        while j >= 0 and values[j] > v:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = v
    return values[6]


@njit(nogil=True, cache=True, error_model="numpy")
def split_peaks(box, harsh, count, where, excess):
    """Take narrow peaks out of `box`, so that what stays is smooth; how many pixels were changed.

    The light of a peak above the level around it, all of it to one pixel's distance and less and less to three, is listed in
    `where` (n, 2) and `excess` (n), n at least 49 times `count`. It goes onto the grid by `add_peaks`. Where two peaks
    reach a pixel, the larger share counts.
    """
    levels = np.empty(count, np.float64)
    for k in range(count):
        levels[k] = _level_around(box, harsh[k, 0], harsh[k, 1])
    n = 0
    for k in range(count):
        if harsh[k, 2] == 1:
            continue
        for j in range(-3, 4):
            for i in range(-3, 4):
                r = harsh[k, 0] + j
                c = harsh[k, 1] + i
                own = _TAPER[abs(j)] * _TAPER[abs(i)] * (box[r, c] - levels[k])
                if not own > 0.0:
                    continue
                largest = True
                for side in (-1, 1):
                    m = k + side
                    while largest and 0 <= m < count and abs(harsh[m, 0] - harsh[k, 0]) <= 6:
                        dr = abs(r - harsh[m, 0])
                        dc = abs(c - harsh[m, 1])
                        if harsh[m, 2] == 0 and dr <= 3 and dc <= 3:
                            other = _TAPER[dr] * _TAPER[dc] * (box[r, c] - levels[m])
                            largest = own > other or (own == other and side == 1)
                        m += side
                if largest:
                    where[n, 0] = r
                    where[n, 1] = c
                    excess[n] = own
                    n += 1
    for k in range(n):
        box[where[k, 0], where[k, 1]] -= excess[k]
    return n


@njit(nogil=True, cache=True, error_model="numpy")
def add_peaks(box_y, box_x, lattice, from_y, from_x, forward, where, excess, count, reach, out):
    """Add the light that `split_peaks` took out by linear weights, which cannot ring and keep the flux of every pixel."""
    rows, columns = out.shape
    for k in range(count):
        sx = where[k, 1] + box_x
        sy = where[k, 0] + box_y
        cx = forward[0, 0] * sx + forward[0, 1] * sy + forward[0, 2]
        cy = forward[1, 0] * sx + forward[1, 1] * sy + forward[1, 2]
        for y in range(max(0, int(np.floor(cy - reach))), min(rows, int(np.ceil(cy + reach)) + 1)):
            for x in range(max(0, int(np.floor(cx - reach))), min(columns, int(np.ceil(cx + reach)) + 1)):
                start = (x // LANES) * LANES
                x0, y0, dx, dy = _start_and_step(lattice, from_y + y, from_x + start)
                along = 1.0 - abs(x0 + dx * (x - start) - sx)
                across = 1.0 - abs(y0 + dy * (x - start) - sy)
                if along > 0.0 and across > 0.0:
                    out[y, x] += np.float32(along * across * excess[k])


@njit(nogil=True, cache=True, error_model="numpy")
def soften(box, box_y, box_x, lattice, from_y, from_x, forward, harsh, count, reach, soft, out):
    """Do the samples whose support holds a clipped pixel again by linear interpolation, which cannot ring.

    `forward` (2, 3) is an affine from source pixels to output pixels, good to `reach` (pixels of the output).
    `soft` (uint8, shape of `out`) is scratch.
    """
    rows, columns = out.shape
    for y in range(rows):
        line = soft[y]
        for x in range(columns):
            line[x] = 0
    for k in range(count):
        if harsh[k, 2] == 0:
            continue
        sx = harsh[k, 1] + box_x
        sy = harsh[k, 0] + box_y
        cx = forward[0, 0] * sx + forward[0, 1] * sy + forward[0, 2]
        cy = forward[1, 0] * sx + forward[1, 1] * sy + forward[1, 2]
        for y in range(max(0, int(np.floor(cy - reach))), min(rows, int(np.ceil(cy + reach)) + 1)):
            for x in range(max(0, int(np.floor(cx - reach))), min(columns, int(np.ceil(cx + reach)) + 1)):
                if soft[y, x] == 0:
                    start = (x // LANES) * LANES
                    x0, y0, dx, dy = _start_and_step(lattice, from_y + y, from_x + start)
                    if abs(x0 + dx * (x - start) - sx) < SUPPORT and abs(y0 + dy * (x - start) - sy) < SUPPORT:
                        soft[y, x] = 1
    for y in range(rows):
        line = soft[y]
        for b in range(columns // LANES):
            any_soft = 0
            for i in range(LANES):
                any_soft += line[b * LANES + i]
            if any_soft == 0:
                continue
            x0, y0, dx, dy = _start_and_step(lattice, from_y + y, from_x + b * LANES)
            for i in range(LANES):
                x = b * LANES + i
                if line[x] == 1 and out[y, x] == out[y, x]:
                    px = x0 + dx * i
                    py = y0 + dy * i
                    jx = int(np.floor(px))
                    jy = int(np.floor(py))
                    tx = px - jx
                    ty = py - jy
                    c = jx - box_x
                    r = jy - box_y
                    upper = box[r, c] + tx * (box[r, c + 1] - box[r, c])
                    lower = box[r + 1, c] + tx * (box[r + 1, c + 1] - box[r + 1, c])
                    out[y, x] = np.float32(upper + ty * (lower - upper))
