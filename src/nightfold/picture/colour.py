"""Colour arithmetic: sRGB's transfer curve, CIE XYZ and L*a*b*, and the perceptual space OKLab with its polar form.

Colours are float arrays whose last axis holds the three channels; linear light and encoded sRGB run from 0 to 1, white is
D65. The functions that end in `_planes` take and give three separate planes, which is faster on large pictures.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Colours = npt.NDArray[np.floating[Any]]
Planes = tuple[Colours, Colours, Colours]

RGB_TO_XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
"""Linear sRGB to CIE XYZ, D65, as CHECKS C2 uses it."""
WHITE_XYZ = np.array([0.95047, 1.0, 1.08883])

# Ottosson 2020, "A perceptual color space for image processing": linear sRGB to cone responses, and their cube roots to Lab.
RGB_TO_LMS = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
_XYZ_TO_LMS = np.array(
    [
        [0.8189330101, 0.3618667424, -0.1288597137],
        [0.0329845436, 0.9293118715, 0.0361456387],
        [0.0482003018, 0.2643662691, 0.6338517070],
    ]
)
LMS_TO_LAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)
_LMS_TO_RGB = np.linalg.inv(RGB_TO_LMS)
_LAB_TO_LMS = np.linalg.inv(LMS_TO_LAB)


def encode_srgb(linear: npt.ArrayLike) -> npt.NDArray[np.float32]:
    """sRGB values (0 to 1) of linear light (0 to 1): IEC 61966-2-1, threshold 0.0031308. Clipped to the range."""
    x = np.clip(np.asarray(linear, np.float32), 0.0, 1.0)
    curved = np.float32(1.055) * np.maximum(x, np.float32(0.0031308)) ** np.float32(1 / 2.4) - np.float32(0.055)
    return np.where(x <= np.float32(0.0031308), np.float32(12.92) * x, curved)


def decode_srgb(encoded: npt.ArrayLike) -> npt.NDArray[np.float32]:
    """Linear light (0 to 1) of sRGB values (0 to 1): IEC 61966-2-1, threshold 0.04045. Clipped to the range."""
    x = np.clip(np.asarray(encoded, np.float32), 0.0, 1.0)
    curved = ((np.maximum(x, np.float32(0.04045)) + np.float32(0.055)) / np.float32(1.055)) ** np.float32(2.4)
    return np.where(x <= np.float32(0.04045), x / np.float32(12.92), curved)


def xyz_from_linear(rgb: Colours) -> Colours:
    """CIE XYZ (white has Y = 1) of linear sRGB."""
    return np.asarray(rgb @ RGB_TO_XYZ.T)


def cielab_from_xyz(xyz: Colours) -> Colours:
    """CIE 1976 L*a*b* for the D65 white, with the exact constants 216/24389 and 24389/27 (CIE 15)."""
    t = np.asarray(xyz, np.float64) / WHITE_XYZ
    f = np.where(t > 216 / 24389, np.cbrt(t), (24389 / 27 * t + 16) / 116)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


def oklab_from_linear(rgb: Colours) -> Colours:
    """OKLab (L, a, b) of linear sRGB. Ottosson 2020, combined matrix."""
    lms = rgb @ RGB_TO_LMS.T.astype(rgb.dtype)
    return np.asarray(np.cbrt(lms) @ LMS_TO_LAB.T.astype(rgb.dtype))


def oklab_from_xyz(xyz: Colours) -> Colours:
    """OKLab (L, a, b) of CIE XYZ with D65 white. Ottosson 2020."""
    return np.asarray(np.cbrt(xyz @ _XYZ_TO_LMS.T) @ LMS_TO_LAB.T)


def linear_from_oklab(lab: Colours) -> Colours:
    """Linear sRGB of OKLab; may leave 0 to 1 where the colour is out of gamut."""
    lms = (lab @ _LAB_TO_LMS.T.astype(lab.dtype)) ** 3
    return np.asarray(lms @ _LMS_TO_RGB.T.astype(lab.dtype))


def hue_deg(lab: Colours) -> Colours:
    """Hue angle of OKLab colours in degrees, 0 to 360: 29 red, 110 yellow, 142 green, 264 blue (sRGB primaries)."""
    return np.asarray(np.degrees(np.arctan2(lab[..., 2], lab[..., 1])) % 360.0)


def chroma(lab: Colours) -> Colours:
    """Distance from grey in OKLab."""
    return np.asarray(np.hypot(lab[..., 1], lab[..., 2]))


def oklch_from_oklab(lab: Colours) -> Colours:
    """Lightness, chroma, hue in degrees."""
    return np.stack([lab[..., 0], chroma(lab), hue_deg(lab)], axis=-1)


def oklab_from_oklch(lch: Colours) -> Colours:
    """The way back from `oklch_from_oklab`."""
    hue = np.radians(lch[..., 2])
    return np.stack([lch[..., 0], lch[..., 1] * np.cos(hue), lch[..., 1] * np.sin(hue)], axis=-1)


def oklab_planes(red: Colours, green: Colours, blue: Colours) -> Planes:
    """L, a and b of linear light given as three planes."""
    return _through([np.cbrt(p) for p in _through([red, green, blue], RGB_TO_LMS)], LMS_TO_LAB)


def linear_planes(lightness: Colours, a: Colours, b: Colours) -> Planes:
    """Linear red, green and blue of OKLab planes; may leave 0 to 1."""
    return _through([p * p * p for p in _through([lightness, a, b], _LAB_TO_LMS)], _LMS_TO_RGB)


def into_gamut(red: Colours, green: Colours, blue: Colours) -> Planes:
    """Linear colours that leave 0 to 1 moved towards the grey of their luminance until they fit; others unchanged."""
    y = np.clip(0.2126729 * red + 0.7151522 * green + 0.0721750 * blue, 0.0, 1.0).astype(red.dtype)
    top = np.maximum(np.maximum(red, green), blue)
    low = np.minimum(np.minimum(red, green), blue)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(top > 1.0, (1.0 - y) / (top - y), 1.0)
        share = np.minimum(share, np.where(low < 0.0, y / (y - low), 1.0))
    share = np.clip(np.nan_to_num(share, nan=0.0), 0.0, 1.0).astype(red.dtype)
    moved = [np.clip(y + share * (p - y), 0.0, 1.0) for p in (red, green, blue)]
    return moved[0], moved[1], moved[2]


def _through(planes: list[Colours] | Planes, matrix: npt.NDArray[np.float64]) -> Planes:
    m = matrix.astype(planes[0].dtype)
    rows = [m[i, 0] * planes[0] + m[i, 1] * planes[1] + m[i, 2] * planes[2] for i in range(3)]
    return rows[0], rows[1], rows[2]
