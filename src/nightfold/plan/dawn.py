"""Sky flats at dawn: when the morning sky is neither too faint nor too bright for a filter, and how long each flat is.

Twilight at the zenith from `sky.brightness`, measured with the Sun 5 to 15 degrees down. Brighter twilight goes on with the
slope of Tyson & Gal 1993 (AJ 105, 1206): the logarithm of its light changes by 0.094 a minute where the Sun sinks as fast as at
their observatory (latitude -30), 1.08 mag per degree (value from memory). Their exposures follow from an exponential rise:
a flat begun at brightness I that shall gather F under a rise exp(a t) lasts ln(1 + a F / I) / a.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from nightfold.rig.photometry import Optics, sky_e_per_s
from nightfold.sky.brightness import Band, twilight_photons
from nightfold.sky.ephemeris import as_datetime
from nightfold.sky.night import Night

__all__ = ["FlatWindow", "dawn_flats", "flat_exposure_s", "flat_sky_e_per_s"]

FloatArray = npt.NDArray[np.float64]

SLOPE_MAG_PER_DEG = 1.08
MEASURED_SUN_DEG = -5.0

LEAST_FLAT_S, MOST_FLAT_S = 1.0, 30.0
"""Shorter flats show the shutter or its clock, longer ones the stars (common practice, no source)."""

WELL_SHARE = 0.4
"""How full a flat shall be: the middle of 30 to 60 % (common practice, no source)."""

STEP_S = 10.0


@dataclass(frozen=True)
class FlatWindow:
    """When sky flats of a filter can be taken, the first and last of them in seconds, and how many there is time for."""

    start: datetime
    end: datetime
    first_s: float
    last_s: float
    count: int


def flat_sky_e_per_s(sun_altitude_deg: npt.ArrayLike, band: Band, optics: Optics) -> FloatArray:
    """Electrons per second and pixel of the twilight zenith, also with the Sun higher than 5 degrees below the horizon."""
    sun = np.asarray(sun_altitude_deg, dtype=np.float64)
    photons = twilight_photons(np.minimum(sun, MEASURED_SUN_DEG), band.centre_nm)
    brighter = 10.0 ** (0.4 * SLOPE_MAG_PER_DEG * np.maximum(sun - MEASURED_SUN_DEG, 0.0))
    return sky_e_per_s(photons * brighter, band.width_nm, optics)


def flat_exposure_s(rate_e_per_s: float, growth_per_s: float, wanted_e: float) -> float:
    """Seconds in which a flat gathers what is wanted under light that grows (or fades) exponentially; infinite if never."""
    if abs(growth_per_s) < 1e-12:
        return wanted_e / rate_e_per_s
    inside = 1.0 + growth_per_s * wanted_e / rate_e_per_s
    return float(np.log(inside) / growth_per_s) if inside > 0 else float("inf")


def dawn_flats(
    night: Night, band: Band, optics: Optics, *, full_well_e: float, between_s: float, wanted: int
) -> FlatWindow | None:
    """The morning's window for a filter; None where dawn never gives the right light or the well is not known.

    Flats are run through one after another, each as long as the light of its moment asks, until the light is too strong.
    """
    if not np.isfinite(full_well_e) or full_well_e <= 0:
        return None
    middle, end = night.middle.timestamp(), night.end.timestamp()
    at = np.arange(middle, end, STEP_S)
    sun = night.sun_track.altitude_deg(at)
    rate = flat_sky_e_per_s(sun, band, optics)
    growth = np.gradient(np.log(rate), at)
    target = WELL_SHARE * full_well_e
    lasts = np.array([flat_exposure_s(float(r), float(g), target) for r, g in zip(rate, growth)])
    good = (lasts <= MOST_FLAT_S) & (lasts >= LEAST_FLAT_S) & (sun < 5.0)
    inside = np.flatnonzero(good)
    if not inside.size:
        return None
    begin = float(at[inside[0]])
    t, count, last = begin, 0, float(lasts[inside[0]])
    while t <= float(at[inside[-1]]) and count < wanted:
        last = float(np.interp(t, at, lasts))
        t += last + between_s
        count += 1
    return FlatWindow(
        start=as_datetime(begin),
        end=as_datetime(float(at[inside[-1]])),
        first_s=float(lasts[inside[0]]),
        last_s=last,
        count=count,
    )
