"""Raw counts to electrons, and where they are at the sensor's ceiling, a few rows at a time while they are in the cache."""

import numpy as np
from numba import njit

from nightfold.kernels.background import halve_row

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


@njit(nogil=True, cache=True, error_model="numpy")
def stored_to_electrons(
    stored,
    dark,
    has_dark,
    pedestal,
    gain,
    flat,
    has_flat,
    least_flat,
    bad,
    has_bad,
    limit,
    first,
    bits,
    places,
    known,
    out,
    halved,
):
    """`to_electrons`, `mark_high` and `halve` at once, from counts and planes as they lie in their files.

    `stored` holds big-endian 16-bit counts whose top bit is turned (BZERO 32768), `dark` and `flat` big-endian float32, all seen as
    native unsigned integers. `halved` takes means of 2x2 finite pixels, as many rows as it has. Returns how many places are known.
    """
    rows, width = stored.shape
    nan = np.float32(np.nan)
    for y in range(rows):
        source = stored[y]
        target = out[y]
        high = np.int32(0)
        if has_dark:
            offset = dark[y]
            for x in range(width):
                v = source[x]
                v = np.uint16((v << 8) | (v >> 8)) ^ np.uint16(0x8000)
                counts = np.float32(v)
                high += np.int32(counts >= limit)
                o = offset[x]
                o = np.uint32((o << 24) | ((o & 0xFF00) << 8) | ((o >> 8) & 0xFF00) | (o >> 24))
                target[x] = (counts - o.view(np.float32)) * gain
        else:
            for x in range(width):
                v = source[x]
                v = np.uint16((v << 8) | (v >> 8)) ^ np.uint16(0x8000)
                counts = np.float32(v)
                high += np.int32(counts >= limit)
                target[x] = (counts - pedestal) * gain
        if has_flat:
            share = flat[y]
            for x in range(width):
                s = share[x]
                s = np.uint32((s << 24) | ((s & 0xFF00) << 8) | ((s >> 8) & 0xFF00) | (s >> 24))
                light = s.view(np.float32)
                target[x] = target[x] / light if light > least_flat else nan
        if has_bad:
            spoilt = bad[y]
            for x in range(width):
                target[x] = nan if spoilt[x] else target[x]
        if high > 0:
            for x in range(width):
                v = source[x]
                v = np.uint16((v << 8) | (v >> 8)) ^ np.uint16(0x8000)
                if np.float32(v) >= limit:
                    bits[y, x] |= np.uint8(2)
                    if known < places.size:
                        places[known] = first + y * width + x
                    known += 1
        if y % 2 == 1 and y // 2 < halved.shape[0]:
            halve_row(out[y - 1], target, halved[y // 2])
    return known
