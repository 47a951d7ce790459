"""Tiles folded by a cluster's workers: the blueprint goes to the shared folder once, a task is its path and a tile."""

from __future__ import annotations

import pickle
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from threading import Lock
from typing import Any

import numpy.typing as npt

from nightfold.calibrate.handing import PLANES, Handed, hand_over
from nightfold.engine.cluster import Cluster, check_seen
from nightfold.engine.core import CancelToken, allow_open_files, atomic_write
from nightfold.fold.core import Blueprint, TileFolder, TilePart
from nightfold.fold.records import FoldSub, Plane
from nightfold.fold.tiles import Tile
from nightfold.frames.pixels import PixelSource, open_pixels

_opening = Lock()


class FilePixels:
    """A sub's pixels by its file, so that it can be sent to a worker, which opens the file when it first reads."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self._source: PixelSource | None = None

    def __reduce__(self) -> tuple[Any, ...]:
        return FilePixels, (self.file,)

    def _open(self) -> PixelSource:
        with _opening:
            if self._source is None:
                self._source = open_pixels(self.file)
            return self._source

    def read_box(self, y0: int, y1: int, x0: int, x1: int) -> Plane:
        """As of `PixelSource`."""
        return (self._source or self._open()).read_box(y0, y1, x0, x1)

    def read_stored(self, y0: int, y1: int, x0: int, x1: int) -> npt.NDArray[Any]:
        """As of `PixelSource`."""
        return (self._source or self._open()).read_stored(y0, y1, x0, x1)


@dataclass(frozen=True, slots=True)
class _Sent:
    """A blueprint whose calibrations are files: `which[i]` is the calibration of sub i."""

    blueprint: Blueprint
    calibrations: tuple[Handed, ...]
    which: tuple[int, ...]
    files: tuple[Path, ...]


class FoldElsewhere:
    """Hands tiles to a cluster; see `nightfold.fold.core.fold_subs`.

    Parameters
    ----------
    folder : Path
        Shared and new; the caller removes it.
    files : mapping
        By a sub's name the file that workers read.
    """

    def __init__(
        self, cluster: Cluster, folder: Path, files: dict[str, Path], cancelled: CancelToken | None = None
    ) -> None:
        self._cluster, self._folder, self._files, self._cancelled = cluster, folder, files, cancelled

    def __call__(self, blueprint: Blueprint, tiles: Sequence[Tile]) -> Iterator[TilePart]:
        """The parts of the tiles, in their order."""
        number: dict[int, int] = {}
        handed: list[Handed] = []
        written: dict[tuple[int, ...], Handed] = {}  # subs of their own numbers may share planes
        for sub in blueprint.subs:
            own = sub.calibration
            if id(own) not in number:
                planes = tuple(id(getattr(own, plane)) for plane in PLANES)
                if planes not in written:
                    written[planes] = hand_over(own, self._folder, f"calibration-{len(written)}")
                number[id(own)] = len(handed)
                handed.append(written[planes].with_numbers_of(own))
        which = tuple(number[id(s.calibration)] for s in blueprint.subs)
        subs = tuple(self._by_file(s, handed[k]) for s, k in zip(blueprint.subs, which, strict=True))
        path = self._folder / "fold"
        with atomic_write(path) as file:
            files = tuple(self._files[s.name] for s in subs)
            pickle.dump(_Sent(replace(blueprint, subs=subs), tuple(handed), which, files), file, protocol=5)
        tasks = [(path, tile) for tile in tiles]
        yield from self._cluster.map(
            fold_tile_elsewhere, tasks, needs=lambda task: [task[0]], cancelled=self._cancelled
        )

    def _by_file(self, sub: FoldSub, handed: Handed) -> FoldSub:
        pixels = FilePixels(self._files[sub.name])
        stored = pixels.read_stored if sub.read_stored is not None else None
        return replace(sub, calibration=handed.numbers, read_box=pixels.read_box, read_stored=stored)


def fold_tile_elsewhere(task: tuple[Path, Tile]) -> TilePart:
    """A worker's task."""
    path, tile = task
    with _loading:  # so that threads that begin at once load it once
        folder = _folder_of(path)
    return folder(tile)


_loading = Lock()


@lru_cache(maxsize=1)
def _folder_of(path: Path) -> TileFolder:
    with open(path, "rb") as file:
        sent: _Sent = pickle.load(file)
    check_seen([*(f for h in sent.calibrations for f in h.files), *sent.files])
    calibrations = [h.load() for h in sent.calibrations]
    subs = tuple(replace(s, calibration=calibrations[k]) for s, k in zip(sent.blueprint.subs, sent.which, strict=True))
    allow_open_files(len(subs))
    return TileFolder(replace(sent.blueprint, subs=subs))
