"""An invented emission nebula: one smooth texture a line, defined on the sky so that every camera sees the same one.

A shell blown by a star, broken and folded by noise, with ionisation fronts that are brightest in [S II], Hα over all,
and [O III] inside; thin filaments where a noise field crosses zero; dust in front. Textures are band-limited: no detail
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


def _ridges(noise: FloatArray, width: float) -> FloatArray:
    """Thin bright lines where a noise field crosses zero."""
    return np.asarray(np.exp(-((noise / width) ** 2)), dtype=np.float64)


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
    coarse = 2.6 * radius_arcsec / texel
    bend_x, bend_y = (smooth_noise(rng, texels, 2.4, coarse, 12.0) for _ in range(2))
    cloud, dust, web, veil, fine = (
        smooth_noise(rng, texels, slope, coarse * share, 3.0)
        for slope, share in ((2.1, 1.0), (2.0, 0.8), (2.2, 0.55), (2.3, 0.45), (1.8, 0.3))
    )
    # Bending the plane by smooth noise folds the shell; the star's blister is open to one side.
    bx, by = x + 0.22 * bend_x, 1.18 * y + 0.22 * bend_y
    radius = np.hypot(bx, by)
    angle = np.arctan2(by, bx)
    opening = 0.55 + 0.45 * np.cos(angle - 2.3) + 0.20 * cloud
    opening = np.clip(opening, 0.08, 1.6)
    extinction = np.exp(-0.9 * np.clip(dust - 0.35, 0.0, 2.5) * np.clip(radius + 0.25, 0.0, 1.0))
    filaments = 0.35 + 1.0 * _ridges(web, 0.16) + 0.5 * _ridges(fine, 0.12)
    veils = 0.30 + 1.1 * _ridges(veil, 0.14)
    grain = np.exp(0.38 * fine)

    def front(at: float, inner: float, outer: float) -> FloatArray:
        step = radius - at
        return np.asarray(np.where(step < 0, np.exp(-((step / inner) ** 2)), np.exp(-((step / outer) ** 2))))

    glow = np.exp(-((radius / 1.15) ** 2)) * np.exp(0.45 * cloud)
    lines = {
        "Ha": (0.50 * glow * grain + 1.0 * front(1.0, 0.20, 0.34) * opening * filaments * grain) * extinction
        + 0.05 * np.exp(-((radius / 2.0) ** 2)) * np.exp(0.6 * cloud),
        "OIII": (
            0.9 * np.exp(-((radius / 0.62) ** 2)) * np.exp(0.35 * veil)
            + 0.75 * front(0.80, 0.22, 0.10) * opening * veils
        )
        * np.sqrt(extinction),
        "SII": (
            0.12 * glow
            + 1.0 * front(1.08, 0.09, 0.22) * opening * filaments * grain
            + 0.18 * front(1.30, 0.30, 0.40) * _ridges(web, 0.22)
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
