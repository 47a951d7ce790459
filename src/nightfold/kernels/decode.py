"""Big-endian 16-bit pixels to float32, in one pass."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(nogil=True, cache=True, error_model="numpy")
def decode_unsigned16(stored, out):
    """`stored`: uint16 as they lie in the file (big-endian int16, BZERO 32768), seen natively; `out`: float32, same size.

    Swapping the bytes and turning the top bit gives the unsigned value.
    """
    for i in range(stored.size):
        v = stored[i]
        v = np.uint16((v << 8) | (v >> 8)) ^ np.uint16(0x8000)
        out[i] = np.float32(v)
