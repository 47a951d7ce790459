"""Where Sun, Moon and targets stand above a site: apparent topocentric places from installed tables, never the network.

JPL DE421 (Folkner et al. 2009) through Skyfield; the table lies in the package `skyfield-data` and runs from July 1899 to
October 2053. Places are airless: no refraction, no dip of the horizon. A body's path over a night is kept as a `Track`: its
direction cosines sampled every ten minutes under a cubic spline. Direction cosines are smooth everywhere, zenith and pole
included; at ten minutes the spline is within 1e-6 degrees of the body, and its crossings are found in closed form.
"""

from __future__ import annotations

import atexit
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import skyfield_data  # type: ignore[import-untyped]
from skyfield.api import Loader, Star, wgs84  # type: ignore[import-untyped]

from nightfold.errors import SettingsError
from nightfold.sky.spline import Spline

__all__ = [
    "HORIZON_SUN_DEG",
    "Place",
    "Track",
    "as_datetime",
    "moon_illumination",
    "moon_track",
    "orientation_note",
    "require_nights",
    "separation_deg",
    "sun_track",
    "target_track",
    "unix_seconds",
]

FloatArray = npt.NDArray[np.float64]

HORIZON_SUN_DEG = -50.0 / 60.0
"""Centre of the Sun at rise and set: 34' of refraction and 16' of semidiameter (USNO, Rise, Set and Twilight Definitions)."""

HORIZON_REFRACTION_DEG = 34.0 / 60.0
MOON_RADIUS_KM = 1737.4  # IAU Working Group on Cartographic Coordinates 2015 (Archinal et al. 2018), mean radius
STEP_S = 600.0
CHUNK = 4096
"""Instants asked of the ephemeris at once: the nutation series holds some 1400 numbers for each."""

_UNIX_EPOCH_JD = 2440587.5


