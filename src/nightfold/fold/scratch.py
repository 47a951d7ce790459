"""Memory that a thread keeps from tile to tile: fresh pages cost the system more than the work done on them."""

from __future__ import annotations

import mmap
import threading
from contextlib import suppress
from typing import Any

import numpy as np
import numpy.typing as npt


class Scratch(threading.local):
    """Arrays by name, each thread's own; what one holds is lost when the same name is asked for again."""

    def __init__(self) -> None:
        self._held: dict[str, npt.NDArray[np.uint8]] = {}

    def array(self, name: str, shape: tuple[int, ...], dtype: npt.DTypeLike = np.float32) -> npt.NDArray[Any]:
        """An array of arbitrary content, C-contiguous, that begins at a multiple of 64 bytes."""
        count = int(np.prod(shape)) * np.dtype(dtype).itemsize
        held = self._held.get(name)
        if held is None or held.size < count + 64:
            self._held.pop(name, None)  # first, so that not both are held
            held = self._held[name] = np.empty(count + 64, np.uint8)
        start = -held.ctypes.data % 64
        made: npt.NDArray[Any] = held[start : start + count].view(dtype).reshape(shape)
        return made


def plane_of_small_pages(shape: tuple[int, int], dtype: npt.DTypeLike) -> npt.NDArray[Any]:
    """An empty plane that is written once, in pages of the usual size; zeros.

    Large pages, which numpy asks for, serve what is gone through again and again. Under a virtual machine they often come
    from memory that was given back and must be found anew: 0.3 to 0.65 s for 312 MB, small ones 0.13.
    """
    size = int(np.prod(shape)) * np.dtype(dtype).itemsize
    advice = getattr(mmap, "MADV_NOHUGEPAGE", None)
    if size == 0 or advice is None:
        return np.zeros(shape, dtype)
    memory = mmap.mmap(-1, size, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)
    with suppress(OSError):  # a system built without large pages
        memory.madvise(advice)
    made: npt.NDArray[Any] = np.frombuffer(memory, dtype).reshape(shape)
    return made
