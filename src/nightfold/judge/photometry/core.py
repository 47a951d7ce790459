"""The photometric zero point of a rig's filter, and what follows from it: sky, limits, transparency on absolute scales.

A zero point is the AB magnitude that gives one electron a second: ``mag = zero_point - 2.5 log10(e/s)``, at the filter's
centre wavelength and as the air and the optics were. All subs of a filter are solved together: their rates are first brought
to the reference's level by their star-flux ratios, so that each catalogue star speaks once, with all its samples.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.rig.photometry import Optics, photons_from_ab, rayleigh_photons
from nightfold.rig.star_colours import SYSTEMATIC_MAG
from nightfold.robust import biweight, mad_sigma

FloatArray = npt.NDArray[np.float64]

LEAST_STARS = 3
MAG_PER_RELATIVE = 2.5 / np.log(10.0)
"""1.0857: a relative error in magnitudes (CHECKS D2)."""
LINE_WIDTH_LIMIT_NM = 20.0
"""Brightness in rayleigh is told for filters narrower than this: a wider one sees the continuum."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroPoint:
    """AB magnitude of one electron a second, its 1 sigma (`statistical_mag` without what all stars share), and its stars."""

    mag: float
    uncertainty_mag: float
    statistical_mag: float
    scatter_mag: float
    stars: int


def zero_point(
    mag: FloatArray,
    rate: FloatArray,
    relative_error: FloatArray,
    mag_error: FloatArray,
    *,
    systematic_mag: float = SYSTEMATIC_MAG,
) -> ZeroPoint | None:
    """The zero point from stars of known magnitude; None for fewer than three.

    Parameters
    ----------
    mag : (n,) float64
        AB magnitudes in the filter; NaN where the colour tells none.
    rate : (n,) float64
        Electrons per second.
    relative_error : (n,) float64
        1 sigma of `rate` over `rate`.
    mag_error : (n,) float64
        1 sigma of one star's `mag`.
    systematic_mag : float
        What all stars share; added in square.

    Notes
    -----
    Weighted mean with Tukey's biweight about the median, so that variable and double stars lose their say.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        each = mag + 2.5 * np.log10(rate)
        sigma = np.hypot(MAG_PER_RELATIVE * relative_error, mag_error)
    good = np.isfinite(each) & np.isfinite(sigma) & (sigma > 0.0) & (rate > 0.0)
    each, sigma = each[good], sigma[good]
    if each.size < LEAST_STARS:
        return None
    centre = float(np.median(each))
    for _ in range(10):
        spread = max(1.0, float(mad_sigma((each - centre) / sigma)))
        weight = biweight((each - centre) / (sigma * spread)) / sigma**2
        if not weight.sum() > 0.0:
            break
        centre = float((weight * each).sum() / weight.sum())
    scatter = float(mad_sigma(each)) if each.size >= 5 else float(each.std(ddof=1))
    used = int((weight > 0.0).sum())
    expected = float(1.0 / np.sqrt((1.0 / sigma**2).sum()))
    statistical = max(expected, scatter / np.sqrt(max(used, 1)))
    return ZeroPoint(
        mag=centre,
        uncertainty_mag=float(np.hypot(statistical, systematic_mag)),
        statistical_mag=float(statistical),
        scatter_mag=scatter,
        stars=used,
    )


def star_rates(
    members: list[npt.NDArray[np.int64]], rates: list[FloatArray], errors: list[FloatArray], scales: FloatArray
) -> tuple[npt.NDArray[np.int64], FloatArray, FloatArray]:
    """Each catalogue star's rate at the reference's level, over all subs.

    Parameters
    ----------
    members : list of (n_i,) int64
        For each star of sub i its number in the catalogue, -1 for none.
    rates, errors : lists of (n_i,) float64
        Electrons per second.
    scales : (subs,) float64
        Star-flux ratio of each sub to the reference.

    Returns
    -------
    numbers, rates, relative errors
        Of the stars that were seen.
    """
    number = np.concatenate(members) if members else np.zeros(0, np.int64)
    value = np.concatenate([r / s for r, s in zip(rates, scales)]) if rates else np.zeros(0)
    error = np.concatenate([e / s for e, s in zip(errors, scales)]) if errors else np.zeros(0)
    good = (number >= 0) & np.isfinite(value) & np.isfinite(error) & (error > 0.0)
    number, value, error = number[good], value[good], error[good]
    stars, first = np.unique(number, return_inverse=True)
    mean, relative = np.empty(len(stars)), np.empty(len(stars))
    for i in range(len(stars)):
        own, own_error = value[first == i], error[first == i]
        weight = 1.0 / own_error**2
        # The median stands where one sub's cosmic ray or cloud edge does not.
        mean[i] = float(np.median(own)) if own.size > 2 else float((weight * own).sum() / weight.sum())
        with np.errstate(invalid="ignore", divide="ignore"):
            relative[i] = 1.0 / np.sqrt(weight.sum()) / mean[i]
    return stars, mean, relative


def nominal_zero_point(optics: Optics, centre_nm: float, width_nm: float) -> float:
    """The zero point above the air that the rig's own numbers promise: aperture, glass, sensor, filter."""
    return float(2.5 * np.log10(float(photons_from_ab(0.0, centre_nm)) * width_nm * optics.area_m2 * optics.efficiency))


def surface_mag(rate_e_per_s_arcsec2: float, zero_point_mag: float) -> float:
    """AB mag/arcsec2 of a rate per square arcsecond; infinite for none."""
    return float(zero_point_mag - 2.5 * np.log10(rate_e_per_s_arcsec2)) if rate_e_per_s_arcsec2 > 0.0 else float("inf")


def rayleigh_rate(zero_point_mag: float, centre_nm: float, width_nm: float) -> float:
    """Electrons per second and square arcsecond of one rayleigh of a line at the filter's peak, from the star zero point.

    The stars tell area times efficiency times width (square metres and nm) at the centre; the line uses all but the width.
    The width is the filter's equivalent one, as `rig.photometry` takes it: a bell-shaped passband of the same half-peak
    width passes 6 % more of a star, which makes the line this much fainter.
    """
    area_efficiency = float(10.0 ** (0.4 * zero_point_mag)) / (float(photons_from_ab(0.0, centre_nm)) * width_nm)
    return float(rayleigh_photons(1.0)) * area_efficiency


def limiting_mag(zero_point_mag: float, noise_e_per_s: float, fwhm_px: float, *, sigmas: float = 5.0) -> float:
    """AB magnitude of a star at `sigmas` times the noise of its own profile: ZP - 2.5 log10(n sigma sqrt(NEA)) (CHECKS D16).

    The noise-equivalent area of a Gaussian profile is 2.266 FWHM^2 (King 1983).
    """
    area = 2.266 * fwhm_px**2
    return float(zero_point_mag - 2.5 * np.log10(sigmas * noise_e_per_s * np.sqrt(area)))
