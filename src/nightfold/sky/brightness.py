"""How bright the sky is in a filter: the site's own sky, the Moon and twilight, each with its spectrum.

Everything is photons per second, m2, nm and arcsec2 at the ground; `rig.photometry` makes electrons of it. The model is
good to about half a magnitude until it has been fitted to measured backgrounds (`fit_sky`), which then say what the site and
the Moon really give in each filter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from nightfold.rig.photometry import Optics, photons_from_ab, sky_e_per_s, vega_v_photons
from nightfold.sky.moonlight import dark_sky_nl, extinction_mag_at, moon_sky_nl, v_mag_arcsec2

__all__ = [
    "Band",
    "SkyModel",
    "SkyReading",
    "SkyTerms",
    "filter_sky_e_per_s",
    "fit_sky",
    "natural_photons",
    "sun_limit_deg",
    "twilight_photons",
]

FloatArray = npt.NDArray[np.float64]

V_NM = 550.0
NARROW_NM = 20.0
"""Filters narrower than this see the sky between its lines."""

TWILIGHT_SHARE = 0.3
"""More twilight than this share of a reading tells of twilight, not of the site (our choice)."""

_NATURAL_NM = (430.0, 450.0, 486.1, 500.7, 530.0, 550.0, 600.0, 630.0, 656.3, 672.4, 700.0, 750.0, 800.0)
_CONTINUUM = (1.015, 1.281, 1.120, 0.955, 0.920, 1.0, 1.265, 1.292, 1.340, 0.991, 0.976, 1.013, 1.116)
_WITH_LINES = (1.021, 1.289, 1.129, 0.961, 0.934, 1.0, 1.344, 4.547, 1.882, 1.129, 1.221, 1.955, 4.042)
"""Photons per nm of a moonless sky against 550 nm: medians and means over 8 nm of an observed spectrum of Paranal's night
sky. One dark site on one night: elsewhere the colour differs by some 0.3 mag."""

_TWILIGHT = {  # band: (wavelength nm, a0, a1, a2, moonless sky, AB - Vega)
    "B": (440.0, 11.84, 1.411, -0.041, 22.6, -0.09),
    "V": (550.0, 11.84, 1.518, -0.057, 21.6, 0.02),
    "R": (640.0, 11.40, 1.567, -0.064, 20.9, 0.21),
    "I": (790.0, 10.93, 1.470, -0.062, 19.7, 0.45),
}
"""Zenith twilight a0 + a1 x + a2 x^2 in mag/arcsec2, x = degrees of the Sun below -5: Patat, Ugolnikov & Postylyakov 2006
(A&A 455, 385); night sky of Patat 2003; AB - Vega of Blanton & Roweis 2007 (all values from memory)."""

_TWILIGHT_SPAN_DEG = 7.0
"""The curves are used from a Sun at -5 to -12; below it the night sky rules them, and twilight goes on with its last slope."""

TWILIGHT_SHARE = 3.0
"""A filter may be used until twilight is so many times its dark sky."""

SUN_LIMIT_DEG = -6.0


@dataclass(frozen=True)
class Band:
    """A filter as the sky sees it: centre and effective width in nm, and its name."""

    name: str
    centre_nm: float
    width_nm: float


@dataclass(frozen=True)
class SkyTerms:
    """Photons per second, m2, nm and arcsec2 by origin; arrays that broadcast."""

    site: FloatArray
    moon: FloatArray
    twilight: FloatArray

    @property
    def total(self) -> FloatArray:
        return np.asarray(self.site + self.moon + self.twilight)


@dataclass(frozen=True)
class SkyModel:
    """A site's sky.

    `zenith_v_mag` is its moonless zenith in V (Vega) per arcsec2, artificial light included. `site_factor` and `moon_factor`
    come from `fit_sky`, by filter; a filter that is not in them has 1. `sigma_mag` says how far to trust it.
    """

    zenith_v_mag: float
    extinction_mag: float = 0.2
    elevation_m: float = 0.0
    site_factor: dict[str, float] = field(default_factory=dict)
    moon_factor: dict[str, float] = field(default_factory=dict)
    sigma_mag: float = 0.5
    learnt_from: int = 0
    """Number of measured backgrounds behind the factors; 0 for the model alone."""

    def terms(
        self,
        band: Band,
        *,
        altitude_deg: npt.ArrayLike,
        sun_altitude_deg: npt.ArrayLike,
        moon_altitude_deg: npt.ArrayLike,
        separation_deg: npt.ArrayLike,
        phase_angle_deg: npt.ArrayLike,
    ) -> SkyTerms:
        """Sky in a filter at a target, for arrays of instants that broadcast. Below the horizon the target has no sky: NaN."""
        altitude = np.asarray(altitude_deg, dtype=np.float64)
        zenith = np.where(altitude > 0.0, 90.0 - altitude, np.nan)
        k = extinction_mag_at(band.centre_nm, self.extinction_mag, self.elevation_m)
        overhead = natural_photons(self.zenith_v_mag, band)
        site = dark_sky_nl(overhead, zenith, k) * self.site_factor.get(band.name, 1.0)
        moon_nl = moon_sky_nl(
            phase_angle_deg=phase_angle_deg,
            moon_zenith_deg=90.0 - np.asarray(moon_altitude_deg, dtype=np.float64),
            zenith_deg=zenith,
            separation_deg=separation_deg,
            extinction_mag=self.extinction_mag,
            wavelength_nm=band.centre_nm,
            elevation_m=self.elevation_m,
        )
        moon = vega_v_photons(v_mag_arcsec2(moon_nl)) * self.moon_factor.get(band.name, 1.0)
        return SkyTerms(site, moon, twilight_photons(sun_altitude_deg, band.centre_nm))


def natural_photons(zenith_v_mag: float, band: Band) -> float:
    """Photons per second, m2, nm and arcsec2 of a moonless zenith in a filter, from its V magnitude."""
    if band.width_nm < NARROW_NM:
        relative = float(np.interp(band.centre_nm, _NATURAL_NM, _CONTINUUM))
    else:
        grid = np.linspace(band.centre_nm - band.width_nm / 2.0, band.centre_nm + band.width_nm / 2.0, 101)
        # An 8 nm bin on a strong line must not stand for its whole surroundings: lines weigh with their bin's width.
        relative = float(np.interp(grid, _NATURAL_NM, _CONTINUUM).mean())
        for nm, with_lines, continuum in zip(_NATURAL_NM, _WITH_LINES, _CONTINUUM):
            if abs(nm - band.centre_nm) <= band.width_nm / 2.0:
                relative += (with_lines - continuum) * 8.0 / band.width_nm
    return float(vega_v_photons(zenith_v_mag)) * relative


def _twilight_band(sun_altitude_deg: FloatArray, band: str) -> FloatArray:
    """Twilight alone in one of the measured bands, photons at the band's wavelength."""
    nm, a0, a1, a2, night, to_ab = _TWILIGHT[band]
    x = np.maximum(-5.0 - sun_altitude_deg, 0.0)
    inside = np.minimum(x, _TWILIGHT_SPAN_DEG)

    def net(depth: FloatArray) -> FloatArray:
        curve = a0 + a1 * depth + a2 * depth**2
        return np.asarray(10.0 ** (-0.4 * (curve + to_ab)) - 10.0 ** (-0.4 * (night + to_ab)))

    last = np.array(_TWILIGHT_SPAN_DEG)
    slope = np.log(net(last) / net(last - 0.1)) / 0.1
    light = net(inside) * np.exp(slope * (x - inside))
    return np.asarray(photons_from_ab(0.0, nm) * light)


