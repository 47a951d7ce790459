"""Loops that combine resampled samples of one tile: median start, rejection by known noise, growth, weighted mean.

Work goes down the tile row by row, each step some rows behind the one before, so that a sample is read from memory once
and from the cache afterwards. Sums are of differences from the pixel's median: float32 then holds them to 1e-7 of the
noise.

Noise of sample i at level m: ``constant_i + max(m + surface_i, floor_i) * (slope_i + quadratic_i * …)``, the first
two given for entries of 8 rows by 16 columns; and a tolerance that all samples of a pixel share, for light that changes
from sub to sub because the seeing does.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from nightfold.kernels.resample import LANES, NOISE_ROWS

WIDE = 64
NOTHING = np.float32(3e38)
ROUNDS = 4
REACH = 3
"""Rows and columns over which a rejected sample takes its neighbours along."""
HALO = REACH + 1
SAFE = {"contract"}

KEPT, REJECTED, GROWN = 0, 1, 2


def sorting_network(n):
    """Compare-exchange pairs of Batcher's odd-even merge sort (1968) for `n` inputs, shape (pairs, 2) int32."""
    size = 1
    while size < n:
        size *= 2
    pairs = []
    p = 1
    while p < size:
        k = p
        while k >= 1:
            for j in range(k % p, size - k, 2 * k):
                for i in range(min(k, size - j - k)):
                    if (i + j) // (2 * p) == (i + j + k) // (2 * p) and i + j + k < n:
                        pairs.append((i + j, i + j + k))
            k //= 2
        p *= 2
    return np.array(pairs, np.int32).reshape(-1, 2)


