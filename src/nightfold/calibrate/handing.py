"""A calibration's planes as plain files in a shared folder, for workers that do not know the ledger."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from threading import Lock
from typing import Any

import numpy as np

from nightfold.calibrate.records import Calibration
from nightfold.engine.core import atomic_write

PLANES = ("dark_adu", "flat", "bad")
_loading = Lock()


@dataclass(frozen=True, slots=True)
class Handed:
    """A calibration by its numbers and the files of its planes; small, so that it can go with every task."""

    numbers: Calibration
    planes: tuple[tuple[str, Path], ...]

    @property
    def files(self) -> list[Path]:
        """The files that a worker must see."""
        return [path for _, path in self.planes]

    def load(self) -> Calibration:
        """The calibration; a process keeps the planes of the latest two."""
        with _loading:  # so that threads that ask at once read it once
            return replace(self.numbers, **_load(self.planes))

    def with_numbers_of(self, calibration: Calibration) -> Handed:
        """The same planes with the numbers of a sub of its own, as its temperature tells them."""
        return Handed(_numbers(calibration), self.planes)


def hand_over(calibration: Calibration, folder: Path, name: str) -> Handed:
    """Write the planes of a calibration into `folder`, under `name`."""
    planes = []
    for plane in PLANES:
        values = getattr(calibration, plane)
        if values is not None:
            path = folder / f"{name}-{plane}.npy"
            with atomic_write(path) as file:
                np.save(file, np.ascontiguousarray(values), allow_pickle=False)
            planes.append((plane, path.absolute()))
    return Handed(_numbers(calibration), tuple(planes))


def _numbers(calibration: Calibration) -> Calibration:
    without: dict[str, Any] = dict.fromkeys(PLANES)
    return replace(calibration, **without)


@lru_cache(maxsize=2)
def _load(planes: tuple[tuple[str, Path], ...]) -> dict[str, Any]:
    return {plane: np.load(path, allow_pickle=False) for plane, path in planes}