def twilight_photons(sun_altitude_deg: npt.ArrayLike, wavelength_nm: float) -> FloatArray:
    """Photons per second, m2, nm and arcsec2 of twilight at the zenith, without the night's own sky.

    Measured on a clear dark site from a Sun at -5 to -15 degrees; brighter Suns are held at -5, deeper ones extrapolated.
    Towards the Sun's own azimuth twilight is brighter.
    """
    sun = np.asarray(sun_altitude_deg, dtype=np.float64)
    wavelengths = [_TWILIGHT[b][0] for b in _TWILIGHT]
    logs = np.stack([np.log(_twilight_band(sun, b)) for b in _TWILIGHT])
    at = float(np.clip(wavelength_nm, wavelengths[0], wavelengths[-1]))
    above = int(np.clip(np.searchsorted(wavelengths, at), 1, len(wavelengths) - 1))
    share = (at - wavelengths[above - 1]) / (wavelengths[above] - wavelengths[above - 1])
    return np.asarray(np.exp((1.0 - share) * logs[above - 1] + share * logs[above]))


def sun_limit_deg(model: SkyModel, band: Band, *, share: float = TWILIGHT_SHARE) -> float:
    """Sun altitude at which twilight is `share` times the filter's dark zenith; never above -6 degrees."""
    dark = natural_photons(model.zenith_v_mag, band) * model.site_factor.get(band.name, 1.0)

    def excess(sun_deg: float) -> float:
        return float(np.log(twilight_photons(sun_deg, band.centre_nm) / (share * dark)))

    if excess(SUN_LIMIT_DEG) <= 0.0:
        return SUN_LIMIT_DEG
    from scipy.optimize import brentq  # loads slowly

    return float(brentq(excess, -30.0, SUN_LIMIT_DEG, xtol=1e-4))


