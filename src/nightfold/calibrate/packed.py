"""Raw counts as they lie in the file to electrons in one pass, with darks and flats packed into 16 bits a pixel.

A full-size dark and flat as float32 take longer to come from memory than all the arithmetic on a sub. Packed they are half as much,
and the mask of bad pixels goes with the flat. For readings alone: the sky of a sub moves by less than 0.001, a bright star by less than
0.01 of its error. Folds use the masters as they are.
"""

from __future__ import annotations

import mmap
import threading
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
import numpy.typing as npt

from nightfold.calibrate.apply import LEAST_FLAT, check_rows
from nightfold.calibrate.core import frame_level
from nightfold.calibrate.records import Calibration, Plane
from nightfold.kernels.electrons import pack_dark, pack_flat, packed_to_electrons

Packed = npt.NDArray[np.uint16]
Words = npt.NDArray[np.uint32]
NO_PACKED: Packed = np.zeros((1, 1), np.uint16)
NO_HALF: npt.NDArray[np.float32] = np.zeros((0, 0), np.float32)
NO_BITS: npt.NDArray[np.uint8] = np.zeros((1, 1), np.uint8)
NO_MASK: npt.NDArray[np.bool_] = np.zeros((1, 1), np.bool_)
NO_MASK.flags.writeable = False
STEPS = (32768.0, 8192.0)
"""Steps that make a flat of 1, from fine to coarse: flats up to 2, else up to 8."""
ROWS = 64
"""Rows packed at a time."""


