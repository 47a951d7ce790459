"""What optics show by themselves when nothing is wrong: resolution, coma and curvature of a paraboloid, and what to allow.

Sizes on the sky in arcsec, on the sensor in millimetres or micrometres; N is the focal ratio.
"""

from __future__ import annotations

import numpy as np

from nightfold.units import ARCSEC_PER_RADIAN

GREEN_NM = 550.0


def rayleigh_arcsec(wavelength_nm: float, aperture_mm: float) -> float:
    """Rayleigh's separation 1.22 lambda / D (Rayleigh 1879)."""
    return float(1.21967 * wavelength_nm * 1e-6 / aperture_mm * ARCSEC_PER_RADIAN)


def airy_diameter_um(wavelength_nm: float, focal_ratio: float) -> float:
    """Diameter of the first dark ring around a star without air, 2.43934 lambda N (Born & Wolf, sec. 8.5)."""
    return 2.43934 * wavelength_nm * 1e-3 * focal_ratio


def airy_fwhm_arcsec(wavelength_nm: float, aperture_mm: float) -> float:
    """FWHM of that star, 1.02899 lambda / D (Born & Wolf, sec. 8.5)."""
    return 1.02899 * wavelength_nm * 1e-6 / aperture_mm * 206264.806


def dawes_arcsec(aperture_mm: float) -> float:
    """Dawes' separation, 116 / D in mm (Dawes 1867): found at the eyepiece, not derived."""
    return 116.0 / aperture_mm


def paraboloid_coma_arcsec(field_deg: float, focal_ratio: float) -> float:
    """Tangential coma of a paraboloid without corrector, 3 theta / 16 N^2 (Schroeder, Astronomical Optics, ch. 6).

    Half a percent below an exact ray trace at f/4. The sagittal coma is a third of it.
    """
    return float(3.0 * field_deg * 3600.0 / (16.0 * focal_ratio**2))


def diffraction_limited_radius_mm(focal_ratio: float, wavelength_nm: float = GREEN_NM) -> float:
    """How far from its axis a paraboloid keeps a Strehl ratio of 0.80: N^3 / 90 at 550 nm (Sacek 8.1.1)."""
    return float(focal_ratio**3 / 89.7 * wavelength_nm / GREEN_NM)


def collimation_tolerance_mm(focal_ratio: float) -> float:
    """How far the coma-free point may lie from the middle of the frame: half of that, 0.0056 N^3 (Strehl about 0.95)."""
    return float(0.0056 * focal_ratio**3)


def paraboloid_curvature_um(height_mm: float, focal_length_mm: float) -> tuple[float, float]:
    """Medial curvature h^2 / 2f of a paraboloid's field at a height, towards the mirror, and the astigmatic split h^2 / f.

    The sagittal surface is flat, the tangential one twice as deep as the medial (Schroeder ch. 6; stop at the mirror).
    """
    split = height_mm**2 / focal_length_mm * 1e3
    return 0.5 * split, split


def transmission_ratio(focal_ratio: float, obstruction: float) -> float:
    """Focal ratio of an unobstructed telescope that lets the same light through: N / sqrt(1 - e^2)."""
    return float(focal_ratio / np.sqrt(1.0 - obstruction**2))
