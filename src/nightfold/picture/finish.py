"""Colours set right at the end, all in OKLab: hues turned, chroma set, lightness taken from all filters, detail raised.

Functions take and return three float32 planes (L, a, b) of shape (height, width) and work on any part of a picture;
only `local_contrast` looks beyond a pixel.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from nightfold.errors import PictureError
from nightfold.picture.wavelets import decompose, reach_px

Lab = tuple[npt.NDArray[np.floating[Any]], npt.NDArray[np.floating[Any]], npt.NDArray[np.floating[Any]]]

SECTORS: dict[str, tuple[float, float]] = {
    "reds": (5.0, 50.0),
    "golds": (50.0, 100.0),
    "greens": (100.0, 175.0),
    "cyans": (175.0, 225.0),
    "blues": (225.0, 290.0),
    "magentas": (290.0, 365.0),
}
"""Hue sectors by name, degrees of OKLab: our division of the circle around the sRGB primaries (29, 110, 142, 195, 264, 328)."""


def turn_hues(
    lab: Lab, *, from_deg: float, to_deg: float, towards_deg: float, strength: float, feather_deg: float = 20.0
) -> Lab:
    """Colours with hues from `from_deg` to `to_deg` turned towards `towards_deg`; lightness and chroma are kept.

    Parameters
    ----------
    strength : float
        0 leaves them, 1 turns the sector all the way onto `towards_deg`. Outside the sector the turn fades over
        `feather_deg`, so that no seam appears.
    """
    if to_deg <= from_deg:
        raise PictureError("a sector of hues runs backwards", seen=f"{from_deg} to {to_deg}", allowed="from below to")
    lightness, a, b = lab
    hue = np.degrees(np.arctan2(b, a))
    middle, half = 0.5 * (from_deg + to_deg), 0.5 * (to_deg - from_deg)
    off = np.abs((hue - middle + 180.0) % 360.0 - 180.0)
    share = np.clip((half + feather_deg - off) / max(feather_deg, 1e-6), 0.0, 1.0)
    share = share * share * (3.0 - 2.0 * share) * strength
    turn = np.radians(((towards_deg - hue + 180.0) % 360.0 - 180.0) * share)
    c, s = np.cos(turn), np.sin(turn)
    return lightness, a * c - b * s, a * s + b * c


def saturate(lab: Lab, *, factor: float, most: float, grey_below: float = 0.0) -> Lab:
    """Chroma times `factor`, bent so that it nears `most` and never passes it: none looks like neon.

    c' = most * tanh(factor c / most); for small chroma it is the plain factor. Below the lightness `grey_below` chroma
    fades, and is gone at a half of it: what is left of the sky's unevenness shows no colour.
    """
    lightness, a, b = lab
    c = np.hypot(a, b)
    scale = np.where(c > 1e-6, np.float32(most) * np.tanh(np.float32(factor / most) * c) / np.maximum(c, 1e-6), factor)
    if grey_below > 0:
        share = np.clip(2.0 * lightness / grey_below - 1.0, 0.0, 1.0)
        scale = scale * share * share * (3.0 - 2.0 * share)
    scale = scale.astype(lightness.dtype)
    return lightness, a * scale, b * scale


def lightness_towards(lab: Lab, wanted: npt.NDArray[np.floating[Any]], share: float) -> Lab:
    """Lightness moved by `share` towards `wanted`; hue is kept and chroma goes with the lightness gained or lost."""
    lightness, a, b = lab
    new = lightness + np.float32(share) * (wanted - lightness)
    scale = np.clip((new + 0.05) / (lightness + 0.05), 0.5, 1.5).astype(lightness.dtype)
    return new, a * scale, b * scale


def local_contrast(lightness: npt.NDArray[np.float32], *, amount: float, size_px: float) -> npt.NDArray[np.float32]:
    """Lightness with detail of about `size_px` raised by `amount` (0.3: by 30 %), less near black and white."""
    levels = contrast_levels(size_px)
    planes = decompose(lightness, levels)
    detail = planes[-2] if levels == 1 else planes[-2] + planes[-3]
    room = np.clip(4.0 * (lightness - 0.15) * (1.0 - lightness) / 0.7225, 0.0, 1.0)
    return np.asarray(np.clip(lightness + np.float32(amount) * detail * room, 0.0, 1.0), np.float32)


def contrast_levels(size_px: float) -> int:
    """Wavelet planes that detail of `size_px` needs."""
    return int(np.clip(round(np.log2(max(size_px, 2.0))), 1, 6))


def contrast_apron_px(size_px: float) -> int:
    """The apron that `local_contrast` needs around a tile."""
    return reach_px(contrast_levels(size_px))
