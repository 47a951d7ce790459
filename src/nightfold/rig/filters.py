"""What a fast cone does to an interference filter: each ray sees the passband shifted to the blue by its own angle.

lambda(theta) = lambda0 sqrt(1 - (sin theta / n)^2) (Smith, Modern Optical Engineering, p. 246), n the stack's effective
index, 1.5 to 1.9 in general, up to about 2.1. The pupil is an evenly lit ring; light is weighed by its area.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt

__all__ = [
    "LINES_NM",
    "best_centre_nm",
    "effective_transmission",
    "lines_inside",
    "marginal_angle_deg",
    "mean_shift_nm",
    "passband",
    "shift_nm",
]

FloatArray = npt.NDArray[np.float64]
Shape = Literal["gaussian", "flat"]

DEFAULT_INDEX = 1.8
"""Effective index where the filter's maker tells none: the middle of the usual range, no measurement."""

LINES_NM = {
    "Hb": (486.13,),
    "OIII": (495.89, 500.68),
    "OI": (630.03,),
    "NII": (654.81, 658.35),
    "Ha": (656.28,),
    "SII": (671.64, 673.08),
}
"""Air wavelengths of the lines that deep-sky filters are made for (NIST ASD; Osterbrock & Ferland 2006)."""

RAYS = 256


def shift_nm(wavelength_nm: npt.ArrayLike, angle_deg: npt.ArrayLike, index: float = DEFAULT_INDEX) -> FloatArray:
    """By how much a passband centred at a wavelength moves for light at an angle in air; negative, to the blue."""
    if not index > 1.0:
        raise ValueError(f"the effective index of a filter must be above 1 (seen: {index:g})")
    sine = np.sin(np.radians(np.asarray(angle_deg, dtype=np.float64))) / index
    return np.asarray(np.asarray(wavelength_nm, dtype=np.float64) * (np.sqrt(1.0 - sine**2) - 1.0))


def marginal_angle_deg(focal_ratio: float) -> float:
    """Half the opening angle of the cone: atan(1 / 2N)."""
    return float(np.degrees(np.arctan(0.5 / focal_ratio)))


def _ring(focal_ratio: float, obstruction: float) -> FloatArray:
    """Angles of rays that each carry the same light, from obstruction to edge.

    Even steps of the squared sine: an aplanatic telescope images heights in the pupil as sines (Abbe's condition).
    """
    if not 0.0 <= obstruction < 1.0:
        raise ValueError(f"the obstruction must be at least 0 and below 1 of the diameter (seen: {obstruction:g})")
    inner = obstruction**2
    squared = inner + (1.0 - inner) * (np.arange(RAYS) + 0.5) / RAYS
    edge = np.sin(np.radians(marginal_angle_deg(focal_ratio)))
    return np.asarray(np.degrees(np.arcsin(np.sqrt(squared) * edge)))


def mean_shift_nm(
    wavelength_nm: float, focal_ratio: float, *, obstruction: float = 0.0, index: float = DEFAULT_INDEX
) -> float:
    """Light-weighted mean shift of a passband in a cone, negative. `focal_ratio` may be infinite."""
    return float(shift_nm(wavelength_nm, _ring(focal_ratio, obstruction), index).mean())


def passband(
    wavelength_nm: npt.ArrayLike, centre_nm: npt.ArrayLike, width_nm: float, shape: Shape = "gaussian"
) -> FloatArray:
    """Transmission against the peak of a passband with full width `width_nm` at half of it.

    "flat" is a super-Gaussian of the sixth order, nearer to a stack of several cavities; both are models, not measured.
    """
    x = 2.0 * (np.asarray(wavelength_nm, dtype=np.float64) - np.asarray(centre_nm, dtype=np.float64)) / width_nm
    return np.asarray(0.5 ** (x**2 if shape == "gaussian" else np.abs(x) ** 6))


def effective_transmission(
    line_nm: npt.ArrayLike,
    *,
    centre_nm: float,
    width_nm: float,
    focal_ratio: float,
    obstruction: float = 0.0,
    index: float = DEFAULT_INDEX,
    peak: float = 1.0,
    shape: Shape = "gaussian",
) -> FloatArray:
    """Share of a line's light that passes a filter in the cone of a telescope.

    Parameters
    ----------
    line_nm : array_like
        Air wavelengths of lines, nm.
    centre_nm, width_nm : float
        Passband in parallel light: centre and full width at half of the peak.
    focal_ratio, obstruction : float
        Of the telescope; the obstruction as a share of the diameter.
    index : float
        Effective index of the stack.
    peak : float
        Transmission at the peak.

    Returns
    -------
    float64, the shape of `line_nm`
    """
    line = np.asarray(line_nm, dtype=np.float64)
    centres = centre_nm + shift_nm(centre_nm, _ring(focal_ratio, obstruction), index)
    return np.asarray(peak * passband(line[..., None], centres, width_nm, shape).mean(axis=-1))


def best_centre_nm(
    line_nm: float, focal_ratio: float, *, obstruction: float = 0.0, index: float = DEFAULT_INDEX
) -> float:
    """Centre in parallel light that a filter should have for its mean passband in the cone to fall on a line."""
    relative = mean_shift_nm(1.0, focal_ratio, obstruction=obstruction, index=index)
    return line_nm / (1.0 + relative)


def lines_inside(lines_nm: Sequence[float], centre_nm: float, width_nm: float) -> tuple[float, ...]:
    """Those lines that fall between the half-peak points of a passband in parallel light."""
    return tuple(line for line in lines_nm if abs(line - centre_nm) <= width_nm / 2.0)
