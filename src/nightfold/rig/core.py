"""Scale, field and noise of a rig: the arithmetic that judging, folding and planning share. Pure functions."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nightfold.units import ARCSEC_PER_RADIAN

FloatArray = npt.NDArray[np.float64]


def scale_arcsec_px(pixel_um: float, focal_length_mm: float) -> float:
    """Image scale in arcsec per pixel, small angle: 206.265 pixel_um / focal_length_mm."""
    return ARCSEC_PER_RADIAN * pixel_um * 1e-3 / focal_length_mm


def field_deg(length_px: float, pixel_um: float, focal_length_mm: float) -> float:
    """Angle across `length_px` pixels, degrees: 2 atan(L / 2 f)."""
    return float(np.degrees(2.0 * np.arctan(length_px * pixel_um * 1e-3 / (2.0 * focal_length_mm))))


def pixel_noise_e(
    *, sky_e_per_s: npt.ArrayLike, exposure_s: npt.ArrayLike, read_noise_e: float, dark_e_per_s: float = 0.0
) -> FloatArray:
    """One-sigma noise of a blank pixel in electrons: photons of sky and dark current, and read-out.

    The bracket of the CCD equation (Merline & Howell 1995, Exp. Astron. 6, 163) without the aperture terms.
    """
    rate = np.maximum(np.asarray(sky_e_per_s, dtype=np.float64), 0.0) + dark_e_per_s
    return np.asarray(np.sqrt(rate * np.asarray(exposure_s, dtype=np.float64) + read_noise_e**2))


def read_noise_penalty(
    *, sky_e_per_s: float, exposure_s: float, read_noise_e: float, dark_e_per_s: float = 0.0
) -> float:
    """By how much read-out raises the noise of a sub above that of its photons: sqrt(1 + R^2 / (rate t)) - 1."""
    photons = (sky_e_per_s + dark_e_per_s) * exposure_s
    return float(np.sqrt(1.0 + read_noise_e**2 / photons) - 1.0) if photons > 0 else float("inf")


def exposure_for_penalty_s(
    penalty: float, *, sky_e_per_s: float, read_noise_e: float, dark_e_per_s: float = 0.0
) -> float:
    """Sub length in seconds at which read-out costs `penalty` (0.05 for 5 %) of noise; infinite without any light."""
    rate = sky_e_per_s + dark_e_per_s
    return read_noise_e**2 / ((1.0 + penalty) ** 2 - 1.0) / rate if rate > 0 else float("inf")


def stack_snr(
    *, signal_e_per_s: float, sky_e_per_s: float, dark_e_per_s: float, read_noise_e: float, exposure_s: float, subs: int
) -> float:
    """Signal-to-noise per pixel of `subs` equal exposures: n s t / sqrt(n ((s + b + d) t + R^2))."""
    variance = (signal_e_per_s + sky_e_per_s + dark_e_per_s) * exposure_s + read_noise_e**2
    return float(np.sqrt(subs) * signal_e_per_s * exposure_s / np.sqrt(variance))
