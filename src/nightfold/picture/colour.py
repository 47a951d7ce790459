"""Colour arithmetic: sRGB's transfer curve, and the perceptual space OKLab. Pure functions on float arrays."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Colours = npt.NDArray[np.floating[Any]]

# Ottosson 2020, "A perceptual color space for image processing": linear sRGB to cone responses, and their cube roots to Lab.
_RGB_TO_LMS = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
_LMS_TO_LAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)
_LMS_TO_RGB = np.linalg.inv(_RGB_TO_LMS)
_LAB_TO_LMS = np.linalg.inv(_LMS_TO_LAB)


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


def oklab_from_linear(rgb: Colours) -> Colours:
    """OKLab (L, a, b) of linear sRGB; last axis 3. Ottosson 2020."""
    lms = rgb @ _RGB_TO_LMS.T.astype(rgb.dtype)
    return np.asarray(np.cbrt(lms) @ _LMS_TO_LAB.T.astype(rgb.dtype))


def linear_from_oklab(lab: Colours) -> Colours:
    """Linear sRGB of OKLab; last axis 3; may leave 0 to 1 where the colour is out of gamut."""
    lms = (lab @ _LAB_TO_LMS.T.astype(lab.dtype)) ** 3
    return np.asarray(lms @ _LMS_TO_RGB.T.astype(lab.dtype))


def hue_deg(lab: Colours) -> Colours:
    """Hue angle of OKLab colours in degrees, 0 to 360: 29 red, 110 yellow, 142 green, 264 blue (sRGB primaries)."""
    return np.asarray(np.degrees(np.arctan2(lab[..., 2], lab[..., 1])) % 360.0)


def chroma(lab: Colours) -> Colours:
    """Distance from grey in OKLab."""
    return np.asarray(np.hypot(lab[..., 1], lab[..., 2]))
