"""What the ledger holds, as planning needs it: plain records of past subs, and how far they brought each goal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cache, partial
from itertools import islice

import numpy as np
import numpy.typing as npt

from nightfold.depth.records import MeasuredShare
from nightfold.intake.records import FrameFacts, RigEvent
from nightfold.plan.equipment import Equipment, optics_for, shooting_of
from nightfold.plan.gains import Shooting
from nightfold.rig.photometry import photons_from_ab, sky_e_per_s
from nightfold.settings.models import Goal
from nightfold.sky.airmass import airmass_from_true_altitude, altitude_azimuth_deg, extinction_factor
from nightfold.sky.brightness import SkyModel, SkyReading, fit_sky
from nightfold.sky.ephemeris import (
    Place,
    moon_illumination,
    moon_track,
    separation_deg,
    sun_track,
    target_track,
)
from nightfold.sky.moonlight import extinction_mag_at

__all__ = [
    "Angle",
    "KeptBlock",
    "MeasuredGoal",
    "PastSub",
    "State",
    "altitudes_of",
    "fitted_sky",
    "light_share",
    "measured_throughput",
    "progress_of",
    "typical_sub_s",
]

FloatArray = npt.NDArray[np.float64]

SKY_NIGHTS = 40
"""The newest nights whose backgrounds teach the sky's model: sites change, and older ones add little."""

DAY_S = 86400.0


@dataclass(slots=True, kw_only=True)
class PastSub:
    """One sub of the ledger. None where nothing was measured yet."""

    rig: str | None
    target: str | None
    panel: int | None
    filter: str | None
    night: date | None
    start: datetime | None
    exposure_s: float
    kept: bool
    calibrated: bool
    """Zero level taken off, so that its background is the sky's."""
    scale: float | None = None
    """Star flux against the group's reference, air mass left in."""
    transparency: float | None = None
    """The same with air mass removed."""
    noise_e: float | None = None
    sky_e_per_s: float | None = None
    fwhm_px: float | None = None
    zero_point_mag: float | None = None
    """AB magnitude of one electron a second through this sub's air; of unbinned pixels or binned ones alike."""
    binned: int = 1


@dataclass(frozen=True)
class Angle:
    """Position angle of up on a frame, and whether it is mirrored."""

    up_deg: float
    mirrored: bool


@dataclass(frozen=True)
class KeptBlock:
    """A block of the plan as it was told last; Unix times."""

    rig: str
    target: str
    panel: int | None
    filter: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class MeasuredGoal:
    """What a master says of a goal: the hours that all of it takes, and the share that is done."""

    hours: float
    done: float


@dataclass(frozen=True, kw_only=True)
class State:
    """Everything of the ledger that planning looks at."""

    subs: tuple[PastSub, ...] = ()
    sub_facts: tuple[FrameFacts, ...] = ()
    calibration_facts: tuple[FrameFacts, ...] = ()
    events: tuple[RigEvent, ...] = ()
    wanted_angle: dict[tuple[str, int | None], Angle] = field(default_factory=dict)
    """Of each target's and panel's grid, where it is solved."""
    angle_now: dict[tuple[str, str, int | None], Angle] = field(default_factory=dict)
    """Of the latest sub whose place on the sky is known, by rig, target and panel."""
    measured_goals: dict[tuple[str, int | None, str], MeasuredGoal] = field(default_factory=dict)
    """Of goals that only masters can tell (as smooth as another master, a spot), by target, panel and filter."""
    measured_shares: Mapping[tuple[str, int | None, str], MeasuredShare] = field(default_factory=dict)
    """What `depth` measured on masters last, by target, panel and filter."""
    read_noise_e: Mapping[str, float] = field(default_factory=dict)
    """Measured on the biases, by rig, where campaign.toml does not tell it."""
    last_plan: tuple[KeptBlock, ...] = ()
    folder: str = "."
    """Where raws are written, as far as is known."""
    free_bytes: int | None = None


def typical_sub_s(subs: Sequence[PastSub], rig: str, filter: str) -> float | None:
    """The length that most of the last fifty subs of a rig and filter have; None without any."""
    own = (s.exposure_s for s in reversed(subs) if s.rig == rig and s.filter == filter and s.exposure_s > 0)
    lengths = list(islice(own, 50))[::-1]
    return max(sorted(set(lengths)), key=lengths.count) if lengths else None


def altitudes_of(subs: Sequence[PastSub], place: Place, ra_deg: float, dec_deg: float) -> FloatArray:
    """Altitude of a place on the sky at the middle of each sub; NaN without a time."""
    found = np.full(len(subs), np.nan)
    dated = [i for i, s in enumerate(subs) if s.start is not None]
    if dated:
        times = [s.start for i in dated if (s := subs[i]).start is not None]
        altitude, _ = altitude_azimuth_deg(
            ra_deg, dec_deg, latitude_deg=place.latitude_deg, longitude_deg=place.longitude_deg, elevation_m=place.elevation_m,
            times=times,
        )  # fmt: skip
        found[dated] = altitude
    return found


