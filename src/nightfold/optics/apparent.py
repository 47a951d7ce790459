"""From catalogue places to what the mount sees: hour angle and declination of date, lifted by the air.

A mount turns about its axis among apparent places. Left in the catalogue's coordinates, 25 years of precession alone
would pass for 8 arcmin of polar error, nutation for 0.15, and refraction for a drift. Aberration (20 arcsec) is left out: it keeps
angles and moves all of a night alike, so that it falls to the zero of the night.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

UNIX_AT_J2000_S = 946728000.0
LEAST_ALTITUDE_DEG = 3.0


def precessed(ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike, unix_s: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Mean place of date of an ICRS place, degrees (Lieske 1977 angles, Meeus, Astronomical Algorithms, eq. 21.4)."""
    ra, dec = np.radians(np.asarray(ra_deg, np.float64)), np.radians(np.asarray(dec_deg, np.float64))
    t = (np.asarray(unix_s, np.float64) - UNIX_AT_J2000_S) / (86400.0 * 36525.0)
    zeta, z, theta = (
        np.radians((a * t + b * t**2 + c * t**3) / 3600.0)
        for a, b, c in (
            (2306.2181, 0.30188, 0.017998),
            (2306.2181, 1.09468, 0.018203),
            (2004.3109, -0.42665, -0.041833),
        )
    )
    a = np.cos(dec) * np.sin(ra + zeta)
    b = np.cos(theta) * np.cos(dec) * np.cos(ra + zeta) - np.sin(theta) * np.sin(dec)
    c = np.sin(theta) * np.cos(dec) * np.cos(ra + zeta) + np.cos(theta) * np.sin(dec)
    return np.degrees(np.arctan2(a, b) + z) % 360.0, np.degrees(np.arctan2(c, np.hypot(a, b)))


def sidereal_deg(unix_s: npt.ArrayLike, longitude_deg: float) -> FloatArray:
    """Local mean sidereal time, degrees (Meeus eq. 12.4; UT1 taken as UTC, wrong by 0.004 degrees at most)."""
    days = (np.asarray(unix_s, np.float64) - UNIX_AT_J2000_S) / 86400.0
    t = days / 36525.0
    return np.asarray((280.46061837 + 360.98564736629 * days + 0.000387933 * t**2 + longitude_deg) % 360.0)


