"""A raw file as a small picture, before anything is known of it: to tell a person which frame a question is about."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from nightfold.frames.binned import bin_plane, factor_for
from nightfold.frames.pixels import read_all
from nightfold.judge.looking.core import SharedStretch, jpeg_of
from nightfold.robust import mad_sigma

SMALL_PX = 280


def raw_picture(path: Path, width_px: int = SMALL_PX) -> bytes:
    """A JPEG of a raw frame, at most `width_px` wide, stretched by its own sky; a mosaic's colours are averaged."""
    image, _ = read_all(path)
    small = bin_plane(image, factor_for(image.shape[1], width_px))
    known = small[np.isfinite(small)]
    middle, sigma = (float(np.median(known)), float(mad_sigma(known))) if known.size else (0.0, 1.0)
    return jpeg_of(SharedStretch.of([middle], [sigma]).shown(small))
