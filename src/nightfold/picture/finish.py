"""Repairs and finish on stretched colours, all in OKLab: green turned to gold, stars made neutral, saturation."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from nightfold.picture.colour import chroma, decode_srgb, encode_srgb, hue_deg, linear_from_oklab, oklab_from_linear

Picture = npt.NDArray[np.float32]


def turn_hues(rgb: Picture, *, from_deg: float, to_deg: float, towards_deg: float, strength: float) -> Picture:
    """Colours whose hue lies between `from_deg` and `to_deg` turned towards `towards_deg`, lightness and chroma kept.

    Parameters
    ----------
    rgb : float32 (height, width, 3)
        sRGB values, 0 to 1.
    strength : float
        0 leaves them, 1 turns the middle of the sector all the way; the edges of the sector move least, so that no seam
        appears between what is turned and what is not.
    """
    lab = oklab_from_linear(decode_srgb(rgb))
    hue = hue_deg(lab)
    middle, half = 0.5 * (from_deg + to_deg), 0.5 * (to_deg - from_deg)
    share = np.clip(1.0 - np.abs((hue - middle + 180.0) % 360.0 - 180.0) / half, 0.0, 1.0)
    share = share * share * (3.0 - 2.0 * share) * strength
    turn = np.radians(((towards_deg - hue + 180.0) % 360.0 - 180.0) * share)
    c, s = np.cos(turn), np.sin(turn)
    a, b = lab[..., 1].copy(), lab[..., 2].copy()
    lab[..., 1], lab[..., 2] = a * c - b * s, a * s + b * c
    return encode_srgb(linear_from_oklab(lab))


def saturate(rgb: Picture, factor: float) -> Picture:
    """Chroma in OKLab times `factor`, less where a colour is strong already so that none leaves the gamut abruptly."""
    lab = oklab_from_linear(decode_srgb(rgb))
    grow = 1.0 + (factor - 1.0) * np.exp(-((chroma(lab) / 0.25) ** 2))
    lab[..., 1] *= grow
    lab[..., 2] *= grow
    return encode_srgb(linear_from_oklab(lab))


def star_share(lightness: npt.NDArray[np.floating], radius_px: float) -> Picture:
    """How much of each pixel is star, 0 to 1: what stands above its surroundings on the scale of a star.

    `lightness` (height, width) is any stretched lightness; `radius_px` the reach of a star's visible disc.
    """
    size = max(3, 2 * round(radius_px) + 1)
    plain = ndimage.grey_opening(lightness, size=(size, size))
    smooth = ndimage.uniform_filter(plain, size)
    above = np.clip((lightness - smooth - 0.04) / 0.12, 0.0, 1.0)
    return np.asarray(ndimage.gaussian_filter(ndimage.grey_dilation(above, size=(3, 3)), 0.8), np.float32)


def neutral_stars(rgb: Picture, *, strength: float, radius_px: float) -> Picture:
    """Stars brought towards grey by `strength` (0 to 1): in narrow filters their colours say nothing true.

    Lightness stays. Nebula is left alone, because only what is compact counts as a star.
    """
    lab = oklab_from_linear(decode_srgb(rgb))
    share = star_share(lab[..., 0], radius_px) * np.float32(strength)
    lab[..., 1] *= 1.0 - share
    lab[..., 2] *= 1.0 - share
    return encode_srgb(linear_from_oklab(lab))
