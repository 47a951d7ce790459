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

from nightfold.kernels.lanczos import CELL, LANES, SAFE, phase_weights, start_and_step, tap_weights
from nightfold.kernels.vectors import bare, block_36, crossing_36, samples_36

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
def _positions(lattice, y, x, nodes, start_x, start_y, step_x, step_y):
    """Fill where the blocks of a row begin and how they step; as `start_and_step` of each, from x on.

    `nodes` (2, lattice columns) is scratch.
    """
    j = y // CELL
    share = (y - j * CELL) / CELL
    across = nodes[0]
    down = nodes[1]
    for i in range(across.size):
        across[i] = lattice[j, i, 0] + share * (lattice[j + 1, i, 0] - lattice[j, i, 0])
        down[i] = lattice[j, i, 1] + share * (lattice[j + 1, i, 1] - lattice[j, i, 1])
    for b in range(start_x.size):
        at = x + b * LANES
        i = at // CELL
        inside = at - i * CELL
        dx = (across[i + 1] - across[i]) / CELL
        dy = (down[i + 1] - down[i]) / CELL
        start_x[b] = across[i] + inside * dx
        start_y[b] = down[i] + inside * dy
        step_x[b] = dx
        step_y[b] = dy


@njit(nogil=True, cache=True, error_model="numpy", fastmath=SAFE)
def _places(sx, sy, dx, dy, width, at, across, down):
    """Where 16 samples from (sx, sy) on begin among pixels in rows of `width`, and their fractions."""
    for i in range(LANES):
        px = sx + dx * i
        py = sy + dy * i
        fx = np.floor(px)
        fy = np.floor(py)
        at[i] = (np.int64(fy) - 2) * width + np.int64(fx) - 2
        across[i] = np.float32(px - fx)
        down[i] = np.float32(py - fy)


@njit(nogil=True, cache=True, error_model="numpy")
def resample_runs(box, box_y, box_x, lattice, node_y, node_x, y0, x0, surface, out):
    """Fill `out` for maps near identity, of any phase.

    Where the whole-pixel part of the source's row changes once inside a block, a row more is looked at; where that of the
    column changes, or the row's more than once, the block is made sample by sample.
    """
    box = bare(box)
    lattice = bare(lattice)
    out = bare(out)
    rows, columns = out.shape
    blocks = columns // LANES
    places = np.empty((4, blocks), np.float64)
    start_x = places[0]
    start_y = places[1]
    step_x = places[2]
    step_y = places[3]
    nodes = np.empty((2, lattice.shape[1]), np.float64)
    width = box.shape[1]
    pixels = box.reshape(-1)
    at = np.empty(LANES, np.int64)
    across = np.empty(LANES, np.float32)
    down = np.empty(LANES, np.float32)
    shares = np.empty((6, LANES), np.float32)
    last = LANES - 1
    for y in range(rows):
        _positions(lattice, y0 + y - node_y, x0 - node_x, nodes, start_x, start_y, step_x, step_y)
        line = out[y]
        for b in range(blocks):
            sx = start_x[b]
            sy = start_y[b]
            dx = step_x[b]
            dy = step_y[b]
            left = np.floor(sx)
            top = np.floor(sy)
            bottom = np.floor(sy + dy * last)
            if np.floor(sx + dx * last) - last == left and abs(bottom - top) <= 1.0:
                first = min(top, bottom)
                begin = (np.int64(first) - 2 - box_y) * width + np.int64(left) - 2 - box_x
                tx = np.float32(sx - left)
                ty = np.float32(sy - first)
                if top == bottom:
                    block_36(pixels, begin, width, tx, np.float32(dx - 1.0), ty, np.float32(dy), line, b * LANES)
                else:
                    crossing_36(pixels, begin, width, tx, np.float32(dx - 1.0), ty, np.float32(dy), line, b * LANES)
                continue
            _places(sx - box_x, sy - box_y, dx, dy, width, at, across, down)
            samples_36(pixels, at, width, across, down, shares, line, b * LANES)
        take_surface(line, y0 + y, x0, surface)


@njit(nogil=True, cache=True, error_model="numpy")
def resample_any(box, box_y, box_x, lattice, node_y, node_x, y0, x0, surface, shape, out):
    """As `resample_runs` for any rotation: each sample finds its own 36 pixels.

    `shape` are the rows and columns of the sub; blocks whose supports all leave it on one side are not looked at.
    """
    box = bare(box)
    lattice = bare(lattice)
    out = bare(out)
    rows, columns = out.shape
    blocks = columns // LANES
    places = np.empty((4, blocks), np.float64)
    start_x = places[0]
    start_y = places[1]
    step_x = places[2]
    step_y = places[3]
    nodes = np.empty((2, lattice.shape[1]), np.float64)
    width = box.shape[1]
    pixels = box.reshape(-1)
    at = np.empty(LANES, np.int64)
    across = np.empty(LANES, np.float32)
    down = np.empty(LANES, np.float32)
    shares = np.empty((6, LANES), np.float32)
    last = LANES - 1
    nothing = np.float32(np.nan)
    for y in range(rows):
        _positions(lattice, y0 + y - node_y, x0 - node_x, nodes, start_x, start_y, step_x, step_y)
        line = out[y]
        for b in range(blocks):
            end_x = start_x[b] + step_x[b] * last
            end_y = start_y[b] + step_y[b] * last
            if (
                max(start_x[b], end_x) < 2.0
                or max(start_y[b], end_y) < 2.0
                or min(start_x[b], end_x) >= shape[1] - 3.0
                or min(start_y[b], end_y) >= shape[0] - 3.0
            ):
                for i in range(LANES):
                    line[b * LANES + i] = nothing
                continue
            _places(start_x[b] - box_x, start_y[b] - box_y, step_x[b], step_y[b], width, at, across, down)
            samples_36(pixels, at, width, across, down, shares, line, b * LANES)
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
