"""From the sky's units to electrons: rayleighs, AB magnitudes, photons, and what a rig makes of them. Pure functions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.units import ARCSEC_PER_RADIAN

__all__ = [
    "Optics",
    "ab_from_photons",
    "emission_measure",
    "line_e_per_s",
    "photons_from_ab",
    "rayleigh_erg",
    "rayleigh_photons",
    "sky_e_per_s",
    "star_e_per_s",
    "vega_v_photons",
]

FloatArray = npt.NDArray[np.float64]

PLANCK_J_S = 6.62607015e-34  # SI, exact
LIGHT_M_S = 299792458.0  # SI, exact
AB_ZERO_JY = 3631.0  # Oke & Gunn 1983
V_ZERO_JY = 3640.0  # Bessell 1979
V_NM = 550.0


@dataclass(frozen=True)
class Optics:
    """What of a rig decides how much light falls on a pixel.

    `efficiency` is the share of photons in the band that become electrons: mirrors and glass, sensor, the filter's peak.
    """

    aperture_mm: float
    focal_length_mm: float
    pixel_um: float
    efficiency: float
    obstruction_mm: float = 0.0

    @property
    def area_m2(self) -> float:
        """Collecting area, square metres."""
        return float(np.pi / 4.0 * (self.aperture_mm**2 - self.obstruction_mm**2) * 1e-6)

    @property
    def scale_arcsec_px(self) -> float:
        return ARCSEC_PER_RADIAN * self.pixel_um * 1e-3 / self.focal_length_mm

    @property
    def focal_ratio(self) -> float:
        return self.focal_length_mm / self.aperture_mm

    @property
    def obstruction(self) -> float:
        """Of the diameter, 0 to 1."""
        return self.obstruction_mm / self.aperture_mm


def rayleigh_photons(rayleigh: npt.ArrayLike) -> FloatArray:
    """Photons per second, m2 and arcsec2 of a surface brightness in rayleighs: 1 R = 1e10/(4 pi) per m2 and sr (Baker 1974)."""
    return np.asarray(np.asarray(rayleigh, dtype=np.float64) * 1e10 / (4.0 * np.pi) / ARCSEC_PER_RADIAN**2)


def rayleigh_erg(wavelength_nm: float) -> float:
    """One rayleigh of a line in erg per second, cm2 and arcsec2."""
    photon_erg = PLANCK_J_S * LIGHT_M_S / (wavelength_nm * 1e-9) * 1e7
    return float(rayleigh_photons(1.0)) * 1e-4 * photon_erg


def emission_measure(rayleigh: npt.ArrayLike, temperature_k: float = 8000.0) -> FloatArray:
    """Emission measure in cm^-6 pc of an H-alpha brightness: 2.75 T4^0.9 I (Haffner et al. 2003), without extinction."""
    return np.asarray(2.75 * (temperature_k / 1e4) ** 0.9 * np.asarray(rayleigh, dtype=np.float64))


def _photons_of_jansky(jansky: float, wavelength_nm: float) -> float:
    """Photons per second, m2 and nm: F_nu / (h lambda)."""
    return jansky * 1e-26 / (PLANCK_J_S * wavelength_nm)


def photons_from_ab(mag: npt.ArrayLike, wavelength_nm: float) -> FloatArray:
    """Photons per second, m2 and nm of an AB magnitude (of a star; per arcsec2 of a surface brightness)."""
    per_zero = _photons_of_jansky(AB_ZERO_JY, wavelength_nm)
    return np.asarray(per_zero * 10.0 ** (-0.4 * np.asarray(mag, dtype=np.float64)))


def ab_from_photons(photons_per_s_m2_nm: npt.ArrayLike, wavelength_nm: float) -> FloatArray:
    """The inverse of `photons_from_ab`; infinite for no light."""
    with np.errstate(divide="ignore"):
        ratio = np.asarray(photons_per_s_m2_nm, dtype=np.float64) / _photons_of_jansky(AB_ZERO_JY, wavelength_nm)
        return np.asarray(-2.5 * np.log10(ratio))


def vega_v_photons(v_mag: npt.ArrayLike) -> FloatArray:
    """Photons per second, m2 and nm at 550 nm of a V magnitude on the Vega scale (3640 Jy at V = 0, Bessell 1979)."""
    return np.asarray(_photons_of_jansky(V_ZERO_JY, V_NM) * 10.0 ** (-0.4 * np.asarray(v_mag, dtype=np.float64)))


def line_e_per_s(rayleigh: npt.ArrayLike, optics: Optics) -> FloatArray:
    """Electrons per second and pixel of an emission line; `optics.efficiency` holds at the line."""
    return np.asarray(rayleigh_photons(rayleigh) * optics.area_m2 * optics.scale_arcsec_px**2 * optics.efficiency)


def sky_e_per_s(photons_per_s_m2_nm_arcsec2: npt.ArrayLike, width_nm: float, optics: Optics) -> FloatArray:
    """Electrons per second and pixel of a continuous sky through a band of `width_nm` at full efficiency."""
    photons = np.asarray(photons_per_s_m2_nm_arcsec2, dtype=np.float64)
    return np.asarray(photons * width_nm * optics.area_m2 * optics.scale_arcsec_px**2 * optics.efficiency)


def star_e_per_s(ab_mag: npt.ArrayLike, wavelength_nm: float, width_nm: float, optics: Optics) -> FloatArray:
    """Electrons per second of a star, over all its pixels, above the air."""
    return np.asarray(photons_from_ab(ab_mag, wavelength_nm) * width_nm * optics.area_m2 * optics.efficiency)
