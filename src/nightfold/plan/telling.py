"""The lines of the night's document beside its blocks: targets, goals, sky, cautions, notes and the curves for a chart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt

from nightfold.plan.blocks import Block
from nightfold.plan.cautions import NightFacts, cautions_for
from nightfold.plan.equipment import (
    Equipment,
    Wheel,
    optics_for,
)
from nightfold.plan.gains import (
    SlotGain,
)
from nightfold.plan.lists import offers
from nightfold.plan.records import (
    CalibrationLine,
    Curves,
    GoalLine,
    SkyCurve,
    SkyLine,
    TargetCurve,
    TargetLine,
)
from nightfold.plan.schedule import Plan, Problem
from nightfold.plan.targets import Spot, Wanted
from nightfold.rig.photometry import sky_e_per_s
from nightfold.settings.models import CampaignSettings, Rig, Site
from nightfold.sky.brightness import SkyModel, natural_photons, sun_limit_deg
from nightfold.sky.ephemeris import (
    Track,
    moon_illumination,
    orientation_note,
    separation_deg,
)
from nightfold.sky.night import Night, TargetNight, target_night

__all__ = ["Work", "caution_lines", "curves_of", "goal_lines", "instead_of", "note_lines", "sky_lines", "target_lines"]

FloatArray = npt.NDArray[np.float64]

CURVE_STEP_S = 600.0
CLOUDED_HOURS = 0.5
"""Dark hours under cloud from which on darks are offered for them."""


@dataclass(frozen=True)
class Work:
    """One rig on one goal, with its light in every slot."""

    rig: Rig
    equipment: Equipment
    wheel: Wheel
    wanted: int
    sub_s: float
    detail: SlotGain
    rate: float
    """Share of the goal per second of clock time at the target's upper transit in a dark sky."""
    kept: float = 1.0
    """Share of its pace that the filter keeps under an ordinary Moon."""


def target_lines(
    settings: CampaignSettings, spots: Sequence[Spot], night: Night, site: Site, rigs: Sequence[Rig]
) -> tuple[TargetLine, ...]:
    """When each target is above the least altitude of its rigs and the horizon while the Sun is down."""
    lines = []
    for spot in spots:
        target = settings.target_named(spot.target)
        own = [r for r in rigs if target is None or not target.rigs or r.name in target.rigs]
        least = min((r.mount.min_altitude_deg for r in own), default=30.0)
        profile = tuple((a, h) for a, h in site.horizon_deg)
        up = target_night(night, spot.ra_deg, spot.dec_deg, min_altitude_deg=least, profile=profile)
        lines.append(
            TargetLine(
                target=spot.target,
                panel=spot.panel,
                ra_deg=spot.ra_deg,
                dec_deg=spot.dec_deg,
                up_from=up.up_from,
                up_until=up.up_until,
                hours=_dark_hours(up, night),
                transit=up.transit,
                max_altitude_deg=up.max_altitude_deg,
                separation_deg=up.separation_deg,
                case=up.case,
            )
        )
    return tuple(lines)


def _dark_hours(up: TargetNight, night: Night) -> float:
    """Hours of a target's stretches that are dark; where it never gets dark, those of nautical twilight's night."""
    dark = night.astronomical.span or night.nautical.span
    if dark is None:
        return 0.0
    return sum(shared.hours for span in up.up if (shared := span.meet(dark)) is not None)


def goal_lines(
    wanted: Sequence[Wanted],
    works: Sequence[Work],
    done: Sequence[float],
    hours: Sequence[float],
    plan: Plan,
    problem: Problem,
) -> tuple[GoalLine, ...]:
    lines = []
    for number, one in enumerate(wanted):
        rates = [w.rate for w in works if w.wanted == number and w.rate > 0]
        left = max(1.0 - done[number], 0.0) / max(rates) / 3600.0 if rates else None
        gained = float(plan.progress[number]) if plan.progress.size and problem.jobs else 0.0
        lines.append(
            GoalLine(
                target=one.spot.target,
                panel=one.spot.panel,
                filter=one.goal.filter,
                hours_done=hours[number],
                done=done[number],
                tonight=gained,
                hours_left=left,
            )
        )
    return tuple(lines)


