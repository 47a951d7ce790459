"""Loops that keep light too narrow for the Lanczos kernel, and clipped cores, from ringing. Serve `fold`."""

from __future__ import annotations

import numpy as np
from numba import njit

from nightfold.kernels.lanczos import HALF, LANES, SUPPORT, start_and_step, tap_weights

HARSH_MARGIN = 6
NARROW = np.float32(0.34)
_TAPER = np.array([1.0, 1.0, 0.85, 0.4])


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
    w0, w1, w2, w3, w4, w5 = tap_weights(HALF)
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
def add_peaks(box_y, box_x, lattice, node_y, node_x, y0, x0, forward, where, excess, count, reach, out):
    """Add the light that `split_peaks` took out by linear weights, which cannot ring and keep the flux of every pixel."""
    rows, columns = out.shape
    from_y = y0 - node_y
    from_x = x0 - node_x
    for k in range(count):
        sx = where[k, 1] + box_x
        sy = where[k, 0] + box_y
        cx = forward[0, 0] * sx + forward[0, 1] * sy + forward[0, 2]
        cy = forward[1, 0] * sx + forward[1, 1] * sy + forward[1, 2]
        for y in range(max(0, int(np.floor(cy - reach))), min(rows, int(np.ceil(cy + reach)) + 1)):
            for x in range(max(0, int(np.floor(cx - reach))), min(columns, int(np.ceil(cx + reach)) + 1)):
                start = (x // LANES) * LANES
                sx0, sy0, dx, dy = start_and_step(lattice, from_y + y, from_x + start)
                along = 1.0 - abs(sx0 + dx * (x - start) - sx)
                across = 1.0 - abs(sy0 + dy * (x - start) - sy)
                if along > 0.0 and across > 0.0:
                    out[y, x] += np.float32(along * across * excess[k])


@njit(nogil=True, cache=True, error_model="numpy")
def soften(box, box_y, box_x, lattice, node_y, node_x, y0, x0, surface, forward, harsh, count, reach, soft, out):
    """Do the samples whose support holds a clipped pixel again by linear interpolation, which cannot ring, less the surface.

    `forward` (2, 3) is an affine from source pixels to output pixels, good to `reach` (pixels of the output).
    `soft` (uint8, shape of `out`) is scratch.
    """
    rows, columns = out.shape
    from_y = y0 - node_y
    from_x = x0 - node_x
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
                    sx0, sy0, dx, dy = start_and_step(lattice, from_y + y, from_x + start)
                    if abs(sx0 + dx * (x - start) - sx) < SUPPORT and abs(sy0 + dy * (x - start) - sy) < SUPPORT:
                        soft[y, x] = 1
    for y in range(rows):
        line = soft[y]
        for b in range(columns // LANES):
            any_soft = 0
            for i in range(LANES):
                any_soft += line[b * LANES + i]
            if any_soft == 0:
                continue
            sx0, sy0, dx, dy = start_and_step(lattice, from_y + y, from_x + b * LANES)
            for i in range(LANES):
                x = b * LANES + i
                if line[x] == 1 and out[y, x] == out[y, x]:
                    px = sx0 + dx * i
                    py = sy0 + dy * i
                    jx = int(np.floor(px))
                    jy = int(np.floor(py))
                    tx = px - jx
                    ty = py - jy
                    c = jx - box_x
                    r = jy - box_y
                    upper = box[r, c] + tx * (box[r, c + 1] - box[r, c])
                    lower = box[r + 1, c] + tx * (box[r + 1, c + 1] - box[r + 1, c])
                    gx = np.float64(x0 + x)
                    gy = np.float64(y0 + y)
                    level = surface[0] + gy * (surface[2] + gy * surface[5])
                    level += gx * (surface[1] + gy * surface[4] + gx * surface[3])
                    out[y, x] = np.float32(upper + ty * (lower - upper) - level)
