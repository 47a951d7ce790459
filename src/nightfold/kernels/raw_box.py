"""Loops that turn a piece of a raw into a box of calibrated, repaired pixels, turned over as asked. Serves `fold`."""

from __future__ import annotations

import numpy as np
from numba import njit

from nightfold.kernels.lanczos import LANES
from nightfold.kernels.vectors import bare, calibrate_16


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
def value_of(word, turned):
    """The float32 of a word as it lies in memory; `turned` where its bytes are in the other order."""
    if turned:
        other = np.uint32((word << 24) | ((word & 0xFF00) << 8) | ((word >> 8) & 0xFF00) | (word >> 24))
        return other.view(np.float32)
    same = np.uint32(word)
    return same.view(np.float32)


@njit(nogil=True, cache=True, error_model="numpy")
def calibrate_box(
    raw,
    stored,
    as_stored,
    y0,
    x0,
    columns,
    dark,
    has_dark,
    pedestal,
    flat,
    has_flat,
    turned,
    least_flat,
    factor,
    flip_x,
    flip_y,
    left,
    out,
):
    """Fill `out` with (raw - dark) * factor / flat of a piece of a sub, turned over as asked.

    The piece has the rows of `out` and `columns` and starts at row y0, column x0 of the sub. It lies in `raw`
    (float32), or with `as_stored` in `stored`: uint16 as usual cameras' files hold them, big-endian int16 less
    32768, seen natively. `dark` and `flat` are float32 seen as uint32, `turned` where their bytes are in the files' order. It
    lands at column `left` of `out`, whose other columns become NaN. Flats at or below
    `least_flat` give NaN. Returns how many pixels of the piece have no value.
    """
    stored = bare(stored)
    dark = bare(dark)
    flat = bare(flat)
    out = bare(out)
    empty = 0
    work = np.empty(columns, np.float32)
    rows, width = out.shape
    nan = np.float32(np.nan)
    for r in range(rows):
        line = out[r]
        source = rows - 1 - r if flip_y else r
        for i in range(left):
            line[i] = nan
        for i in range(left + columns, width):
            line[i] = nan
        if as_stored and has_dark and has_flat:
            words = stored[source]
            zero = dark[y0 + source]
            light = flat[y0 + source]
            for b in range(columns // LANES):
                i = b * LANES
                to = left + columns - LANES - i if flip_x else left + i
                empty += calibrate_16(
                    words, i, zero, x0 + i, light, x0 + i, turned, factor, least_flat, flip_x, line, to
                )
            for i in range(columns // LANES * LANES, columns):
                f = value_of(light[x0 + i], turned)
                v = words[i]
                count = np.float32(np.uint16((v << 8) | (v >> 8)) ^ np.uint16(0x8000))
                value = (count - value_of(zero[x0 + i], turned)) * factor / f if f > least_flat else nan
                line[left + columns - 1 - i if flip_x else left + i] = value
                empty += 1 if value != value else 0
            continue
        piece = work if flip_x else line[left : left + columns]
        if as_stored:
            words = stored[source, 0:columns]
            for i in range(columns):
                v = words[i]
                piece[i] = np.float32(np.uint16((v << 8) | (v >> 8)) ^ np.uint16(0x8000))
        else:
            values = raw[source, 0:columns]
            for i in range(columns):
                piece[i] = values[i]
        missing = np.int32(0)
        if has_dark:
            zero = dark[y0 + source, x0 : x0 + columns]
            for i in range(columns):
                piece[i] = (piece[i] - value_of(zero[i], turned)) * factor
        else:
            for i in range(columns):
                piece[i] = (piece[i] - pedestal) * factor
        if has_flat:
            light = flat[y0 + source, x0 : x0 + columns]
            for i in range(columns):
                f = value_of(light[i], turned)
                piece[i] = piece[i] / f if f > least_flat else nan
        for i in range(columns):
            missing += np.int32(1) if piece[i] != piece[i] else np.int32(0)
        empty += missing
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
    holes = 0
    if empty > 0:
        for r in range(top, top + rows):
            line = box[r, left : left + columns]
            for i in range(columns):
                holes += 1 if line[i] != line[i] else 0
    most = row_starts[y0 + rows] - row_starts[y0] + holes
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
    if holes > 0:
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


@njit(nogil=True, cache=True, error_model="numpy")
def transpose(values, out):
    """Rows to columns, in squares that fit into the cache."""
    rows, columns = values.shape
    for top in range(0, rows, LANES):
        bottom = min(top + LANES, rows)
        for left in range(0, columns, LANES):
            right = min(left + LANES, columns)
            for c in range(left, right):
                for r in range(top, bottom):
                    out[c, r] = values[r, c]
