"""Proposals of where a frame lies on the sky: triangles of its stars that look like triangles of the catalogue.

Each proposal must at once predict further stars near it that are there; only then is it worth a full test.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from nightfold.align.tangent import project
from nightfold.align.triangles import TriangleIndex, triangle_codes

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

EARLY_RADIUS = 0.004
"""Of the frame's diagonal: how far a predicted neighbour may lie, before any distortion is known."""
CHUNK_CODES = 4000
CHUNK_PROPOSALS = 20_000
HIT_SHARE = 0.5
"""Share of catalogue stars that a true proposal is taken to find, for the order in which proposals are tested."""


@dataclass(frozen=True, slots=True)
class Frame:
    """Stars of a frame, brightest first, with its shape (height, width)."""

    xy: FloatArray
    shape: tuple[int, int]

    @property
    def diagonal_px(self) -> float:
        """Length of the diagonal."""
        return float(np.hypot(*self.shape))

    def spread(self) -> IntArray:
        """The order in which stars make triangles: the brightest of each part of the frame, then the second ones, …"""
        height, width = self.shape
        across = max(1, round(3.0 * width / min(height, width)))
        down = max(1, round(3.0 * height / min(height, width)))
        i = np.clip((self.xy[:, 0] + 0.5) / width * across, 0, across - 1).astype(np.int64)
        j = np.clip((self.xy[:, 1] + 0.5) / height * down, 0, down - 1).astype(np.int64)
        cell = j * across + i
        order = np.argsort(cell, kind="stable")
        rank = np.empty(len(cell), np.int64)
        rank[order] = np.arange(len(cell)) - np.searchsorted(cell[order], cell[order], side="left")
        return np.argsort(rank, kind="stable")


@dataclass(frozen=True, slots=True)
class Proposals:
    """Rows of proposals: three frame stars `spots` (n, 3), three catalogue stars `stars` (n, 3), a score, highest first.

    `tested` counts all that were looked at, for the account of chance.
    """

    spots: IntArray
    stars: IntArray
    score: FloatArray
    tested: int


def propose(
    frame: Frame,
    chosen: IntArray,
    index: TriangleIndex,
    vectors: FloatArray,
    *,
    scale_rad: float,
    tolerance: float,
    most: int,
    known: int = 0,
) -> Proposals:
    """Best proposals from triangles of the frame's stars `chosen`.

    Parameters
    ----------
    frame : Frame
        The frame.
    chosen : (n,) int
        Its stars that make triangles.
    index : TriangleIndex
        Of the catalogue.
    vectors : (m, 3) float64
        Unit vectors of the catalogue.
    scale_rad : float
        Expected radians per pixel.
    tolerance : float
        Relative, of the scale.
    most : int
        Proposals to give back.
    known : int
        Triangles of only the first so many of `chosen` were looked at before and are left out.
    """
    near = _Raster(frame, chosen)
    spots, stars, scores, tested = [], [], [], 0
    z_all = frame.xy[:, 0] + 1j * frame.xy[:, 1]
    logs = index.code[:, 2]
    if len(logs):
        size = (
            float(np.exp(logs.min())) / scale_rad / (1 + tolerance),
            float(np.exp(logs.max())) / scale_rad * (1 + tolerance),
        )
    else:
        size = 0.0, 0.0
    for triple in _triples(chosen, known):
        code, order, left = triangle_codes(z_all[triple])
        longest = np.exp(code[:, 2])
        good = np.isfinite(code).all(axis=1) & (longest >= size[0]) & (longest <= size[1])
        triple = np.take_along_axis(triple[good], order[good].astype(np.int64), axis=1)
        code, left = code[good], left[good]
        code[:, 2] += math.log(scale_rad)
        row, hit = index.search(code, math.log1p(tolerance))
        for start in range(0, len(row), CHUNK_PROPOSALS):
            r, h = row[start : start + CHUNK_PROPOSALS], hit[start : start + CHUNK_PROPOSALS]
            score, corners = _score(index, vectors, z_all[triple[r]], left[r], h, near)
            keep = score > 0
            spots.append(triple[r][keep])
            stars.append(index.stars[corners[keep]])
            scores.append(score[keep])
        tested += len(row)
        if sum(len(s) for s in scores) > 8 * most:
            spots, stars, scores = _best(spots, stars, scores, most)
    if not scores:
        none = np.zeros((0, 3), np.int64)
        return Proposals(none, none, np.zeros(0), tested)
    spots, stars, scores = _best(spots, stars, scores, most)
    return Proposals(spots[0], stars[0], scores[0], tested)


