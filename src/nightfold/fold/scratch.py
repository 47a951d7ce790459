"""Memory that a thread keeps from tile to tile: fresh pages cost the system more than the work done on them."""

from __future__ import annotations

import threading
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
