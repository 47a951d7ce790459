"""Matched filter and local maxima over a whole frame."""

import numpy as np
from numba import njit


@njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract", "reassoc", "nsz", "arcp"})
def matched_filter(image, level, inverse_sigma, first_row, row_weights, taps, out):
    """Write (image - level) / sigma filtered by `taps` along both axes into `out`; NaN pixels count as sky.

    `level` and `inverse_sigma` are mesh rows already spread along x; row y blends four of them from `first_row[y]` with
    `row_weights[y]`.
    """
    height, width = image.shape
    reach = taps.size // 2
    across = np.empty((height, width), np.float32)
    padded = np.zeros(width + 2 * reach, np.float32)
    for y in range(height):
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
            inner[x] = unit if abs(value) < np.float32(np.inf) else np.float32(0.0)
        target = across[y]
        for x in range(width):
            target[x] = np.float32(0.0)
        for t in range(taps.size):
            weight = taps[t]
            shifted = padded[t : t + width]
            for x in range(width):
                target[x] += weight * shifted[x]
    for y in range(height):
        target = out[y]
        for x in range(width):
            target[x] = np.float32(0.0)
        for t in range(max(0, reach - y), min(taps.size, height - y + reach)):
            weight = taps[t]
            source = across[y + t - reach]
            for x in range(width):
                target[x] += weight * source[x]


@njit(nogil=True, cache=True, error_model="numpy")
def local_maxima(filtered, threshold, xs, ys, values):
    """Write pixels of at least `threshold` that no neighbour exceeds (of equals the last); return how many there are.

    Only as many as the outputs hold are written.
    """
    height, width = filtered.shape
    found = 0
    for y in range(height):
        row = filtered[y]
        for x in range(width):
            value = row[x]
            if value < threshold:
                continue
            highest = True
            for j in range(max(0, y - 1), min(height, y + 2)):
                for i in range(max(0, x - 1), min(width, x + 2)):
                    other = filtered[j, i]
                    if other > value or (other == value and (j > y or (j == y and i > x))):
                        highest = False
            if highest:
                if found < xs.size:
                    xs[found] = x
                    ys[found] = y
                    values[found] = value
                found += 1
    return found