def median_network(n):
    """The pairs of `sorting_network` that the middle one or two outputs depend on."""
    needed = {(n - 1) // 2, n // 2}
    kept = []
    for a, b in sorting_network(n)[::-1]:
        if int(a) in needed or int(b) in needed:
            needed |= {int(a), int(b)}
            kept.append((a, b))
    return np.array(kept[::-1], np.int32).reshape(-1, 2)


@njit(nogil=True, cache=True, error_model="numpy")
def _sort_lanes(block, pairs):
    for c in range(pairs.shape[0]):
        x = block[pairs[c, 0]]
        y = block[pairs[c, 1]]
        for i in range(WIDE):
            u = x[i]
            v = y[i]
            x[i] = u if u < v else v
            y[i] = v if u < v else u


@njit(nogil=True, cache=True, error_model="numpy")
def _median_row(stack, y, all_pairs, middle_pairs, block, median, count):
    """Median of the samples that are there, the lower of two; `count` of them. NaN and 0 where there are none."""
    n = stack.shape[0]
    width = stack.shape[2]
    valid = np.empty(WIDE, np.float32)
    for start in range(0, width, WIDE):
        size = min(WIDE, width - start)
        for i in range(WIDE):
            valid[i] = 0
        for k in range(n):
            row = stack[k, y, start : start + size]
            target = block[k]
            if size == WIDE:
                for i in range(WIDE):
                    v = row[i]
                    good = v == v
                    target[i] = v if good else NOTHING
                    valid[i] += np.float32(1.0) if good else np.float32(0.0)
            else:
                for i in range(size):
                    v = row[i]
                    good = v == v
                    target[i] = v if good else NOTHING
                    valid[i] += np.float32(1.0) if good else np.float32(0.0)
                for i in range(size, WIDE):
                    target[i] = NOTHING
        full = True
        for i in range(size):
            full = full and valid[i] == n
        _sort_lanes(block, middle_pairs if full else all_pairs)
        for i in range(size):
            c = int(valid[i])
            count[start + i] = c
            if c > 2:
                median[start + i] = np.float32(0.5) * (block[(c - 1) // 2, i] + block[c // 2, i])
            elif c > 0:
                median[start + i] = block[0, i]
            else:
                median[start + i] = np.nan


@njit(nogil=True, cache=True, error_model="numpy")
def _tolerance_row(median, y, sky, signal_term, gradient_px, out):
    """Variance that the level of a pixel may have from sub to sub: by its own light and by the gradient around it."""
    height, width = median.shape
    above = median[max(y - 1, 0)]
    below = median[min(y + 1, height - 1)]
    line = median[y]
    zero = np.float32(0.0)
    half = np.float32(0.5)
    g2 = np.float32(gradient_px * gradient_px)
    s2 = np.float32(signal_term * signal_term)
    for x in range(width):
        light = line[x] - sky[x // LANES]
        out[x] = s2 * light * light if light > zero else zero
    for x in range(width):
        down = half * (below[x] - above[x])
        out[x] += g2 * down * down if down == down else zero
    for x in range(width - 2):
        across = half * (line[x + 2] - line[x])
        out[x + 1] += g2 * across * across if across == across else zero


@njit(nogil=True, cache=True, error_model="numpy", fastmath=SAFE)
def _reject_row(
    stack, y, noise_row, constant, slope, quadratic, surface, floor, weights, k2, median, tolerance, count, mean, flags
):
    """Weighted mean of the samples within sqrt(k2) sigma of it, found by rounds; `flags` tells which are not."""
    n = stack.shape[0]
    width = stack.shape[2]
    total = np.empty(LANES, np.float32)
    share = np.empty(LANES, np.float32)
    centre = np.empty(LANES, np.float32)
    factor = np.empty(LANES, np.float32)
    zero = np.float32(0.0)
    for b in range(width // LANES):
        start = b * LANES
        middle = median[start : start + LANES]
        extra = tolerance[start : start + LANES]
        counts = count[start : start + LANES]
        result = mean[start : start + LANES]
        for i in range(LANES):
            centre[i] = zero
            c = counts[i]
            # The median's own error widens the first round; the lower of two is left alone by its root-two.
            widen = 2.0 if c == 2 else 1.0 + 1.2 / max(c, 1)
            factor[i] = np.float32(1e30) if c <= 1 else np.float32(k2 * widen)
        before = -1
        for turn in range(ROUNDS):
            if turn == 1:
                for i in range(LANES):
                    factor[i] = factor[i] if counts[i] <= 2 else np.float32(k2)
            for i in range(LANES):
                total[i] = zero
                share[i] = zero
            kept = 0
            for k in range(n):
                row = stack[k, y, start : start + LANES]
                mark = flags[k, y, start : start + LANES]
                w = weights[k]
                c0 = constant[k, noise_row, b]
                s0 = slope[k, noise_row, b]
                q0 = quadratic[k]
                up = surface[k, noise_row, b]
                least = floor[k]
                lanes_kept = 0
                for i in range(LANES):
                    d = row[i] - middle[i]
                    level = middle[i] + up
                    level = level if level > least else least
                    limit = factor[i] * (c0 + level * (s0 + q0 * level) + extra[i])
                    e = d - centre[i]
                    good = e * e <= limit
                    total[i] += w * d if good else zero
                    share[i] += w if good else zero
                    mark[i] = np.uint8(0) if good else np.uint8(1)
                    lanes_kept += 1 if good else 0
                kept += lanes_kept
            for i in range(LANES):
                centre[i] = total[i] / share[i] if share[i] > zero else zero
            if kept == before:
                break
            before = kept
        for i in range(LANES):
            result[i] = middle[i] + centre[i]


@njit(inline="always")
def _noise(k, noise_row, b, level, constant, slope, quadratic, surface, floor):
    level = max(level + surface[k, noise_row, b], floor[k])
    return constant[k, noise_row, b] + level * (slope[k, noise_row, b] + quadratic[k] * level)


@njit(nogil=True, cache=True, error_model="numpy")
def _grow_row(
    stack,
    y,
    noise_from,
    constant,
    slope,
    quadratic,
    surface,
    floor,
    k_sigma,
    follow_sigma,
    lobes,
    median,
    tolerance,
    mean,
    flags,
):
    """Reject what a rejected sample's kernel lobes reach, and bright samples beside bright rejected ones."""
    n = stack.shape[0]
    height = stack.shape[1]
    width = stack.shape[2]
    for k in range(n):
        mark = flags[k, y]
        values = stack[k, y]
        for b in range(width // LANES):
            piece = mark[b * LANES : b * LANES + LANES]
            found = 0
            for i in range(LANES):
                found += piece[i] & 1
            if found == 0:
                continue
            for i in range(LANES):
                if piece[i] & REJECTED == 0:
                    continue
                x = b * LANES + i
                v = values[x]
                if v != v:
                    continue
                variance = _noise(
                    k, (noise_from + y) // NOISE_ROWS, b, median[y, x], constant, slope, quadratic, surface, floor
                )
                away = (v - mean[y, x]) / np.sqrt(variance + tolerance[y, x])
                excess = abs(away) - k_sigma
                if excess * lobes[1] > 0.5:
                    for j in range(max(y - REACH, 0), min(y + REACH + 1, height)):
                        for h in range(max(x - REACH, 0), min(x + REACH + 1, width)):
                            if excess * lobes[abs(j - y)] * lobes[abs(h - x)] > 0.5:
                                flags[k, j, h] |= GROWN
                if away > 0.0:
                    for j in range(max(y - 1, 0), min(y + 2, height)):
                        for h in range(max(x - 1, 0), min(x + 2, width)):
                            if flags[k, j, h] == KEPT:
                                near = _noise(
                                    k,
                                    (noise_from + j) // NOISE_ROWS,
                                    h // LANES,
                                    median[j, h],
                                    constant,
                                    slope,
                                    quadratic,
                                    surface,
                                    floor,
                                )
                                if stack[k, j, h] - mean[j, h] > follow_sigma * np.sqrt(near + tolerance[j, h]):
                                    flags[k, j, h] |= GROWN


@njit(nogil=True, cache=True, error_model="numpy", fastmath=SAFE)
def _mean_row(
    stack,
    y,
    noise_row,
    constant,
    slope,
    quadratic,
    surface,
    floor,
    weights,
    median,
    count,
    flags,
    image,
    variance,
    used,
    covered,
):
    """Weighted mean of the samples left, its variance, their number and the summed weight of all that are there."""
    n = stack.shape[0]
    width = stack.shape[2]
    total = np.empty(LANES, np.float32)
    share = np.empty(LANES, np.float32)
    spread = np.empty(LANES, np.float32)
    all_share = np.empty(LANES, np.float32)
    all_spread = np.empty(LANES, np.float32)
    number = np.empty(LANES, np.float32)
    zero = np.float32(0.0)
    one = np.float32(1.0)
    for b in range(width // LANES):
        start = b * LANES
        middle = median[start : start + LANES]
        for i in range(LANES):
            total[i] = zero
            share[i] = zero
            spread[i] = zero
            all_share[i] = zero
            all_spread[i] = zero
            number[i] = zero
        for k in range(n):
            row = stack[k, y, start : start + LANES]
            mark = flags[k, y, start : start + LANES]
            w = weights[k]
            c0 = constant[k, noise_row, b]
            s0 = slope[k, noise_row, b]
            q0 = quadratic[k]
            up = surface[k, noise_row, b]
            least = floor[k]
            for i in range(LANES):
                d = row[i] - middle[i]
                there = d == d
                level = middle[i] + up
                level = level if level > least else least
                noise = w * w * (c0 + level * (s0 + q0 * level))
                good = there and mark[i] == 0
                total[i] += w * d if good else zero
                share[i] += w if good else zero
                spread[i] += noise if good else zero
                number[i] += one if good else zero
                all_share[i] += w if there else zero
                all_spread[i] += noise if there else zero
        for i in range(LANES):
            x = start + i
            covered[x] = all_share[i]
            used[x] = int(number[i])
            if share[i] > zero:
                image[x] = middle[i] + total[i] / share[i]
                variance[x] = spread[i] / (share[i] * share[i])
            elif all_share[i] > zero:
                # Nothing agrees with anything: the median stands, with its larger error (pi / 2; CHECKS S2).
                image[x] = middle[i]
                variance[x] = np.float32(1.5707964) * all_spread[i] / (all_share[i] * all_share[i])
            else:
                image[x] = np.nan
                variance[x] = np.nan


@njit(nogil=True, cache=True, error_model="numpy")
def combine_tile(
    stack,
    noise_from,
    constant,
    slope,
    quadratic,
    surface,
    floor,
    weights,
    sky,
    all_pairs,
    middle_pairs,
    k_sigma,
    follow_sigma,
    signal_term,
    gradient_px,
    lobes,
    flags,
    image,
    variance,
    count,
    used,
    covered,
):
    """Combine `stack` (n, h, w), float32, NaN where a sub gives nothing; w a multiple of 16.

    `noise_from` is the row of the first noise entry that the first row of the stack lies in; `constant`, `slope`,
    `surface` (n, entries, entries) and `sky` (entries, entries) are given per entry, `quadratic`, `floor`, `weights`
    per sub. Filled: `flags` (n, h, w) uint8, `image`, `variance`, `covered` (h, w) float32, `count`, `used` (h, w) int32.
    Rows and columns less than 4 from the edge lack the say of neighbours beyond it.
    """
    n, height, width = stack.shape
    block = np.empty((n, WIDE), np.float32)
    median = np.empty((height, width), np.float32)
    mean = np.empty((height, width), np.float32)
    tolerance = np.empty((height, width), np.float32)
    k2 = k_sigma * k_sigma
    for step in range(height + 2 * REACH + 2):
        if step < height:
            _median_row(stack, step, all_pairs, middle_pairs, block, median[step], count[step])
        y = step - 1
        if 0 <= y < height:
            row = (noise_from + y) // NOISE_ROWS
            _tolerance_row(median, y, sky[row], signal_term, gradient_px, tolerance[y])
            _reject_row(
                stack,
                y,
                row,
                constant,
                slope,
                quadratic,
                surface,
                floor,
                weights,
                k2,
                median[y],
                tolerance[y],
                count[y],
                mean[y],
                flags,
            )
        y = step - 1 - REACH
        if 0 <= y < height:
            _grow_row(
                stack,
                y,
                noise_from,
                constant,
                slope,
                quadratic,
                surface,
                floor,
                k_sigma,
                follow_sigma,
                lobes,
                median,
                tolerance,
                mean,
                flags,
            )
        y = step - 1 - 2 * REACH
        if 0 <= y < height:
            row = (noise_from + y) // NOISE_ROWS
            _mean_row(
                stack,
                y,
                row,
                constant,
                slope,
                quadratic,
                surface,
                floor,
                weights,
                median[y],
                count[y],
                flags,
                image[y],
                variance[y],
                used[y],
                covered[y],
            )
