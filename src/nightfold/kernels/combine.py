"""Loops that combine resampled samples of one tile: median start, rejection by known noise, growth, weighted mean.

Work goes down the tile in strips of columns, row by row, each step some rows and a block of columns behind the one before,
so that a sample is read from memory once and from the cache afterwards. Sums are of differences from the pixel's median: float32 then holds them to 1e-7 of the
noise.

Noise of sample k at level m, with ``l = max(m + surface_k, floor_k)``: ``constant_k + l * (slope_k + quadratic_k * l)``.
`noise` (rows, columns, n, 3), float32, holds constant, slope and surface for entries of 8 rows by 16 columns; `traits`
(n, 4), float32, holds quadratic, floor, leeway and weight of each sub. To the noise comes a tolerance that all samples of
a pixel share, times the sub's leeway, for light that changes from sub to sub because the seeing does.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from nightfold.kernels.lanczos import LANES, NOISE_ROWS, SAFE
from nightfold.kernels.samples import (
    NOTHING,
    WIDE,
    centre_within,
    exchange,
    limits_of,
    load_full,
    mark_beyond,
    mean_of_all,
    mean_of_kept,
)
from nightfold.kernels.vectors import bare

ROUNDS = 4
REACH = 3
"""Rows and columns over which a rejected sample takes its neighbours along."""
HALO = REACH + 1
STRIP = 2048
"""Columns that are gone down at a time: the rows in work of all samples then stay in the second-level cache."""
CONSTANT, SLOPE, SURFACE = 0, 1, 2
QUADRATIC, FLOOR, LEEWAY, WEIGHT = 0, 1, 2, 3

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
def _median_row(stack, y, begin, end, all_pairs, middle_pairs, block, median, count):
    """Median of the samples that are there, the lower of two; `count` of them. NaN and 0 where there are none."""
    n = stack.shape[0]
    width = median.size
    valid = np.empty(WIDE, np.int32)
    one = np.int32(1)
    none = np.int32(0)
    samples_of = stack.reshape(-1)
    for start in range(begin, end, WIDE):
        size = min(WIDE, end - start)
        first = y * width + start
        if size == WIDE and n > 2 and load_full(samples_of, first, stack.shape[1], block):
            for c in range(middle_pairs.shape[0]):
                exchange(block, middle_pairs[c, 0], middle_pairs[c, 1])
            below = block[(n - 1) // 2]
            above = block[n // 2]
            for i in range(WIDE):
                count[start + i] = n
                median[start + i] = np.float32(0.5) * (below[i] + above[i])
            continue
        for i in range(WIDE):
            valid[i] = none
        for k in range(n):
            row = stack[k, first : first + size]
            target = block[k]
            for i in range(size):
                v = row[i]
                good = v == v
                target[i] = v if good else np.float32(NOTHING)
                valid[i] += one if good else none
            for i in range(size, WIDE):
                target[i] = np.float32(NOTHING)
        most = none
        for i in range(WIDE):
            most = max(most, valid[i])
        if most > none:
            for c in range(all_pairs.shape[0]):
                exchange(block, all_pairs[c, 0], all_pairs[c, 1])
        for i in range(size):
            c = valid[i]
            count[start + i] = c
            if c > 2:
                median[start + i] = np.float32(0.5) * (block[(c - 1) // 2, i] + block[c // 2, i])
            elif c > 0:
                median[start + i] = block[0, i]
            else:
                median[start + i] = np.nan


@njit(nogil=True, cache=True, error_model="numpy")
def _tolerance_row(median, y, begin, end, sky, signal_term, gradient_px, out):
    """Variance that the level of a pixel may have from sub to sub: by its own light and by the gradient around it."""
    height, width = median.shape
    above = median[max(y - 1, 0)]
    below = median[min(y + 1, height - 1)]
    line = median[y]
    zero = np.float32(0.0)
    half = np.float32(0.5)
    g2 = np.float32(gradient_px * gradient_px)
    s2 = np.float32(signal_term * signal_term)
    for x in range(begin, end):
        light = line[x] - sky[x // LANES]
        out[x] = s2 * light * light if light > zero else zero
    for x in range(begin, end):
        down = half * (below[x] - above[x])
        out[x] += g2 * down * down if down == down else zero
    for x in range(max(begin, 1), min(end, width - 1)):
        across = half * (line[x + 1] - line[x - 1])
        out[x] += g2 * across * across if across == across else zero


@njit(nogil=True, cache=True, error_model="numpy", fastmath=SAFE)
def _reject_row(
    stack,
    y,
    begin,
    end,
    noise,
    traits,
    weights,
    k2,
    widening,
    median,
    tolerance,
    count,
    samples,
    lanes,
    mean,
    flags,
    some,
):
    """Weighted mean of the samples within sqrt(k2) sigma of it, found by rounds.

    `flags` tells which are not, `some` in which blocks of 16 pixels there are any. `noise` is that of the row's entries;
    `widening` (2, n + 1) is what the limit is multiplied by in the first and in later rounds, by the number of samples;
    `samples` (2, n, 16) and `lanes` (6, 16) are scratch.
    """
    step = stack.shape[1]
    width = median.size
    away = samples[0]
    limit = samples[1]
    centre = lanes[0]
    before = lanes[1]
    widen = lanes[2]
    values = stack.reshape(-1)
    marks = flags.reshape(-1)
    first_round = widening[0]
    later = widening[1]
    for b in range(begin // LANES, end // LANES):
        start = b * LANES
        first = y * width + start
        middle = median[start : start + LANES]
        counts = count[start : start + LANES]
        extra = tolerance[start : start + LANES]
        limits_of(values, first, step, noise[b], traits, k2, middle, extra, away, limit)
        for i in range(LANES):
            before[i] = np.float32(0.0)
            widen[i] = first_round[counts[i]]
        centre_within(away, limit, weights, before, widen, centre)
        for i in range(LANES):
            widen[i] = later[counts[i]]
        for _ in range(ROUNDS - 1):
            for i in range(LANES):
                before[i] = centre[i]
            # Where the centre stays, so do the samples within its reach: further rounds would change nothing.
            if not centre_within(away, limit, weights, before, widen, centre):
                break
        some[b] = mark_beyond(away, limit, before, widen, marks, first, step)
        result = mean[start : start + LANES]
        for i in range(LANES):
            result[i] = middle[i] + centre[i]


def widening_of(n: int) -> npt.NDArray[np.float32]:
    """`_reject_row`'s `widening` for up to `n` samples.

    The median's own error widens the first round; of two the lower is left alone by its root-two, one is always kept.
    """
    result = np.ones((2, n + 1), np.float32)
    result[:, :2] = 1e30
    result[0, 2:] += np.float32(1.2) / np.arange(2, n + 1, dtype=np.float32)
    result[:, 2:3] = 2.0
    return result


@njit(inline="always")
def _noise_at(entry, trait, level):
    level = max(level + entry[SURFACE], trait[FLOOR])
    return entry[CONSTANT] + level * (entry[SLOPE] + trait[QUADRATIC] * level)


@njit(nogil=True, cache=True, error_model="numpy")
def _grow_from(
    stack, k, y, x, noise_from, noise, traits, k_sigma, follow, lobes, median, tolerance, count, mean, flags, some
):
    """Reject around one rejected sample what its kernel lobes reach, and bright samples beside it if it is bright."""
    height, width = median.shape
    variance = _noise_at(noise[(noise_from + y) // NOISE_ROWS, x // LANES, k], traits[k], median[y, x])
    off = stack[k, y * width + x] - mean[y, x]
    away = abs(off) / np.sqrt(variance + traits[k, LEEWAY] * tolerance[y, x])
    if count[y, x] == 2:
        away /= np.sqrt(2.0)  # away from the other one, whose noise it holds too
    excess = away - k_sigma
    if excess * lobes[1] > 0.5:
        for j in range(max(y - REACH, 0), min(y + REACH + 1, height)):
            for h in range(max(x - REACH, 0), min(x + REACH + 1, width)):
                if excess * lobes[abs(j - y)] * lobes[abs(h - x)] > 0.5:
                    flags[k, j * width + h] |= GROWN
                    some[j, h // LANES] = True
    if off > 0.0:
        for j in range(max(y - 1, 0), min(y + 2, height)):
            for h in range(max(x - 1, 0), min(x + 2, width)):
                bright = stack[k, j * width + h] - mean[j, h]
                if bright > 0.0 and flags[k, j * width + h] == KEPT:
                    near = _noise_at(noise[(noise_from + j) // NOISE_ROWS, h // LANES, k], traits[k], median[j, h])
                    if bright * bright > follow * follow * (near + traits[k, LEEWAY] * tolerance[j, h]):
                        flags[k, j * width + h] |= GROWN
                        some[j, h // LANES] = True


@njit(nogil=True, cache=True, error_model="numpy")
def _grow_row(
    stack,
    y,
    begin,
    end,
    noise_from,
    noise,
    traits,
    k_sigma,
    follow,
    lobes,
    median,
    tolerance,
    count,
    mean,
    flags,
    words,
    some,
):
    """Let the rejected samples of a row take their neighbours along; `words` are the flags eight at a time."""
    width = median.shape[1]
    for b in range(begin // LANES, end // LANES):
        if not some[y, b]:
            continue
        word = (y * width + b * LANES) // 8
        for k in range(stack.shape[0]):
            if words[k, word] == 0 and words[k, word + 1] == 0:
                continue
            for x in range(b * LANES, b * LANES + LANES):
                if flags[k, y * width + x] & REJECTED != 0:
                    _grow_from(
                        stack,
                        k,
                        y,
                        x,
                        noise_from,
                        noise,
                        traits,
                        k_sigma,
                        follow,
                        lobes,
                        median,
                        tolerance,
                        count,
                        mean,
                        flags,
                        some,
                    )


@njit(nogil=True, cache=True, error_model="numpy")
def _whole_stack(noise, traits, terms, least):
    """Summed weight^2 noise of all subs as ``terms @ (1, m, m^2)`` of the level m, per entry, where m is at least `least`."""
    rows, columns, n, _ = noise.shape
    for r in range(rows):
        for c in range(columns):
            a0 = a1 = a2 = 0.0
            low = -np.inf
            for k in range(n):
                w2 = np.float64(traits[k, WEIGHT]) * traits[k, WEIGHT]
                up = noise[r, c, k, SURFACE]
                q0 = traits[k, QUADRATIC]
                a0 += w2 * (noise[r, c, k, CONSTANT] + up * (noise[r, c, k, SLOPE] + q0 * up))
                a1 += w2 * (noise[r, c, k, SLOPE] + 2.0 * q0 * up)
                a2 += w2 * q0
                low = max(low, traits[k, FLOOR] - up)
            terms[r, c, 0] = a0
            terms[r, c, 1] = a1
            terms[r, c, 2] = a2
            least[r, c] = low


@njit(nogil=True, cache=True, error_model="numpy", fastmath=SAFE)
def _mean_row(
    stack,
    y,
    begin,
    end,
    noise,
    traits,
    terms,
    least,
    median,
    mean,
    count,
    flags,
    some,
    lanes,
    image,
    variance,
    used,
    covered,
):
    """Weighted mean of the samples left, its variance, their number and the summed weight of all that are there.

    Where 16 pixels keep all samples, the mean is known already and the noise of the whole stack is summed up per entry.
    `lanes` (6, 16) is scratch.
    """
    n, step = stack.shape
    width = median.size
    values = stack.reshape(-1)
    marks = flags.reshape(-1)
    zero = np.float32(0.0)
    whole = np.float32(0.0)
    for k in range(n):
        whole += traits[k, WEIGHT]
    whole2 = np.float64(whole) * whole
    samples = np.int32(n)
    spread_of_all = lanes[0]
    parts = lanes[1, :3]
    for b in range(begin // LANES, end // LANES):
        start = b * LANES
        middle = median[start : start + LANES]
        known = mean[start : start + LANES]
        counts = count[start : start + LANES]
        value = image[start : start + LANES]
        spread = variance[start : start + LANES]
        number = used[start : start + LANES]
        weight = covered[start : start + LANES]
        if not some[b]:
            for i in range(3):
                parts[i] = np.float32(terms[b, i] / whole2)
            if mean_of_all(counts, samples, middle, known, parts, least[b], whole, value, spread, number, weight):
                continue
        first = y * width + start
        entry = noise[b]
        if mean_of_kept(
            values, marks, first, step, entry, traits, middle, value, spread, number, weight, spread_of_all
        ):
            continue
        for i in range(LANES):
            if number[i] == 0 and weight[i] > zero:
                # Nothing agrees with anything: the median stands, with its larger error (pi / 2; CHECKS S2).
                value[i] = middle[i]
                spread[i] = np.float32(0.5 * np.pi) * spread_of_all[i] / (weight[i] * weight[i])


@njit(nogil=True, cache=True, error_model="numpy")
def _combine(
    stack,
    noise_from,
    noise,
    traits,
    weights,
    sky,
    all_pairs,
    middle_pairs,
    widening,
    k_sigma,
    follow_sigma,
    signal_term,
    gradient_px,
    lobes,
    flags,
    flag_words,
    planes,
    terms,
    least,
    block,
    samples,
    lanes,
    some,
    image,
    variance,
    count,
    used,
    covered,
):
    """`combine_tile` with its scratch, row by row, each step some rows behind the one before."""
    stack = bare(stack)
    noise = bare(noise)
    traits = bare(traits)
    weights = bare(weights)
    flags = bare(flags)
    flag_words = bare(flag_words)
    planes = bare(planes)
    block = bare(block)
    samples = bare(samples)
    lanes = bare(lanes)
    some = bare(some)
    widening = bare(widening)
    image = bare(image)
    variance = bare(variance)
    count = bare(count)
    used = bare(used)
    covered = bare(covered)
    height, width = image.shape
    median = planes[0]
    mean = planes[1]
    tolerance = planes[2]
    ranges = np.empty((4, 2), np.int64)
    for left in range(0, width, STRIP):
        for stage in range(4):  # each a block behind the one before, whose values to the right it needs
            right = left + STRIP
            ranges[stage, 0] = max(left - stage * LANES, 0)
            ranges[stage, 1] = right - stage * LANES if right < width else width
        for step in range(height + 2 * REACH + 2):
            if step < height:
                begin, end = ranges[0]
                _median_row(stack, step, begin, end, all_pairs, middle_pairs, block, median[step], count[step])
            y = step - 1
            if 0 <= y < height:
                begin, end = ranges[1]
                row = (noise_from + y) // NOISE_ROWS
                _tolerance_row(median, y, begin, end, sky[row], signal_term, gradient_px, tolerance[y])
                _reject_row(
                    stack,
                    y,
                    begin,
                    end,
                    noise[row],
                    traits,
                    weights,
                    np.float32(k_sigma * k_sigma),
                    widening,
                    median[y],
                    tolerance[y],
                    count[y],
                    samples,
                    lanes,
                    mean[y],
                    flags,
                    some[y],
                )
            y = step - 1 - REACH
            if 0 <= y < height:
                begin, end = ranges[2]
                _grow_row(
                    stack,
                    y,
                    begin,
                    end,
                    noise_from,
                    noise,
                    traits,
                    k_sigma,
                    follow_sigma,
                    lobes,
                    median,
                    tolerance,
                    count,
                    mean,
                    flags,
                    flag_words,
                    some,
                )
            y = step - 1 - 2 * REACH
            if 0 <= y < height:
                begin, end = ranges[3]
                row = (noise_from + y) // NOISE_ROWS
                _mean_row(
                    stack,
                    y,
                    begin,
                    end,
                    noise[row],
                    traits,
                    terms[row],
                    least[row],
                    median[y],
                    mean[y],
                    count[y],
                    flags,
                    some[y],
                    lanes,
                    image[y],
                    variance[y],
                    used[y],
                    covered[y],
                )


@njit(nogil=True, cache=True, error_model="numpy")
def combine_tile(
    stack,
    noise_from,
    noise,
    traits,
    sky,
    all_pairs,
    middle_pairs,
    widening,
    k_sigma,
    follow_sigma,
    signal_term,
    gradient_px,
    lobes,
    flags,
    flag_words,
    planes,
    image,
    variance,
    count,
    used,
    covered,
):
    """Combine the samples of h rows of w pixels, w a multiple of 16: `stack` (n, at least h * w), float32, NaN where a sub
    gives nothing.

    `noise_from` is the row of the first noise entry that the first row of the stack lies in; `noise` and `traits` are the
    module's, `sky` is given per entry. Filled: `flags` (n, at least h * w) uint8 with its view `flag_words` (n, an eighth of that)
    uint64, `image`, `variance`, `covered` (h, w) float32, `count`, `used` (h, w) int32. `planes` (3, h, w) float32 is scratch.
    Rows and columns less than 4 from the edge lack the say of neighbours beyond it.
    """
    n = stack.shape[0]
    height = image.shape[0]
    terms = np.empty((noise.shape[0], noise.shape[1], 3), np.float64)
    least = np.empty((noise.shape[0], noise.shape[1]), np.float32)
    _whole_stack(noise, traits, terms, least)
    _combine(
        stack,
        noise_from,
        noise,
        traits,
        traits[:, WEIGHT].copy(),
        sky,
        all_pairs,
        middle_pairs,
        widening,
        k_sigma,
        follow_sigma,
        signal_term,
        gradient_px,
        lobes,
        flags,
        flag_words,
        planes,
        terms,
        least,
        np.empty((n, WIDE), np.float32),
        np.empty((2, n, LANES), np.float32),
        np.empty((6, LANES), np.float32),
        np.empty((height, noise.shape[1]), np.bool_),
        image,
        variance,
        count,
        used,
        covered,
    )
