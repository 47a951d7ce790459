"""Folds subs into one master, tile by tile: place all subs on a tile, reject by known noise, take the weighted mean.

No registered frame is ever written and no sub is ever held whole: memory does not depend on how many there are. Tiles are
worked on by threads; a pixel depends neither on the cut into tiles nor on the threads nor on the order of the subs (which
are put in the order of their names, so that sums round the same way).
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from copy import copy
from dataclasses import dataclass, field, replace
from itertools import zip_longest
from statistics import NormalDist
from typing import Any

import numpy as np
import numpy.typing as npt

from nightfold.engine.core import CancelToken, NullProgress, Progress, parallel_map
from nightfold.errors import FoldError
from nightfold.fold.levels import local_sky, noise_factors, seeing_leeway, seeing_terms
from nightfold.fold.placing import NoiseEntries, Placer, placers_of
from nightfold.fold.records import FoldOptions, FoldResult, FoldSub, PartialWeights, Plane, StackStatistic
from nightfold.fold.scratch import Scratch, plane_of_small_pages
from nightfold.fold.statistics import RULES
from nightfold.fold.tiles import Lie, Tile, plan_tiles
from nightfold.kernels.combine import combine_tile, median_network, sorting_network, widening_of
from nightfold.kernels.lanczos import LANES, NOISE_ROWS, lanczos

FOLLOW_SIGMA = 2.0
"""Neighbours of a rejected bright sample go with it if they stand out by this much (common practice, no source)."""
MOST_SUBS = 32767
BATCH = 4
"""Subs whose pieces are read and calibrated in turn, so that their piece of dark and flat comes from the cache for all but
the first; each holds its part of a tile in memory."""
SQUARES_UNIT = 1 << 20
"""Kernel squares are summed as whole numbers of this fraction, so that the sum does not depend on the order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blueprint:
    """All that folding any tile needs: the subs in the order of their names, and what was found of all of them together."""

    subs: tuple[FoldSub, ...]
    grid_shape: tuple[int, int]
    options: FoldOptions
    sky: Plane | None
    factors: npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class TilePart:
    """What a tile gave: its part of the four planes, weights where not all subs cover, sums of each sub's kernel squares."""

    tile: Tile
    planes: tuple[npt.NDArray[Any], ...]
    weights: list[PartialWeights]
    squares: npt.NDArray[np.int64]
    entries: npt.NDArray[np.int64]


Elsewhere = Callable[[Blueprint, Sequence[Tile]], Iterator[TilePart]]


def fold_subs(
    subs: Sequence[FoldSub],
    grid_shape: tuple[int, int],
    options: FoldOptions | None = None,
    *,
    progress: Progress | None = None,
    cancelled: CancelToken | None = None,
    elsewhere: Elsewhere | None = None,
) -> FoldResult:
    """The master of `subs` on a grid of (height, width) pixels.

    Parameters
    ----------
    elsewhere : callable, optional
        Works on tiles in other processes, given the blueprint; the same bytes come out. By default threads do it here.

    Raises
    ------
    FoldError
        No sub, no weight, an unknown statistic, or a sub that cannot be placed.
    CancelledError
        `cancelled` asked for it.
    """
    began = time.perf_counter()
    options = options or FoldOptions()
    if not 1 <= len(subs) <= MOST_SUBS:
        raise FoldError(
            "there is nothing to fold" if not subs else "too many subs",
            seen=f"{len(subs)}",
            allowed=f"1 to {MOST_SUBS}",
        )
    if not sum(s.weight for s in subs) > 0.0:
        raise FoldError("no sub has a weight", seen="all 0", next_step="keep at least one sub")
    rule = _rule(options)
    order = sorted(range(len(subs)), key=lambda i: (subs[i].name, subs[i].transform.matrix.tobytes()))
    placers = placers_of([subs[i] for i in order])
    lies = np.array([p.lie for p in placers]).mean(axis=0)
    tiles = plan_tiles(
        grid_shape,
        len(subs),
        workers=options.workers,
        memory_bytes=options.memory_bytes,
        tile=options.tile,
        lie=Lie(*map(float, lies)),
    )
    sky = local_sky(placers, grid_shape) if rule is None and len(subs) > 1 else None
    factors = noise_factors(placers, grid_shape) if rule is None else np.ones(len(subs))
    work = _Work(placers, grid_shape, options, rule, sky, factors.astype(np.float32))
    progress = progress or NullProgress()
    progress.start(len(tiles), "Folding", "tiles")
    try:
        if elsewhere is None:
            for _ in parallel_map(work.fold_tile, tiles, workers=options.workers, cancelled=cancelled):
                progress.advance()
        else:
            ordered = tuple(subs[i] for i in order)
            blueprint = Blueprint(subs=ordered, grid_shape=grid_shape, options=options, sky=sky, factors=work.factors)
            for part in elsewhere(blueprint, tiles):
                work.put(part)
                progress.advance()
    finally:
        progress.finish()
    result = work.result(time.perf_counter() - began)
    kernel_noise = np.empty(len(subs))
    kernel_noise[order] = result.kernel_noise
    return replace(result, kernel_noise=kernel_noise)


