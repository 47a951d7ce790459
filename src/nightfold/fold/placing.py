"""Brings one sub onto one tile: reads what the tile needs, calibrates, repairs, resamples, and tells the noise.

A value is electrons per second and grid pixel over the sub's scale, less its sky surface.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from nightfold.calibrate.apply import LEAST_FLAT
from nightfold.calibrate.records import Calibration
from nightfold.errors import FoldError
from nightfold.fold.records import FloatArray, FoldSub, Plane
from nightfold.fold.scratch import Scratch
from nightfold.fold.tiles import ASLANT, Lie
from nightfold.kernels.lanczos import CELL, KERNEL_TABLE, LANES, NOISE_ROWS, SUPPORT, phase_table
from nightfold.kernels.noise_entries import noise_entries
from nightfold.kernels.raw_box import calibrate_box, repair_box, transpose
from nightfold.kernels.resample import resample_any, resample_runs, resample_upright, resample_wide
from nightfold.kernels.ringing import HARSH_MARGIN, add_peaks, find_harsh, soften, split_peaks

NOT_WIDENED = 1.02
"""A grid coarser than the sub by less than this needs no wider kernel."""
UPRIGHT = 1e-4
"""Axes of sub and grid that part by less than this, in direction and scale, are placed in two steps along them."""
PIECE_ROWS, ASLANT_PIECE_ROWS = 32, 96
"""Rows read and calibrated at a time, so that they are still in the processor's cache; short rows may be more."""
MOST_PARTS = 2.0
"""Blocks of 16 pixels that would fall into more parts than this are left to the way for any angle."""
HARSH_SIGMA = 30.0
"""Only pixels this far above the sky are looked at for ringing: the kernel's lobes reach a tenth of them."""
RINGING_SIGMA = 3.0
_NO_PLANE = np.zeros((1, 1), np.float32)
_IN_FILE = np.dtype(">f4")
_scratch = Scratch()
_NO_WORDS = np.zeros((1, 1), np.uint16)
_NO_VALUES = np.zeros((1, 1), np.uint32)
_NO_VALUES.flags.writeable = False
_CORNERS, _FIFTHS = np.array([0.0, 1.0]), np.linspace(0.0, 1.0, 5)


@dataclass(frozen=True, slots=True)
class NoiseEntries:
    """Noise of a sub on a tile's region, one value for 8 rows by 16 columns; see `nightfold.kernels.combine`."""

    constant: Plane
    slope: Plane
    surface: Plane
    squares: Plane


Nodes = tuple[FloatArray, int, int]
BadPixels = tuple[npt.NDArray[np.int32], npt.NDArray[np.int64]]
"""Columns of known bad pixels row by row, and where each row's begin (one more than rows)."""


@dataclass(slots=True)
class Box:
    """A part of a sub, oriented as the grid, from source row y0 and column x0 on; `pixels` are there once `pieces` ended.

    They stay None where the region lies outside the sub.
    """

    y0: int
    x0: int
    pixels: Plane | None = None
    pieces: Iterator[None] = field(default_factory=lambda: iter(()))


