"""Loops that combine unregistered frames pixel by pixel: bias, dark and flat frames. Serves `calibrate`.

Each pixel's samples are gathered into a small contiguous buffer (blocks of 64 pixels, so that every cache line that is
touched is used whole), their median and median deviation come from a selection, not a sort: the time grows with n, not
with n^2, so that a hundred bias frames cost per sample what ten do.
"""

from __future__ import annotations

import numpy as np
from numba import njit

BLOCK = 64


@njit(nogil=True, cache=True, error_model="numpy")
def select_in_place(values, count, k):
    """The k-th smallest (0-based) of the first `count` values, which are reordered (Hoare's selection, 1961)."""
    low = 0
    high = count - 1
    while low < high:
        pivot = values[(low + high) // 2]
        i = low
        j = high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                swap = values[i]
                values[i] = values[j]
                values[j] = swap
                i += 1
                j -= 1
        if k <= j:
            high = j
        elif k >= i:
            low = i
        else:
            return values[k]
    return values[k]


@njit(nogil=True, cache=True, error_model="numpy")
def median_in_place(values, count):
    """The median of the first `count` (>= 1) values, which are reordered."""
    upper = select_in_place(values, count, count // 2)
    if count % 2 == 1:
        return np.float64(upper)
    lower = values[0]  # everything before count // 2 is now no greater than `upper`: its largest is the other middle
    for i in range(1, count // 2):
        if values[i] > lower:
            lower = values[i]
    return 0.5 * (np.float64(lower) + np.float64(upper))


@njit(nogil=True, cache=True, error_model="numpy")
def combine_known_noise(stack, floor_variance, per_level, base, clip, sigma_per_mad, mean, variance, used):
    """Fill mean, variance of the mean and count of each pixel of `stack` (n, pixels), float32.

    sigma^2 = floor_variance + per_level * max(level - base, 0), never below what the pixel's own median deviation says.
    """
    n = stack.shape[0]
    pixels = stack.shape[1]
    gathered = np.empty((BLOCK, n), np.float32)
    work = np.empty(n, np.float32)
    prior = 10.0  # degrees of freedom given to the noise that is known against that of the pixel's own scatter
    start = 0
    while start < pixels:
        size = min(BLOCK, pixels - start)
        for i in range(n):
            row = stack[i, start : start + size]
            for p in range(size):
                gathered[p, i] = row[p]
        for p in range(size):
            values = gathered[p]
            count = 0
            for i in range(n):
                if np.isfinite(values[i]):
                    work[count] = values[i]
                    count += 1
            where = start + p
            if count == 0:
                mean[where] = np.nan
                variance[where] = np.nan
                used[where] = 0
                continue
            spread = 0.0
            if count <= 2:
                # Two samples that disagree: what strikes a frame adds light, so the lower one is believed.
                centre = np.float64(work[0])
                if count == 2 and work[1] < work[0]:
                    centre = np.float64(work[1])
            else:
                centre = median_in_place(work, count)
                for i in range(count):
                    work[i] = abs(work[i] - np.float32(centre))
                spread = sigma_per_mad * median_in_place(work, count)
            noise2 = floor_variance + per_level * max(centre - base, 0.0)
            limit2 = clip * clip * max(noise2, spread * spread)
            if count == 2:
                limit2 = 2.0 * limit2
            kept = -1
            total = 0.0
            for _ in range(6):
                total = 0.0
                new = 0
                for i in range(n):
                    step = np.float64(values[i]) - centre
                    if step * step <= limit2:  # False for NaN
                        total += step
                        new += 1
                if new == 0 or new == kept:
                    break
                kept = new
                centre += total / new
                if new == count:
                    break
            squares = 0.0
            good = 0
            for i in range(n):
                step = np.float64(values[i]) - centre
                if step * step <= limit2:
                    squares += step * step
                    good += 1
            if good == 0:
                good = 1
            mean[where] = centre
            variance[where] = (prior * noise2 + squares) / (prior + good - 1) / good
            used[where] = good
        start += BLOCK
