"""How far the focus may be off, and how far the night takes it. Lengths in micrometres at the sensor."""

from __future__ import annotations

import numpy as np

from nightfold.units import ARCSEC_PER_RADIAN

__all__ = [
    "EXPANSION_PER_K",
    "defocus_fwhm_arcsec",
    "depth_of_focus_um",
    "drift_um_per_k",
    "expansion_of",
    "filter_focus_shift_mm",
    "refocus_interval_s",
    "seeing_tolerance_um",
    "strehl_of_defocus",
]

EXPANSION_PER_K = {
    "aluminium": 23.6e-6,
    "steel": 11.7e-6,
    "stainless steel": 17.2e-6,
    "invar": 1.6e-6,
    "carbon fibre": 1.0e-6,
}
"""Linear expansion: metals from Callister, Materials Science and Engineering, table B.6 (Al 6061, steel 1020, stainless
304); carbon fibre tubes range from -1e-6 to 3e-6 (value from memory)."""

DISC_FWHM = 0.58871
"""FWHM of a Gaussian with the variance of an even disc, over the disc's diameter: 2.35482 / 4."""


def expansion_of(tube: str | None, expansion_per_c: float | None = None) -> float | None:
    """The stated expansion, else that of the tube's material; None where neither is known."""
    return expansion_per_c if expansion_per_c is not None else EXPANSION_PER_K.get(tube or "")


def depth_of_focus_um(wavelength_nm: float, focal_ratio: float) -> float:
    """Half the depth of focus at a quarter wave: 2 lambda N^2 to each side. (Another convention counts 4.88 in all.)"""
    return 2.0 * wavelength_nm * 1e-3 * focal_ratio**2


def strehl_of_defocus(defocus_um: float, wavelength_nm: float, focal_ratio: float) -> float:
    """Strehl ratio of an unobstructed aperture out of focus: sinc^2 of the wavefront error dz / 8 N^2 in waves."""
    return float(np.sinc(defocus_um / (8.0 * focal_ratio**2) / (wavelength_nm * 1e-3)) ** 2)


def defocus_fwhm_arcsec(fwhm_arcsec: float, defocus_um: float, *, focal_ratio: float, focal_length_mm: float) -> float:
    """FWHM with defocus: the blur disc dz / N and the focused star added in squares."""
    blur = abs(defocus_um) / focal_ratio * 1e-3 / focal_length_mm * ARCSEC_PER_RADIAN
    return float(np.hypot(fwhm_arcsec, DISC_FWHM * blur))


def seeing_tolerance_um(
    fwhm_arcsec: float, *, focal_ratio: float, focal_length_mm: float, growth: float = 0.05
) -> float:
    """Defocus to each side at which the FWHM has grown by a share (0.05 for 5 %)."""
    blur_arcsec = fwhm_arcsec * np.sqrt((1.0 + growth) ** 2 - 1.0) / DISC_FWHM
    return float(blur_arcsec / ARCSEC_PER_RADIAN * focal_length_mm * 1e3 * focal_ratio)


def drift_um_per_k(expansion_per_k: float, focal_length_mm: float) -> float:
    """Focus drift of a tube as long as the focal length, the glass taken as rigid."""
    return expansion_per_k * focal_length_mm * 1e3


def refocus_interval_s(
    *,
    tolerance_um: float,
    expansion_per_k: float,
    focal_length_mm: float,
    cooling_k: float,
    night_s: float,
) -> float:
    """Time in which a tube drifts by the tolerance, at an even fall of temperature; infinite without drift.

    Parameters
    ----------
    tolerance_um : float
        Defocus allowed to one side: the larger of `depth_of_focus_um` and `seeing_tolerance_um`.
    cooling_k, night_s : float
        Fall of temperature expected, and over which time.
    """
    per_s = abs(drift_um_per_k(expansion_per_k, focal_length_mm) * cooling_k) / night_s
    return tolerance_um / per_s if per_s > 0 else float("inf")


def filter_focus_shift_mm(thickness_mm: float, index: float = 1.52) -> float:
    """By how much a plane filter moves the focus away from the objective: t (n - 1) / n."""
    return thickness_mm * (index - 1.0) / index
