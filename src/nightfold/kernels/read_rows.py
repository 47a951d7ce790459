"""The loop that reads part of each row of an image from its file: a call of the system a row, and nothing beside it."""

from __future__ import annotations

import os
import sys
from typing import Any

import numpy as np
from numba import njit, types

AT_HAND = hasattr(os, "pread") and sys.maxsize > 2**32
"""Whether the system has the call, with 64-bit places in files."""

_pread: Any = types.ExternalFunction("pread", types.int64(types.int32, types.uintp, types.uintp, types.int64))


@njit(nogil=True, cache=True, error_model="numpy")
def read_rows(fd, offset, stride, out):
    """Fill the rows of `out`, uint8 (rows, bytes), from places `stride` bytes apart, the first at `offset` of the open file.

    Returns how many rows were read whole; the next one breaks off, or the system has something to tell.
    """
    rows, size = out.shape
    for i in range(rows):
        if _pread(np.int32(fd), out[i].ctypes.data, size, offset + i * stride) != size:
            return i
    return rows
