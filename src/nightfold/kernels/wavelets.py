"""The B3 spline smoothing of the a trous wavelets, and the shrinking of one wavelet plane, in plain loops."""

import numpy as np
from numba import njit


@njit(nogil=True, cache=True, error_model="numpy")
def mirrored(i, n):
    """Index `i` folded into 0..n-1, the edge pixel repeated."""
    period = 2 * n
    i = i % period
    return i if i < n else period - 1 - i


@njit(nogil=True, cache=True, error_model="numpy", fastmath={"contract", "reassoc", "nsz", "arcp"})
def smooth_b3(image, step, out):
    """Write `image` smoothed by (1 4 6 4 1)/16 with `step` pixels between the taps, along both axes; edges mirrored."""
    height, width = image.shape
    reach = 2 * step
    outer = np.float32(1.0 / 16.0)
    inner = np.float32(4.0 / 16.0)
    middle = np.float32(6.0 / 16.0)
    across = np.empty((height, width), np.float32)
    padded = np.empty(width + 2 * reach, np.float32)
    for y in range(height):
        row = image[y]
        body = padded[reach : reach + width]
        for x in range(width):
            body[x] = row[x]
        for k in range(reach):
            padded[k] = row[mirrored(k - reach, width)]
            padded[reach + width + k] = row[mirrored(width + k, width)]
        a = padded[0:width]
        b = padded[step : step + width]
        c = padded[2 * step : 2 * step + width]
        d = padded[3 * step : 3 * step + width]
        e = padded[4 * step : 4 * step + width]
        target = across[y]
        for x in range(width):
            target[x] = outer * (a[x] + e[x]) + inner * (b[x] + d[x]) + middle * c[x]
    for y in range(height):
        a = across[mirrored(y - 2 * step, height)]
        b = across[mirrored(y - step, height)]
        c = across[y]
        d = across[mirrored(y + step, height)]
        e = across[mirrored(y + 2 * step, height)]
        target = out[y]
        for x in range(width):
            target[x] = outer * (a[x] + e[x]) + inner * (b[x] + d[x]) + middle * c[x]


@njit(nogil=True, cache=True, error_model="numpy")
def squared_difference(fine, broad, out):
    """Write (fine - broad)^2."""
    for y in range(fine.shape[0]):
        a = fine[y]
        b = broad[y]
        target = out[y]
        for x in range(a.size):
            w = a[x] - b[x]
            target[x] = w * w


@njit(nogil=True, cache=True, error_model="numpy")
def add_shrunk(fine, broad, energy, variance, noise, margin, least, out):
    """Add the plane fine - broad to `out`, each value times max(least, S / (S + N)).

    N is `noise` x variance, the plane's noise power, and S what its local `energy` exceeds `margin` x N by, at least nothing.
    """
    none = np.float32(0.0)
    tiny = np.float32(1e-37)
    for y in range(fine.shape[0]):
        a = fine[y]
        b = broad[y]
        e = energy[y]
        v = variance[y]
        target = out[y]
        for x in range(a.size):
            n = noise * v[x]
            s = max(e[x] - margin * n, none)
            # The smallest of numbers keeps nothing over nothing from being no number.
            target[x] += max(s / (s + n + tiny), least) * (a[x] - b[x])
