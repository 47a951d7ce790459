"""One pass over a sub's file: read, hashed, turned into electrons, halved, and its saturated pixels found.

Everything is done on a few rows at a time while they lie in the processor's cache, and into arrays that a thread keeps
from sub to sub: fresh ones of a full frame cost as much time in page faults as the work itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from nightfold.calibrate.apply import calibrate_rows
from nightfold.calibrate.packed import NO_HALF, packed
from nightfold.calibrate.records import Calibration
from nightfold.frames.pixels import Rows, stream_rows
from nightfold.kernels.background import halve
from nightfold.kernels.electrons import mark_high
from nightfold.measure.background import LARGE_FRAME_PX, NO_BITS, Binned, Bits, Plane
from nightfold.measure.stars import Frame

MOST_PLACES = 1_000_000
"""Saturated pixels that are listed; where there are more, a mask of the whole frame is made."""


@dataclass(slots=True)
class Buffers:
    """The planes that one thread keeps from sub to sub."""

    image: Plane = field(default_factory=lambda: np.empty((0, 0), np.float32))
    halved: Plane = field(default_factory=lambda: np.empty((0, 0), np.float32))
    bits: Bits | None = None
    places: npt.NDArray[np.int64] = field(default_factory=lambda: np.empty(MOST_PLACES, np.int64))
    marked: int = 0

    def fit(self, shape: tuple[int, int]) -> None:
        """Make the planes ready for a frame of `shape`, with no pixel marked."""
        if self.image.shape != shape:
            self.image = np.empty(shape, np.float32)
            self.halved = np.empty((shape[0] // 2, shape[1] // 2), np.float32)
        self.bits = None
        self.marked = 0

    def mark(self, y0: int, y1: int, make: Callable[[Bits | None], int]) -> None:
        """Let `make` list saturated pixels of these rows; where the list is full, again into a mask of the frame."""
        found = make(None if self.bits is None else self.bits[y0:y1])
        if found > self.places.size and self.bits is None:
            self.bits = np.zeros(self.image.shape, np.uint8)
            self.bits.reshape(-1)[self.places[: self.marked]] = 2
            found = make(self.bits[y0:y1])
        self.marked = found


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A sub in electrons. `binned` is None for a small frame; known bad pixels are NaN."""

    frame: Frame
    binned: Binned | None
    saturated_count: int
    any_finite: bool
    sha256: str | None


def prepare_sub(path: Path, calibration: Calibration, buffers: Buffers, *, hash_too: bool = True) -> Prepared:
    """Read a sub; the result uses the buffers and holds until their next use."""
    finite = False
    large = False
    in_one_pass = packed(calibration)

    def begin(shape: tuple[int, int]) -> None:
        nonlocal large
        buffers.fit(shape)
        large = shape[0] * shape[1] > LARGE_FRAME_PX
        if in_one_pass is not None:
            in_one_pass.check(shape)

    def take(y0: int, counts: Rows) -> None:
        nonlocal finite
        y1, width = y0 + counts.shape[0], counts.shape[1]
        finite = finite or bool(np.isfinite(counts).any())
        rows = calibrate_rows(counts, calibration, y0, out=buffers.image[y0:y1], spare_bad=False)
        limit = np.float32(calibration.saturation_adu)
        places, known = buffers.places, buffers.marked
        buffers.mark(
            y0,
            y1,
            lambda bits: int(
                mark_high(counts, limit, y0 * width, NO_BITS if bits is None else bits, bits is not None, places, known)
            ),
        )
        if large:
            halve(rows, NO_BITS, False, np.float32(np.nan), buffers.halved[y0 // 2 : y1 // 2])

    def take_stored(y0: int, stored: npt.NDArray[np.uint16]) -> None:
        nonlocal finite
        assert in_one_pass is not None
        finite = True
        y1 = y0 + stored.shape[0]
        known = buffers.marked
        buffers.mark(
            y0,
            y1,
            lambda bits: in_one_pass.apply(
                stored,
                y0,
                out=buffers.image[y0:y1],
                halved=buffers.halved[y0 // 2 : y1 // 2] if large else NO_HALF,
                places=buffers.places,
                known=known,
                bits=bits,
            ),
        )

    sha256 = stream_rows(path, begin, take, take_stored=None if in_one_pass is None else take_stored, hash_too=hash_too)
    frame = Frame(
        image=buffers.image,
        bits=buffers.bits,
        saturated_at=buffers.places[: buffers.marked] if buffers.bits is None else None,
    )
    binned = Binned(buffers.halved, 2) if large else None
    return Prepared(frame=frame, binned=binned, saturated_count=buffers.marked, any_finite=finite, sha256=sha256)
