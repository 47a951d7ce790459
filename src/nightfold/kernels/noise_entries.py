"""The loop that tells the noise of a placed sub, one entry for 8 rows by 16 columns. Serves `fold`."""

from __future__ import annotations

import numpy as np
from numba import njit

from nightfold.kernels.lanczos import LANES, NOISE_ROWS, SUPPORT, start_and_step, sum_of_squares, table_weights
from nightfold.kernels.raw_box import value_of

FEW_PHASES = 0.3
"""Where the phase changes by less than this over 16 columns, two pixels tell the mean over an entry."""

FAR_PX = 24.0
"""An entry whose centre lies this far outside the sub holds none of its samples."""


@njit(nogil=True, cache=True, error_model="numpy")
def noise_entries(
    lattice,
    node_y,
    node_x,
    first_y,
    first_x,
    widen,
    table,
    unit,
    fixed_e2,
    factor,
    sky,
    flat,
    has_flat,
    turned,
    least_flat,
    swap,
    flip_x,
    flip_y,
    shape,
    constant,
    slope,
    surface,
    squares,
):
    """Noise of a sub for each entry of 8 rows by 16 columns: ``constant + slope * level`` in squared units of the result.

    `first_y`, `first_x` (multiples of 8 and 16) are the first entry's first pixel on the grid. `unit` turns electrons of a
    raw pixel into the unit of the result, `fixed_e2` is the noise that does not depend on light, `factor` multiplies both.
    The sum of squared weights is the mean at eight pixels of the entry, or two where the phase hardly changes, which is
    exact there and fair elsewhere; the flat is that of the entry's centre, its values as in `calibrate_box`. `surface` gets that of the coefficients `sky`
    (1, x, y, x2, xy, y2) in the entry's middle. `squares` gets the sum of squares alone, NaN for entries whose centre the
    sub, of `shape` (height, width), does not cover.
    """
    rows, columns = constant.shape
    taps = 2 * int(np.ceil(SUPPORT * widen))
    weights = np.empty(taps, np.float64)
    height, width = shape
    for r in range(rows):
        y = first_y + r * NOISE_ROWS
        for c in range(columns):
            x = first_x + c * LANES
            mx, my, dx, dy = start_and_step(lattice, y + NOISE_ROWS // 2 - node_y, x - node_x)
            cx = mx + dx * (LANES // 2)
            cy = my + dy * (LANES // 2)
            if swap:
                cx, cy = cy, cx
            total = 0.0
            if max(max(-cx, cx - width), max(-cy, cy - height)) > FAR_PX * widen:
                total = 1.0  # no sample is there: any noise will do
            elif widen == 1.0 and abs(dx - 1.0) * LANES < FEW_PHASES and abs(dy) * LANES < FEW_PHASES:
                for i in range(4, LANES, 8):
                    px = mx + dx * i
                    py = my + dy * i
                    total += sum_of_squares(px - np.floor(px)) * sum_of_squares(py - np.floor(py))
                total *= 0.5
            else:
                for j in range(2):
                    ax, ay, dx, dy = start_and_step(lattice, y + 2 + 3 * j - node_y, x - node_x)
                    for i in range(2, LANES, 4):
                        px = ax + dx * i
                        py = ay + dy * i
                        if widen == 1.0:
                            total += sum_of_squares(px - np.floor(px)) * sum_of_squares(py - np.floor(py))
                        else:
                            a = table_weights(px, int(np.floor(px)) - taps // 2 + 1, taps, widen, table, weights)
                            b = table_weights(py, int(np.floor(py)) - taps // 2 + 1, taps, widen, table, weights)
                            total += a * b
                total /= 8.0
            if flip_x:
                cx = width - 1 - cx
            if flip_y:
                cy = height - 1 - cy
            inside = 0.0 <= cx <= width - 1.0 and 0.0 <= cy <= height - 1.0
            light = 1.0
            if has_flat:
                word = flat[min(max(int(cy + 0.5), 0), height - 1), min(max(int(cx + 0.5), 0), width - 1)]
                seen = value_of(word, turned)
                light = seen if seen > least_flat else 1.0
            constant[r, c] = np.float32(factor * total * unit * unit * fixed_e2 / (light * light))
            slope[r, c] = np.float32(factor * total * unit / light)
            squares[r, c] = np.float32(total) if inside else np.float32(np.nan)
            gx = x + 0.5 * (LANES - 1)
            gy = y + 0.5 * (NOISE_ROWS - 1)
            level = sky[0] + gy * (sky[2] + gy * sky[5]) + gx * (sky[1] + gy * sky[4] + gx * sky[3])
            surface[r, c] = np.float32(level)