def _rule(options: FoldOptions) -> StackStatistic | None:
    """The caller's rule, one of the named ones, or None for our own."""
    if not 0.0 <= options.share_given_up < 0.5:
        raise FoldError(
            "the share of good samples to give up is impossible", seen=f"{options.share_given_up}", allowed="0 to 0.5"
        )
    if options.stack_statistic is not None:
        return options.stack_statistic
    if options.statistic == "weighted-mean":
        return None
    if options.statistic not in RULES:
        raise FoldError("unknown statistic", seen=options.statistic, allowed=", ".join(["weighted-mean", *RULES]))
    combine = RULES[options.statistic]

    def by_name(stack: Plane) -> tuple[npt.NDArray[np.floating], npt.NDArray[np.floating], npt.NDArray[np.integer]]:
        c = combine(stack)
        return c.value, c.variance, c.used

    return by_name


def lobe_bounds() -> npt.NDArray[np.float64]:
    """Largest kernel weight within half a pixel of distances 0, 1, 2, 3: what a bad raw pixel can do that far away."""
    offset = np.linspace(-0.5, 0.5, 101)
    return np.array([1.0, *(float(np.abs(lanczos(d + offset)).max()) for d in (1, 2, 3))], np.float64)


def _batches(placers: Sequence[Placer]) -> list[list[int]]:
    """Numbers of subs that are read and calibrated a piece each in turn: they share planes, and lie the same way."""
    alike: dict[tuple[object, ...], list[int]] = {}
    for i, p in enumerate(placers):
        c = p.sub.calibration
        alike.setdefault((id(c.dark_adu), id(c.flat), p.swap, p.flip_x, p.flip_y, p.aslant), []).append(i)
    return [own[k : k + BATCH] for own in alike.values() for k in range(0, len(own), BATCH)]


class TileFolder:
    """Folds tiles one by one for a `fold_subs` in another process; any threads may call it at once."""

    def __init__(self, blueprint: Blueprint) -> None:
        b = blueprint
        self._work = _Work(placers_of(b.subs), b.grid_shape, b.options, _rule(b.options), b.sky, b.factors)

    def __call__(self, tile: Tile) -> TilePart:
        """What the tile gives."""
        own = self._work.alone()
        own.fold_tile(tile)
        return own.part(tile)


