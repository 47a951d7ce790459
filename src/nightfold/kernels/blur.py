"""Convolution with an even kernel along both axes, in plain loops; serves the sharpening of pictures."""

import numpy as np
from numba import njit


@njit(nogil=True, cache=True, error_model="numpy")
def reflected(i, n):
    """Index `i` folded into 0..n-1 about the middles of the edge pixels, which are not repeated."""
    if n == 1:
        return 0
    period = 2 * n - 2
    i = i % period
    return i if i < n else period - i


@njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract", "reassoc", "nsz"})
def blur_even(image, taps, out):
    """Write `image` convolved along rows and columns with the taps 0, ±1, ±2 … (`taps` holds one side, float32)."""
    height, width = image.shape
    reach = taps.size - 1
    across = np.empty((height, width), np.float32)
    padded = np.empty(width + 2 * reach, np.float32)
    for y in range(height):
        row = image[y]
        body = padded[reach : reach + width]
        for x in range(width):
            body[x] = row[x]
        for k in range(reach):
            padded[k] = row[reflected(k - reach, width)]
            padded[reach + width + k] = row[reflected(width + k, width)]
        target = across[y]
        middle = taps[0]
        for x in range(width):
            target[x] = middle * body[x]
        for k in range(1, reach + 1):
            weight = taps[k]
            left = padded[reach - k : reach - k + width]
            right = padded[reach + k : reach + k + width]
            for x in range(width):
                target[x] += weight * (left[x] + right[x])
    for y in range(height):
        target = out[y]
        source = across[y]
        middle = taps[0]
        for x in range(width):
            target[x] = middle * source[x]
        for k in range(1, reach + 1):
            weight = taps[k]
            above = across[reflected(y - k, height)]
            below = across[reflected(y + k, height)]
            for x in range(width):
                target[x] += weight * (above[x] + below[x])
