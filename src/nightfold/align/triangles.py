"""Triangles of catalogue stars, by shape and size: for a small part of the sky at once, for the whole sky from a kept file.

Stars are chosen evenly, the brightest few of every cell of the sky, because a frame's brightest stars are spread like that
whatever the depth. A triangle's code is (b/a, c/a, ln a) of its sides a >= b >= c: the shape is exact to the centroids'
error, the size only as well as the scale is known. Codes are kept sorted in bins, so that a search is a few binary searches.
"""

from __future__ import annotations

import contextlib
import os
import sys
import zipfile
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
import numpy.typing as npt

from nightfold.align.catalogue import Catalogue
from nightfold.align.tangent import project
from nightfold.frames.unfinished import unfinished

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

INDEX_VERSION = 2
SHAPE_TOLERANCE = 0.006
"""Of the side ratios: a pixel in 170, or 0.6 % of local distortion."""
NEIGHBOURS = 12
"""Kept of each star, to test a proposal before it costs more."""
SMALLEST_SIDE = 0.06
"""Of the field's short side: shorter triangles are all centroid error."""
CELLS_ACROSS = 3.0
_BINS = int(1.0 / SHAPE_TOLERANCE) + 3
_SIZE_STEPS = 1 << 20
_LOG_SIZES = (-16.0, 1.0)


@dataclass(frozen=True, slots=True)
class TriangleIndex:
    """Triangles of chosen stars. `code` (t, 3) float32 sorted by `key` (t,); `slots` (t, 3) name its corners, those opposite
    the longest side first: 0 is `anchor`, j the anchor's j-th neighbour. `left` tells the sense of turn seen with east to the right."""

    stars: IntArray
    neighbours: npt.NDArray[np.int32]
    anchor: npt.NDArray[np.int32]
    slots: npt.NDArray[np.uint8]
    code: npt.NDArray[np.float32]
    left: npt.NDArray[np.bool_]
    key: IntArray

    def search(self, code: FloatArray, log_size_tolerance: float) -> tuple[IntArray, IntArray]:
        """Pairs (row of `code`, triangle) whose shapes agree within SHAPE_TOLERANCE and sizes within the tolerance."""
        if not len(code) or not len(self.key):
            return np.zeros(0, np.int64), np.zeros(0, np.int64)
        i, j = _bins(code)
        low = _size_step(code[:, 2] - log_size_tolerance)
        high = _size_step(code[:, 2] + log_size_tolerance)
        rows, found = [], []
        for di in (-1, 0, 1):
            for dj in (-1, 0, 1):
                cell = ((i + di) * _BINS + (j + dj)) * _SIZE_STEPS
                first = np.searchsorted(self.key, cell + low, side="left")
                counts = np.searchsorted(self.key, cell + high, side="right") - first
                row = np.repeat(np.arange(len(code)), counts)
                start = np.repeat(first - np.concatenate([[0], np.cumsum(counts)[:-1]]), counts)
                hit = start + np.arange(len(row))
                near = (np.abs(self.code[hit, :2] - code[row, :2]) < SHAPE_TOLERANCE).all(axis=1)
                near &= np.abs(self.code[hit, 2] - code[row, 2]) < log_size_tolerance
                rows.append(row[near])
                found.append(hit[near])
        return np.concatenate(rows), np.concatenate(found)


def _bins(code: npt.NDArray[np.floating]) -> tuple[IntArray, IntArray]:
    i = np.floor(code[:, 0] / SHAPE_TOLERANCE).astype(np.int64) + 1
    j = np.floor(code[:, 1] / SHAPE_TOLERANCE).astype(np.int64) + 1
    return i, j


def _size_step(log_size: npt.NDArray[np.floating]) -> IntArray:
    share = (np.asarray(log_size, np.float64) - _LOG_SIZES[0]) / (_LOG_SIZES[1] - _LOG_SIZES[0])
    return np.clip(share * _SIZE_STEPS, 0, _SIZE_STEPS - 1).astype(np.int64)


