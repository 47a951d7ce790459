"""Matched filter and its peaks over a whole frame, in one pass: only a few filtered rows exist at a time."""

import numpy as np
from numba import njit

PEAK_COLUMNS = 5


@njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract", "nsz"})
def filter_peaks(image, level, inverse_sigma, first_row, row_weights, taps, threshold, step, sample, xs, ys, values):
    """Filter (image - level) / sigma by symmetric `taps` along both axes and list its peaks; NaN pixels count as sky.

    `level` and `inverse_sigma` are mesh rows already spread along x; row y blends four of them from `first_row[y]` with
    `row_weights[y]`. A peak is a pixel of at least `threshold` that no neighbour exceeds (of equals the last). `xs`, `ys`
    and `values` (left, upper, own, right and lower value; NaN beyond the border) take as many as they hold. `sample` takes
    every `step`-th filtered pixel of every `step`-th row. Returns the number of peaks.
    """
    height, width = image.shape
    reach = taps.size // 2
    size = taps.size
    zero = np.float32(0.0)
    padded = np.zeros(width + 2 * reach, np.float32)
    across = np.zeros((size, width), np.float32)
    # With a pixel more on either side and a row more that nothing exceeds, so that the border needs no care.
    recent = np.full((4, width + 2), -np.inf, np.float32)
    marks = np.zeros((width + 7) // 8 * 8, np.uint8)
    together = marks.view(np.uint64)
    found = 0
    for y in range(height + reach + 1):
        if y < height:
            k = first_row[y]
            w0 = row_weights[y, 0]
            w1 = row_weights[y, 1]
            w2 = row_weights[y, 2]
            w3 = row_weights[y, 3]
            row = image[y]
            a0 = level[k]
            a1 = level[k + 1]
            a2 = level[k + 2]
            a3 = level[k + 3]
            s0 = inverse_sigma[k]
            s1 = inverse_sigma[k + 1]
            s2 = inverse_sigma[k + 2]
            s3 = inverse_sigma[k + 3]
            inner = padded[reach : reach + width]
            for x in range(width):
                value = row[x]
                unit = (value - (w0 * a0[x] + w1 * a1[x] + w2 * a2[x] + w3 * a3[x])) * (
                    w0 * s0[x] + w1 * s1[x] + w2 * s2[x] + w3 * s3[x]
                )
                inner[x] = unit if abs(value) < np.float32(np.inf) else zero
            target = across[y % size]
            weight = taps[reach]
            for x in range(width):
                target[x] = weight * inner[x]
            for t in range(1, reach + 1):
                weight = taps[reach + t]
                before = padded[reach - t : reach - t + width]
                after = padded[reach + t : reach + t + width]
                for x in range(width):
                    target[x] += weight * (before[x] + after[x])
        done = y - reach
        if 0 <= done < height:
            target = recent[done % 3, 1 : width + 1]
            weight = taps[reach]
            source = across[done % size]
            for x in range(width):
                target[x] = weight * source[x]
            for t in range(1, reach + 1):
                weight = taps[reach + t]
                if done - t >= 0:
                    source = across[(done - t) % size]
                    for x in range(width):
                        target[x] += weight * source[x]
                if done + t < height:
                    source = across[(done + t) % size]
                    for x in range(width):
                        target[x] += weight * source[x]
            if done % step == 0:
                line = sample[done // step]
                for i in range(line.size):
                    line[i] = target[i * step]
        middle = done - 1
        if middle < 0 or middle >= height:
            continue
        row = recent[middle % 3]
        here = row[1 : width + 1]
        left = row[0:width]
        right = row[2 : width + 2]
        above = recent[(middle - 1) % 3 if middle > 0 else 3, 1 : width + 1]
        below = recent[(middle + 1) % 3 if middle < height - 1 else 3, 1 : width + 1]
        for x in range(width):
            value = here[x]
            marks[x] = (
                np.uint8(value >= threshold)
                & np.uint8(value >= left[x])
                & np.uint8(value >= right[x])
                & np.uint8(value >= above[x])
                & np.uint8(value >= below[x])
            )
        for block in range(together.size):
            if together[block] == 0:
                continue
            for x in range(8 * block, 8 * block + 8):
                if marks[x] == 0:
                    continue
                value = here[x]
                highest = True
                for i in range(max(0, x - 1), min(width, x + 2)):
                    highest = highest and not (here[i] > value or (here[i] == value and i > x))
                    highest = highest and not (above[i] > value or below[i] >= value)
                if not highest:
                    continue
                if found < xs.size:
                    xs[found] = x
                    ys[found] = middle
                    values[found, 0] = here[x - 1] if x > 0 else np.float32(np.nan)
                    values[found, 1] = above[x] if middle > 0 else np.float32(np.nan)
                    values[found, 2] = value
                    values[found, 3] = here[x + 1] if x < width - 1 else np.float32(np.nan)
                    values[found, 4] = below[x] if middle < height - 1 else np.float32(np.nan)
                found += 1
    return found
