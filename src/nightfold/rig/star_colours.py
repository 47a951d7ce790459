"""What a star of Gaia's catalogue sends through a filter: its AB magnitude at any wavelength from G and BP - RP.

Published relations give the AB magnitudes in three bands of the Sloan survey (Gaia DR3 documentation, section 5.5.1, table
5.9: SDSS12 from G and BP - RP); between two of them the star is a black body of the temperature that their colour has. The
relations' scatter is the stated uncertainty of one star. Lines in the star's own spectrum are not modelled: a filter of a
few nm on a Balmer line needs cool stars (`usable_colours`).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["SYSTEMATIC_MAG", "ab_at", "usable_colours"]

FloatArray = npt.NDArray[np.float64]

_PIVOT_NM = (470.0, 616.5, 748.0)
"""Pivot wavelengths of SDSS g, r, i (Fukugita et al. 1996; values from memory)."""
_RELATIONS = (
    (0.2199, -0.6365, -0.1548, 0.0064),
    (-0.09837, 0.08592, 0.1907, -0.1701, 0.02263),
    (-0.293, 0.6404, -0.09609, -0.002104),
)
"""G - g, G - r, G - i as polynomials of BP - RP (values from memory; the ranges as published: 0.3 to 3, 0 to 3, 0.5 to 2)."""
_SCATTER = (0.0745, 0.0379, 0.0409)
BLUEST, REDDEST = 0.4, 2.0
"""Colours for which all three relations hold, the blue end reached a little beyond that of i."""
SYSTEMATIC_MAG = 0.05
"""What all stars of a field share: the relations' own zero points, reddening, the black body between the bands."""
BALMER_NM = (486.1, 656.3)
LINE_FREE_FROM = 0.9
"""From this BP - RP on (about K0) Balmer lines take less than a twentieth of a 3 nm band (from memory)."""
_SECOND_RADIATION_NM_K = 1.438777e7  # hc/k, CODATA 2018
_TEMPERATURES = np.geomspace(1800.0, 60000.0, 400)


def _black_body_ab(wavelength_nm: npt.ArrayLike, temperature_k: npt.ArrayLike) -> FloatArray:
    """AB magnitude of a black body, up to a constant: F_nu goes as nu^3 / (exp(h nu / k T) - 1)."""
    nm = np.asarray(wavelength_nm, np.float64)
    x = _SECOND_RADIATION_NM_K / (nm * np.asarray(temperature_k, np.float64))
    return np.asarray(2.5 * np.log10(np.expm1(x)) + 7.5 * np.log10(nm))


def ab_at(wavelength_nm: float, g: npt.ArrayLike, bp_rp: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """AB magnitude of stars at a wavelength, and 1 sigma of one star; NaN for colours outside the relations.

    Parameters
    ----------
    wavelength_nm : float
        380 to 950; beyond the outer bands the black body is carried on.
    g, bp_rp : arrays, shape (n,)
        Gaia DR3 magnitudes (Vega).

    Returns
    -------
    mag, sigma : float64 (n,)
    """
    if not 380.0 <= wavelength_nm <= 950.0:
        raise ValueError(f"wavelength_nm is {wavelength_nm:g}; allowed: 380 to 950")
    g, c = np.asarray(g, np.float64), np.asarray(bp_rp, np.float64)
    left = 0 if wavelength_nm < _PIVOT_NM[1] else 1
    with np.errstate(invalid="ignore"):
        inside = (c >= BLUEST) & (c <= REDDEST)
    c = np.where(inside, c, 1.0)
    blue, red = (g - np.polynomial.polynomial.polyval(c, _RELATIONS[i]) for i in (left, left + 1))
    lines = _black_body_ab(_PIVOT_NM[left], _TEMPERATURES) - _black_body_ab(_PIVOT_NM[left + 1], _TEMPERATURES)
    temperature = np.interp(blue - red, lines[::-1], _TEMPERATURES[::-1])  # the colour falls with temperature
    offset = _black_body_ab(wavelength_nm, temperature)
    at_blue = blue + offset - _black_body_ab(_PIVOT_NM[left], temperature)
    at_red = red + offset - _black_body_ab(_PIVOT_NM[left + 1], temperature)
    share = float(np.clip((wavelength_nm - _PIVOT_NM[left]) / (_PIVOT_NM[left + 1] - _PIVOT_NM[left]), 0.0, 1.0))
    sigma = (1.0 - share) * _SCATTER[left] + share * _SCATTER[left + 1]
    mag = (1.0 - share) * at_blue + share * at_red
    return np.where(inside, mag, np.nan), np.where(inside, sigma, np.nan)


def usable_colours(centre_nm: float, width_nm: float) -> tuple[float, float]:
    """Range of BP - RP whose stars have no strong lines of their own in a filter."""
    on_balmer = any(abs(line - centre_nm) <= 0.5 * width_nm + 1.0 for line in BALMER_NM)
    return (LINE_FREE_FROM if width_nm < 20.0 and on_balmer else BLUEST, 1.9)