def progress_of(
    subs: Sequence[PastSub],
    goal: Goal,
    equipment: Equipment,
    *,
    altitude_deg: FloatArray | None = None,
    model: SkyModel,
) -> tuple[float, float]:
    """Share of a goal's SNR squared that kept subs of one rig hold, and their hours.

    A goal in brightness counts each sub by the CCD equation with its measured noise and its zero point; without a zero point
    with its relative transparency and the air mass of its altitude (of 60 degrees where `altitude_deg` tells none); what was
    not measured is taken from the model. A goal in hours counts exposure, less where a sub is worth less per second than the
    better ones of its kind (square of scale over noise, against the 90th percentile).
    """
    wheel = equipment.wheels.get(goal.filter)
    heights = np.full(len(subs), np.nan) if altitude_deg is None else altitude_deg
    own = [(s, h) for s, h in zip(subs, heights) if s.kept and s.rig == equipment.name and s.filter == goal.filter]
    hours = sum(s.exposure_s for s, _ in own) / 3600.0
    if not own or wheel is None:
        return 0.0, hours
    if goal.hours is not None:
        return _hours_worth([s for s, _ in own]) / goal.hours, hours
    if not equipment.measured:
        return 0.0, hours
    done = 0.0
    for length in sorted({s.exposure_s for s, _ in own}):
        alike = [(s, h) for s, h in own if s.exposure_s == length]
        shooting = shooting_of(equipment, wheel, goal, sub_s=length)
        altitudes = np.array([h for _, h in alike], dtype=np.float64)
        done += float(_shares_of([s for s, _ in alike], altitudes, shooting, model).sum())
    return done, hours


def _shares_of(subs: Sequence[PastSub], altitude_deg: FloatArray, shooting: Shooting, model: SkyModel) -> FloatArray:
    """Share of the goal in each of some subs of one length: box_px (s t)^2 / (noise^2 + s t) over the goal's SNR squared."""
    exposure_s = subs[0].exposure_s
    altitude = np.maximum(np.where(np.isfinite(altitude_deg), altitude_deg, 60.0), 5.0)
    zero_point, transparency, noise_e = (
        np.array([np.nan if (v := getattr(s, name)) is None else v for s in subs], dtype=np.float64)
        for name in ("zero_point_mag", "transparency", "noise_e")
    )
    k = extinction_mag_at(shooting.band.centre_nm, model.extinction_mag, model.elevation_m)
    clear = extinction_factor(airmass_from_true_altitude(altitude), k)
    clear = clear * np.where(np.isfinite(transparency), transparency, 1.0)
    through = np.where(np.isfinite(zero_point), light_share(zero_point, shooting), clear)
    signal = shooting.signal_e_per_s * through * exposure_s
    blank = noise_e**2 / np.array([s.binned for s in subs], dtype=np.float64) ** 2
    unknown = ~np.isfinite(noise_e)
    if unknown.any():
        terms = model.terms(
            shooting.band, altitude_deg=altitude[unknown], sun_altitude_deg=-40.0, moon_altitude_deg=-40.0, separation_deg=90.0,
            phase_angle_deg=90.0,
        )  # fmt: skip
        sky = sky_e_per_s(terms.total, shooting.band.width_nm, shooting.optics)
        blank[unknown] = (sky + shooting.dark_e_per_s) * exposure_s + shooting.read_noise_e**2
    box_px = (shooting.box_arcsec / shooting.optics.scale_arcsec_px) ** 2
    return np.asarray(box_px * signal**2 / (blank + signal) / shooting.snr**2)


def light_share(zero_point_mag: FloatArray, shooting: Shooting) -> FloatArray:
    """Light that arrived against what a rig's numbers promise above the air: from the zero point of stars."""
    promised = float(photons_from_ab(0.0, shooting.band.centre_nm)) * shooting.band.width_nm
    promised *= shooting.optics.area_m2 * shooting.optics.efficiency
    return np.asarray(10.0 ** (0.4 * zero_point_mag)) / promised