@dataclass(frozen=True, slots=True)
class PackedCalibration:
    """A calibration whose planes are packed as `kernels.electrons` says; a plane of one pixel stands for none."""

    numbers: Calibration
    shape: tuple[int, int] | None
    dark: Packed
    base_adu: float
    flat: Packed
    per_one: float

    @classmethod
    def of(cls, calibration: Calibration) -> Self | None:
        """The calibration, packed; None if its flat is beyond what can be."""
        given = (("dark", calibration.dark_adu), ("flat", calibration.flat), ("bad pixel mask", calibration.bad))
        shapes = [(plane.shape[0], plane.shape[1]) for _, plane in given if plane is not None]
        shape = shapes[0] if shapes else None
        for kind, plane in given:
            if plane is not None and shape is not None:
                check_rows(plane.shape, shape[0], shape, kind)
        base, dark, missing = calibration.pedestal_adu, NO_PACKED, 0
        if calibration.dark_adu is not None:
            base = (
                frame_level(np.asarray(calibration.dark_adu[:: max(1, shape[0] // 64)], np.float32)) if shape else 0.0
            )
            base = base if np.isfinite(base) else 0.0
            dark, missing = _packed_dark(calibration.dark_adu, base)
        flat, per_one = NO_PACKED, 1.0
        if shape is not None and (calibration.flat is not None or calibration.bad is not None or missing):
            for per_one in STEPS:
                made = _packed_flat(calibration, shape, per_one)
                if made is not None:
                    break
            else:
                return None
            flat = made
        for _, plane in given:
            _let_pages_go(plane)
        return cls(_without_planes(calibration), shape, dark, base, flat, per_one)

    def check(self, shape: tuple[int, int]) -> None:
        """Refuse planes that do not fit frames of `shape`."""
        if self.shape is not None:
            check_rows(self.shape, shape[0], shape, "flat" if self.dark is NO_PACKED else "dark")

    def apply(
        self,
        stored: npt.NDArray[np.uint16],
        y0: int,
        *,
        out: Plane,
        halved: Plane,
        places: npt.NDArray[np.int64],
        known: int,
        bits: npt.NDArray[np.uint8] | None = None,
    ) -> int:
        """Electrons of the rows from `y0` on, known bad pixels NaN; what `calibrate_rows` gives but for the packing.

        Parameters
        ----------
        stored : uint16 (rows, width)
            Big-endian with BZERO 32768, seen natively.
        out, halved : float32 (rows, width) and (rows // 2, width // 2)
            Filled with electrons, and with means of 2x2 finite ones; `NO_HALF` asks for none of those.
        places, known : int64 (n,) and int
            Flat indices in the frame of pixels at the ceiling are added after the known ones, as far as there is room.
        bits : uint8 (rows, width), optional
            Bit 2 is set where a pixel is at the ceiling.

        Returns
        -------
        int
            How many pixels at the ceiling there are with these.
        """
        y1 = y0 + stored.shape[0]
        has_dark, has_flat = self.dark is not NO_PACKED, self.flat is not NO_PACKED
        return int(
            packed_to_electrons(
                stored,
                self.dark[y0:y1] if has_dark else self.dark,
                has_dark,
                np.float32(self.base_adu),
                np.float32(self.numbers.e_per_adu * self.per_one),
                self.flat[y0:y1] if has_flat else self.flat,
                has_flat,
                np.float32(self.numbers.saturation_adu),
                y0 * stored.shape[1],
                NO_BITS if bits is None else bits,
                bits is not None,
                places,
                known,
                out,
                halved,
            )
        )


def _words(plane: npt.NDArray[np.floating], y0: int) -> tuple[Words, bool]:
    """Rows from `y0` on as integers, and whether their bytes are turned; read-only, so that loops are compiled for one kind."""
    rows = np.ascontiguousarray(plane[y0 : y0 + ROWS])
    swapped = rows.dtype == np.dtype(">f4")
    words: Words = (rows if swapped else rows.astype(np.float32, copy=False)).view(np.uint32)
    words.flags.writeable = False
    return words, swapped


def _packed_dark(dark: Plane, base: float) -> tuple[Packed, int]:
    """The dark, and how many of its pixels are no numbers."""
    packed: Packed = np.empty(dark.shape, np.uint16)
    missing = 0
    for y0 in range(0, dark.shape[0], ROWS):
        words, swapped = _words(dark, y0)
        missing += int(pack_dark(words, swapped, np.float32(base), packed[y0 : y0 + ROWS]))
    return packed, missing


def _packed_flat(calibration: Calibration, shape: tuple[int, int], per_one: float) -> Packed | None:
    """The flat, 0 where it or the dark is no use or a pixel is bad; None if it is too high for these steps."""
    packed: Packed = np.empty(shape, np.uint16)
    ones = np.ones((ROWS, shape[1]), np.float32)
    dark, bad = calibration.dark_adu, calibration.bad
    for y0 in range(0, shape[0], ROWS):
        y1 = min(y0 + ROWS, shape[0])
        words, swapped = _words(ones[: y1 - y0], 0) if calibration.flat is None else _words(calibration.flat, y0)
        spoilt = NO_MASK if bad is None else np.ascontiguousarray(bad[y0:y1])
        spoilt.flags.writeable = False
        if pack_flat(
            words, swapped, np.float32(LEAST_FLAT), spoilt, bad is not None, np.float32(per_one), packed[y0:y1]
        ):
            return None
        if dark is not None:
            missing = ~np.isfinite(dark[y0:y1])
            if missing.any():
                packed[y0:y1][missing] = 0
    return packed


def _let_pages_go(plane: npt.NDArray[np.generic] | None) -> None:
    """Take a plane that lies in a file out of this process's memory again; the system's cache keeps it."""
    held: object = plane
    while isinstance(held, np.ndarray):
        held = held.base
    if isinstance(held, memoryview):
        held = held.obj
    if isinstance(held, mmap.mmap) and hasattr(mmap, "MADV_DONTNEED"):
        with suppress(OSError, ValueError):
            held.madvise(mmap.MADV_DONTNEED)


_lock = threading.Lock()
_kept: list[tuple[Calibration, PackedCalibration | None]] = []


def packed(calibration: Calibration) -> PackedCalibration | None:
    """The calibration packed, its planes once for all that share them; the latest two are kept for this process's threads."""
    with _lock:
        for known, made in _kept:
            if _same_planes(known, calibration):
                return None if made is None else replace(made, numbers=_without_planes(calibration))
        made = PackedCalibration.of(calibration)
        _kept.append((calibration, made))
        del _kept[:-2]
        return made


def _same_planes(one: Calibration, other: Calibration) -> bool:
    """Whether two calibrations, as of subs of different temperature, take the same planes and base off."""
    same = one.dark_adu is other.dark_adu and one.flat is other.flat and one.bad is other.bad
    return same and (one.dark_adu is not None or one.pedestal_adu == other.pedestal_adu)


def _without_planes(calibration: Calibration) -> Calibration:
    return replace(calibration, dark_adu=None, flat=None, bad=None)


def let_packed_go() -> None:
    """Give the memory back."""
    with _lock:
        _kept.clear()
