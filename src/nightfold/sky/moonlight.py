"""Moonlight on the sky: Krisciunas & Schaefer 1991, PASP 103, 1033, in V, and how it is carried to other wavelengths.

The paper claims 8 to 23 percent in V. Elsewhere the two parts of its scattering function follow their own laws: molecules
as the fourth power of wavelength, aerosol with the Ångström exponent 1.3; the Moon's light is the Sun's, reddened.
Nanolamberts are V-band units; a ratio of them is a ratio of light.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = [
    "brightening_mag",
    "dark_sky_nl",
    "extinction_mag_at",
    "moon_colour",
    "moon_illuminance",
    "moon_sky_nl",
    "moon_v_mag",
    "nanolamberts",
    "rayleigh_extinction_mag",
    "scattering_airmass",
    "v_mag_arcsec2",
]

FloatArray = npt.NDArray[np.float64]

V_NM = 550.0
ANGSTROM_EXPONENT = 1.3  # common value for continental aerosol (Ångström 1929); sites scatter from 0.5 to 2
SCALE_HEIGHT_M = 8000.0  # of the molecular air, within 5 % up to 4000 m
MOON_REDDENING = 1.1
"""Power of wavelength by which the Moon's albedo rises: B-V of the Moon 0.92, of the Sun 0.65 (values from memory)."""

_SOLAR_NM = (360.0, 400.0, 430.0, 450.0, 486.1, 500.7, 530.0, 550.0, 600.0, 656.3, 700.0, 750.0, 800.0, 900.0, 1000.0)
_SOLAR_PHOTONS = (0.356, 0.555, 0.686, 0.873, 0.920, 0.941, 0.971, 1.0, 1.034, 0.986, 0.964, 0.926, 0.883, 0.783, 0.705)
"""Photons of sunlight per nanometre against 550 nm, means over 15 nm of the STIS reference spectrum of the Sun (CALSPEC
`sun_reference_stis_001`, Bohlin, Gordon & Tremblay 2014)."""


def nanolamberts(v_mag: npt.ArrayLike) -> FloatArray:
    """Surface brightness in nanolamberts of V magnitudes per square arcsecond (Garstang 1986 eq. 19; the paper's eq. 1)."""
    return np.asarray(34.08 * np.exp(20.7233 - 0.92104 * np.asarray(v_mag, dtype=np.float64)))


def v_mag_arcsec2(nanolambert: npt.ArrayLike) -> FloatArray:
    """The inverse of `nanolamberts`; infinite for no light."""
    with np.errstate(divide="ignore"):
        return np.asarray((20.7233 - np.log(np.asarray(nanolambert, dtype=np.float64) / 34.08)) / 0.92104)


def moon_v_mag(phase_angle_deg: npt.ArrayLike) -> FloatArray:
    """V magnitude of the Moon; phase angle 0 at full (eq. 9). Without the opposition surge within 7 degrees of full."""
    angle = np.abs(np.asarray(phase_angle_deg, dtype=np.float64))
    return np.asarray(-12.73 + 0.026 * angle + 4e-9 * angle**4)


def moon_illuminance(phase_angle_deg: npt.ArrayLike) -> FloatArray:
    """I* of eq. 8 and 20: the Moon's light above the air, in the paper's units."""
    return np.asarray(10.0 ** (-0.4 * (moon_v_mag(phase_angle_deg) + 12.73 + 3.84)))


def scattering_airmass(zenith_deg: npt.ArrayLike) -> FloatArray:
    """Air mass of eq. 3, made for scattered light: 5 at the horizon; stays 5 below it."""
    zenith = np.minimum(np.asarray(zenith_deg, dtype=np.float64), 90.0)
    return np.asarray(1.0 / np.sqrt(1.0 - 0.96 * np.sin(np.radians(zenith)) ** 2))


def _scattering(separation_deg: npt.ArrayLike, wavelength_nm: float, molecular: float, aerosol: float) -> FloatArray:
    """f(rho) of eq. 21 with each part weighed by its scattering per extinction at a wavelength; 1 and 1 in V."""
    rho = np.asarray(separation_deg, dtype=np.float64)
    molecules = 10.0**5.36 * (1.06 + np.cos(np.radians(rho)) ** 2)
    return np.asarray(molecular * molecules + aerosol * 10.0 ** (6.15 - rho / 40.0))


