"""Loops that combine resampled samples of one tile: median start, rejection by known noise, growth, weighted mean.

Work goes down the tile row by row, each step some rows behind the one before, so that a sample is read from memory once
and from the cache afterwards. Sums are of differences from the pixel's median: float32 then holds them to 1e-7 of the
noise.

Noise of sample i at level m, with ``l = max(m + surface_i, floor_i)``: ``constant_i + l * (slope_i + quadratic_i * l)``;
constant, slope and surface are given for entries of 8 rows by 16 columns. To it comes a tolerance that all samples of a
pixel share, times the sub's own leeway, for light that changes from sub to sub because the seeing does.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from nightfold.kernels.lanczos import LANES, NOISE_ROWS

WIDE = 64
NOTHING = np.float32(3e38)
ROUNDS = 4
REACH = 3
"""Rows and columns over which a rejected sample takes its neighbours along."""
HALO = REACH + 1
SAFE = {"contract"}

KEPT, REJECTED, GROWN = 0, 1, 2


def sorting_network(n: int) -> npt.NDArray[np.int32]:
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


def median_network(n: int) -> npt.NDArray[np.int32]:
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
    stack,
    y,
    noise_row,
    constant,
    slope,
    quadratic,
    surface,
    floor,
    leeway,
    weights,
    k2,
    median,
    tolerance,
    count,
    mean,
    flags,
):
    """Weighted mean of the samples within sqrt(k2) sigma of it, found by rounds; `flags` tells which are not."""
    n = stack.shape[0]
    width = stack.shape[2]
    total = np.empty(WIDE, np.float32)
    share = np.empty(WIDE, np.float32)
    centre = np.empty(WIDE, np.float32)
    factor = np.empty(WIDE, np.float32)
    kept = np.empty(WIDE // LANES, np.int64)
    before = np.empty(WIDE // LANES, np.int64)
    zero = np.float32(0.0)
    one = np.uint8(1)
    none = np.uint8(0)
    for start in range(0, width, WIDE):
        size = min(WIDE, width - start)
        parts = size // LANES
        middle = median[start : start + size]
        extra = tolerance[start : start + size]
        counts = count[start : start + size]
        for i in range(size):
            centre[i] = zero
            c = counts[i]
            # The median's own error widens the first round; the lower of two is left alone by its root-two.
            widen = 2.0 if c == 2 else 1.0 + 1.2 / max(c, 1)
            factor[i] = np.float32(1e30) if c <= 1 else np.float32(k2 * widen)
        for q in range(parts):
            before[q] = -1
        for turn in range(ROUNDS):
            if turn == 1:
                for i in range(size):
                    factor[i] = factor[i] if counts[i] <= 2 else np.float32(k2)
            for q in range(parts):
                kept[q] = 0
            for i in range(size):
                total[i] = zero
                share[i] = zero
            for k in range(n):
                row = stack[k, y, start : start + size]
                mark = flags[k, y, start : start + size]
                w = weights[k]
                q0 = quadratic[k]
                least = floor[k]
                ease = leeway[k]
                for q in range(parts):
                    if before[q] == -2:
                        continue
                    c0 = constant[k, noise_row, start // LANES + q]
                    s0 = slope[k, noise_row, start // LANES + q]
                    up = surface[k, noise_row, start // LANES + q]
                    out = 0
                    for i in range(LANES):
                        j = q * LANES + i
                        d = row[j] - middle[j]
                        level = middle[j] + up
                        level = level if level > least else least
                        limit = factor[j] * (c0 + level * (s0 + q0 * level) + ease * extra[j])
                        e = d - centre[j]
                        good = e * e <= limit
                        bad = e * e > limit
                        total[j] += w * d if good else zero
                        share[j] += w if good else zero
                        mark[j] = one if bad else none
                        out += 1 if bad else 0
                    kept[q] += out
            done = True
            for q in range(parts):
                if before[q] == -2:
                    continue
                for i in range(LANES):
                    j = q * LANES + i
                    centre[j] = total[j] / share[j] if share[j] > zero else zero
                if kept[q] == before[q]:
                    before[q] = -2
                else:
                    before[q] = kept[q]
                    done = False
            if done:
                break
        result = mean[start : start + size]
        for i in range(size):
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
    leeway,
    k_sigma,
    follow_sigma,
    lobes,
    median,
    tolerance,
    count,
    mean,
    flags,
    flag_words,
):
    """Reject what a rejected sample's kernel lobes reach, and bright samples beside bright rejected ones."""
    n = stack.shape[0]
    height = stack.shape[1]
    width = stack.shape[2]
    for k in range(n):
        mark = flags[k, y]
        words = flag_words[k, y]
        values = stack[k, y]
        for b in range(width // LANES):
            if words[2 * b] == 0 and words[2 * b + 1] == 0:
                continue
            piece = mark[b * LANES : b * LANES + LANES]
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
                away = (v - mean[y, x]) / np.sqrt(variance + leeway[k] * tolerance[y, x])
                if count[y, x] == 2:
                    away /= np.sqrt(2.0)  # away from the other one, whose noise it holds too
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
                                if stack[k, j, h] - mean[j, h] > follow_sigma * np.sqrt(
                                    near + leeway[k] * tolerance[j, h]
                                ):
                                    flags[k, j, h] |= GROWN


@njit(nogil=True, cache=True, error_model="numpy")
def whole_stack_entries(constant, slope, quadratic, surface, floor, weights, terms, least):
    """Summed weight^2 noise of all subs as ``terms @ (1, m, m^2)`` of the level m, per entry, where m is at least `least`."""
    n, rows, columns = constant.shape
    for r in range(rows):
        for c in range(columns):
            a0 = a1 = a2 = 0.0
            low = -np.inf
            for k in range(n):
                w2 = np.float64(weights[k]) * weights[k]
                up = surface[k, r, c]
                a0 += w2 * (constant[k, r, c] + up * (slope[k, r, c] + quadratic[k] * up))
                a1 += w2 * (slope[k, r, c] + 2.0 * quadratic[k] * up)
                a2 += w2 * quadratic[k]
                low = max(low, floor[k] - up)
            terms[r, c, 0] = a0
            terms[r, c, 1] = a1
            terms[r, c, 2] = a2
            least[r, c] = low


@njit(nogil=True, cache=True, error_model="numpy")
def _mean_pixel(
    stack,
    y,
    x,
    noise_row,
    constant,
    slope,
    quadratic,
    surface,
    floor,
    weights,
    middle,
    flags,
    image,
    variance,
    used,
    covered,
):
    """Weighted mean of the samples left of one pixel."""
    total = share = spread = all_share = all_spread = 0.0
    number = 0
    for k in range(stack.shape[0]):
        v = stack[k, y, x]
        if v != v:
            continue
        w = np.float64(weights[k])
        noise = w * w * _noise(k, noise_row, x // LANES, middle, constant, slope, quadratic, surface, floor)
        all_share += w
        all_spread += noise
        if flags[k, y, x] == KEPT:
            total += w * (v - middle)
            share += w
            spread += noise
            number += 1
    covered[x] = all_share
    used[x] = number
    if share > 0.0:
        image[x] = middle + total / share
        variance[x] = spread / (share * share)
    elif all_share > 0.0:
        # Nothing agrees with anything: the median stands, with its larger error (pi / 2; CHECKS S2).
        image[x] = middle
        variance[x] = 0.5 * np.pi * all_spread / (all_share * all_share)
    else:
        image[x] = np.nan
        variance[x] = np.nan


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
    terms,
    least,
    median,
    mean,
    count,
    flags,
    flag_words,
    image,
    variance,
    used,
    covered,
):
    """Weighted mean of the samples left, its variance, their number and the summed weight of all that are there.

    Most pixels keep all samples: for them the mean is known already and the noise of the whole stack is summed up
    per entry.
    """
    n = stack.shape[0]
    width = stack.shape[2]
    whole = np.float32(0.0)
    for k in range(n):
        whole += weights[k]
    whole2 = np.float64(whole) * whole
    for b in range(width // LANES):
        low = np.uint64(0)
        high = np.uint64(0)
        for k in range(n):
            low |= flag_words[k, y, 2 * b]
            high |= flag_words[k, y, 2 * b + 1]
        t0 = np.float32(terms[noise_row, b, 0] / whole2)
        t1 = np.float32(terms[noise_row, b, 1] / whole2)
        t2 = np.float32(terms[noise_row, b, 2] / whole2)
        floor_here = least[noise_row, b]
        start = b * LANES
        middle = median[start : start + LANES]
        known = mean[start : start + LANES]
        counts = count[start : start + LANES]
        value = image[start : start + LANES]
        spread = variance[start : start + LANES]
        number = used[start : start + LANES]
        weight = covered[start : start + LANES]
        odd = 0
        for i in range(LANES):
            m = middle[i]
            value[i] = known[i]
            spread[i] = t0 + m * (t1 + m * t2)
            number[i] = n
            weight[i] = whole
            odd += 0 if counts[i] == n and m >= floor_here else 1
        if odd == 0 and low == 0 and high == 0:
            continue
        for i in range(LANES):
            word = low if i < 8 else high
            marked = (word >> np.uint64(8 * (i % 8))) & np.uint64(0xFF)
            if marked != 0 or counts[i] != n or not middle[i] >= floor_here:
                _mean_pixel(
                    stack,
                    y,
                    start + i,
                    noise_row,
                    constant,
                    slope,
                    quadratic,
                    surface,
                    floor,
                    weights,
                    middle[i],
                    flags,
                    image,
                    variance,
                    used,
                    covered,
                )


@njit(nogil=True, cache=True, error_model="numpy")
def combine_tile(
    stack,
    noise_from,
    constant,
    slope,
    quadratic,
    surface,
    floor,
    leeway,
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
    flag_words,
    image,
    variance,
    count,
    used,
    covered,
):
    """Combine `stack` (n, h, w), float32, NaN where a sub gives nothing; w a multiple of 16.

    `noise_from` is the row of the first noise entry that the first row of the stack lies in; `constant`, `slope`,
    `surface` (n, entries, entries) and `sky` (entries, entries) are given per entry, `quadratic`, `floor`,
    `leeway`, `weights` per sub. Filled: `flags` (n, h, w) uint8 with its view `flag_words` (n, h, w / 8) uint64, `image`, `variance`,
    `covered` (h, w) float32, `count`, `used` (h, w) int32.
    Rows and columns less than 4 from the edge lack the say of neighbours beyond it.
    """
    n, height, width = stack.shape
    block = np.empty((n, WIDE), np.float32)
    median = np.empty((height, width), np.float32)
    mean = np.empty((height, width), np.float32)
    tolerance = np.empty((height, width), np.float32)
    terms = np.empty((constant.shape[1], constant.shape[2], 3), np.float64)
    least = np.empty((constant.shape[1], constant.shape[2]), np.float32)
    whole_stack_entries(constant, slope, quadratic, surface, floor, weights, terms, least)
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
                leeway,
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
                leeway,
                k_sigma,
                follow_sigma,
                lobes,
                median,
                tolerance,
                count,
                mean,
                flags,
                flag_words,
            )
        y = step - 1 - 2 * REACH
        if 0 <= y < height:
            _mean_row(
                stack,
                y,
                (noise_from + y) // NOISE_ROWS,
                constant,
                slope,
                quadratic,
                surface,
                floor,
                weights,
                terms,
                least,
                median[y],
                mean[y],
                count[y],
                flags,
                flag_words,
                image[y],
                variance[y],
                used[y],
                covered[y],
            )
