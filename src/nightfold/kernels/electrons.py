"""Raw counts to electrons, and where they are at the sensor's ceiling, a few rows at a time while they are in the cache."""

import numpy as np
from numba import njit

BLOCK = 512
"""Pixels looked at together for one at the ceiling; hardly any is."""


@njit(nogil=True, cache=True, error_model="numpy")
def to_electrons(raw, dark, has_dark, pedestal, gain, flat, has_flat, least_flat, bad, has_bad, out):
    """Write (raw - dark) * gain / flat into `out`; NaN where the flat is not above `least_flat` and where `bad` is set.

    Without a dark, `pedestal` is taken off. Each step is rounded to float32 as array arithmetic would.
    """
    rows, width = raw.shape
    for y in range(rows):
        source = raw[y]
        target = out[y]
        if has_dark:
            offset = dark[y]
            for x in range(width):
                target[x] = (source[x] - offset[x]) * gain
        else:
            for x in range(width):
                target[x] = (source[x] - pedestal) * gain
        if has_flat:
            share = flat[y]
            for x in range(width):
                target[x] = target[x] / share[x] if share[x] > least_flat else np.float32(np.nan)
        if has_bad:
            spoilt = bad[y]
            for x in range(width):
                target[x] = np.float32(np.nan) if spoilt[x] else target[x]


@njit(nogil=True, cache=True, error_model="numpy")
def mark_high(raw, limit, first, bits, places, known):
    """Set bit 2 of `bits` where `raw` is at least `limit`; the flat index of each, plus `first`, goes to `places`.

    `known` places are there already; only as many as `places` holds are written. Returns how many there are with these.
    """
    rows, width = raw.shape
    for y in range(rows):
        row = raw[y]
        for start in range(0, width, BLOCK):
            part = row[start : start + BLOCK]
            high = 0
            for x in range(part.size):
                high += part[x] >= limit
            if high == 0:
                continue
            for x in range(start, min(start + BLOCK, width)):
                if row[x] >= limit:
                    bits[y, x] |= np.uint8(2)
                    if known < places.size:
                        places[known] = first + y * width + x
                    known += 1
    return known