def _best(
    spots: list[IntArray], stars: list[IntArray], scores: list[FloatArray], most: int
) -> tuple[list[IntArray], list[IntArray], list[FloatArray]]:
    a, b, score = np.concatenate(spots), np.concatenate(stars), np.concatenate(scores)
    best = np.argsort(-score, kind="stable")[:most]
    return [a[best]], [b[best]], [score[best]]


def _triples(chosen: IntArray, known: int) -> Iterator[IntArray]:
    """All three of `chosen`, the earlier ones first, in pieces."""
    rows: list[IntArray] = []
    count = 0
    for last in range(max(2, known), len(chosen)):
        pair = np.array(list(combinations(range(last), 2)), np.int64)
        rows.append(np.column_stack([chosen[pair], np.full(len(pair), chosen[last])]))
        count += len(pair)
        if count >= CHUNK_CODES:
            yield np.concatenate(rows)
            rows, count = [], 0
    if rows:
        yield np.concatenate(rows)


class _Raster:
    """Which places of the frame lie near one of its brighter stars, as a coarse picture."""

    def __init__(self, frame: Frame, chosen: IntArray) -> None:
        self.radius = max(3.0, EARLY_RADIUS * frame.diagonal_px)
        self.pitch = 0.4 * self.radius
        self.shape = frame.shape
        rows, columns = (int(np.ceil(n / self.pitch)) + 1 for n in frame.shape)
        self.near = np.zeros((rows, columns), bool)
        reach = int(np.ceil(self.radius / self.pitch))
        # Twice as many stars as make triangles: the catalogue's neighbours may be the frame's fainter ones.
        spread = frame.spread()[: max(40, 2 * len(chosen))]
        cell = np.round(frame.xy[spread] / self.pitch).astype(np.int64)
        for dy in range(-reach, reach + 1):
            for dx in range(-reach, reach + 1):
                if np.hypot(dx, dy) * self.pitch <= self.radius:
                    y, x = np.clip(cell[:, 1] + dy, 0, rows - 1), np.clip(cell[:, 0] + dx, 0, columns - 1)
                    self.near[y, x] = True
        self.share = min(0.4, max(1e-4, float(self.near.mean())))

    def look(self, z: npt.NDArray[np.complex128]) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
        """Whether places lie inside the frame, and near a star."""
        height, width = self.shape
        inside = (z.real >= 0) & (z.imag >= 0) & (z.real < width) & (z.imag < height)
        safe = np.where(inside, z, 0.0)
        x, y = (safe.real / self.pitch).round().astype(np.int32), (safe.imag / self.pitch).round().astype(np.int32)
        return inside, inside & self.near[y, x]


def _score(
    index: TriangleIndex,
    vectors: FloatArray,
    spots: npt.NDArray[np.complex128],
    spots_left: npt.NDArray[np.bool_],
    triangle: IntArray,
    raster: _Raster,
) -> tuple[FloatArray, IntArray]:
    """Log odds of each proposal from the anchor's neighbours, and its corners as positions in `index.stars`."""
    anchor, slots = index.anchor[triangle], index.slots[triangle].astype(np.int64)
    near = index.neighbours[anchor]
    plane = project(vectors[index.stars[near]], vectors[index.stars[anchor]][:, None, :])
    around = plane[..., 0] + 1j * plane[..., 1]
    sky = np.concatenate([np.zeros((len(anchor), 1), np.complex128), around], axis=1)
    corner = np.take_along_axis(sky, slots, axis=1)
    over = index.left[triangle] != spots_left
    z = np.where(over[:, None], spots.conj(), spots)
    turn, shift = similarity(z, corner)
    predicted = (around - shift[:, None]) / turn[:, None]
    predicted = np.where(over[:, None], predicted.conj(), predicted)
    inside, hit = raster.look(predicted)
    own = np.zeros((len(anchor), around.shape[1] + 1), bool)
    np.put_along_axis(own, slots, True, axis=1)
    other = inside & ~own[:, 1:]
    hits, misses = (hit & other).sum(axis=1), (other & ~hit).sum(axis=1)
    score = hits * math.log(HIT_SHARE / raster.share) + misses * math.log((1 - HIT_SHARE) / (1 - raster.share))
    corners = np.take_along_axis(np.column_stack([anchor, near]).astype(np.int64), slots, axis=1)
    return np.where(hits >= 1, score, -1.0), corners


def similarity(
    z: npt.NDArray[np.complex128], w: npt.NDArray[np.complex128]
) -> tuple[npt.NDArray[np.complex128], npt.NDArray[np.complex128]]:
    """Least squares of w = turn * z + shift over the last axis."""
    zm, wm = z.mean(axis=-1, keepdims=True), w.mean(axis=-1, keepdims=True)
    turn = ((w - wm) * (z - zm).conj()).sum(axis=-1) / (np.abs(z - zm) ** 2).sum(axis=-1)
    return turn, wm[..., 0] - turn * zm[..., 0]
