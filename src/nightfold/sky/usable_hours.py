"""Hours of each night of a season in which a target can be had: dark, high enough, and how many of them without the Moon.

Sun and Moon are followed once for the whole season (a spline over hourly places is within 0.001 degrees) and every night is
counted in steps of five minutes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from nightfold.errors import SettingsError
from nightfold.sky.brightness import Band, SkyModel
from nightfold.sky.ephemeris import (
    Place,
    Track,
    moon_illumination,
    moon_track,
    require_nights,
    separation_deg,
    sun_track,
    target_track,
)
from nightfold.sky.night import horizon_altitude_deg, noon_s

__all__ = ["NightHours", "SeasonSky", "season_sky", "usable_hours"]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

TRACK_STEP_S = 3600.0
COUNT_STEP_S = 300.0
MOON_SHARE = 0.5
"""A filter counts as Moon-free while the Moon adds less than half of the site's own sky to it: its subs then need at most
half as much more time."""


@dataclass(frozen=True)
class NightHours:
    """Usable hours of one night. `moon_free` is by filter: part of `dark` in which the Moon hardly matters to it."""

    date: date
    dark: float
    moonless: float
    """Of `dark`, with the Moon below the horizon."""
    moon_free: dict[str, float]
    lit: float
    """Illuminated fraction of the Moon at midnight."""


@dataclass(frozen=True)
class SeasonSky:
    """Sun and Moon over a run of nights, shared by all targets."""

    place: Place
    first: date
    noons_s: FloatArray
    sun: Track
    moon: Track
    phase_angle_deg: FloatArray
    """At each noon."""

    @property
    def nights(self) -> int:
        return len(self.noons_s) - 1


def season_sky(place: Place, first: date, nights: int) -> SeasonSky:
    """Sun and Moon over `nights` nights from the evening of `first`."""
    if not 1 <= nights <= 3660:
        raise SettingsError("the season's length is impossible", seen=f"{nights} nights", allowed="1 to 3660")
    require_nights(first, nights)
    noons = np.array([noon_s(place, first + timedelta(days=i)) for i in range(nights + 1)])
    margin = 6 * TRACK_STEP_S
    start, end = float(noons[0]) - margin, float(noons[-1]) + margin
    return SeasonSky(
        place=place,
        first=first,
        noons_s=noons,
        sun=sun_track(place, start, end, step_s=TRACK_STEP_S),
        moon=moon_track(place, start, end, step_s=TRACK_STEP_S),
        phase_angle_deg=moon_illumination(noons).phase_angle_deg,
    )


def usable_hours(
    sky: SeasonSky,
    ra_deg: float,
    dec_deg: float,
    *,
    min_altitude_deg: float = 30.0,
    profile: Sequence[Sequence[float]] = (),
    sun_below_deg: float = -18.0,
    model: SkyModel | None = None,
    bands: Mapping[str, Band] | None = None,
    moon_share: float = MOON_SHARE,
) -> tuple[NightHours, ...]:
    """Usable hours of a target in each night of a season.

    Parameters
    ----------
    sky : SeasonSky
    ra_deg, dec_deg : float
        ICRS.
    min_altitude_deg, profile
        Least altitude and horizon, whichever is higher.
    sun_below_deg : float
        Darkness; the filter's own limit (`sky.brightness.sun_limit_deg`) where one filter is asked for.
    model, bands
        With both, `moon_free` is counted for each band.
    """
    target = target_track(ra_deg, dec_deg, sky.place, sky.sun.start_s, sky.sun.end_s, step_s=TRACK_STEP_S)
    at = np.arange(sky.noons_s[0], sky.noons_s[-1], COUNT_STEP_S) + COUNT_STEP_S / 2.0
    night = np.searchsorted(sky.noons_s, at, side="right") - 1
    altitude, sun, moon = (track.altitude_deg(at) for track in (target, sky.sun, sky.moon))
    least = (
        np.maximum(min_altitude_deg, horizon_altitude_deg(target.azimuth_deg(at), profile))
        if len(profile)
        else min_altitude_deg
    )
    usable = (altitude > least) & (sun < sun_below_deg)

    def per_night(which: BoolArray) -> FloatArray:
        counted = np.bincount(night[which], minlength=sky.nights)
        return counted.astype(np.float64) * (COUNT_STEP_S / 3600.0)

    free: dict[str, FloatArray] = {}
    if model is not None and bands:
        phase = np.interp(at[usable], sky.noons_s, sky.phase_angle_deg)
        apart = separation_deg(target, sky.moon, at[usable])
        for name, band in bands.items():
            terms = model.terms(
                band, altitude_deg=altitude[usable], sun_altitude_deg=-40.0, moon_altitude_deg=moon[usable],
                separation_deg=apart, phase_angle_deg=phase,
            )  # fmt: skip
            quiet = usable.copy()
            quiet[usable] = terms.moon < moon_share * terms.site
            free[name] = per_night(quiet)
    dark, moonless = per_night(usable), per_night(usable & (moon < 0.0))
    middle_phase = (sky.phase_angle_deg[:-1] + sky.phase_angle_deg[1:]) / 2.0
    lit = (1.0 + np.cos(np.radians(middle_phase))) / 2.0
    return tuple(
        NightHours(
            date=sky.first + timedelta(days=i),
            dark=float(dark[i]),
            moonless=float(moonless[i]),
            moon_free={name: float(hours[i]) for name, hours in free.items()},
            lit=float(lit[i]),
        )
        for i in range(sky.nights)
    )
