"""Loops for what rows and columns of a sensor share: means of second differences over two sets of columns or rows."""

import numpy as np
from numba import njit

BLOCK = 16
"""Neighbouring pixels that are read together: a cache line."""


@njit(nogil=True, cache=True, error_model="numpy")
def row_differences(image, lag, every, limit, out):
    """Write for each row the mean over sampled columns of the pixel less the mean of those `lag` rows before and after.

    `out` is (2, height): even and odd blocks of columns. Differences beyond `limit` (stars) and NaN are left out; rows without
    any are NaN, and so are the first and last `lag`.
    """
    height, width = image.shape
    half = np.float32(0.5)
    most = np.float32(limit)
    sums = np.empty((2, BLOCK), np.float64)
    counts = np.empty((2, BLOCK), np.int64)
    for y in range(height):
        for k in range(BLOCK):
            sums[0, k] = 0.0
            sums[1, k] = 0.0
            counts[0, k] = 0
            counts[1, k] = 0
        if y >= lag and y < height - lag:
            here = image[y]
            before = image[y - lag]
            after = image[y + lag]
            for number, x0 in enumerate(range(0, width - BLOCK + 1, BLOCK * every)):
                # Unsigned, so that no index has to be looked at for being negative, and a block is taken at once.
                first = np.uint64(x0)
                side = np.uint64(number % 2)
                for k in range(BLOCK):
                    x = first + np.uint64(k)
                    d = here[x] - half * (before[x] + after[x])
                    inside = abs(d) <= most
                    sums[side, k] += np.float64(d if inside else np.float32(0.0))
                    counts[side, k] += np.int64(inside)
        for side in range(2):
            total = 0.0
            count = 0
            for k in range(BLOCK):
                total += sums[side, k]
                count += counts[side, k]
            out[side, y] = total / count


@njit(nogil=True, cache=True, error_model="numpy")
def column_differences(image, lag, every, limit, sums, counts):
    """Add up for each column the same along x over sampled rows; `sums` and `counts` are (2, width), zero before."""
    height, width = image.shape
    half = np.float32(0.5)
    most = np.float32(limit)
    apart = np.empty(width - 2 * lag, np.float32)
    seen = np.empty(width - 2 * lag, np.float32)
    for number, y0 in enumerate(range(0, height - BLOCK + 1, BLOCK * every)):
        side = number % 2
        total = sums[side]
        count = counts[side]
        for y in range(y0, y0 + BLOCK):
            here = image[y, lag : width - lag]
            before = image[y, : width - 2 * lag]
            after = image[y, 2 * lag :]
            for x in range(here.size):
                d = here[x] - half * (before[x] + after[x])
                inside = abs(d) <= most
                apart[x] = d if inside else np.float32(0.0)
                seen[x] = np.float32(inside)
            for x in range(here.size):
                total[x + lag] += np.float64(apart[x])
            for x in range(here.size):
                count[x + lag] += np.float64(seen[x])