def triangle_codes(
    z: npt.NDArray[np.complex128],
) -> tuple[FloatArray, npt.NDArray[np.uint8], npt.NDArray[np.bool_]]:
    """Codes (n, 3), the corners in order of the sides opposite them, longest first, and the sense of turn, of corners (n, 3)."""
    opposite = np.abs(z[:, [1, 2, 0]] - z[:, [2, 0, 1]])
    order = np.argsort(-opposite, axis=1, kind="stable")
    side = np.take_along_axis(opposite, order, axis=1)
    p = np.take_along_axis(z, order, axis=1)
    left = ((p[:, 1] - p[:, 0]).conj() * (p[:, 2] - p[:, 0])).imag > 0
    with np.errstate(divide="ignore", invalid="ignore"):
        code = np.stack([side[:, 1] / side[:, 0], side[:, 2] / side[:, 0], np.log(side[:, 0])], axis=-1)
    return code, order.astype(np.uint8), left


def even_choice(ra_deg: FloatArray, dec_deg: FloatArray, g: FloatArray, *, cell_deg: float, per_cell: int) -> IntArray:
    """The brightest `per_cell` stars of every cell of the sky, cells of equal height and about equal area."""
    bands = max(1, int(np.ceil(180.0 / cell_deg)))
    band = np.minimum(((dec_deg + 90.0) / 180.0 * bands).astype(np.int64), bands - 1)
    middle = np.radians((band + 0.5) * 180.0 / bands - 90.0)
    across = np.maximum(1, np.round(360.0 * np.cos(middle) / cell_deg)).astype(np.int64)
    cell = band * (int(np.ceil(360.0 / cell_deg)) + 2) + np.minimum(
        (ra_deg / 360.0 * across).astype(np.int64), across - 1
    )
    order = np.lexsort((g, cell))
    place = np.arange(len(order)) - np.searchsorted(cell[order], cell[order], side="left")
    return np.sort(order[place < per_cell])


def build_index(
    catalogue: Catalogue, among: IntArray | None, *, field_deg: tuple[float, float], linked: int, per_cell: int = 2
) -> TriangleIndex:
    """Triangles of the stars `among` (all, if None) for fields of `field_deg` (short side, diagonal).

    Each star makes triangles with any two of its `linked` nearest chosen neighbours.
    """
    s = catalogue.stars
    pool = np.arange(len(s)) if among is None else among
    cell = field_deg[0] / CELLS_ACROSS
    stars = pool[even_choice(s.ra_deg[pool], s.dec_deg[pool], s.g[pool], cell_deg=cell, per_cell=per_cell)]
    stars = stars[np.argsort(s.g[stars], kind="stable")]
    v = catalogue.vectors[stars]
    k = min(NEIGHBOURS, len(stars) - 1)
    if k < 2:
        none = np.zeros(0, np.int64)
        return TriangleIndex(
            stars, np.zeros((len(stars), 0), np.int32), none.astype(np.int32), np.zeros((0, 3), np.uint8),
            np.zeros((0, 3), np.float32), none.astype(bool), none,
        )  # fmt: skip
    from scipy.spatial import cKDTree

    neighbours = np.asarray(cKDTree(v).query(v, k + 1, workers=-1)[1])[:, 1:].astype(np.int32)
    parts = []
    b, c = np.array(list(combinations(range(min(linked, k)), 2))).T
    for start in range(0, len(stars), 50_000):
        rows = slice(start, start + 50_000)
        near = neighbours[rows]
        plane = project(v[near], v[rows][:, None, :])
        z = plane[..., 0] + 1j * plane[..., 1]
        corners = np.stack([np.zeros_like(z[:, b]), z[:, b], z[:, c]], axis=-1).reshape(-1, 3)
        slot = np.stack([np.zeros_like(b), b + 1, c + 1], axis=-1).astype(np.uint8)
        code, order, left = triangle_codes(corners)
        slots = np.take_along_axis(
            np.broadcast_to(slot, (len(near), *slot.shape)).reshape(-1, 3), order.astype(np.int64), axis=1
        )
        anchor = np.repeat(np.arange(len(near)) + start, len(b)).astype(np.int32)
        short, long = np.exp(code[:, 2]) * code[:, 1], np.exp(code[:, 2])
        good = np.isfinite(code).all(axis=1)
        good &= (short > np.radians(SMALLEST_SIDE * field_deg[0])) & (long < np.radians(0.9 * field_deg[1]))
        parts.append((anchor[good], slots[good], code[good].astype(np.float32), left[good]))
    anchor, slots, code32, left = (np.concatenate(columns) for columns in zip(*parts))
    once = _first_of_each(anchor, slots, neighbours)
    anchor, slots, code32, left = anchor[once], slots[once], code32[once], left[once]
    key = _keys(code32)
    order_by_key = np.argsort(key, kind="stable")
    return TriangleIndex(
        stars,
        neighbours,
        anchor[order_by_key],
        slots[order_by_key],
        code32[order_by_key],
        left[order_by_key],
        key[order_by_key],
    )


