"""Where the field and the Moon stand, to a fraction of a degree: enough for airmass, refraction, flip and moonlight.

Short series of our own, apart from `nightfold.sky`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime

from nightfold.units import ARCSEC_PER_RADIAN

REFRACTION_ARCSEC = 58.3
"""Refraction is this times tan z (Smart, Spherical Astronomy, ch. III; standard air)."""

_J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Of a direction at a time: altitude, hour angle (-12 to 12), airmass and the position angle of the zenith."""

    altitude_deg: float
    hour_angle_h: float
    airmass: float
    parallactic_deg: float


def sidereal_deg(when: datetime, longitude_deg: float) -> float:
    """Local mean sidereal time as an angle (Meeus, Astronomical Algorithms, eq. 12.4, linear part)."""
    days = (when - _J2000).total_seconds() / 86400.0
    return (280.46061837 + 360.98564736629 * days + longitude_deg) % 360.0


def place_of(ra_deg: float, dec_deg: float, when: datetime, *, latitude_deg: float, longitude_deg: float) -> Place:
    """Where a direction stands; no precession, so 0.4° off in 2026 at most. Airmass: Young & Irvine 1967."""
    hour_angle = (sidereal_deg(when, longitude_deg) - ra_deg + 180.0) % 360.0 - 180.0
    h, dec, lat = (math.radians(a) for a in (hour_angle, dec_deg, latitude_deg))
    sine = math.sin(lat) * math.sin(dec) + math.cos(lat) * math.cos(dec) * math.cos(h)
    altitude = math.degrees(math.asin(max(-1.0, min(1.0, sine))))
    # Meeus eq. 14.1, in the form that is good at the pole of the site too.
    parallactic = math.atan2(
        math.sin(h) * math.cos(lat), math.sin(lat) * math.cos(dec) - math.cos(lat) * math.sin(dec) * math.cos(h)
    )
    secant = 1.0 / max(sine, math.sin(math.radians(8.0)))
    return Place(
        altitude_deg=altitude,
        hour_angle_h=hour_angle / 15.0,
        airmass=secant * (1.0 - 0.0012 * (secant**2 - 1.0)),
        parallactic_deg=math.degrees(parallactic),
    )


def _equatorial(longitude_deg: float, latitude_deg: float) -> tuple[float, float]:
    lam, bet, eps = (math.radians(a) for a in (longitude_deg, latitude_deg, 23.4393))
    x = math.cos(bet) * math.cos(lam)
    y = math.cos(eps) * math.cos(bet) * math.sin(lam) - math.sin(eps) * math.sin(bet)
    z = math.sin(eps) * math.cos(bet) * math.sin(lam) + math.cos(eps) * math.sin(bet)
    return math.degrees(math.atan2(y, x)) % 360.0, math.degrees(math.asin(z))


def sun(when: datetime) -> tuple[float, float]:
    """Right ascension and declination of the Sun to 0.01° (the Astronomical Almanac's low-precision formula)."""
    days = (when - _J2000).total_seconds() / 86400.0
    anomaly = math.radians(357.528 + 0.9856003 * days)
    return _equatorial(280.460 + 0.9856474 * days + 1.915 * math.sin(anomaly) + 0.020 * math.sin(2.0 * anomaly), 0.0)


def moon(when: datetime) -> tuple[float, float]:
    """Right ascension and declination of the Moon to 0.3°, geocentric (the Astronomical Almanac's low-precision one)."""
    t = (when - _J2000).total_seconds() / 86400.0 / 36525.0

    def s(a: float, b: float) -> float:
        return math.sin(math.radians(a + b * t))

    longitude = (
        218.32 + 481267.881 * t + 6.29 * s(135.0, 477198.87) - 1.27 * s(259.3, -413335.36)
        + 0.66 * s(235.7, 890534.22) + 0.21 * s(269.9, 954397.74) - 0.19 * s(357.5, 35999.05) - 0.11 * s(186.5, 966404.03)
    )  # fmt: skip
    latitude = (
        5.13 * s(93.3, 483202.02) + 0.28 * s(228.2, 960400.89) - 0.28 * s(318.3, 6003.15) - 0.17 * s(217.6, -407332.21)
    )
    return _equatorial(longitude, latitude)


def separation_deg(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Angle between two directions (right ascension, declination)."""
    ra, d0, d1 = math.radians(a[0] - b[0]), math.radians(a[1]), math.radians(b[1])
    cosine = math.sin(d0) * math.sin(d1) + math.cos(d0) * math.cos(d1) * math.cos(ra)
    return math.degrees(math.acos(max(-1.0, min(1.0, cosine))))


def scattered_mag_arcsec2(
    phase_deg: float, separation_deg: float, *, airmass: float, moon_airmass: float, extinction_mag: float
) -> float:
    """Surface brightness of the sky that the Moon lights, by single scattering in two layers.

    Moonlight of magnitude -12.73 when full (Allen) and fainter by 0.026 a + 4e-9 a^4 at phase angle a meets a Rayleigh
    layer of effective depth 0.14 (0.10 of clear air, the rest for light scattered twice) and an aerosol layer of depth
    0.05 with a Henyey-Greenstein lobe of g = 0.8. Round numbers, within half a magnitude of measured skies.
    """
    magnitude = -12.73 + 0.026 * phase_deg + 4e-9 * phase_deg**4 + extinction_mag * moon_airmass
    cosine = math.cos(math.radians(separation_deg))
    rayleigh = 0.14 * 0.75 * (1.0 + cosine**2)
    g = 0.8
    aerosol = 0.05 * (1.0 - g * g) / (1.0 + g * g - 2.0 * g * cosine) ** 1.5
    share = (rayleigh + aerosol) * airmass / (4.0 * math.pi) / ARCSEC_PER_RADIAN**2
    return magnitude - 2.5 * math.log10(share)


def moonlight_mag_arcsec2(
    target: tuple[float, float],
    when: datetime,
    *,
    latitude_deg: float,
    longitude_deg: float,
    extinction_mag: float = 0.2,
) -> float:
    """Surface brightness of moonlight at a target (right ascension, declination); infinity with the Moon down."""
    where = moon(when)
    there = place_of(*where, when, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    if there.altitude_deg <= 0.0:
        return math.inf
    here = place_of(*target, when, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    return scattered_mag_arcsec2(
        180.0 - separation_deg(where, sun(when)),
        separation_deg(where, target),
        airmass=here.airmass,
        moon_airmass=there.airmass,
        extinction_mag=extinction_mag,
    )