@dataclass(slots=True)
class _Work:
    """Everything that tiles share: placers, numbers, the planes they write their part of."""

    placers: list[Placer]
    grid_shape: tuple[int, int]
    options: FoldOptions
    rule: StackStatistic | None
    sky: Plane | None
    factors: npt.NDArray[np.float32]
    image: Plane = field(init=False)
    variance: Plane = field(init=False)
    coverage: npt.NDArray[np.int16] = field(init=False)
    rejected: npt.NDArray[np.int16] = field(init=False)
    partial: list[PartialWeights] = field(init=False)
    weights: npt.NDArray[np.float32] = field(init=False)
    squares: npt.NDArray[np.int64] = field(init=False)
    entries: npt.NDArray[np.int64] = field(init=False)
    k_sigma: float = field(init=False)
    terms: tuple[float, float] = field(init=False)
    traits: npt.NDArray[np.float32] = field(init=False)
    networks: tuple[npt.NDArray[np.int32], npt.NDArray[np.int32], npt.NDArray[np.float32]] = field(init=False)
    lobes: npt.NDArray[np.float64] = field(init=False)
    batches: list[list[int]] = field(init=False)
    scratch: Scratch = field(init=False)
    lock: threading.Lock = field(init=False)

    def __post_init__(self) -> None:
        n = len(self.placers)
        self._make_planes()
        weights = np.array([p.sub.weight for p in self.placers], np.float64)
        self.weights = (weights / weights.sum()).astype(np.float32)
        share = self.options.share_given_up
        self.k_sigma = -NormalDist().inv_cdf(share / 2.0) if share > 0.0 else 1e9
        self.terms = seeing_terms([p.sub for p in self.placers], self.options)
        leeway = seeing_leeway([p.sub for p in self.placers], self.terms[0])
        own = [(p.quadratic, p.floor, ease, w) for p, ease, w in zip(self.placers, leeway, self.weights, strict=True)]
        self.traits = np.array(own, np.float32)
        self.networks = sorting_network(n), median_network(n), widening_of(n)
        self.lobes = lobe_bounds()
        self.batches = _batches(self.placers)
        self.scratch, self.lock = Scratch(), threading.Lock()

    def fold_tile(self, tile: Tile) -> None:
        """Work on one tile and write its part of the planes."""
        n = len(self.placers)
        rows, columns = tile.region_shape
        samples, flags = self._buffers(rows, columns)
        stack = samples[:, : rows * columns].reshape(n, rows, columns)
        first_row = tile.region_y0 // NOISE_ROWS
        entries = ((tile.region_y1 - 1) // NOISE_ROWS + 1 - first_row, columns // LANES)
        noise = np.zeros((*entries, n, 3), np.float32)
        own = NoiseEntries(*(np.empty(entries, np.float32) for _ in range(4)))
        region = (tile.region_y0, tile.region_x0)
        for batch in self.batches:
            boxes = [self.placers[i].box(*region, rows, columns, place) for place, i in enumerate(batch)]
            for _ in zip_longest(*(box.pieces for box in boxes)):
                pass  # a piece of each in turn
            for i, box in zip(batch, boxes, strict=True):
                placer = self.placers[i]
                nodes = placer.nodes(*region, rows, columns)
                if placer.put(box, *region, stack[i], nodes):
                    placer.noise(*region, rows, columns, nodes, factor=float(self.factors[i]), into=own)
                    noise[..., i, 0], noise[..., i, 1], noise[..., i, 2] = own.constant, own.slope, own.surface
                    self._note_squares(i, tile, own.squares)
        inside = (
            slice(tile.y0 - tile.region_y0, tile.y1 - tile.region_y0),
            slice(tile.x0 - tile.region_x0, tile.x1 - tile.region_x0),
        )
        here = (slice(tile.y0, tile.y1), slice(tile.x0, tile.x1))
        if self.rule is not None:
            self._by_rule(stack[:, inside[0], inside[1]], tile)
            return
        image, variance, covered = self.scratch.array("results", (3, rows, columns))
        count, used = self.scratch.array("counts", (2, rows, columns), np.int32)
        sky = np.zeros(entries, np.float32)
        if self.sky is not None:
            part = self.sky[first_row : first_row + entries[0], tile.region_x0 // LANES :][:, : entries[1]]
            sky[: part.shape[0], : part.shape[1]] = part
        combine_tile(
            samples,
            tile.region_y0 - first_row * NOISE_ROWS,
            noise,
            self.traits,
            sky,
            *self.networks,
            self.k_sigma,
            FOLLOW_SIGMA,
            *self.terms,
            self.lobes,
            flags,
            flags.view(np.uint64),
            self.scratch.array("planes", (3, rows, columns)),
            image,
            variance,
            count,
            used,
            covered,
        )
        self.image[here], self.variance[here] = image[inside], variance[inside]
        self.coverage[here] = count[inside]
        self._note_weights(tile, covered[inside])
        np.subtract(count[inside], used[inside], out=self.rejected[here], casting="unsafe")

    def _make_planes(self) -> None:
        """Empty planes; the system gives them memory only where tiles are written."""
        shape, n = self.grid_shape, len(self.placers)
        self.image, self.variance = (plane_of_small_pages(shape, np.float32) for _ in range(2))
        self.coverage, self.rejected = (plane_of_small_pages(shape, np.int16) for _ in range(2))
        self.squares, self.entries = np.zeros(n, np.int64), np.zeros(n, np.int64)
        self.partial = []

    def _planes(self) -> tuple[npt.NDArray[Any], ...]:
        return self.image, self.variance, self.coverage, self.rejected

    def _note_weights(self, tile: Tile, covered: Plane) -> None:
        """Keep the summed weights of a tile where not all subs cover: a plane of them would cost more than it tells."""
        rows, columns = np.nonzero(self.coverage[tile.y0 : tile.y1, tile.x0 : tile.x1] != len(self.placers))
        if rows.size:
            at = (rows + tile.y0).astype(np.int32), (columns + tile.x0).astype(np.int32)
            self.partial.append((*at, covered[rows, columns]))

    def alone(self) -> _Work:
        """The same work with planes and sums of its own."""
        own = copy(self)
        own._make_planes()
        return own

    def part(self, tile: Tile) -> TilePart:
        """What this work holds of a tile, with its sums."""
        here = (slice(tile.y0, tile.y1), slice(tile.x0, tile.x1))
        return TilePart(tile, tuple(p[here].copy() for p in self._planes()), self.partial, self.squares, self.entries)

    def put(self, part: TilePart) -> None:
        """Write what a tile gave elsewhere."""
        tile = part.tile
        here = (slice(tile.y0, tile.y1), slice(tile.x0, tile.x1))
        for plane, values in zip(self._planes(), part.planes, strict=True):
            plane[here] = values
        self.partial += part.weights
        self.squares += part.squares
        self.entries += part.entries

    def result(self, seconds: float) -> FoldResult:
        """What all tiles gave."""
        per_grid_pixel = np.array([p.sub.raw_per_grid_pixel for p in self.placers])
        with np.errstate(invalid="ignore"):
            squares = self.squares / SQUARES_UNIT / np.where(self.entries > 0, self.entries, np.nan) * per_grid_pixel
        samples = int(self.coverage.sum(dtype=np.int64))
        return FoldResult(
            image=self.image,
            variance=self.variance,
            coverage=self.coverage,
            rejected=self.rejected,
            partial_weights=tuple(self.partial),
            whole_weight=np.cumsum(self.weights, dtype=np.float32)[-1],
            kernel_noise=squares,
            rejected_fraction=int(self.rejected.sum(dtype=np.int64)) / samples if samples else 0.0,
            seconds=seconds,
        )

    def _buffers(self, rows: int, columns: int) -> tuple[Plane, npt.NDArray[np.uint8]]:
        """This thread's own samples and flags (n, pixels and a few more), kept from tile to tile.

        Samples of a pixel lie an odd number of 64 bytes apart, so that they do not push each other out of the cache.
        """
        apart = rows * columns
        shape = (len(self.placers), apart if apart // LANES % 2 else apart + LANES)
        samples = self.scratch.array("stack", shape)
        return samples, self.scratch.array("flags", shape if self.rule is None else (0,), np.uint8)

    def _note_squares(self, i: int, tile: Tile, squares: Plane) -> None:
        """Add the kernel squares of the entries that begin in this tile."""
        first_y, first_x = tile.region_y0 // NOISE_ROWS * NOISE_ROWS, tile.region_x0
        rows = slice(-((first_y - tile.y0) // NOISE_ROWS), -((first_y - tile.y1) // NOISE_ROWS))
        columns = slice(-((first_x - tile.x0) // LANES), -((first_x - tile.x1) // LANES))
        own = squares[rows, columns].astype(np.float64)
        own = own[np.isfinite(own)]
        with self.lock:
            self.squares[i] += int(np.rint(own * SQUARES_UNIT).sum())
            self.entries[i] += own.size

    def _by_rule(self, stack: Plane, tile: Tile) -> None:
        """Combine the tile by a rule that knows nothing but the samples."""
        assert self.rule is not None
        here = (slice(tile.y0, tile.y1), slice(tile.x0, tile.x1))
        n, rows, columns = stack.shape
        flat = stack.reshape(n, -1)
        value, variance, used = self.rule(flat)
        there = np.isfinite(flat)
        count = there.sum(axis=0)
        self.image[here] = np.asarray(value).reshape(rows, columns)
        self.variance[here] = np.asarray(variance).reshape(rows, columns)
        self.coverage[here] = count.reshape(rows, columns)
        self.rejected[here] = (count - np.asarray(used)).reshape(rows, columns)
        self._note_weights(tile, (self.weights @ there).reshape(rows, columns))
