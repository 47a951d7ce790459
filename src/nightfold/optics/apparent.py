"""From catalogue places to what the mount sees: hour angle and declination of date, lifted by the air.

A mount turns about its axis among apparent places. Left in the catalogue's coordinates, 25 years of precession alone
would pass for 8 arcmin of polar error, and refraction for a drift. Good to 0.01 degrees: nutation and aberration (together
at most 40 arcsec, and alike for all subs of a night) are left out.
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


def seen_by_the_mount(
    ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike, unix_s: npt.ArrayLike, *, latitude_deg: float, longitude_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Apparent hour angle (-180 to 180, + west) and declination, degrees; NaN below 3 degrees of altitude.

    Refraction after Saemundsson (1986), 1010 mb and 10 C (CHECKS T14).
    """
    ra, dec = precessed(ra_deg, dec_deg, unix_s)
    hour = np.radians((sidereal_deg(unix_s, longitude_deg) - ra + 180.0) % 360.0 - 180.0)
    d, latitude = np.radians(dec), np.radians(latitude_deg)
    # West, south along the horizon, and up.
    west = np.cos(d) * np.sin(hour)
    south = np.cos(d) * np.cos(hour) * np.sin(latitude) - np.sin(d) * np.cos(latitude)
    up = np.cos(d) * np.cos(hour) * np.cos(latitude) + np.sin(d) * np.sin(latitude)
    altitude = np.degrees(np.arcsin(np.clip(up, -1.0, 1.0)))
    safe = np.maximum(altitude, LEAST_ALTITUDE_DEG)
    lifted = np.radians(altitude + 1.02 / np.tan(np.radians(safe + 10.3 / (safe + 5.11))) / 60.0)
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