class Placer:
    """One sub, ready to be placed on any region of the grid; holds no pixels and may be used by any thread."""

    def __init__(self, sub: FoldSub, bad: BadPixels | None = None) -> None:
        check_sub(sub)
        self.sub = sub
        self.bad = bad_pixels(sub.calibration.bad, sub.shape[0]) if bad is None else bad
        inverse = np.linalg.inv(sub.transform.matrix[:, :2])
        self.swap = bool(abs(inverse[0, 1]) + abs(inverse[1, 0]) > abs(inverse[0, 0]) + abs(inverse[1, 1]))
        self.flip_x = bool(inverse[0, 1 if self.swap else 0] < 0)
        self.flip_y = bool(inverse[1, 0 if self.swap else 1] < 0)
        oriented = np.abs(inverse[[1, 0]] if self.swap else inverse)
        self.affine = self._plain_affine() if sub.transform.distortion is None else None
        self.onto_grid = None if self.affine is None else _inverse(self.affine)
        per_grid_pixel = sub.raw_per_grid_pixel
        coarser = math.sqrt(per_grid_pixel)
        self.widen = coarser if coarser > NOT_WIDENED else 1.0
        self.phases = phase_table(self.widen) if self.widen > 1.0 else _NO_PLANE
        parts = 1.0 + (LANES - 1) * (abs(oriented[0, 0] - 1.0) + oriented[1, 0])
        self.in_runs = self.widen == 1.0 and parts <= MOST_PARTS
        self.margin = max(
            2 * SUPPORT + HARSH_MARGIN + 2, math.ceil(SUPPORT * self.widen) + 3 + (LANES if self.widen > 1.0 else 0)
        )
        lines = np.abs(inverse[1])
        self.lie = Lie(down=float(lines[1]), across=float(lines[0]))
        self.aslant = self.affine is not None and min(oriented[0, 1], oriented[1, 0]) > ASLANT
        self.upright = (
            self.widen == 1.0
            and self.affine is not None
            and float(np.abs(self.affine[:, :2] - np.eye(2)).max()) <= UPRIGHT
        )
        calibration = sub.calibration
        self.dark, self.flat, self.turned = _words(calibration.dark_adu, calibration.flat)
        self.unit = per_grid_pixel / (sub.exposure_s * sub.scale)
        self.fixed_e2 = (
            calibration.read_noise_e**2
            + calibration.e_per_adu**2 / 12.0
            + calibration.dark_e_per_s * sub.exposure_s
            + calibration.dark_variance_adu2 * calibration.e_per_adu**2
        )
        self.sky_surface = sub.sky.in_pixels()
        self.floor = 0.5 * sub.sky_e_per_s * per_grid_pixel / sub.scale
        self.quadratic = calibration.flat_relative_variance * min(1.0, 0.8 / per_grid_pixel)
        sky_e = max(sub.sky_e_per_s, 0.0) * sub.exposure_s
        self.blank_sigma = self.unit * math.sqrt(sky_e + self.fixed_e2)
        self.sky_level = self.unit * sky_e
        self.clipped_from = self._clipped_from(calibration)

    def _clipped_from(self, calibration: Calibration) -> float:
        """The value from which on a pixel counts as clipped: a hundredth under full scale, of a flat of 1."""
        zero = calibration.pedestal_adu
        if calibration.dark_adu is not None:
            zero = float(np.nanmedian(calibration.dark_adu[::37, ::37]))
        return 0.99 * max(calibration.saturation_adu - zero, 1.0) * calibration.e_per_adu * self.unit

    def place(self, y0: int, x0: int, out: Plane, nodes: Nodes | None = None) -> bool:
        """Fill `out` with the sub's values for the region whose first pixel is (y0, x0); False if it lies outside.

        `x0` and the columns of `out` are multiples of 16. NaN where the kernel's support leaves the sub.
        """
        box = self.box(y0, x0, *out.shape)
        for _ in box.pieces:
            pass
        return self.put(box, y0, x0, out, nodes)

    def box(self, y0: int, x0: int, rows: int, columns: int, place: int = 0) -> Box:
        """The sub's part that a region needs, still to be filled; boxes of one thread under one `place` share memory."""
        edges = self._edges(y0, x0, rows, columns)
        low = np.floor(edges.min(axis=0)).astype(np.int64) - self.margin
        high = np.ceil(edges.max(axis=0)).astype(np.int64) + self.margin + 1
        box = Box(int(low[1]), int(low[0]))
        box.pieces = self._fill(box, int(high[1]), int(high[0]), edges, place)
        return box

    def put(self, made: Box, y0: int, x0: int, out: Plane, nodes: Nodes | None = None) -> bool:
        """`place` from a box that is filled."""
        rows, columns = out.shape
        lattice, node_y, node_x = nodes or self.nodes(y0, x0, rows, columns)
        box, box_y, box_x = made.pixels, made.y0, made.x0
        if box is None:
            out.fill(np.nan)
            return False
        if self.widen > 1.0:
            taps = 2 * math.ceil(SUPPORT * self.widen)
            surface, phases = self.sky_surface, self.phases
            resample_wide(box, box_y, box_x, lattice, node_y, node_x, y0, x0, surface, taps, phases, out)
        else:
            self._place_without_ringing(box, box_y, box_x, lattice, node_y, node_x, y0, x0, out)
        return True

    def noise(
        self,
        y0: int,
        x0: int,
        rows: int,
        columns: int,
        nodes: Nodes | None = None,
        *,
        factor: float = 1.0,
        into: NoiseEntries | None = None,
    ) -> NoiseEntries:
        """Noise entries of the region, variances times `factor`; the first is that which pixel (y0, x0) lies in."""
        first_y, first_x = y0 // NOISE_ROWS * NOISE_ROWS, x0 // LANES * LANES
        shape = (-(-(y0 + rows - first_y) // NOISE_ROWS), -(-(x0 + columns - first_x) // LANES))
        lattice, node_y, node_x = nodes or self.nodes(y0, x0, rows, columns)
        entries = into or NoiseEntries(*(np.empty(shape, np.float32) for _ in range(4)))
        noise_entries(
            lattice,
            node_y,
            node_x,
            first_y,
            first_x,
            self.widen,
            KERNEL_TABLE,
            self.unit,
            self.fixed_e2,
            float(factor),
            self.sky_surface,
            self.flat,
            self.sub.calibration.flat is not None,
            self.turned,
            LEAST_FLAT,
            self.swap,
            self.flip_x,
            self.flip_y,
            self.sub.shape,
            entries.constant,
            entries.slope,
            entries.surface,
            entries.squares,
        )
        return entries

    def oriented(self, xy: FloatArray) -> FloatArray:
        """Sub positions (n, 2) as positions in the sub turned over so that its axes run along the grid's."""
        height, width = self.sub.shape
        x, y = xy[:, 0], xy[:, 1]
        if self.flip_x:
            x = width - 1 - x
        if self.flip_y:
            y = height - 1 - y
        return np.stack([y, x] if self.swap else [x, y], axis=1)

    def nodes(self, y0: int, x0: int, rows: int, columns: int) -> Nodes:
        """Oriented source positions at nodes 32 px apart, at multiples of 32, around the region; and the first node."""
        j0, j1 = y0 // CELL, (y0 + rows - 1) // CELL + 2
        i0, i1 = x0 // CELL, (x0 + columns - 1) // CELL + 2
        nodes = self._positions(CELL * np.arange(j0, j1, dtype=np.float64), CELL * np.arange(i0, i1, dtype=np.float64))
        return nodes, j0 * CELL, i0 * CELL

    def _edges(self, y0: int, x0: int, rows: int, columns: int) -> FloatArray:
        """Oriented source positions around the region's edge; between them the edge bends by less than the margin."""
        steps = _CORNERS if self.affine is not None else _FIFTHS
        return self._positions(y0 + steps * (rows - 1.0), x0 + steps * (columns - 1.0)).reshape(-1, 2)

    def _plain_affine(self) -> FloatArray:
        """Oriented source position of grid position (x, y) as ``affine @ (x, y, 1)``, shape (2, 3), for plain transforms."""
        corners = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
        zero, right, down = self.oriented(self.sub.transform.invert(corners))
        return np.stack([right - zero, down - zero, zero], axis=1)

    def _positions(self, y: FloatArray, x: FloatArray) -> FloatArray:
        """Oriented source x, y under all grid rows `y` and columns `x`, shape (rows, columns, 2)."""
        if self.affine is not None:
            # Term by term, so that a position does not depend on which others are asked for.
            result = np.empty((y.size, x.size, 2))
            for k in range(2):
                a, b, c = self.affine[k]
                np.add((a * x)[None, :], (b * y + c)[:, None], out=result[..., k])
            return result
        grid_y, grid_x = np.meshgrid(y, x, indexing="ij")
        xy = np.stack([grid_x.ravel(), grid_y.ravel()], axis=1)
        return np.ascontiguousarray(self.oriented(self.sub.transform.invert(xy)).reshape(y.size, x.size, 2))

    def _fill(self, made: Box, y1: int, x1: int, corners: FloatArray, place: int) -> Iterator[None]:
        """Fill a box with calibrated oriented source rows to y1, columns to x1, NaN beyond the sub, some rows at a time.

        Of a sub that lies aslant only what is near the region between the `corners` (4, 2) is read.
        """
        height, width = self.sub.shape
        y0, x0 = made.y0, made.x0
        if self.swap:
            y0, y1, x0, x1 = x0, x1, y0, y1
            corners = corners[:, ::-1]
        inside_y0, inside_y1 = max(y0, 0), min(y1, height)
        inside_x0, inside_x1 = max(x0, 0), min(x1, width)
        if inside_y0 >= inside_y1 or inside_x0 >= inside_x1:
            return
        box: Plane = _scratch.array(f"box {place}", (y1 - y0, x1 - x0))
        box[: inside_y0 - y0] = np.nan
        box[inside_y1 - y0 :] = np.nan
        empty = 0
        step = ASLANT_PIECE_ROWS if self.aslant else PIECE_ROWS
        for top in range(inside_y0, inside_y1, step):
            bottom = min(top + step, inside_y1)
            left, right = inside_x0, inside_x1
            if self.aslant:
                near_left, near_right = _columns_between(corners, top - self.margin, bottom + self.margin)
                left = max(left, near_left - self.margin)
                right = min(right, near_right + self.margin)
            if left < right:
                empty += self._calibrated(top, bottom, left, right, box[top - y0 : bottom - y0], left - x0)
            else:
                box[top - y0 : bottom - y0] = np.nan
            yield
        columns_of_bad, row_starts = self.bad
        rows, columns = inside_y1 - inside_y0, inside_x1 - inside_x0
        repair_box(
            box,
            columns_of_bad,
            row_starts,
            height - inside_y1 if self.flip_y else inside_y0,
            width - inside_x1 if self.flip_x else inside_x0,
            rows,
            columns,
            self.flip_x,
            self.flip_y,
            inside_y0 - y0,
            inside_x0 - x0,
            empty if empty < rows * columns else 0,
        )
        made.pixels = box
        if not self.swap:
            return
        turned: Plane = _scratch.array(f"turned box {place}", (x1 - x0, y1 - y0))
        transpose(box, turned)
        made.pixels = turned

    def _calibrated(self, y0: int, y1: int, x0: int, x1: int, out: Plane, left: int) -> int:
        """Fill `out` with oriented rows y0 to y1, columns x0 to x1, from column `left` on; how many have no value."""
        height, width = self.sub.shape
        rows, columns = y1 - y0, x1 - x0
        raw_y0 = height - y1 if self.flip_y else y0
        raw_x0 = width - x1 if self.flip_x else x0
        raw, stored = self._read(raw_y0, raw_y0 + rows, raw_x0, raw_x0 + columns)
        c = self.sub.calibration
        return int(
            calibrate_box(
                raw,
                stored,
                stored is not _NO_WORDS,
                raw_y0,
                raw_x0,
                columns,
                self.dark,
                c.dark_adu is not None,
                np.float32(c.pedestal_adu),
                self.flat,
                c.flat is not None,
                self.turned,
                np.float32(LEAST_FLAT),
                np.float32(c.e_per_adu * self.unit),
                self.flip_x,
                self.flip_y,
                left,
                out,
            )
        )

    def _read(self, y0: int, y1: int, x0: int, x1: int) -> tuple[Plane, npt.NDArray[np.uint16]]:
        """Raw pixels as values or as stored words, the other one empty."""
        if self.sub.read_stored is not None:
            words = np.ascontiguousarray(self.sub.read_stored(y0, y1, x0, x1)).view(np.uint16)
            self._check_read(words.shape, (y1 - y0, x1 - x0))
            return _NO_PLANE, words
        raw = np.ascontiguousarray(self.sub.read_box(y0, y1, x0, x1), np.float32)
        self._check_read(raw.shape, (y1 - y0, x1 - x0))
        return raw, _NO_WORDS

    def _check_read(self, seen: tuple[int, ...], wanted: tuple[int, int]) -> None:
        if seen != wanted:
            raise FoldError(f"{self.sub.name}: a read gave another size", seen=f"{seen}", allowed=f"{wanted}")

    def _place_without_ringing(
        self,
        box: Plane,
        box_y: int,
        box_x: int,
        lattice: FloatArray,
        node_y: int,
        node_x: int,
        y0: int,
        x0: int,
        out: Plane,
    ) -> None:
        """Lanczos-3, but linear for light too narrow for it and around clipped cores."""
        threshold = np.float32(min(self.sky_level + HARSH_SIGMA * self.blank_sigma, self.clipped_from))
        drop, clipped = np.float32(RINGING_SIGMA * self.blank_sigma), np.float32(self.clipped_from)
        harsh = np.empty((256, 3), np.int32)
        count = find_harsh(box, threshold, drop, clipped, harsh)
        if count > len(harsh):
            harsh = np.empty((count, 3), np.int32)
            find_harsh(box, threshold, drop, clipped, harsh)
        peaks = int(np.count_nonzero(harsh[:count, 2] == 0))
        where, excess = np.empty((49 * peaks, 2), np.int32), np.empty(49 * peaks, np.float32)
        changed = split_peaks(box, harsh, count, where, excess) if count else 0
        if self.upright:
            resample_upright(box, box_y, box_x, self.affine, y0, x0, self.sky_surface, out)
        elif self.in_runs:
            resample_runs(box, box_y, box_x, lattice, node_y, node_x, y0, x0, self.sky_surface, out)
        else:
            height, width = self.sub.shape
            shape = (width, height) if self.swap else (height, width)
            resample_any(box, box_y, box_x, lattice, node_y, node_x, y0, x0, self.sky_surface, shape, out)
        if count == 0:
            return
        place = (lattice, node_y, node_x, y0, x0)
        forward, stretch, off = self._forward(*place)
        if peaks < count:
            marks = np.empty(out.shape, np.uint8)
            reach = SUPPORT * stretch + off
            soften(box, box_y, box_x, *place, self.sky_surface, forward, harsh, count, reach, marks, out)
        add_peaks(box_y, box_x, *place, forward, where, excess, changed, stretch + off, out)

    def _forward(
        self, lattice: FloatArray, node_y: int, node_x: int, y0: int, x0: int
    ) -> tuple[FloatArray, float, float]:
        """Affine from oriented source to the region's pixels, its stretch, and how far off it may be.

        Where the transform is distorted it is fitted to the lattice.
        """
        if self.onto_grid is not None:
            forward = self.onto_grid.copy()
            forward[0, 2] -= x0
            forward[1, 2] -= y0
            return forward, float(np.abs(forward[:, :2]).sum(axis=1).max()), 0.5
        ys, xs = np.mgrid[0 : lattice.shape[0], 0 : lattice.shape[1]] * float(CELL)
        source = np.column_stack([lattice.reshape(-1, 2), np.ones(lattice[..., 0].size)])
        there = np.stack([xs.ravel() + node_x - x0, ys.ravel() + node_y - y0], axis=1)
        fit = np.linalg.lstsq(source, there, rcond=None)[0]
        off = float(np.abs(source @ fit - there).max())
        stretch = float(np.abs(fit[:2]).sum(axis=0).max())
        return np.ascontiguousarray(fit.T), stretch, off + 0.5


def _words(dark: Plane | None, flat: Plane | None) -> tuple[npt.NDArray[np.uint32], npt.NDArray[np.uint32], bool]:
    """Both planes seen as whole numbers, and whether their bytes are in the files' order; one that is not there is a pixel."""
    planes = [p for p in (dark, flat) if p is not None]
    turned = bool(planes) and all(p.dtype == _IN_FILE for p in planes)
    seen = [np.ascontiguousarray(p, _IN_FILE if turned else np.float32).view(np.uint32) for p in planes]
    for words in seen:
        words.flags.writeable = False  # as mapped files are: one kind of array, so that loops are compiled once
    both = iter(seen)
    return _NO_VALUES if dark is None else next(both), _NO_VALUES if flat is None else next(both), turned


def _columns_between(corners: FloatArray, low: float, high: float) -> tuple[int, int]:
    """First and last column (not included) of a quadrilateral between two rows; (0, 0) where it has none there."""
    xs: list[float] = []
    ring = [(float(x), float(y)) for x, y in corners[[0, 1, 3, 2]]]
    for (ax, ay), (bx, by) in zip(ring, ring[1:] + ring[:1], strict=True):
        if ay > by:
            ax, ay, bx, by = bx, by, ax, ay
        start, end = max(ay, low), min(by, high)
        if start > end:
            continue
        slope = (bx - ax) / (by - ay) if by > ay else 0.0
        xs += [ax + slope * (start - ay), ax + slope * (end - ay), *([bx] if by == ay else [])]
    return (math.floor(min(xs)), math.ceil(max(xs)) + 1) if xs else (0, 0)


def _inverse(affine: FloatArray) -> FloatArray:
    """The affine (2, 3) that undoes another."""
    linear = np.linalg.inv(affine[:, :2])
    return np.column_stack([linear, -linear @ affine[:, 2]])


def bad_pixels(mask: npt.NDArray[np.bool_] | None, height: int) -> BadPixels:
    """A mask (height, width) as the columns of its True pixels and the start of each row among them."""
    if mask is None:
        return np.empty(0, np.int32), np.zeros(height + 1, np.int64)
    counts = np.count_nonzero(mask, axis=1)
    columns = np.flatnonzero(mask) % mask.shape[1]
    return columns.astype(np.int32), np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)


def placers_of(subs: Sequence[FoldSub]) -> list[Placer]:
    """A placer a sub; subs that share a mask share what is made of it."""
    made: dict[int, BadPixels] = {}
    result = []
    for sub in subs:
        check_sub(sub)
        key = id(sub.calibration.bad)
        if key not in made:
            made[key] = bad_pixels(sub.calibration.bad, sub.shape[0])
        result.append(Placer(sub, made[key] if made[key][1].size == sub.shape[0] + 1 else None))
    return result


def check_sub(sub: FoldSub) -> None:
    """Raise a FoldError for a sub that cannot be folded."""
    planes: dict[str, npt.NDArray[np.generic] | None] = {
        "dark": sub.calibration.dark_adu,
        "flat": sub.calibration.flat,
        "bad pixel mask": sub.calibration.bad,
    }
    for name, plane in planes.items():
        if plane is not None and plane.shape != tuple(sub.shape):
            raise FoldError(f"{sub.name}: the {name} has another size", seen=f"{plane.shape}", allowed=f"{sub.shape}")
    numbers = {"exposure_s": sub.exposure_s, "scale": sub.scale, "e_per_adu": sub.calibration.e_per_adu}
    for name, value in numbers.items():
        if not (math.isfinite(value) and value > 0.0):
            raise FoldError(f"{sub.name}: {name} is impossible", seen=f"{value}", allowed="above 0")
    if not (math.isfinite(sub.weight) and sub.weight >= 0.0):
        raise FoldError(f"{sub.name}: the weight is impossible", seen=f"{sub.weight}", allowed="0 or above")
    if abs(np.linalg.det(sub.transform.matrix[:, :2])) < 1e-6:
        raise FoldError(
            f"{sub.name}: the transform squeezes the sub to a line", seen=f"{sub.transform.matrix.tolist()}"
        )
