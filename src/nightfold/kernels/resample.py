"""Loops that bring raw pixels of a sub onto the master's grid by Lanczos-3 at exact phases. Serve `fold`.

Output is made in blocks of 16 columns that start at multiples of 16 of the grid, and all arithmetic inside a block starts
from the block, or from a strip that starts at a multiple of 256: a pixel's value does not depend on how the grid is cut
into tiles.

A box of source pixels holds NaN wherever the sub has nothing; every weight, also a weight of 0, carries NaN on: a
sample exists where its whole support of 6x6 pixels does.

All loops take the same: `box`, float32 source pixels from source row box_y, column box_x on, with room of 6 pixels around
what is asked for; source positions; the first pixel (y0, x0) of `out` on the grid, x0 a multiple of 16 as the columns of
`out` are; and the coefficients of 1, x, y, x2, xy, y2 of the surface that is taken off. Source positions come as a
`lattice`, float64 (j, i, 2), of x and y at nodes 32 grid pixels apart, the first of which is at (node_y, node_x).
"""

from __future__ import annotations

import numpy as np
from numba import njit

from nightfold.kernels.lanczos import HALF, LANES, SAFE, phase_weights, start_and_step, tap_weights
from nightfold.kernels.vectors import sample_36

STRIP = 256
"""Columns that `resample_upright` goes down at a time; it starts them at multiples of this."""


@njit(nogil=True, cache=True, error_model="numpy")
def take_surface(line, y, x0, surface):
    """Take the surface off one row of the result, that of grid row y from column x0 on."""
    constant = surface[0] + y * (surface[2] + y * surface[5])
    slope = surface[1] + y * surface[4]
    bend = surface[3]
    if constant == 0.0 and slope == 0.0 and bend == 0.0:
        return
    for i in range(line.size):
        x = np.float64(x0 + i)
        line[i] -= np.float32(constant + x * (slope + x * bend))


@njit(nogil=True, cache=True, error_model="numpy", fastmath=SAFE)
def _across(box, row, left, phase, step, first, end, line):
    """``line[first:end]`` by six taps of a row of `box` from column ``left + i`` on, at fractions ``phase + step * i``."""
    target = line[first:end]
    size = target.size
    source = box[row, left + first : left + end + 5]
    p0 = source[0:size]
    p1 = source[1 : size + 1]
    p2 = source[2 : size + 2]
    p3 = source[3 : size + 3]
    p4 = source[4 : size + 4]
    p5 = source[5 : size + 5]
    for i in range(size):
        w0, w1, w2, w3, w4, w5 = tap_weights(phase + step * np.float32(first + i))
        target[i] = w0 * p0[i] + w1 * p1[i] + w2 * p2[i] + w3 * p3[i] + w4 * p4[i] + w5 * p5[i]


@njit(nogil=True, cache=True, error_model="numpy", fastmath=SAFE)
def _down(lines, row, phase, step, first, end, target):
    """As `_across` with the six taps of a sample in six `lines` from `row` on; `target` starts at `first`."""
    p0 = lines[row, first:end]
    p1 = lines[row + 1, first:end]
    p2 = lines[row + 2, first:end]
    p3 = lines[row + 3, first:end]
    p4 = lines[row + 4, first:end]
    p5 = lines[row + 5, first:end]
    for i in range(target.size):
        w0, w1, w2, w3, w4, w5 = tap_weights(phase + step * np.float32(first + i))
        target[i] = w0 * p0[i] + w1 * p1[i] + w2 * p2[i] + w3 * p3[i] + w4 * p4[i] + w5 * p5[i]


@njit(inline="always")
def _run_end(position, step, first, size):
    """Where, after column `first`, the whole-pixel part of ``position + step * column`` changes; at most `size`."""
    whole = np.floor(position + step * first)
    if np.floor(position + step * (size - 1)) == whole:
        return size
    end = first + 1
    while np.floor(position + step * end) == whole:
        end += 1
    return end