@dataclass(frozen=True)
class Place:
    """A site: geodetic (WGS84) latitude, longitude positive to the east, height; the civil zone where one is known."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float = 0.0
    time_zone: str | None = None

    def __post_init__(self) -> None:
        for name, value, least, most in (
            ("latitude_deg", self.latitude_deg, -90.0, 90.0),
            ("longitude_deg", self.longitude_deg, -180.0, 360.0),
        ):
            if not least <= value <= most:  # NaN fails too
                raise SettingsError(
                    f"{name} of the site is impossible",
                    seen=f"{value:g}",
                    allowed=f"{least:g} to {most:g}",
                    next_step=f"correct {name} in [site]",
                )


class Track:
    """A body's path over a stretch of time, to be asked at any instant inside it.

    Parameters
    ----------
    unix_s : float64 (n,)
        Instants, seconds of Unix time, increasing, n >= 2.
    directions : float64 (n, 3)
        Unit vectors towards north, east, zenith, airless.
    distance_km : float64 (n,) or None
        Topocentric distance; None for a star.
    latitude_deg : float
        Geodetic latitude, for hour angles.
    """

    def __init__(
        self, unix_s: FloatArray, directions: FloatArray, *, distance_km: FloatArray | None, latitude_deg: float
    ) -> None:
        self.unix_s = unix_s
        self.latitude_deg = latitude_deg
        self._directions = Spline(unix_s, directions)
        self._distance = None if distance_km is None else Spline(unix_s, distance_km)

    @property
    def start_s(self) -> float:
        return float(self.unix_s[0])

    @property
    def end_s(self) -> float:
        return float(self.unix_s[-1])

    def direction(self, unix_s: npt.ArrayLike) -> FloatArray:
        """Unit vectors (…, 3) towards north, east, zenith."""
        vector = np.asarray(self._directions(np.asarray(unix_s, dtype=np.float64)), dtype=np.float64)
        return np.asarray(vector / np.linalg.norm(vector, axis=-1, keepdims=True))

    def altitude_deg(self, unix_s: npt.ArrayLike) -> FloatArray:
        """Airless altitude of the centre, degrees."""
        north, east, up = np.moveaxis(self.direction(unix_s), -1, 0)
        return np.asarray(np.degrees(np.arctan2(up, np.hypot(north, east))))

    def azimuth_deg(self, unix_s: npt.ArrayLike) -> FloatArray:
        """Azimuth from north through east, degrees in [0, 360)."""
        north, east, _ = np.moveaxis(self.direction(unix_s), -1, 0)
        return np.asarray(np.degrees(np.arctan2(east, north)) % 360.0)

    def hour_angle_deg(self, unix_s: npt.ArrayLike) -> FloatArray:
        """Hour angle, degrees in (-180, 180], 0 at upper transit, positive to the west."""
        north, east, up = np.moveaxis(self.direction(unix_s), -1, 0)
        phi = np.radians(self.latitude_deg)
        return np.asarray(np.degrees(np.arctan2(-east, up * np.cos(phi) - north * np.sin(phi))))

    def limb_horizon_deg(self, unix_s: npt.ArrayLike) -> FloatArray:
        """Altitude of the centre when a Moon-sized upper limb stands on the horizon: -(34' + semidiameter)."""
        instants = np.asarray(unix_s, dtype=np.float64)
        if self._distance is None:
            return np.full(instants.shape, -HORIZON_REFRACTION_DEG)
        return np.asarray(
            -HORIZON_REFRACTION_DEG - np.degrees(np.arcsin(MOON_RADIUS_KM / self._distance(instants))), dtype=np.float64
        )

    def crossings(self, altitude_deg: float | FloatArray) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
        """Instants at which the altitude passes a limit, and whether the body is rising there.

        `altitude_deg` is one limit, or one for each of the track's own instants. Touching without passing counts as none.
        """
        from scipy.interpolate import CubicSpline  # loads slowly, and only who asks for crossings needs its roots

        limit = np.sin(np.radians(np.broadcast_to(np.asarray(altitude_deg, dtype=np.float64), self.unix_s.shape)))
        # The spline of the sine is solved in closed form, so that two crossings within one step are both found.
        excess = CubicSpline(self.unix_s, self.direction(self.unix_s)[:, 2] - limit)
        roots = np.asarray(excess.roots(discontinuity=False, extrapolate=False), dtype=np.float64)
        roots = np.unique(roots[np.isfinite(roots)])
        before, after = np.maximum(roots - 0.5, self.start_s), np.minimum(roots + 0.5, self.end_s)
        signs_before, signs_after = np.sign(excess(before)), np.sign(excess(after))
        passes = signs_before * signs_after < 0
        return roots[passes], signs_after[passes] > 0

    def transits(self) -> FloatArray:
        """Instants of upper transit (hour angle 0) inside the track."""
        from scipy.interpolate import CubicSpline

        angle = np.unwrap(self.hour_angle_deg(self.unix_s), period=360.0)
        spline = CubicSpline(self.unix_s, angle)
        turns = np.arange(np.ceil(angle.min() / 360.0), np.floor(angle.max() / 360.0) + 1) * 360.0
        found = [np.asarray(spline.solve(turn, discontinuity=False, extrapolate=False)) for turn in turns]
        return np.sort(np.concatenate(found)) if found else np.empty(0)


@lru_cache(maxsize=1)
def _tables() -> tuple[Any, Any, float, float]:
    """Time scale, ephemeris, and the Unix times between which all of its segments hold."""
    # The package's own path function warns of an expired Earth-orientation file that is not used here.
    folder = Path(skyfield_data.__file__).parent / "data"
    loader = Loader(folder, verbose=False)
    kernel = loader("de421.bsp")
    atexit.register(kernel.close)
    scale = loader.timescale(builtin=True)
    first = max(segment.start_jd for segment in kernel.spk.segments)
    last = min(segment.end_jd for segment in kernel.spk.segments)
    return scale, kernel, (first - _UNIX_EPOCH_JD) * 86400.0, (last - _UNIX_EPOCH_JD) * 86400.0


def unix_seconds(instant: datetime) -> float:
    """Seconds of Unix time of an aware instant."""
    if instant.tzinfo is None:
        raise ValueError("the instant has no zone; give it one, such as datetime.UTC")
    return instant.timestamp()


def as_datetime(unix_s: float) -> datetime:
    """The instant in UTC, to the microsecond."""
    return datetime.fromtimestamp(float(unix_s), tz=UTC)


def _require_range(unix_s: FloatArray) -> None:
    _, _, first, last = _tables()
    margin_s = 86400.0  # light time, and TT against UTC
    if unix_s.size and not (unix_s.min() > first + margin_s and unix_s.max() < last - margin_s):
        seen = unix_s.min() if unix_s.min() <= first + margin_s else unix_s.max()
        try:
            shown = f"{as_datetime(seen):%Y-%m-%d}"
        except (ValueError, OverflowError, OSError):
            shown = f"{seen:g} s from 1970"
        raise SettingsError(
            "the date lies outside the ephemeris DE421",
            seen=shown,
            allowed=f"{as_datetime(first + margin_s):%Y-%m-%d} to {as_datetime(last - margin_s):%Y-%m-%d}",
            next_step="give a date inside it with --date",
        )


def require_nights(first: date, nights: int = 1) -> None:
    """Raise a SettingsError that names the date if one of these nights lies outside the ephemeris or the calendar."""
    _, _, begin, end = _tables()
    margin = 4  # days: a night is looked for in the dates beside it, wherever the site is
    least, most = (as_datetime(s).date().toordinal() + d for s, d in ((begin, margin), (end, -margin)))
    last = first.toordinal() + nights - 1
    if least <= first.toordinal() and last <= most:
        return
    seen = f"{first}" + (f" and the {nights - 1} nights after it" if nights > 1 else "")
    raise SettingsError(
        "the date lies outside the ephemeris DE421",
        seen=seen,
        allowed=f"{date.fromordinal(least)} to {date.fromordinal(most - nights + 1)}",
        next_step="give a date inside it with --date",
    )


def _time(unix_s: FloatArray) -> Any:
    """Skyfield's time of Unix seconds: whole days and the rest, so that leap seconds fall where UTC puts them."""
    days = np.floor(unix_s / 86400.0)
    return _tables()[0].utc(1970, 1, 1 + days.astype(np.int64), 0, 0, unix_s - days * 86400.0)


def orientation_note(instant: datetime) -> str | None:
    """A sentence when the Earth's rotation is extrapolated at that instant; None where it was measured or predicted."""
    last_s = (float(_tables()[0].delta_t_function.table_tt[-1]) - _UNIX_EPOCH_JD) * 86400.0
    if unix_seconds(instant) <= last_s:
        return None
    return (
        f"the installed table of the Earth's rotation ends on {as_datetime(last_s):%Y-%m-%d}; times after it may be off "
        "by seconds; update the package skyfield"
    )


def _track(body: Any, place: Place, start_s: float, end_s: float, step_s: float, *, far: bool) -> Track:
    count = max(round((end_s - start_s) / step_s) + 1, 4)
    unix_s = np.linspace(start_s, end_s, count)
    _require_range(unix_s)
    kernel = _tables()[1]
    site = kernel["earth"] + wgs84.latlon(place.latitude_deg, place.longitude_deg, elevation_m=place.elevation_m)
    directions, distances = [], []
    for i in range(0, count, CHUNK):
        altitude, azimuth, distance = site.at(_time(unix_s[i : i + CHUNK])).observe(body).apparent().altaz()
        h, a = altitude.radians, azimuth.radians
        directions.append(np.stack([np.cos(h) * np.cos(a), np.cos(h) * np.sin(a), np.sin(h)], axis=-1))
        distances.append(distance.km)
    return Track(
        unix_s,
        np.concatenate(directions),
        distance_km=None if far else np.concatenate(distances),
        latitude_deg=place.latitude_deg,
    )


def sun_track(place: Place, start_s: float, end_s: float, *, step_s: float = STEP_S) -> Track:
    """The Sun's path between two Unix times."""
    return _track(_tables()[1]["sun"], place, start_s, end_s, step_s, far=True)


def moon_track(place: Place, start_s: float, end_s: float, *, step_s: float = STEP_S) -> Track:
    """The Moon's topocentric path between two Unix times."""
    return _track(_tables()[1]["moon"], place, start_s, end_s, step_s, far=False)


def target_track(
    ra_deg: float, dec_deg: float, place: Place, start_s: float, end_s: float, *, step_s: float = STEP_S
) -> Track:
    """The path of an ICRS place without proper motion between two Unix times."""
    if not (0.0 <= ra_deg <= 360.0 and -90.0 <= dec_deg <= 90.0):
        raise SettingsError(
            "the target's coordinates are impossible",
            seen=f"RA {ra_deg:g}, Dec {dec_deg:g} degrees",
            allowed="RA 0 to 360, Dec -90 to 90",
            next_step="correct ra_deg and dec_deg of the target",
        )
    return _track(Star(ra_hours=ra_deg / 15.0, dec_degrees=dec_deg), place, start_s, end_s, step_s, far=True)


def separation_deg(one: Track, other: Track, unix_s: npt.ArrayLike) -> FloatArray:
    """Topocentric angle between two bodies, degrees; keeps its digits at any angle (Kahan's half-angle form)."""
    a, b = one.direction(unix_s), other.direction(unix_s)
    apart, together = np.linalg.norm(a - b, axis=-1), np.linalg.norm(a + b, axis=-1)
    return np.asarray(np.degrees(2.0 * np.arctan2(apart, together)))


@dataclass(frozen=True)
class MoonIllumination:
    """How the Moon is lit: `phase_angle_deg` is 0 at full (Krisciunas & Schaefer's alpha), `elongation_deg` 0 at new."""

    phase_angle_deg: FloatArray
    illuminated_fraction: FloatArray
    elongation_deg: FloatArray
    """Ecliptic longitude of the Moon less that of the Sun, geocentric, 0 to 360: 0 new, 90 first quarter, 180 full."""

    def names(self) -> Sequence[str]:
        """The phase in words, one for each instant; the four instants reach 6 degrees (half a day) to each side."""
        words = ("new", "waxing crescent", "first quarter", "waxing gibbous", "full", "waning gibbous", "last quarter",
                 "waning crescent")  # fmt: skip
        quarter, rest = np.divmod((np.atleast_1d(self.elongation_deg) + 6.0) % 360.0, 90.0)
        return [words[2 * int(q) + int(r > 12.0)] for q, r in zip(quarter, rest)]


def moon_illumination(unix_s: npt.ArrayLike, place: Place | None = None) -> MoonIllumination:
    """Phase of the Moon at Unix times, seen from the Earth's centre as almanacs give it, or from a site."""
    instants = np.atleast_1d(np.asarray(unix_s, dtype=np.float64))
    _require_range(instants)
    kernel, t = _tables()[1], _time(instants)
    observer = kernel["earth"]
    centre = observer.at(t)
    longitudes = [centre.observe(kernel[b]).apparent().ecliptic_latlon("date")[1].degrees for b in ("sun", "moon")]
    if place is not None:
        observer = observer + wgs84.latlon(place.latitude_deg, place.longitude_deg, elevation_m=place.elevation_m)
        centre = observer.at(t)
    moon, sun = (centre.observe(kernel[b]).position.km for b in ("moon", "sun"))
    to_sun = sun - moon
    apart = np.linalg.norm(np.cross(-moon, to_sun, axis=0), axis=0)
    phase = np.degrees(np.arctan2(apart, np.sum(-moon * to_sun, axis=0)))
    return MoonIllumination(
        phase_angle_deg=phase,
        illuminated_fraction=(1.0 + np.cos(np.radians(phase))) / 2.0,
        elongation_deg=(longitudes[1] - longitudes[0]) % 360.0,
    )
