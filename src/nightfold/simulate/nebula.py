"""An invented emission nebula: one smooth texture a line, defined on the sky so that every camera sees the same one.

A shell blown by a star, broken and folded by noise, with ionisation fronts that are brightest in [S II], Hα over all,
and [O III] inside; filaments along the creases of folded noise; dust in front. Textures are band-limited: no detail
is finer than about 3 texels, so a cubic interpolation renders them at any scale and angle.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Texture = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Nebula:
    """Textures in rayleigh by line, square, covering `extent_arcsec` about `centre_arcsec` (east, north)."""

    textures: Mapping[str, Texture]
    extent_arcsec: float
    centre_arcsec: tuple[float, float] = (0.0, 0.0)


def smooth_noise(rng: np.random.Generator, size: int, slope: float, coarsest: float, finest: float) -> FloatArray:
    """Seeded noise (size, size), mean 0, sigma 1, amplitude falling as frequency^-slope between two periods in texels."""
    spectrum = np.fft.rfft2(rng.standard_normal((size, size)))
    frequency = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None, :])
    frequency[0, 0] = 1.0
    shape = frequency**-slope * np.exp(-0.5 * (frequency * finest) ** 2)
    shape *= 1.0 - np.exp(-0.5 * (frequency * coarsest) ** 4)
    shape[0, 0] = 0.0
    noise = np.fft.irfft2(spectrum * shape, s=(size, size))
    return np.asarray(noise / noise.std(), dtype=np.float64)


def _band_limit(texture: FloatArray, sigma_texels: float) -> Texture:
    frequency2 = np.fft.fftfreq(len(texture))[:, None] ** 2 + np.fft.rfftfreq(len(texture))[None, :] ** 2
    soft = np.exp(-2.0 * np.pi**2 * sigma_texels**2 * frequency2)
    return np.maximum(np.fft.irfft2(np.fft.rfft2(texture) * soft, s=texture.shape), 0.0).astype(np.float32)


def ridged_noise(rng: np.random.Generator, size: int, coarsest: float, octaves: int, finest: float) -> FloatArray:
    """Seeded noise (size, size) of folded sheets, 0 to about 1: bright creases that branch, finer ones on the coarser.

    Octaves of noise, each folded at zero and weighted by the last (ridged multifractal, Musgrave in Ebert et al.,
    Texturing and Modeling, ch. 16). `coarsest` is the period of the first octave in texels.
    """
    total = np.zeros((size, size))
    weight = np.ones((size, size))
    share = 0.0
    for octave in range(octaves):
        period = coarsest / 2.0**octave
        noise = smooth_noise(rng, size, 1.5, period, max(0.35 * period, finest))
        crease = np.clip(1.0 - np.abs(noise) / 1.2, 0.0, 1.0) ** 2
        total += 0.62**octave * crease * weight
        share += 0.62**octave
        weight = np.clip(1.6 * crease, 0.15, 1.0)
    return np.asarray(total / share, dtype=np.float64)


def shell_nebula(
    *,
    seed: int,
    extent_arcsec: float,
    radius_arcsec: float,
    peak_rayleigh: Mapping[str, float],
    texels: int = 1024,
    centre_arcsec: tuple[float, float] = (0.0, 0.0),
) -> Nebula:
    """A nebula of the lines Ha, OIII and SII whose 99.5th percentiles are `peak_rayleigh`; lines not named are left out.

    Fades to nothing at the border of the extent.
    """
    rng = np.random.default_rng([seed, 7])
    texel = extent_arcsec / texels
    half = (texels - 1) / 2.0
    y, x = (np.mgrid[0:texels, 0:texels] - half) * texel / radius_arcsec
    reach = radius_arcsec / texel  # texels in the shell's radius
    bend_x, bend_y = (smooth_noise(rng, texels, 2.6, 2.0 * reach, 8.0) for _ in range(2))
    cloud, dust, grain = (
        smooth_noise(rng, texels, slope, share * reach, 3.0) for slope, share in ((2.2, 2.4), (2.3, 1.3), (1.9, 0.5))
    )
    web = ridged_noise(rng, texels, 1.1 * reach, 5, 3.0)
    veil = ridged_noise(rng, texels, 0.9 * reach, 4, 4.0)
    # Bending the plane by smooth noise folds the shell; wrinkles follow the creases.
    bx = x + 0.13 * bend_x + 0.10 * (web - 0.3)
    by = 1.12 * y + 0.13 * bend_y + 0.10 * (veil - 0.3)
    radius = np.hypot(bx, by)
    angle = np.arctan2(by, bx)
    # The gas is denser on one side: the shell is bright and sharp there, and open on the other.
    dense = np.clip(0.62 + 0.42 * np.cos(angle - 2.4) + 0.16 * np.cos(2.0 * angle + 0.7) + 0.24 * cloud, 0.06, 1.7)
    # Dust lies in front, most of it outside the blown hollow.
    lanes = np.clip(dust - 0.2 + 0.9 * (web - 0.35), 0.0, 2.2)
    extinction = np.exp(-1.1 * lanes * np.clip(radius - 0.15, 0.0, 0.9))
    sheets = 0.25 + 1.7 * web
    texture = np.exp(0.30 * grain)

    def front(at: float, inner: float, outer: float) -> FloatArray:
        step = radius - at
        return np.asarray(np.where(step < 0, np.exp(-((step / inner) ** 2)), np.exp(-((step / outer) ** 2))))

    haze = np.exp(-((radius / 1.9) ** 2)) * np.exp(0.55 * cloud)
    lines = {
        "Ha": (
            1.25 * front(1.0, 0.26, 0.30) * dense * sheets * texture
            + 0.30 * np.exp(-((radius / 0.95) ** 2)) * (0.5 + veil) * texture
            + 0.22 * haze * (0.45 + 0.9 * web)
        )
        * extinction,
        "OIII": (
            0.95 * front(0.74, 0.42, 0.13) * (0.35 + 0.65 * dense) * (0.30 + 1.5 * veil)
            + 0.45 * np.exp(-((radius / 0.55) ** 2)) * np.exp(0.3 * cloud)
        )
        * np.sqrt(extinction),
        "SII": (
            1.15 * front(1.10, 0.10, 0.24) * dense * sheets**1.5 * texture
            + 0.10 * front(1.0, 0.5, 0.3) * dense
            + 0.16 * haze * web
        )
        * extinction,
    }
    edge = np.maximum(np.abs(x), np.abs(y)) * radius_arcsec / (extent_arcsec / 2.0)
    fade = 0.5 - 0.5 * np.cos(np.pi * np.clip((1.0 - edge) / 0.18, 0.0, 1.0))
    textures = {}
    for line, peak in peak_rayleigh.items():
        if line not in lines:
            continue
        field = _band_limit(lines[line] * fade, 1.1)
        textures[line] = (field * (peak / np.percentile(field, 99.5))).astype(np.float32)
    return Nebula(textures=textures, extent_arcsec=extent_arcsec, centre_arcsec=centre_arcsec)