def nutation_deg(unix_s: npt.ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Nutation in longitude and in obliquity, and the mean obliquity, degrees (Meeus ch. 22, the four largest terms: to 0.5")."""
    t = (np.asarray(unix_s, np.float64) - UNIX_AT_J2000_S) / (86400.0 * 36525.0)
    node = np.radians(125.04452 - 1934.136261 * t)
    sun, moon = np.radians(280.4665 + 36000.7698 * t), np.radians(218.3165 + 481267.8813 * t)
    longitude = -17.20 * np.sin(node) - 1.32 * np.sin(2 * sun) - 0.23 * np.sin(2 * moon) + 0.21 * np.sin(2 * node)
    obliquity = 9.20 * np.cos(node) + 0.57 * np.cos(2 * sun) + 0.10 * np.cos(2 * moon) - 0.09 * np.cos(2 * node)
    return longitude / 3600.0, obliquity / 3600.0, np.asarray(23.4392911 - 0.0130042 * t)


def air_factor(*, elevation_m: float, air_c: float = 10.0) -> float:
    """Refraction against that at 1010 mb and 10 C: pressure of the standard atmosphere (ICAO) over absolute temperature."""
    pressure = 1013.25 * (1.0 - 2.25577e-5 * elevation_m) ** 5.25588
    return float(pressure / 1010.0 * 283.0 / (273.0 + air_c))


def refraction_deg(altitude_deg: npt.ArrayLike) -> FloatArray:
    """By how much air of 1010 mb and 10 C lifts a true altitude of 3 degrees or more.

    58.276" tan z - 0.0824" tan^3 z (Smart; Meeus ch. 16) from 20 degrees up, where Saemundsson (1986; CHECKS T14) lifts by 4
    percent too much; his formula below 10 degrees, and a mixture between.
    """
    altitude = np.maximum(np.asarray(altitude_deg, np.float64), LEAST_ALTITUDE_DEG)
    low = 1.02 / np.tan(np.radians(altitude + 10.3 / (altitude + 5.11))) / 60.0
    tan_z = 1.0 / np.tan(np.radians(altitude))
    high = (58.276 * tan_z - 0.0824 * tan_z**3) / 3600.0
    share = np.clip((altitude - 10.0) / 10.0, 0.0, 1.0)
    return np.asarray(share * high + (1.0 - share) * low)


def seen_by_the_mount(
    ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike, unix_s: npt.ArrayLike, *, latitude_deg: float, longitude_deg: float,
    air: npt.ArrayLike = 1.0,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Apparent hour angle (-180 to 180, + west) and declination, degrees; NaN below 3 degrees of altitude.

    Refraction is that of `refraction_deg` times `air` from `air_factor`.
    """
    ra, dec = precessed(ra_deg, dec_deg, unix_s)
    by_longitude, by_obliquity, obliquity = nutation_deg(unix_s)
    # Meeus eq. 23.1: what nutation does to right ascension and declination, in first order.
    a, d, eps = np.radians(ra), np.radians(dec), np.radians(obliquity)
    equinox = by_longitude * np.cos(eps)
    shift = (np.cos(eps) + np.sin(eps) * np.sin(a) * np.tan(d)) * by_longitude - np.cos(a) * np.tan(d) * by_obliquity
    ra, dec = ra + shift, dec + np.sin(eps) * np.cos(a) * by_longitude + np.sin(a) * by_obliquity
    hour = np.radians((sidereal_deg(unix_s, longitude_deg) + equinox - ra + 180.0) % 360.0 - 180.0)
    d, latitude = np.radians(dec), np.radians(latitude_deg)
    # West, south along the horizon, and up.
    west = np.cos(d) * np.sin(hour)
    south = np.cos(d) * np.cos(hour) * np.sin(latitude) - np.sin(d) * np.cos(latitude)
    up = np.cos(d) * np.cos(hour) * np.cos(latitude) + np.sin(d) * np.sin(latitude)
    altitude = np.degrees(np.arcsin(np.clip(up, -1.0, 1.0)))
    lifted = np.radians(altitude + np.asarray(air) * refraction_deg(altitude))
    flat = np.maximum(np.hypot(west, south), 1e-12)
    west, south, up = west / flat * np.cos(lifted), south / flat * np.cos(lifted), np.sin(lifted)
    seen_dec = np.degrees(np.arcsin(np.clip(up * np.sin(latitude) - south * np.cos(latitude), -1.0, 1.0)))
    seen_hour = np.degrees(np.arctan2(west, south * np.sin(latitude) + up * np.cos(latitude)))
    low = altitude < LEAST_ALTITUDE_DEG
    return np.where(low, np.nan, seen_hour), np.where(low, np.nan, seen_dec)


def position_angle_deg(
    hour_deg: npt.ArrayLike, dec_deg: npt.ArrayLike, to_hour_deg: npt.ArrayLike, to_dec_deg: npt.ArrayLike
) -> FloatArray:
    """Direction from one apparent place to another, north through east (east is where the hour angle falls)."""
    h1, d1, h2, d2 = (np.radians(np.asarray(v, np.float64)) for v in (hour_deg, dec_deg, to_hour_deg, to_dec_deg))
    east = np.cos(d2) * np.sin(h1 - h2)
    north = np.sin(d2) * np.cos(d1) - np.cos(d2) * np.sin(d1) * np.cos(h1 - h2)
    return np.asarray(np.degrees(np.arctan2(east, north)) % 360.0)
