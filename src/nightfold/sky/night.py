"""A night at a site: when the Sun goes, how dark it gets, the Moon, and when each target is up.

A night runs from the Sun's upper transit on its date to the next one, so that it holds exactly one lowest Sun at every
latitude and in every zone. Rise, set and twilights as CHECKS' source defines them (USNO): centre of the Sun at -50' and
geometric -6, -12, -18 degrees; upper limb of the Moon at -34'.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

from nightfold.errors import SettingsError
from nightfold.sky.ephemeris import (
    HORIZON_SUN_DEG,
    Place,
    Track,
    as_datetime,
    moon_illumination,
    moon_track,
    require_nights,
    separation_deg,
    sun_track,
    target_track,
)

__all__ = [
    "Case",
    "MoonNight",
    "Night",
    "Span",
    "TargetNight",
    "horizon_altitude_deg",
    "night_at",
    "noon_s",
    "spans_above",
    "target_night",
]

FloatArray = npt.NDArray[np.float64]
Case = Literal["never", "always", "part"]

CIVIL_DEG, NAUTICAL_DEG, ASTRONOMICAL_DEG = -6.0, -12.0, -18.0


@dataclass(frozen=True)
class Span:
    """A stretch of time. `opens` and `closes` are False where it was cut by the window and not by an event."""

    start: datetime
    end: datetime
    opens: bool = True
    closes: bool = True

    @property
    def hours(self) -> float:
        return (self.end - self.start).total_seconds() / 3600.0

    def meet(self, other: Span) -> Span | None:
        """What both share; None where they do not touch."""
        start, end = max(self.start, other.start), min(self.end, other.end)
        if start >= end:
            return None
        opens = self.opens if start == self.start else other.opens
        closes = self.closes if end == self.end else other.closes
        return Span(start, end, opens, closes)


@dataclass(frozen=True)
class Depth:
    """The stretch of a night in which the Sun stands below a limit; `span` is None when it never does."""

    limit_deg: float
    case: Case
    span: Span | None

    @property
    def evening(self) -> datetime | None:
        """When the Sun passes the limit downwards; None without such a moment."""
        return self.span.start if self.span is not None and self.span.opens else None

    @property
    def morning(self) -> datetime | None:
        """When the Sun passes the limit upwards; None without such a moment."""
        return self.span.end if self.span is not None and self.span.closes else None


@dataclass(frozen=True)
class MoonNight:
    """The Moon over a night. `rise` and `set` are the first of their kind inside it, None where there is none."""

    rise: datetime | None
    set: datetime | None
    case: Case
    up: tuple[Span, ...]
    illuminated_fraction: float
    phase_angle_deg: float
    phase: str


@dataclass(frozen=True)
class Night:
    """One night. `start` and `end` are noons (upper transits of the Sun); `middle` is its lowest Sun."""

    date: date
    place: Place
    start: datetime
    end: datetime
    middle: datetime
    lowest_sun_deg: float
    sun_down: Depth
    civil: Depth
    nautical: Depth
    astronomical: Depth
    moon: MoonNight
    sun_track: Track
    moon_track: Track

    @property
    def sunset(self) -> datetime | None:
        return self.sun_down.evening

    @property
    def sunrise(self) -> datetime | None:
        return self.sun_down.morning

    @property
    def dark_start(self) -> datetime | None:
        """Begin of Sun < -18 degrees; the noon itself where it is dark all day; None if never dark."""
        return self.astronomical.span.start if self.astronomical.span else None

    @property
    def dark_end(self) -> datetime | None:
        return self.astronomical.span.end if self.astronomical.span else None

    def local(self, instant: datetime) -> datetime:
        """The instant on the site's clock; UTC where no zone is known."""
        return instant.astimezone(ZoneInfo(self.place.time_zone) if self.place.time_zone else UTC)


