"""Colours of stars from a catalogue: colour index to temperature, temperature to the colour of a black body on an sRGB screen.

Narrow filters see nearly the same of every star, so a picture from them knows no star colours of its own; the catalogue
does. White on the screen is D65: a star of some 6500 K is neutral, cooler ones are warm, hotter ones bluish.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from nightfold.picture.colour import RGB_TO_XYZ

FloatArray = npt.NDArray[np.float64]
Plane32 = npt.NDArray[np.float32]

_SECOND_RADIATION_NM_K = 1.438777e7  # hc/k, CODATA 2018
COOLEST_K, HOTTEST_K = 2500.0, 30000.0
REACH_FWHM = 40.0
"""How far from a star, in FWHM, its colour may reach."""
FADES_AT_FWHM = 3.0
"""Distance from the faintest star listed at which its colour has half its say."""


def temperature_k(bp_rp: npt.ArrayLike) -> FloatArray:
    """Effective temperature of a dwarf of solar metallicity from Gaia's BP - RP, within 2500 to 30,000 K; NaN stays NaN.

    Mucciarelli, Bellazzini & Massari 2021 (A&A 653, A90), table 1, dwarfs (values from memory): some 60 K for
    0.4 < BP - RP < 1.5; beyond, and for reddened stars, a hint of colour and no measurement.
    """
    c = np.clip(np.asarray(bp_rp, np.float64), -0.4, 3.5)
    theta = 0.4929 + 0.5092 * c - 0.0353 * c**2
    return np.asarray(np.clip(5040.0 / theta, COOLEST_K, HOTTEST_K))


def _lobe(nm: FloatArray, centre: float, left: float, right: float) -> FloatArray:
    return np.asarray(np.exp(-0.5 * ((nm - centre) / np.where(nm < centre, left, right)) ** 2))


@lru_cache(maxsize=1)
def _matching_functions() -> tuple[FloatArray, FloatArray]:
    """Wavelengths (nm) and the CIE 1931 colour matching functions (3, n): the fits of Wyman, Sloan & Shirley 2013 (JCGT 2, 2)."""
    nm = np.arange(370.0, 780.0, 2.0)
    x = (
        1.056 * _lobe(nm, 599.8, 37.9, 31.0)
        + 0.362 * _lobe(nm, 442.0, 16.0, 26.7)
        - 0.065 * _lobe(nm, 501.1, 20.4, 26.2)
    )
    y = 0.821 * _lobe(nm, 568.8, 46.9, 40.5) + 0.286 * _lobe(nm, 530.9, 16.3, 31.1)
    z = 1.217 * _lobe(nm, 437.0, 11.8, 36.0) + 0.681 * _lobe(nm, 459.0, 26.0, 13.8)
    return nm, np.stack([x, y, z])


def black_body_rgb(kelvin: npt.ArrayLike) -> FloatArray:
    """Linear sRGB of black bodies, shape (..., 3), of luminance 1; negative light (outside sRGB) is set to none."""
    t = np.asarray(kelvin, np.float64)
    nm, matching = _matching_functions()
    radiance = nm**-5.0 / np.expm1(_SECOND_RADIATION_NM_K / (nm * t[..., None]))
    xyz = np.einsum("...n,cn->...c", radiance, matching)
    rgb = (xyz / xyz[..., 1:2]) @ np.linalg.inv(RGB_TO_XYZ).T
    return np.asarray(np.maximum(rgb, 0.0))


def tint_planes(
    listed: Sequence[tuple[float, float, float, float]], shape: tuple[int, int], *, fwhm_px: float, strength: float
) -> tuple[Plane32, Plane32, Plane32]:
    """By what the red, green and blue of star light is multiplied, pixel by pixel; 1 where no listed star has a say.

    Parameters
    ----------
    listed : sequence of (x, y, g, bp_rp)
        Stars with their pixel, magnitude and colour index.
    shape : (int, int)
        Height and width.
    fwhm_px : float
        Of the stars.
    strength : float
        0: all neutral; 1: as the black bodies are.

    Notes
    -----
    Where stars overlap, each speaks as loud as its light is there: its flux times (1 + (r / FWHM)^2)^-1.5. Stars that are
    not listed are fainter than all that are, and stay neutral beyond `FADES_AT_FWHM` of the faintest listed one.
    """
    height, width = shape
    weight = np.zeros(shape, np.float32)
    total = [np.zeros(shape, np.float32) for _ in range(3)]
    if not listed or strength <= 0.0:
        ones = np.ones(shape, np.float32)
        return ones, ones, ones
    table = np.asarray(listed, np.float64)
    flux = 10.0 ** (-0.4 * (table[:, 2] - table[:, 2].max()))
    colours = 1.0 + strength * (black_body_rgb(temperature_k(table[:, 3])) - 1.0)
    quiet = (1.0 + FADES_AT_FWHM**2) ** -1.5
    for (x, y, _g, _c), f, colour in zip(table, flux, colours):
        reach = int(np.ceil(fwhm_px * min(REACH_FWHM, ((f / (0.05 * quiet)) ** (2.0 / 3.0)) ** 0.5)))
        ys = slice(max(0, round(y) - reach), min(height, round(y) + reach + 1))
        xs = slice(max(0, round(x) - reach), min(width, round(x) + reach + 1))
        if ys.start >= ys.stop or xs.start >= xs.stop:
            continue
        r2 = (np.arange(ys.start, ys.stop)[:, None] - y) ** 2 + (np.arange(xs.start, xs.stop)[None, :] - x) ** 2
        say = (f * (1.0 + r2 / fwhm_px**2) ** -1.5 * (r2 <= reach**2)).astype(np.float32)
        weight[ys, xs] += say
        for channel in range(3):
            total[channel][ys, xs] += np.float32(colour[channel]) * say
    norm = weight + np.float32(quiet)
    red, green, blue = ((t + np.float32(quiet)) / norm for t in total)
    return red, green, blue
