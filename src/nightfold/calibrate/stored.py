"""Raw counts as they lie in the file to electrons in one pass, with masters that are left in their files.

Reading a full-size dark and flat into memory takes as long as calibrating some twenty subs with them: fresh memory has to be
cleared and filled. In their files they lie in the system's cache, and their bytes are turned on the way.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt

from nightfold.calibrate.apply import LEAST_FLAT, NO_MASK, check_rows
from nightfold.calibrate.records import Calibration
from nightfold.kernels.electrons import stored_to_electrons

Words = npt.NDArray[np.uint32]
NO_WORDS: Words = np.zeros((1, 1), np.uint32)
NO_HALF: npt.NDArray[np.float32] = np.zeros((0, 0), np.float32)
IN_FILE = np.dtype(">f4")


@dataclass(frozen=True, slots=True)
class StoredCalibration:
    """A calibration whose planes are big-endian float32, seen as integers; a plane of one pixel stands for none."""

    numbers: Calibration
    dark: Words
    flat: Words
    bad: npt.NDArray[np.bool_]

    @classmethod
    def of(cls, calibration: Calibration) -> Self | None:
        """The same calibration, if its planes are as in files; None if any is not."""
        words = []
        for plane in (calibration.dark_adu, calibration.flat):
            if plane is not None and (plane.dtype != IN_FILE or not plane.flags.c_contiguous):
                return None
            words.append(NO_WORDS if plane is None else np.asarray(plane).view(np.uint32))
        bad = NO_MASK if calibration.bad is None else np.ascontiguousarray(calibration.bad)
        return cls(calibration, words[0], words[1], bad)

    def check(self, shape: tuple[int, int]) -> None:
        """Refuse planes that do not fit frames of `shape`."""
        for plane, kind in ((self.dark, "dark"), (self.flat, "flat"), (self.bad, "bad pixel mask")):
            if plane is not NO_WORDS and plane is not NO_MASK:
                check_rows(plane.shape, shape[0], shape, kind)

    def apply(
        self,
        stored: npt.NDArray[np.uint16],
        y0: int,
        *,
        out: npt.NDArray[np.float32],
        halved: npt.NDArray[np.float32],
        bits: npt.NDArray[np.uint8],
        places: npt.NDArray[np.int64],
        known: int,
    ) -> int:
        """Electrons of the rows from `y0` on, known bad pixels NaN; the same numbers as `calibrate_rows` gives.

        Parameters
        ----------
        stored : uint16 (rows, width)
            Big-endian with BZERO 32768, seen natively.
        out, halved : float32 (rows, width) and (rows // 2, width // 2)
            Filled with electrons, and with means of 2x2 finite ones; `NO_HALF` asks for none of those.
        bits : uint8 (rows, width)
            Bit 2 is set where a pixel is at the ceiling.
        places, known : int64 (n,) and int
            Flat indices in the frame of pixels at the ceiling are added after the known ones, as far as there is room.

        Returns
        -------
        int
            How many pixels at the ceiling there are with these.
        """
        c, y1 = self.numbers, y0 + stored.shape[0]
        dark, flat, bad = self.dark, self.flat, self.bad
        return int(
            stored_to_electrons(
                stored,
                dark if dark is NO_WORDS else dark[y0:y1],
                dark is not NO_WORDS,
                np.float32(c.pedestal_adu),
                np.float32(c.e_per_adu),
                flat if flat is NO_WORDS else flat[y0:y1],
                flat is not NO_WORDS,
                np.float32(LEAST_FLAT),
                bad if bad is NO_MASK else bad[y0:y1],
                bad is not NO_MASK,
                np.float32(c.saturation_adu),
                y0 * stored.shape[1],
                bits,
                places,
                known,
                out,
                halved,
            )
        )