@njit(nogil=True, cache=True, error_model="numpy")
def resample_upright(box, box_y, box_x, affine, y0, x0, surface, out):
    """Fill `out` for subs whose axes run along the grid's to 1e-4: first across, then down, 12 taps instead of 36.

    `affine` (2, 3): source position of grid position (x, y) as ``affine @ (x, y, 1)``. Taps of a sample follow the source's
    rows and, down, the grid's column: over the six rows of the kernel these part by less than a thousandth of a pixel.
    """
    a, b, c = affine[0]
    d, e, f = affine[1]
    rows, columns = out.shape
    slope = b / e
    step_x = a - slope * d
    lines = int(np.ceil(rows * e + STRIP * abs(d))) + 9
    middle = np.empty((lines, STRIP), np.float32)
    x = x0
    while x < x0 + columns:
        strip = x // STRIP * STRIP
        first = x - strip
        size = min(STRIP, x0 + columns - strip)  # from the strip's start
        # Source rows under the strip.
        left = d * strip + f
        right = left + d * (STRIP - 1)
        top = int(np.floor(min(left, right) + e * y0)) - 2
        bottom = int(np.floor(max(left, right) + e * (y0 + rows - 1))) + 4
        for r in range(top, bottom):
            position = (step_x - 1.0) * strip + slope * (r - f) + c  # less the column's own number
            k = first
            while k < size:
                end = _run_end(position, step_x - 1.0, k, size)
                whole = np.floor(position + (step_x - 1.0) * k)
                _across(
                    box,
                    r - box_y,
                    int(whole) + strip - 2 - box_x,
                    np.float32(position - whole),
                    np.float32(step_x - 1.0),
                    k,
                    end,
                    middle[r - top],
                )
                k = end
        for y in range(rows):
            position = left + e * (y0 + y)
            k = first
            while k < size:
                end = _run_end(position, d, k, size)
                whole = np.floor(position + d * k)
                _down(
                    middle,
                    int(whole) - 2 - top,
                    np.float32(position - whole),
                    np.float32(d),
                    k,
                    end,
                    out[y, strip + k - x0 : strip + end - x0],
                )
                k = end
        x = strip + size
    for y in range(rows):
        take_surface(out[y], y0 + y, x0, surface)


@njit(nogil=True, cache=True, error_model="numpy", fastmath=SAFE)
def _blocks(box, row, left, tx, dx, ty, dy, begin, end, line):
    """Blocks `begin` to `end` whose supports lie side by side in `box` from (row, left + 16 b) on.

    Fractions are ``tx[b] + dx[b] * lane`` and ``ty[b] + dy[b] * lane``.
    """
    row0 = box[row]
    row1 = box[row + 1]
    row2 = box[row + 2]
    row3 = box[row + 3]
    row4 = box[row + 4]
    row5 = box[row + 5]
    for b in range(begin, end):
        a = left + b * LANES
        p0 = row0[a : a + LANES + 5]
        p1 = row1[a : a + LANES + 5]
        p2 = row2[a : a + LANES + 5]
        p3 = row3[a : a + LANES + 5]
        p4 = row4[a : a + LANES + 5]
        p5 = row5[a : a + LANES + 5]
        piece = line[b * LANES : b * LANES + LANES]
        start_x = tx[b]
        start_y = ty[b]
        step_x = dx[b]
        step_y = dy[b]
        for i in range(LANES):
            g0, g1, g2, g3, g4, g5 = tap_weights(start_x + step_x * np.float32(i))
            h0, h1, h2, h3, h4, h5 = tap_weights(start_y + step_y * np.float32(i))
            piece[i] = (
                h0 * (g0 * p0[i] + g1 * p0[i + 1] + g2 * p0[i + 2] + g3 * p0[i + 3] + g4 * p0[i + 4] + g5 * p0[i + 5])
                + h1 * (g0 * p1[i] + g1 * p1[i + 1] + g2 * p1[i + 2] + g3 * p1[i + 3] + g4 * p1[i + 4] + g5 * p1[i + 5])
                + h2 * (g0 * p2[i] + g1 * p2[i + 1] + g2 * p2[i + 2] + g3 * p2[i + 3] + g4 * p2[i + 4] + g5 * p2[i + 5])
                + h3 * (g0 * p3[i] + g1 * p3[i + 1] + g2 * p3[i + 2] + g3 * p3[i + 3] + g4 * p3[i + 4] + g5 * p3[i + 5])
                + h4 * (g0 * p4[i] + g1 * p4[i + 1] + g2 * p4[i + 2] + g3 * p4[i + 3] + g4 * p4[i + 4] + g5 * p4[i + 5])
                + h5 * (g0 * p5[i] + g1 * p5[i + 1] + g2 * p5[i + 2] + g3 * p5[i + 3] + g4 * p5[i + 4] + g5 * p5[i + 5])
            )


@njit(nogil=True, cache=True, error_model="numpy", fastmath=SAFE)
def _block_anywhere(pixels, width, sx, sy, dx, dy, at, across, down, line, begin):
    """A block whose samples each find their own 36 pixels; (sx, sy) counts from the first of `pixels`, steps dx, dy.

    `at` (16), `across` (16) and `down` (6, 16) are scratch.
    """
    d0 = down[0]
    d1 = down[1]
    d2 = down[2]
    d3 = down[3]
    d4 = down[4]
    d5 = down[5]
    for i in range(LANES):
        px = sx + dx * i
        py = sy + dy * i
        fx = np.floor(px)
        fy = np.floor(py)
        at[i] = (np.int64(fy) - 2) * width + np.int64(fx) - 2
        across[i] = np.float32(px - fx) - HALF
        d0[i] = np.float32(py - fy)
    for i in range(LANES):
        h0, h1, h2, h3, h4, h5 = tap_weights(d0[i])
        d0[i] = h0
        d1[i] = h1
        d2[i] = h2
        d3[i] = h3
        d4[i] = h4
        d5[i] = h5
    target = line[begin : begin + LANES]
    for i in range(LANES):
        target[i] = sample_36(pixels, at[i], width, across[i], down, i)