def moon_sky_nl(
    *,
    phase_angle_deg: npt.ArrayLike,
    moon_zenith_deg: npt.ArrayLike,
    zenith_deg: npt.ArrayLike,
    separation_deg: npt.ArrayLike,
    extinction_mag: float,
    wavelength_nm: float = V_NM,
    elevation_m: float = 0.0,
) -> FloatArray:
    """Moonlight scattered into the line of sight, nanolamberts (eq. 15); 0 with the Moon below the horizon.

    Parameters
    ----------
    phase_angle_deg, moon_zenith_deg, zenith_deg, separation_deg : array_like
        Phase angle (0 full), true zenith distances of Moon and target, angle between them; they broadcast.
    extinction_mag : float
        Of the site in V, magnitudes per air mass.
    wavelength_nm : float
        At other wavelengths than V the answer is "nanolamberts of V light with the same photons per nanometre".
    elevation_m : float
        Height of the site, for the share of molecules in its extinction.

    Notes
    -----
    Within 10 degrees of the Moon the true sky is brighter (another law holds there, that does not join on).
    """
    k = extinction_mag_at(wavelength_nm, extinction_mag, elevation_m)
    ratio_k = k / extinction_mag if extinction_mag > 0 else 1.0
    red = wavelength_nm / V_NM
    # (1 - transmission) grows with the whole extinction; each part of f must grow with its own, so the rest is divided out.
    molecular, aerosol = (red**-4.0 / ratio_k, red**-ANGSTROM_EXPONENT / ratio_k) if red != 1.0 else (1.0, 1.0)
    f = _scattering(separation_deg, wavelength_nm, molecular, aerosol)
    moon_zenith = np.asarray(moon_zenith_deg, dtype=np.float64)
    through = 10.0 ** (-0.4 * k * scattering_airmass(moon_zenith))
    scattered = 1.0 - 10.0 ** (-0.4 * k * scattering_airmass(zenith_deg))
    light = f * moon_illuminance(phase_angle_deg) * through * scattered * moon_colour(wavelength_nm)
    return np.asarray(np.where(moon_zenith < 90.0, light, 0.0))


def dark_sky_nl(zenith_nl: npt.ArrayLike, zenith_deg: npt.ArrayLike, extinction_mag: float) -> FloatArray:
    """Moonless sky at a zenith distance from that at the zenith (eq. 2)."""
    x = scattering_airmass(zenith_deg)
    return np.asarray(np.asarray(zenith_nl, dtype=np.float64) * 10.0 ** (-0.4 * extinction_mag * (x - 1.0)) * x)


def brightening_mag(moon_nl: npt.ArrayLike, dark_nl: npt.ArrayLike) -> FloatArray:
    """Change of sky magnitude by the Moon, negative for brighter (eq. 22)."""
    moon, dark = np.asarray(moon_nl, dtype=np.float64), np.asarray(dark_nl, dtype=np.float64)
    return np.asarray(-2.5 * np.log10((moon + dark) / dark))


def moon_colour(wavelength_nm: float) -> float:
    """Photons of moonlight per nanometre above the air against 550 nm: the Sun's, reddened; held beyond 360-1000 nm."""
    return float(np.interp(wavelength_nm, _SOLAR_NM, _SOLAR_PHOTONS)) * float((wavelength_nm / V_NM) ** MOON_REDDENING)


def rayleigh_extinction_mag(wavelength_nm: float, elevation_m: float = 0.0) -> float:
    """Extinction by molecules, magnitudes per air mass (Hansen & Travis 1974, eq. 2.30, sea level 1013 mb)."""
    um = wavelength_nm * 1e-3
    depth = 0.008569 * um**-4 * (1.0 + 0.0113 * um**-2 + 0.00013 * um**-4)
    return float(1.085736 * depth * np.exp(-elevation_m / SCALE_HEIGHT_M))


def extinction_mag_at(wavelength_nm: float, v_extinction_mag: float, elevation_m: float = 0.0) -> float:
    """Extinction at a wavelength from that in V: molecules by height, the rest as aerosol.

    Ozone and water are left out (up to 0.04 mag near 600 nm). Where the site's V value is below the molecules' own, all of
    it scales as molecules.
    """
    molecules_v = min(rayleigh_extinction_mag(V_NM, elevation_m), v_extinction_mag)
    molecules = molecules_v * rayleigh_extinction_mag(wavelength_nm) / rayleigh_extinction_mag(V_NM)
    aerosol = (v_extinction_mag - molecules_v) * (wavelength_nm / V_NM) ** -ANGSTROM_EXPONENT
    return float(molecules + aerosol)