def sky_lines(works: Sequence[Work], model: SkyModel) -> tuple[SkyLine, ...]:
    lines: dict[str, SkyLine] = {}
    for work in works:
        band = work.wheel.band
        if band.name in lines:
            continue
        factor = model.site_factor.get(band.name)
        dark = natural_photons(model.zenith_v_mag, band) * (factor if factor is not None else 1.0)
        lines[band.name] = SkyLine(
            rig=work.rig.name,
            filter=work.wheel.filter,
            dark_e_per_s=float(sky_e_per_s(dark, band.width_nm, optics_for(work.equipment, work.wheel))),
            sun_limit_deg=sun_limit_deg(model, band),
            learnt_from=model.learnt_from if factor is not None else 0,
            site_factor=factor,
            moon_factor=model.moon_factor.get(band.name),
            line_transmission=work.wheel.line_transmission,
            throughput=work.equipment.throughput.get(work.wheel.filter),
        )
    return tuple(lines.values())


def caution_lines(
    night: Night, blocks: Sequence[Block], rigs: dict[str, Rig], settings: CampaignSettings
) -> tuple[str, ...]:
    """Cautions that apply to this night's work and set-up."""
    local, setup = night.local, settings.setup
    used = [rigs[name] for name in sorted({b.rig for b in blocks})]
    return cautions_for(
        NightFacts(
            first_block=local(blocks[0].start) if blocks else None,
            last_block=local(max(b.end for b in blocks)) if blocks else None,
            sunset=local(night.sunset) if night.sunset else None,
            sunrise=local(night.sunrise) if night.sunrise else None,
            flips=any(r.mount.flips for r in used),
            mains=setup.mains,
            lithium=setup.lithium,
            coldest_c=setup.coldest_c,
            heaviest_kg=setup.heaviest_kg,
            away_from_home=setup.away_from_home,
            collimation=setup.laser_collimator,
        )
    )


def instead_of(
    blocks: Sequence[Block],
    calibration: Sequence[CalibrationLine],
    equipment: dict[str, Equipment],
    night: Night,
    clear: tuple[datetime, datetime] | None,
    begin: datetime | None,
) -> tuple[str, ...]:
    """Darks for the hours that the sky does not give."""
    dark = night.astronomical.span or night.nautical.span
    idle = dark.hours if dark is not None and not blocks else 0.0
    if clear is not None and dark is not None:
        start = max(dark.start, begin) if begin is not None else dark.start
        inside = max((min(clear[1], dark.end) - max(clear[0], start)).total_seconds() / 3600.0, 0.0)
        idle = max((dark.end - start).total_seconds() / 3600.0 - inside, idle)
    if blocks and idle < CLOUDED_HOURS:
        return ()
    return offers(calibration, equipment)


def note_lines(
    night: Night,
    spots: Sequence[Spot],
    tracks: dict[tuple[str, int | None], Track],
    targets: Sequence[TargetLine],
    goals: Sequence[GoalLine],
    model: SkyModel,
    blocks: Sequence[Block],
    works: Sequence[Work],
) -> tuple[str, ...]:
    """What else a person should know of this night, in sentences."""
    notes = []
    if model.learnt_from:
        notes.append(
            f"the sky is fitted to {model.learnt_from} measured backgrounds, good to {model.sigma_mag:.2f} mag"
        )
    else:
        notes.append("the sky is the model's, good to half a magnitude until backgrounds of this site are measured")
    if night.sun_down.case == "never":
        notes.append("the Sun does not set tonight")
    elif night.dark_start is None:
        notes.append(f"it does not get dark tonight: the Sun stays above −18°, lowest {night.lowest_sun_deg:.1f}°")
    for line in targets:
        if line.up_from is None:
            name = line.target if line.panel is None else f"{line.target}, panel {line.panel}"
            why = (
                f"it never rises above its limits here (highest {line.max_altitude_deg:.0f}°)"
                if line.case == "never"
                else "it is up only while the Sun is too"
            )
            notes.append(f"{name} cannot be had tonight: {why}")
    notes += _lagging(goals)
    if blocks:
        for name in dict.fromkeys(w.rig.name for w in works if w.rig.name not in {b.rig for b in blocks}):
            notes.append(f"{name} has nothing left to shoot: the goals that it can reach tonight are met without it")
    if goals and all(g.done >= 1.0 for g in goals):
        notes.append("every goal is met; what is shot now only makes it deeper")
    rotation = orientation_note(night.end)
    return (*notes, rotation) if rotation else tuple(notes)