@njit(nogil=True, cache=True, error_model="numpy")
def resample_runs(box, box_y, box_x, lattice, node_y, node_x, y0, x0, surface, out):
    """Fill `out` for maps near identity, of any phase.

    Where the whole-pixel part of the source position changes inside a block, that block is made sample by sample.
    """
    rows, columns = out.shape
    blocks = columns // LANES
    start_x = np.empty(blocks, np.float64)
    start_y = np.empty(blocks, np.float64)
    step_x = np.empty(blocks, np.float64)
    step_y = np.empty(blocks, np.float64)
    tx = np.empty(blocks, np.float32)
    dx = np.empty(blocks, np.float32)
    ty = np.empty(blocks, np.float32)
    dy = np.empty(blocks, np.float32)
    whole_x = np.empty(blocks, np.int64)
    whole_y = np.empty(blocks, np.int64)
    in_one = np.empty(blocks, np.bool_)
    pixels = box.reshape(-1)
    at = np.empty(LANES, np.int64)
    across = np.empty(LANES, np.float32)
    down = np.empty((6, LANES), np.float32)
    last = LANES - 1
    for y in range(rows):
        for b in range(blocks):
            sx, sy, ex, ey = start_and_step(lattice, y0 + y - node_y, x0 + b * LANES - node_x)
            start_x[b] = sx
            start_y[b] = sy
            step_x[b] = ex
            step_y[b] = ey
        for b in range(blocks):
            ix = np.floor(start_x[b])
            iy = np.floor(start_y[b])
            tx[b] = np.float32(start_x[b] - ix)
            ty[b] = np.float32(start_y[b] - iy)
            dx[b] = np.float32(step_x[b] - 1.0)
            dy[b] = np.float32(step_y[b])
            in_one[b] = (
                np.floor(start_x[b] + step_x[b] * last) - last == ix and np.floor(start_y[b] + step_y[b] * last) == iy
            )
            whole_x[b] = int(ix)
            whole_y[b] = int(iy)
        line = out[y]
        b = 0
        while b < blocks:
            if in_one[b]:
                end = b + 1
                while (
                    end < blocks
                    and in_one[end]
                    and whole_y[end] == whole_y[b]
                    and whole_x[end] - whole_x[b] == (end - b) * LANES
                ):
                    end += 1
                _blocks(
                    box,
                    whole_y[b] - 2 - box_y,
                    whole_x[b] - 2 - box_x - b * LANES,
                    tx,
                    dx,
                    ty,
                    dy,
                    b,
                    end,
                    line,
                )
                b = end
                continue
            _block_anywhere(
                pixels,
                box.shape[1],
                start_x[b] - box_x,
                start_y[b] - box_y,
                step_x[b],
                step_y[b],
                at,
                across,
                down,
                line,
                b * LANES,
            )
            b += 1
        take_surface(line, y0 + y, x0, surface)


@njit(nogil=True, cache=True, error_model="numpy")
def resample_any(box, box_y, box_x, lattice, node_y, node_x, y0, x0, surface, out):
    """As `resample_runs` for any rotation: each sample finds its own 36 pixels."""
    rows, columns = out.shape
    pixels = box.reshape(-1)
    at = np.empty(LANES, np.int64)
    across = np.empty(LANES, np.float32)
    down = np.empty((6, LANES), np.float32)
    for y in range(rows):
        line = out[y]
        for b in range(columns // LANES):
            sx, sy, dx, dy = start_and_step(lattice, y0 + y - node_y, x0 + b * LANES - node_x)
            _block_anywhere(pixels, box.shape[1], sx - box_x, sy - box_y, dx, dy, at, across, down, line, b * LANES)
        take_surface(line, y0 + y, x0, surface)


@njit(nogil=True, cache=True, error_model="numpy", fastmath=SAFE | {"reassoc"})
def resample_wide(box, box_y, box_x, lattice, node_y, node_x, y0, x0, surface, taps, phases, out):
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
    from_y = y0 - node_y
    from_x = x0 - node_x
    for y in range(rows):
        for b in range(columns // LANES):
            sx, sy, dx, dy = start_and_step(lattice, from_y + y, from_x + b * LANES)
            for i in range(LANES):
                px = sx + dx * i
                py = sy + dy * i
                whole_x = int(np.floor(px))
                whole_y = int(np.floor(py))
                phase_weights((px - whole_x) * steps, phases, across)
                phase_weights((py - whole_y) * steps, phases, along)
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
        take_surface(out[y], y0 + y, x0, surface)
