"""Loops for what rows and columns of a sensor share: means of second differences over two sets of columns or rows."""

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
    for y in range(height):
        total = 0.0
        other = 0.0
        count = 0
        others = 0
        if y >= lag and y < height - lag:
            here = image[y]
            before = image[y - lag]
            after = image[y + lag]
            for number, x0 in enumerate(range(0, width - BLOCK + 1, BLOCK * every)):
                for x in range(x0, x0 + BLOCK):
                    d = here[x] - 0.5 * (before[x] + after[x])
                    if abs(d) <= limit:
                        if number % 2 == 0:
                            total += d
                            count += 1
                        else:
                            other += d
                            others += 1
        out[0, y] = total / count
        out[1, y] = other / others


@njit(nogil=True, cache=True, error_model="numpy")
def column_differences(image, lag, every, limit, sums, counts):
    """Add up for each column the same along x over sampled rows; `sums` and `counts` are (2, width), zero before."""
    height, width = image.shape
    for number, y0 in enumerate(range(0, height - BLOCK + 1, BLOCK * every)):
        side = number % 2
        for y in range(y0, y0 + BLOCK):
            row = image[y]
            for x in range(lag, width - lag):
                d = row[x] - 0.5 * (row[x - lag] + row[x + lag])
                if abs(d) <= limit:
                    sums[side, x] += d
                    counts[side, x] += 1