def filter_sky_e_per_s(terms: SkyTerms, band: Band, optics: Optics) -> FloatArray:
    """Electrons per second and pixel of the whole sky through a filter on a rig."""
    return sky_e_per_s(terms.total, band.width_nm, optics)


@dataclass(frozen=True)
class SkyReading:
    """A measured background and what the plain model says for its moment, both photons per s, m2, nm, arcsec2."""

    filter: str
    measured: float
    site: float
    moon: float
    twilight: float = 0.0


def fit_sky(model: SkyModel, readings: Sequence[SkyReading], *, least: int = 5) -> SkyModel:
    """The model with its site and Moon levels fitted to measured backgrounds, filter by filter.

    Non-negative least squares of measured = a site + b moon in relative errors, twice re-weighed by Huber's function so that
    passing cloud does not rule. Fewer than `least` readings leave a filter as it was; the Moon's level is fitted only where
    it gave a tenth of the light in several of them. `terms` of the readings must come from a model without factors.
    Readings that twilight makes up by more than `TWILIGHT_SHARE` are left out: what its model is off would pass for the
    site's light. A fit that leaves the site no light at all contradicts the model and is not taken over.
    """
    site_factor, moon_factor = dict(model.site_factor), dict(model.moon_factor)
    residuals: list[float] = []
    used = 0
    for name in sorted({r.filter for r in readings}):
        own = [
            r
            for r in readings
            if r.filter == name
            and r.measured > 0
            and np.isfinite(r.measured)
            and r.twilight <= TWILIGHT_SHARE * min(r.measured, r.site + r.moon + r.twilight)
        ]
        if len(own) < least:
            continue
        fitted = _fit_one(own)
        if not fitted[0] > 0.0:
            continue
        site_factor[name] = fitted[0]
        if fitted[1] is not None:
            moon_factor[name] = fitted[1]
        moon_level = fitted[1] if fitted[1] is not None else moon_factor.get(name, 1.0)
        residuals += [
            2.5 * float(np.log10(r.measured / max(fitted[0] * r.site + moon_level * r.moon + r.twilight, 1e-300)))
            for r in own
        ]
        used += len(own)
    if not used:
        return model
    spread = 1.4826 * float(np.median(np.abs(residuals)))
    return replace(
        model, site_factor=site_factor, moon_factor=moon_factor, sigma_mag=max(spread, 0.02), learnt_from=used
    )


def _fit_one(own: Sequence[SkyReading]) -> tuple[float, float | None]:
    """Levels of site and Moon of one filter; None for a Moon that the readings do not show."""
    measured = np.array([r.measured - r.twilight for r in own])
    scale = np.array([max(r.measured, 1e-300) for r in own])
    site, moon = np.array([r.site for r in own]), np.array([r.moon for r in own])
    bright = np.count_nonzero(moon > 0.1 * site) >= 3 and np.ptp(moon / site) > 0.1
    columns = np.stack([site, moon], axis=1) if bright else site[:, None]
    target = measured if bright else measured - moon
    weight = np.ones(len(own))
    solution = np.zeros(columns.shape[1])
    for _ in range(3):
        root = np.sqrt(weight) / scale
        from scipy.optimize import nnls

        solution, _ = nnls(columns * root[:, None], target * root)
        off = np.abs(target - columns @ solution) / scale
        sigma = max(1.4826 * float(np.median(off)), 1e-6)
        weight = np.minimum(1.0, 1.345 * sigma / np.maximum(off, 1e-300))
    return float(solution[0]), float(solution[1]) if bright else None
