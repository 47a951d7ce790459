"""Frames of colour-filter-array cameras, judged on whole cells."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nightfold.errors import FrameError

PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")


def superpixel(image: npt.ArrayLike, pattern: str) -> npt.NDArray[np.float32]:
    """Means of the 2x2 colour cells: an image of half the size that is even where the colours are.

    Parameters
    ----------
    image : array, shape (height, width)
        Raw or calibrated pixels; an odd last row or column is left out. A NaN makes its whole cell NaN, for a cell
        that lacks one colour would be brighter or darker than the rest.
    pattern : str
        The colours of the first two rows, e.g. ``RGGB``. Any order of a 2x2 pattern gives the same mean.
    """
    if pattern.strip().upper() not in PATTERNS:
        raise FrameError(
            "colour filter pattern is not one of 2x2 cells",
            seen=repr(pattern),
            allowed=", ".join(PATTERNS),
            next_step="set the pattern of the camera in campaign.toml",
        )
    pixels = np.asarray(image)
    height, width = pixels.shape[0] // 2 * 2, pixels.shape[1] // 2 * 2
    cells = pixels[:height, :width].astype(np.float32)
    return np.asarray(
        0.25 * (cells[::2, ::2] + cells[::2, 1::2] + cells[1::2, ::2] + cells[1::2, 1::2]), dtype=np.float32
    )