@dataclass(frozen=True)
class TargetNight:
    """A target over a night, above a least altitude and a horizon, while the Sun is below a limit.

    `up` holds every such stretch; `up_from` and `up_until` are the longest one's ends. `case` tells of the whole night,
    light or dark: "never" above the limits, "always", or "part".
    """

    case: Case
    up: tuple[Span, ...]
    transit: datetime | None
    max_altitude_deg: float
    separation_deg: float
    """From the Moon, topocentric, at the middle of the night."""
    track: Track

    @property
    def longest(self) -> Span | None:
        return max(self.up, key=lambda s: s.hours, default=None)

    @property
    def up_from(self) -> datetime | None:
        return self.longest.start if self.longest else None

    @property
    def up_until(self) -> datetime | None:
        return self.longest.end if self.longest else None

    @property
    def hours(self) -> float:
        return sum(span.hours for span in self.up)


def horizon_altitude_deg(azimuth_deg: npt.ArrayLike, profile: Sequence[Sequence[float]]) -> FloatArray:
    """Altitude of a horizon given as (azimuth, altitude) corners, straight between them and across north; 0 without."""
    azimuth = np.asarray(azimuth_deg, dtype=np.float64) % 360.0
    if not len(profile):
        return np.zeros(azimuth.shape)
    corners = sorted((float(a) % 360.0, float(h)) for a, h in profile)
    around = [a for a, _ in corners], [h for _, h in corners]
    return np.asarray(np.interp(azimuth, around[0], around[1], period=360.0), dtype=np.float64)


def _spans_of(track: Track, roots: FloatArray, rising: npt.NDArray[np.bool_], up_at_start: bool) -> tuple[Span, ...]:
    """Stretches between upward and downward crossings, cut at the track's ends."""
    spans, begin, opens = [], track.start_s if up_at_start else None, False
    for root, upward in zip(roots, rising):
        if upward:
            begin, opens = float(root), True
        elif begin is not None:
            spans.append(Span(as_datetime(begin), as_datetime(root), opens, True))
            begin = None
    if begin is not None:
        spans.append(Span(as_datetime(begin), as_datetime(track.end_s), opens, False))
    return tuple(spans)


def spans_above(
    track: Track, least_altitude_deg: float | FloatArray, *, profile: Sequence[Sequence[float]] = ()
) -> tuple[Span, ...]:
    """Stretches in which a body stands above a least altitude and above a horizon profile.

    Without a profile the crossings are exact. With one, the body's height over it is followed every 30 seconds and each
    passage refined to a millisecond; a gap in the horizon that is passed in less time may be missed.
    """
    if not len(profile):
        roots, rising = track.crossings(least_altitude_deg)
        first = float(np.broadcast_to(np.asarray(least_altitude_deg), track.unix_s.shape)[0])
        up_first = bool(track.altitude_deg(track.start_s) > first)
        return _spans_of(track, roots, rising, up_first)
    if np.ndim(least_altitude_deg):
        raise ValueError("a horizon profile goes with one least altitude only")

    def excess(unix_s: npt.ArrayLike) -> FloatArray:
        wall = horizon_altitude_deg(track.azimuth_deg(unix_s), profile)
        return track.altitude_deg(unix_s) - np.maximum(wall, least_altitude_deg)

    grid = np.linspace(track.start_s, track.end_s, max(int((track.end_s - track.start_s) / 30.0) + 1, 2))
    over = excess(grid) > 0
    at = np.flatnonzero(over[1:] != over[:-1])
    roots = np.array([brentq(lambda t: float(excess(t)), grid[i], grid[i + 1], xtol=1e-3) for i in at])
    return _spans_of(track, roots, over[at + 1], bool(over[0]))


def _case(spans: Sequence[Span]) -> Case:
    if not spans:
        return "never"
    return "always" if len(spans) == 1 and not spans[0].opens and not spans[0].closes else "part"


def noon_s(place: Place, day: date) -> float:
    """Noon of the civil clock where the zone is known, else of the mean Sun."""
    if place.time_zone is not None:
        try:
            zone = ZoneInfo(place.time_zone)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise SettingsError(
                "the site's time_zone is not known", seen=place.time_zone, allowed="a name such as Australia/Sydney"
            ) from error
        return datetime.combine(day, time(12), tzinfo=zone).timestamp()
    east = (place.longitude_deg + 180.0) % 360.0 - 180.0
    return datetime.combine(day, time(12), tzinfo=UTC).timestamp() - east * 240.0