def _lagging(goals: Sequence[GoalLine]) -> list[str]:
    """Which panel of a mosaic lags in a filter, where one does by more than a tenth of the goal."""
    told = []
    for key in dict.fromkeys((g.target, g.filter) for g in goals if g.panel is not None):
        own = [g for g in goals if (g.target, g.filter) == key]
        if len(own) < 2:
            continue
        last, first = min(own, key=lambda g: g.done), max(own, key=lambda g: g.done)
        if first.done - last.done > 0.1:
            told.append(
                f"panel {last.panel} of {key[0]} lags in {key[1]}: {100 * last.done:.0f} % of its goal, "
                f"panel {first.panel} has {100 * first.done:.0f} %"
            )
    return told


def curves_of(
    night: Night,
    spots: Sequence[Spot],
    tracks: dict[tuple[str, int | None], Track],
    works: Sequence[Work],
    wanted: Sequence[Wanted],
    blocks: Sequence[Block],
    model: SkyModel,
    rigs: Sequence[Rig],
) -> Curves:
    """Altitudes from an hour before sunset to an hour after sunrise, and the sky of what is shot."""
    margin = timedelta(hours=1)
    begin = max(night.sunset - margin, night.start) if night.sunset else night.start
    end = min(night.sunrise + margin, night.end) if night.sunrise else night.end
    first = np.ceil(begin.timestamp() / CURVE_STEP_S) * CURVE_STEP_S
    at = np.arange(first, end.timestamp() + 0.5, CURVE_STEP_S)
    at = at[(at >= night.start.timestamp()) & (at <= night.end.timestamp())]
    sun, moon = night.sun_track.altitude_deg(at), night.moon_track.altitude_deg(at)
    shot = {(b.rig, b.target, b.panel, b.filter) for b in blocks}
    phase = np.interp(at, at[[0, -1]], moon_illumination(at[[0, -1]]).phase_angle_deg)
    skies = []
    for work in works:
        spot = wanted[work.wanted].spot
        if (work.rig.name, *spot.key, work.wheel.filter) not in shot:
            continue
        track = tracks[spot.key]
        altitude = track.altitude_deg(at)
        terms = model.terms(
            work.wheel.band, altitude_deg=np.maximum(altitude, 0.1), sun_altitude_deg=sun, moon_altitude_deg=moon,
            separation_deg=separation_deg(track, night.moon_track, at), phase_angle_deg=phase,
        )  # fmt: skip
        rate = sky_e_per_s(terms.total, work.wheel.band.width_nm, optics_for(work.equipment, work.wheel))
        seen = (altitude > 5.0) & (sun <= sun_limit_deg(model, work.wheel.band))
        skies.append(
            SkyCurve(
                rig=work.rig.name,
                target=spot.target,
                panel=spot.panel,
                filter=work.wheel.filter,
                sky_e_per_s=tuple(float(r) if ok else None for r, ok in zip(rate, seen)),
            )
        )
    return Curves(
        times=tuple(datetime.fromtimestamp(float(t), tz=UTC) for t in at),
        sun_altitude_deg=_rounded(sun),
        moon_altitude_deg=_rounded(moon),
        targets=tuple(
            TargetCurve(target=s.target, panel=s.panel, altitude_deg=_rounded(tracks[s.key].altitude_deg(at)))
            for s in spots
        ),
        skies=tuple(skies),
        least_altitude_deg=min((r.mount.min_altitude_deg for r in rigs), default=0.0),
    )


def _rounded(values: FloatArray) -> tuple[float, ...]:
    """To a thousandth of a degree: a chart needs no more."""
    return tuple(round(float(v), 3) for v in values)