def measured_throughput(
    subs: Sequence[PastSub],
    equipment: Mapping[str, Equipment],
    places: Mapping[tuple[str, int | None], tuple[float, float]],
    place: Place,
    model: SkyModel,
    *,
    least: int = 3,
) -> dict[tuple[str, str], float]:
    """Share of the promised light that rigs deliver by filter: the median over kept subs with zero points, air taken off.

    Fewer than `least` subs tell nothing; a share outside 0.05 to 3 says that the rig's numbers are of another rig.
    """
    shares: dict[tuple[str, str], list[FloatArray]] = {}
    by_place: dict[tuple[str | None, int | None], list[PastSub]] = {}
    for s in subs:
        if s.kept and s.zero_point_mag is not None:
            by_place.setdefault((s.target, s.panel), []).append(s)
    for key, (ra_deg, dec_deg) in places.items():
        own = by_place.get(key, [])
        kinds: dict[tuple[str | None, str | None], list[int]] = {}
        for i, s in enumerate(own):
            kinds.setdefault((s.rig, s.filter), []).append(i)
        altitudes = altitudes_of(own, place, ra_deg, dec_deg)
        for (rig, name), index in kinds.items():
            gear = equipment.get(rig or "")
            wheel = gear.wheels.get(name or "") if gear is not None and gear.measured else None
            if gear is None or wheel is None:
                continue
            # What a rig promises does not depend on a sub's length.
            shooting = shooting_of(gear, wheel, None, sub_s=own[index[0]].exposure_s or 1.0)
            k = extinction_mag_at(wheel.band.centre_nm, model.extinction_mag, model.elevation_m)
            air = extinction_factor(airmass_from_true_altitude(np.maximum(altitudes[index], 5.0)), k)
            points = np.array([own[i].zero_point_mag for i in index], dtype=np.float64)
            found = light_share(points, shooting) / air
            shares.setdefault((gear.name, wheel.filter), []).append(found[np.isfinite(found)])
    pooled = {key: np.concatenate(several) for key, several in shares.items()}
    medians = {key: float(np.median(several)) for key, several in pooled.items() if several.size >= least}
    return {key: share for key, share in medians.items() if 0.05 <= share <= 3.0}


def _hours_worth(subs: Sequence[PastSub]) -> float:
    """Hours of exposure, each sub by its worth against the better ones of its kind."""
    pace = np.array(
        [s.scale**2 * s.exposure_s / s.noise_e**2 if s.scale is not None and s.noise_e else np.nan for s in subs]
    )
    known = np.isfinite(pace)
    best = float(np.quantile(pace[known], 0.9)) if known.any() else 1.0
    share = np.where(known, np.minimum(pace / best, 1.0), 1.0) if best > 0 else np.ones(len(subs))
    return float(np.sum(share * np.array([s.exposure_s for s in subs])) / 3600.0)


def fitted_sky(
    model: SkyModel,
    subs: Sequence[PastSub],
    equipment: Mapping[str, Equipment],
    places: Mapping[tuple[str, int | None], tuple[float, float]],
    place: Place,
) -> SkyModel:
    """The model with its levels fitted to the backgrounds of the newest nights, by rig and filter.

    `places` holds RA and Dec by target and panel. Dropped subs speak too: cloud is weighed down by the fit itself. A filter with
    too few backgrounds keeps the model's own level.
    """
    known = {name for name, gear in equipment.items() if gear.measured}
    by_night: dict[date, list[PastSub]] = {}
    for s in subs:
        if (
            s.calibrated
            and s.sky_e_per_s is not None
            and s.start is not None
            and s.night is not None
            and s.rig in known
            and s.filter in equipment[s.rig].wheels
            and (s.target, s.panel) in places
        ):
            by_night.setdefault(s.night, []).append(s)
    readings: list[SkyReading] = []
    for night in sorted(by_night)[-SKY_NIGHTS:]:
        readings += _readings_of(by_night[night], equipment, places, place, model)
    return fit_sky(model, readings) if readings else model


def _readings_of(
    subs: Sequence[PastSub],
    equipment: Mapping[str, Equipment],
    places: Mapping[tuple[str, int | None], tuple[float, float]],
    place: Place,
    model: SkyModel,
) -> list[SkyReading]:
    """Measured backgrounds of one night beside what the plain model says for their moments."""
    middles = np.array([s.start.timestamp() + s.exposure_s / 2.0 for s in subs if s.start is not None])
    start, end = float(middles.min()) - 7200.0, float(middles.max()) + 7200.0
    sun, moon = sun_track(place, start, end, step_s=3600.0), moon_track(place, start, end, step_s=3600.0)
    phase = float(moon_illumination(np.array([(start + end) / 2.0])).phase_angle_deg[0])
    found = []
    track_of = cache(partial(target_track, place=place, start_s=start, end_s=end, step_s=3600.0))
    kinds = [(s.target or "", s.panel, s.rig or "", s.filter or "") for s in subs]
    for target, panel, rig, name in dict.fromkeys(kinds):
        index = [i for i, kind in enumerate(kinds) if kind == (target, panel, rig, name)]
        at = middles[index]
        track = track_of(*places[(target, panel)])
        gear = equipment[rig]
        wheel = gear.wheels[name]
        terms = model.terms(
            wheel.band, altitude_deg=track.altitude_deg(at), sun_altitude_deg=sun.altitude_deg(at),
            moon_altitude_deg=moon.altitude_deg(at), separation_deg=separation_deg(track, moon, at), phase_angle_deg=phase,
        )  # fmt: skip
        per_photon = float(sky_e_per_s(1.0, wheel.band.width_nm, optics_for(gear, wheel)))
        for i, site, lit, dusk in zip(index, terms.site, terms.moon, terms.twilight):
            rate = subs[i].sky_e_per_s
            assert rate is not None
            found.append(
                SkyReading(
                    filter=wheel.band.name,
                    measured=rate / per_photon / subs[i].binned ** 2,
                    site=float(site),
                    moon=float(lit),
                    twilight=float(dusk),
                )
            )
    return [r for r in found if np.isfinite(r.site)]
