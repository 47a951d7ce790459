"""Raw counts to electrons, and where they are at the sensor's ceiling, a few rows at a time while they are in the cache.

Packed planes hold 16 bits a pixel. Dark: the distance from a base as a half-precision float (IEEE 754), so that what is near the
base is known to 0.02 % of that distance and a hot pixel as well. Flat: whole steps of a power of two; 0 where nothing is to be had.
"""

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
def mark_high(raw, limit, first, bits, has_bits, places, known):
    """Write the flat index, plus `first`, of each of `raw` that is at least `limit` to `places`; set bit 2 of `bits` there.

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
                    if has_bits:
                        bits[y, x] |= np.uint8(2)
                    if known < places.size:
                        places[known] = first + y * width + x
                    known += 1
    return known


@njit(nogil=True, cache=True, error_model="numpy")
def pack_dark(words, swapped, base, out):
    """Write float32 seen as `words` less `base` as half floats; return how many are no numbers, which become 0.

    Rounded to even; below 2^-14 is 0, beyond 65504 is that.
    """
    rows, width = words.shape
    missing = 0
    for y in range(rows):
        source = words[y]
        target = out[y]
        bad = np.int32(0)
        for x in range(width):
            w = source[x]
            turned = np.uint32((w << 24) | ((w & 0xFF00) << 8) | ((w >> 8) & 0xFF00) | (w >> 24))
            apart = np.uint32(turned if swapped else w).view(np.float32) - base
            size = abs(apart)
            finite = size < np.float32(np.inf)
            bad += np.int32(not finite)
            size = min(size, np.float32(65504.0))
            b = np.float32(size).view(np.uint32)
            b = np.uint32(b + np.uint32(0xFFF) + ((b >> np.uint32(13)) & np.uint32(1)))
            half = (b >> np.uint32(13)) - np.uint32(112 << 10)
            kept = finite and size >= np.float32(6.103515625e-05)
            sign = np.uint32(0x8000) if apart < np.float32(0.0) else np.uint32(0)
            target[x] = np.uint16(half | sign) if kept else np.uint16(0)
        missing += bad
    return missing


@njit(nogil=True, cache=True, error_model="numpy")
def pack_flat(words, swapped, least, spoilt, has_spoilt, per_one, out):
    """Write float32 seen as `words` in steps of 1 / `per_one`; 0 where not above `least` or `spoilt`. Returns how many are too high."""
    rows, width = words.shape
    beyond = 0
    for y in range(rows):
        source = words[y]
        target = out[y]
        high = np.int32(0)
        for x in range(width):
            w = source[x]
            turned = np.uint32((w << 24) | ((w & 0xFF00) << 8) | ((w >> 8) & 0xFF00) | (w >> 24))
            light = np.uint32(turned if swapped else w).view(np.float32)
            steps = light * per_one + np.float32(0.5)
            good = light > least and steps < np.float32(65536.0)
            high += np.int32(light > least and not good)
            target[x] = np.uint16(np.int32(steps if good else np.float32(0.0)))
        beyond += high
        if has_spoilt:
            marks = spoilt[y]
            for x in range(width):
                target[x] = np.uint16(0) if marks[x] else target[x]
    return beyond


@njit(nogil=True, cache=True, error_model="numpy")
def packed_to_electrons(
    stored, dark, has_dark, base, gain, flat, has_flat, limit, first, bits, has_bits, places, known, out, halved
):
    """Electrons, the places at the ceiling and means of 2x2 pixels at once, from counts as they lie in the file.

    `stored` holds big-endian 16-bit counts whose top bit is turned (BZERO 32768), seen as native unsigned integers; `dark` and `flat`
    are packed. Writes (counts - base - dark) * gain / flat, where `gain` has the step of the flat in it already; NaN where the flat is 0.
    `bits`, `places` and `known` as in `mark_high`. `halved` takes as many rows as it has.
    """
    rows, width = stored.shape
    nan = np.float32(np.nan)
    lift = np.float32(2.0**112)
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
                h = np.uint32(offset[x])
                size = np.uint32((h & np.uint32(0x7FFF)) << np.uint32(13)).view(np.float32) * lift
                apart = np.uint32(np.float32(size).view(np.uint32) | ((h & np.uint32(0x8000)) << np.uint32(16))).view(
                    np.float32
                )
                target[x] = (counts - base - apart) * gain
        else:
            for x in range(width):
                v = source[x]
                v = np.uint16((v << 8) | (v >> 8)) ^ np.uint16(0x8000)
                counts = np.float32(v)
                high += np.int32(counts >= limit)
                target[x] = (counts - base) * gain
        if has_flat:
            share = flat[y]
            for x in range(width):
                s = share[x]
                target[x] = target[x] / np.float32(s) if s > 0 else nan
        if high > 0:
            for x in range(width):
                v = source[x]
                v = np.uint16((v << 8) | (v >> 8)) ^ np.uint16(0x8000)
                if np.float32(v) >= limit:
                    if has_bits:
                        bits[y, x] |= np.uint8(2)
                    if known < places.size:
                        places[known] = first + y * width + x
                    known += 1
        if y % 2 == 1 and y // 2 < halved.shape[0]:
            halve_row(out[y - 1], target, halved[y // 2])
    return known
