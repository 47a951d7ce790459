"""Altitude and air mass of a target, and what the air takes from its light.

Altitudes are airless (no refraction) unless said; the air-mass formulas differ in which altitude they want.
"""

from __future__ import annotations

from datetime import datetime

import erfa
import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

_UNIX_EPOCH_JD = 2440587.5


def altitude_azimuth_deg(
    ra_deg: float,
    dec_deg: float,
    *,
    latitude_deg: float,
    longitude_deg: float,
    elevation_m: float,
    times: list[datetime],
) -> tuple[FloatArray, FloatArray]:
    """Airless altitude and azimuth (north through east), degrees, of an ICRS place seen from a site at aware `times`.

    IAU 2006/2000A through ERFA; UT1 - UTC is taken as zero, which moves an altitude by less than 0.004 degrees.
    """
    days = np.array([t.timestamp() for t in times], dtype=np.float64) / 86400.0
    ra, dec = _intermediate_place(np.radians(ra_deg), np.radians(dec_deg), days)
    azimuth, zenith, *_ = erfa.atio13(
        ra, dec, _UNIX_EPOCH_JD, days, 0.0, np.radians(longitude_deg), np.radians(latitude_deg), elevation_m,
        0.0, 0.0, 0.0, 0.0, 0.0, 0.55,
    )  # fmt: skip
    return 90.0 - np.degrees(zenith), np.degrees(azimuth)


def _intermediate_place(ra: float, dec: float, days: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Right ascension and declination, radians, in the celestial intermediate system at days since 1970.

    Worked out at whole days and taken linearly between, for the subs of a night share their days: light deflection,
    aberration, precession and nutation together leave an error of less than 0.01 arcsec.
    """
    whole = np.floor(days)
    edges, place = np.unique(np.concatenate([whole, whole + 1.0]), return_inverse=True)
    # TT - UTC of a minute moves a star's place by nothing that could be seen here; atci13 wants TDB.
    a, d, _ = erfa.atci13(ra, dec, 0.0, 0.0, 0.0, 0.0, _UNIX_EPOCH_JD, edges + 69.2 / 86400.0)
    before, after = place[: days.size], place[days.size :]
    share = days - whole
    across = (a[after] - a[before] + np.pi) % (2.0 * np.pi) - np.pi
    return a[before] + share * across, d[before] + share * (d[after] - d[before])


def airmass_from_true_altitude(altitude_deg: npt.ArrayLike) -> FloatArray:
    """Air mass at a *true* (airless) altitude: Young 1994, Appl. Opt. 33, 1108. NaN below the horizon.

    1 at the zenith, 31.7 at the horizon; the printed coefficients differ from an exact atmosphere by under 0.004.
    """
    altitude = np.asarray(altitude_deg, dtype=np.float64)
    c = np.sin(np.radians(altitude))
    value = (1.002432 * c**2 + 0.148386 * c + 0.0096467) / (c**3 + 0.149864 * c**2 + 0.0102963 * c + 0.000303978)
    return np.where(altitude >= 0.0, value, np.nan)


def airmass_from_apparent_altitude(altitude_deg: npt.ArrayLike) -> FloatArray:
    """Air mass at an *apparent* (refracted) altitude: Kasten & Young 1989, Appl. Opt. 28, 4735, eq. 3. NaN below 0.

    0.9997 at the zenith, as printed; within 0.2 % of the paper's table above 1 degree, 0.5 % at the horizon.
    """
    altitude = np.asarray(altitude_deg, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        value = 1.0 / (np.sin(np.radians(altitude)) + 0.50572 * (altitude + 6.07995) ** -1.6364)
    return np.where(altitude >= 0.0, value, np.nan)


def airmass_pickering(altitude_deg: npt.ArrayLike) -> FloatArray:
    """Air mass at an *apparent* altitude: Pickering 2002, DIO 12, 3 (h in degrees, the power on h alone). NaN below 0."""
    altitude = np.asarray(altitude_deg, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        value = 1.0 / np.sin(np.radians(altitude + 244.0 / (165.0 + 47.0 * altitude**1.1)))
    return np.where(altitude >= 0.0, value, np.nan)


def airmass_hardie(altitude_deg: npt.ArrayLike) -> FloatArray:
    """Air mass at an *apparent* altitude: Hardie 1962; usable above 5 degrees. NaN below 0."""
    altitude = np.asarray(altitude_deg, dtype=np.float64)
    with np.errstate(divide="ignore"):
        s = 1.0 / np.sin(np.radians(altitude)) - 1.0
    value = 1.0 + s - 0.0018167 * s - 0.002875 * s**2 - 0.0008083 * s**3
    return np.where(altitude >= 0.0, value, np.nan)


def extinction_factor(airmass: npt.ArrayLike, extinction_mag: float, *, relative_to: float = 0.0) -> FloatArray:
    """Share of the light that is left at `airmass` against `relative_to`, for `extinction_mag` per air mass."""
    return np.asarray(10.0 ** (-0.4 * extinction_mag * (np.asarray(airmass, dtype=np.float64) - relative_to)))