def _depth(down: Track, limit_deg: float) -> Depth:
    """The stretch with the Sun below a limit, between two upper transits: at most one."""
    roots, rising = down.crossings(limit_deg)
    # Below is above turned round: a setting Sun opens the stretch.
    spans = _spans_of(down, roots, ~rising, bool(down.altitude_deg(down.start_s) < limit_deg))
    if not spans:
        return Depth(limit_deg, "never", None)
    # Near the poles the transit itself may lie between two stretches: the one around midnight counts.
    span = max(spans, key=lambda s: s.hours)
    return Depth(limit_deg, _case([span]), span)


def night_at(place: Place, day: date) -> Night:
    """The night that begins on the evening of `day`.

    Raises SettingsError when the date lies outside the ephemeris or the zone is not known.
    """
    require_nights(day)
    guess = noon_s(place, day)
    # A day and a half to each side reaches the transit nearest to the clock's noon and the one after.
    wide = sun_track(place, guess - 0.6 * 86400.0, guess + 1.6 * 86400.0)
    transits = wide.transits()
    first = int(np.argmin(np.abs(transits - guess)))
    start_s, end_s = float(transits[first]), float(transits[first + 1])
    sun, moon = sun_track(place, start_s, end_s), moon_track(place, start_s, end_s)
    middle_s = _lowest_s(sun)
    sun_down, civil, nautical, astronomical = (
        _depth(sun, limit) for limit in (HORIZON_SUN_DEG, CIVIL_DEG, NAUTICAL_DEG, ASTRONOMICAL_DEG)
    )
    return Night(
        date=day,
        place=place,
        start=as_datetime(start_s),
        end=as_datetime(end_s),
        middle=as_datetime(middle_s),
        lowest_sun_deg=float(sun.altitude_deg(middle_s)),
        sun_down=sun_down,
        civil=civil,
        nautical=nautical,
        astronomical=astronomical,
        moon=_moon_night(moon, middle_s),
        sun_track=sun,
        moon_track=moon,
    )


def _lowest_s(sun: Track) -> float:
    """When the Sun stands lowest: the best of a fine grid."""
    grid = np.arange(sun.start_s, sun.end_s, 10.0)
    return float(grid[np.argmin(sun.direction(grid)[:, 2])])


def _moon_night(moon: Track, middle_s: float) -> MoonNight:
    limit = moon.limb_horizon_deg(moon.unix_s)
    up = spans_above(moon, limit)
    light = moon_illumination(middle_s)
    return MoonNight(
        rise=next((s.start for s in up if s.opens), None),
        set=next((s.end for s in up if s.closes), None),
        case=_case(up),
        up=up,
        illuminated_fraction=float(light.illuminated_fraction[0]),
        phase_angle_deg=float(light.phase_angle_deg[0]),
        phase=light.names()[0],
    )


def target_night(
    night: Night,
    ra_deg: float,
    dec_deg: float,
    *,
    min_altitude_deg: float = 0.0,
    profile: Sequence[Sequence[float]] = (),
    sun_below_deg: float = HORIZON_SUN_DEG,
) -> TargetNight:
    """When a target is up in a night, above a least altitude and a horizon profile, with the Sun below a limit.

    The transit is the one between the night's two noons: there is always one, and in 366 nights a second one once, when
    the earlier is given.
    """
    track = target_track(ra_deg, dec_deg, night.place, night.start.timestamp(), night.end.timestamp())
    above = spans_above(track, min_altitude_deg, profile=profile)
    dark = _depth(night.sun_track, sun_below_deg).span
    up = tuple(shared for span in above if dark is not None and (shared := span.meet(dark)) is not None)
    transits = track.transits()
    grid = np.linspace(track.start_s, track.end_s, round(timedelta(days=1).total_seconds() / 60.0))
    return TargetNight(
        case=_case(above),
        up=up,
        transit=as_datetime(transits[0]) if transits.size else None,
        max_altitude_deg=float(track.altitude_deg(grid).max()),
        separation_deg=float(separation_deg(track, night.moon_track, night.middle.timestamp())),
        track=track,
    )