def _keys(code: npt.NDArray[np.float32]) -> IntArray:
    i, j = _bins(code)
    return np.asarray((i * _BINS + j) * _SIZE_STEPS + _size_step(code[:, 2]), np.int64)


def _first_of_each(
    anchor: npt.NDArray[np.int32], slots: npt.NDArray[np.uint8], neighbours: npt.NDArray[np.int32]
) -> IntArray:
    """Rows of triangles, each three stars once."""
    with_anchor = np.column_stack([np.arange(len(neighbours), dtype=np.int32), neighbours])
    corners = np.sort(with_anchor[anchor[:, None], slots.astype(np.int64)].astype(np.int64), axis=1)
    n = len(neighbours)
    return np.asarray(np.unique((corners[:, 0] * n + corners[:, 1]) * n + corners[:, 2], return_index=True)[1])


def local_index(
    catalogue: Catalogue, direction: FloatArray, radius_deg: float, field_deg: tuple[float, float]
) -> TriangleIndex:
    """The index of one part of the sky, made on the spot and richer than the kept ones."""
    among = catalogue.indices_near(direction, radius_deg)
    linked = 10 if len(among) < 20_000 else 6
    return build_index(catalogue, among, field_deg=field_deg, linked=linked, per_cell=3)


def whole_sky_index(catalogue: Catalogue, field_deg: tuple[float, float], folder: Path | None = None) -> TriangleIndex:
    """The index of the whole sky for about this field, from the kept file; made and kept if there is none.

    Fields are taken in steps of the square root of two, so that few files serve all rigs. A folder that cannot be written
    costs only time.
    """
    step = int(np.floor(2.0 * np.log2(field_deg[0])))
    short = 2.0 ** (0.5 * step)
    path = (folder or user_cache_folder()) / f"triangles-{INDEX_VERSION}-{catalogue.fingerprint}-{step}.npz"
    found = _read(path)
    if found is None:
        found = build_index(catalogue, None, field_deg=(short, 2.6 * short), linked=5)
        _write(path, found)
    return found


def user_cache_folder() -> Path:
    """Where this system keeps what can be made again."""
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return base / "nightfold"


_KEPT = ("stars", "neighbours", "anchor", "slots", "code", "left")


def _read(path: Path) -> TriangleIndex | None:
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as kept:
            arrays = {name: kept[name] for name in _KEPT}
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return None
    return TriangleIndex(**arrays, key=_keys(arrays["code"]))


def _write(path: Path, index: TriangleIndex) -> None:
    """Whole or not at all; several processes may write the same file."""
    part = unfinished(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("wb") as file:
            np.savez(file, **{name: getattr(index, name) for name in _KEPT})
        os.replace(part, path)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
