"""The night's plan put together: sky, equipment, goals and what the ledger holds, to blocks with reasons and events.

Everything here is a function of settings, state and request; `plan.stage` brings the state from the ledger.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta

import numpy as np
import numpy.typing as npt

from nightfold.intake.records import FrameFacts
from nightfold.plan.advice import lost_per_hour, sub_advice
from nightfold.plan.blocks import Block, Event, blocks_of, events_of
from nightfold.plan.clock import clear_window, instant_in
from nightfold.plan.equipment import (
    Equipment,
    equipment_of,
    limits_of,
    refocus_s_of,
    shooting_of,
    sky_model_of,
    usual_sub_s,
)
from nightfold.plan.gains import (
    kept_under_moon,
    only_within,
    reference_hours,
    reference_rate,
    scaled,
    slot_edges_s,
    slot_gain,
)
from nightfold.plan.lists import calibration_list, dawn_list, disk_list, planned_facts
from nightfold.plan.records import (
    BlockLine,
    EventLine,
    MoonLine,
    NightPlan,
    SolverLine,
    Twilights,
)
from nightfold.plan.schedule import Goal, Job, Plan, Problem, keep_unless_better, plan_night
from nightfold.plan.state import (
    PastSub,
    State,
    altitudes_of,
    fitted_sky,
    measured_throughput,
    progress_of,
    typical_sub_s,
)
from nightfold.plan.targets import Spot, Wanted, rigs_asked, site_of, spots_of, wanted_of
from nightfold.plan.telling import (
    Work,
    caution_lines,
    curves_of,
    goal_lines,
    instead_of,
    note_lines,
    sky_lines,
    target_lines,
)
from nightfold.settings.models import CampaignSettings, Rig, Site
from nightfold.sky.brightness import SkyModel
from nightfold.sky.ephemeris import (
    Place,
    Track,
    target_track,
)
from nightfold.sky.night import Night, night_at

__all__ = ["Learnt", "NightRequest", "done_of", "learn", "plan_tonight"]

FloatArray = npt.NDArray[np.float64]

SOLVER_SECONDS = 2.2
PLAN_SECONDS = 3.6
"""Of the five seconds that a plan may take, the solver has the first at most, and less where ephemeris and gains were slow so that
it must be done by the second; the rest is for polishing and telling."""

SCARCITY = 0.7
"""Moonless hours are few, and what does without them should leave them to what does not. In a season shared out by its prices
(the dual of a linear program), a filter that keeps the share e of its pace under the Moon is worth 1/e per unit against one that
keeps all, where moonless hours decide; looking at one night alone it is worth the same. The power lies between 1 and 0: with it
[O III] goes before H-alpha in the dark and after it under the Moon (our choice, no source)."""

DEEP_ENOUGH = 1.45
LEAST_BLOCK_S = 1800.0
TARGET_CHANGE_S = 120.0
UNCERTAINTY, UNCERTAINTY_UNLEARNT = 0.03, 0.05
"""How well the worth of two plans can be told apart, with a sky fitted to this site's backgrounds and without (our choice)."""


@dataclass(frozen=True, kw_only=True)
class NightRequest:
    """What is asked: the night, and optionally one rig, a begin and the hours expected to be clear, as people write them."""

    day: date
    rig: str | None = None
    begin: str | None = None
    clear: str | None = None
    now: datetime = field(default_factory=lambda: datetime.now(UTC))
    seconds: float = SOLVER_SECONDS


@dataclass(frozen=True)
class Learnt:
    """What the ledger teaches of site and rigs: the sky's levels, the light that rigs deliver; and what is missing."""

    model: SkyModel
    throughput: dict[tuple[str, str], float]
    missing: tuple[str, ...]
    read_noise_e: Mapping[str, float] = field(default_factory=dict)

    def equipment(self, rig: Rig, wanted: Sequence[str] = ()) -> Equipment:
        """A rig in numbers, with its measured light."""
        return equipment_of(rig, wanted, throughput=self.throughput, read_noise_e=self.read_noise_e)


def learn(settings: CampaignSettings, state: State, spots: Sequence[Spot], place: Place, site: Site) -> Learnt:
    """Sky and rigs as far as the ledger's subs tell of them."""
    model, missing = sky_model_of(site)
    if not state.subs:
        return Learnt(model, {}, missing, state.read_noise_e)
    seen = {(s.rig, s.filter) for s in state.subs}
    shot = {r.name: [f for name, f in seen if name == r.name and f] for r in settings.rig}
    noise = state.read_noise_e
    plain = {r.name: equipment_of(r, shot[r.name], read_noise_e=noise) for r in settings.rig}
    places = {s.key: (s.ra_deg, s.dec_deg) for s in spots}
    throughput = measured_throughput(state.subs, plain, places, place, model)
    equipment = {r.name: equipment_of(r, shot[r.name], throughput=throughput, read_noise_e=noise) for r in settings.rig}
    return Learnt(fitted_sky(model, state.subs, equipment, places, place), throughput, missing, noise)


def plan_tonight(settings: CampaignSettings, state: State, request: NightRequest) -> NightPlan:
    """The plan of one night.

    Raises SettingsError where nothing at all can be told: no site, an unknown rig, a date outside the ephemeris, no target
    whose place is known. What else is missing leaves a partial plan and a sentence in `missing`.
    """
    began = time.perf_counter()
    site, place = site_of(settings)
    rigs = rigs_asked(settings, request.rig)
    night = night_at(place, request.day)
    asked = [t for t in settings.target if request.rig is None or not t.rigs or request.rig in t.rigs]
    spots, missing = spots_of(asked)
    wanted, no_goals = wanted_of(settings, asked, spots, state.measured_goals)
    lacks = [*missing, *no_goals]
    if not settings.target:
        lacks.append("the campaign has no [[target]]: only Sun and Moon can be told")
    if not rigs:
        lacks.append("the campaign has no [[rig]]: nothing can be planned")
    for rig in rigs:
        if not rig.filter and not any(rig.name in w.rigs for w in wanted):
            lacks.append(f"{rig.name} has no [[rig.filter]] and no goal: nothing is planned for it")
    learnt = learn(settings, state, spots, place, site)
    model = learnt.model
    lacks += learnt.missing
    windows, planned_from, clear = _windows(request, night)

    tracks = {
        s.key: target_track(s.ra_deg, s.dec_deg, place, night.start.timestamp(), night.end.timestamp()) for s in spots
    }
    equipment: dict[str, Equipment] = {}
    for rig in rigs:
        filters = [w.goal.filter for w in wanted if rig.name in w.rigs]
        equipment[rig.name] = learnt.equipment(rig, [f for f in filters if not rig.filter])
        lacks += equipment[rig.name].missing
    done, hours_done = done_of(settings, state, wanted, spots, place, learnt)
    slot_s = _slot_s(night, len(wanted) * max(len(rigs), 1))
    edges = slot_edges_s(night, slot_s=slot_s)
    refocus, told = _refocus(rigs, site, night)
    lacks += told
    works = _works(settings, rigs, equipment, wanted, night, tracks, model, edges, windows, state, refocus, site, lacks)
    problem = _problem(works, wanted, done, slot_s)
    left = PLAN_SECONDS - (time.perf_counter() - began)
    plan = plan_night(problem, seconds=min(request.seconds, max(left, 0.5)))
    if state.last_plan and problem.slots:
        uncertainty = UNCERTAINTY if model.learnt_from else UNCERTAINTY_UNLEARNT
        before = _assignment_of(state, problem, works, wanted, edges)
        if any((slots >= 0).any() for slots in before.values()):
            plan = keep_unless_better(problem, plan, before, uncertainty=uncertainty)
    blocks, events = _told(plan, problem, works, wanted, night, tracks, edges, refocus, place)
    targets = target_lines(settings, spots, night, site, rigs)
    by_name = {r.name: r for r in rigs}
    planned = planned_facts(blocks, by_name, state, request.day)
    # Where the sky gives nothing, the darks of what would be shot are asked for.
    calibration = calibration_list(planned or _would_shoot(works, by_name, state, night), state)
    goals = goal_lines(wanted, works, done, hours_done, plan, problem)
    separations = [t.separation_deg for t in targets]
    moon = night.moon
    return NightPlan(
        date=request.day,
        time_zone=place.time_zone,
        sunset=night.sunset,
        sunrise=night.sunrise,
        dark_start=night.dark_start,
        dark_end=night.dark_end,
        twilights=Twilights(
            civil=(night.civil.evening, night.civil.morning),
            nautical=(night.nautical.evening, night.nautical.morning),
            astronomical=(night.astronomical.evening, night.astronomical.morning),
        ),
        moon=MoonLine(
            rise=moon.rise,
            set=moon.set,
            illuminated_fraction=moon.illuminated_fraction,
            phase=moon.phase,
            up=moon.case,
            separation_deg=min(separations, default=None),
        ),
        targets=targets,
        blocks=tuple(BlockLine(**{name: getattr(b, name) for name in BlockLine.__dataclass_fields__}) for b in blocks),
        events=tuple(EventLine(at=e.at, what=e.what, rig=e.rig) for e in events),
        cautions=caution_lines(night, blocks, by_name, settings),
        goals=goals,
        solver=SolverLine(
            kind=plan.kind,
            gap=plan.gap if np.isfinite(plan.gap) else None,
            slot_s=slot_s,
            seconds=time.perf_counter() - began,
        ),
        sky=sky_lines(works, model),
        calibration=calibration,
        dawn=dawn_list(blocks, planned, state, equipment, night),
        disk=disk_list(blocks, equipment, state, night),
        instead=instead_of(blocks, calibration, equipment, night, clear, planned_from),
        missing=tuple(dict.fromkeys(lacks)),
        notes=note_lines(night, spots, tracks, targets, goals, model, blocks, works),
        curves=curves_of(night, spots, tracks, works, wanted, blocks, model, rigs),
        planned_from=planned_from,
        clear=clear,
    )


# ----------------------------------------------------------------------------------------------------------- the parts


def _windows(
    request: NightRequest, night: Night
) -> tuple[list[tuple[float, float]] | None, datetime | None, tuple[datetime, datetime] | None]:
    """Stretches that may be planned (None for the whole night), and what was asked."""
    begin = instant_in(request.begin, night, now=request.now) if request.begin else None
    clear = clear_window(request.clear, night, now=request.now) if request.clear else None
    if begin is None and clear is None:
        return None, None, None
    start = max(t for t in (begin, clear[0] if clear else None) if t is not None)
    end = clear[1] if clear else night.end
    return [(start.timestamp(), end.timestamp())], begin, clear


def _slot_s(night: Night, jobs: int) -> float:
    """Slots of a quarter of an hour; longer ones where jobs times slots would be more than the solver can weigh in its time."""
    hours = (night.civil.span.hours if night.civil.span else 0.0) or 0.0
    for slot_s in (900.0, 1200.0):
        if jobs * hours * 3600.0 / slot_s <= 1300.0:
            return slot_s
    return 1800.0


def done_of(
    settings: CampaignSettings,
    state: State,
    wanted: Sequence[Wanted],
    spots: Sequence[Spot],
    place: Place,
    learnt: Learnt,
) -> tuple[list[float], list[float]]:
    """Share of each goal that the ledger's subs of all rigs hold, and their hours."""
    own: dict[tuple[str, int | None], dict[tuple[str | None, str | None], list[PastSub]]] = {}
    for sub in state.subs:
        if sub.target is not None and sub.kept:
            own.setdefault((sub.target, sub.panel), {}).setdefault((sub.rig, sub.filter), []).append(sub)
    # Only a goal in brightness asks how high a sub stood; the subs of all filters share their nights.
    bright = {one.spot.key: one.spot for one in wanted if one.goal.hours is None and one.spot.key in own}
    altitudes = {key: _altitudes_by_kind(own[key], place, spot) for key, spot in bright.items()}
    shot = {(s.rig, s.filter) for s in state.subs}
    equipment = [learnt.equipment(r, [f for name, f in shot if name == r.name and f]) for r in settings.rig]
    done, hours = [], []
    for one in wanted:
        parts = {}
        measured = state.measured_shares.get((*one.spot.key, one.goal.filter))
        before = 0.0
        for rig in equipment:
            kind = rig.name, one.goal.filter
            mine = own.get(one.spot.key, {}).get(kind, [])
            high = altitudes.get(one.spot.key, {}).get(kind)
            parts[rig.name] = progress_of(mine, one.goal, rig, altitude_deg=high, model=learnt.model)
            if measured is not None and rig.name in measured.rigs:
                held = [s.start is None or measured.until is None or s.start <= measured.until for s in mine]
                then = progress_of(
                    [s for s, h in zip(mine, held) if h], one.goal, rig, altitude_deg=None if high is None else high[held],
                    model=learnt.model,
                )  # fmt: skip
                before += then[0]
        share = sum(part for part, _ in parts.values())
        if measured is not None:  # the master's own depth, and what came after it as the formula has it
            now = sum(parts[name][0] for name in measured.rigs if name in parts)
            share = measured.done * now / before if before > 0 else measured.done
        done.append(one.done if one.done is not None else share)
        hours.append(sum(time_h for _, time_h in parts.values()))
    return done, hours


def _altitudes_by_kind(
    subs: dict[tuple[str | None, str | None], list[PastSub]], place: Place, spot: Spot
) -> dict[tuple[str | None, str | None], FloatArray]:
    """Altitudes of a spot at its subs, by rig and filter; all worked out at once."""
    whole = altitudes_of([s for mine in subs.values() for s in mine], place, spot.ra_deg, spot.dec_deg)
    return dict(zip(subs, np.split(whole, np.cumsum([len(mine) for mine in subs.values()])[:-1])))


def _refocus(rigs: Sequence[Rig], site: Site, night: Night) -> tuple[dict[str, float], list[str]]:
    """Seconds between focusings by rig."""
    span = night.sun_down.span
    night_s = span.hours * 3600.0 if span is not None else 0.0
    found, told = {}, []
    for rig in rigs:
        seconds, note = refocus_s_of(rig, site, night_s)
        found[rig.name] = seconds
        told += [note] if note else []
    return found, told


def _works(
    settings: CampaignSettings,
    rigs: Sequence[Rig],
    equipment: dict[str, Equipment],
    wanted: Sequence[Wanted],
    night: Night,
    tracks: dict[tuple[str, int | None], Track],
    model: SkyModel,
    edges: FloatArray,
    windows: list[tuple[float, float]] | None,
    state: State,
    refocus: dict[str, float],
    site: Site,
    lacks: list[str],
) -> list[Work]:
    """Every rig on every goal that it can work for, with its light by slot."""
    found: list[Work] = []
    for rig in rigs:
        gear = equipment[rig.name]
        lost = lost_per_hour(state.subs, rig.name)
        interval = refocus[rig.name]
        pause = gear.focus_s / interval if np.isfinite(interval) and interval > 0 else 0.0
        for number, one in enumerate(wanted):
            wheel = gear.wheels.get(one.goal.filter)
            if rig.name not in one.rigs or wheel is None:
                continue
            if not gear.measured and one.goal.hours is None:
                continue
            sub_s = rig.sub_s or typical_sub_s(state.subs, rig.name, one.goal.filter)
            if sub_s is None:
                sub_s = (
                    sub_advice(
                        gear, wheel, one.goal, model=model, lost=lost, tracking_limit_s=rig.mount.tracking_limit_s
                    ).recommended_s
                    if gear.measured
                    else usual_sub_s(wheel)
                )
            shooting = shooting_of(gear, wheel, one.goal, sub_s=sub_s, pause_share=min(pause, 0.5))
            upper = max(min(90.0 - abs(site.latitude_deg - one.spot.dec_deg), 90.0), 5.0)
            rate = reference_rate(shooting, model, upper)
            detail = slot_gain(
                edges, night=night, target=tracks[one.spot.key], model=model, shooting=shooting,
                limits=limits_of(rig, site, one.goal.filter), flip_s=gear.flip_s,
            )  # fmt: skip
            if one.goal.hours is not None:
                # An hour of light at the target's best height in a dark sky counts as an hour.
                lit = sub_s / (sub_s + gear.overhead_s(sub_s))
                factor = lit / (one.goal.hours * 3600.0 * rate) if rate > 0 else 0.0
                detail, rate = scaled(detail, factor), rate * factor
            if windows is not None:
                detail = only_within(detail, edges, windows)
            found.append(Work(rig, gear, wheel, number, sub_s, detail, rate, kept_under_moon(shooting, model)))
    planned = {w.wanted for w in found}
    for number, one in enumerate(wanted):
        if number not in planned and any(r.name in one.rigs for r in rigs):
            lacks.append(f"{one.spot.words}: no rig can work for the goal in {one.goal.filter} yet")
    return found


def _problem(works: Sequence[Work], wanted: Sequence[Wanted], done: Sequence[float], slot_s: float) -> Problem:
    """The night as the scheduler wants it.

    Goals count by the hours that they take under the best sky, times the scarcity of the sky that their filter needs: the less
    a filter keeps under the Moon, the more a moonless hour is worth to it (`SCARCITY`).
    """
    goals = []
    for number, one in enumerate(wanted):
        hours = [
            h * max(w.kept, 0.05) ** -SCARCITY
            for w in works
            if w.wanted == number and (h := reference_hours(w.detail, slot_s)) > 0
        ]
        goals.append(
            Goal(
                one.spot.target,
                one.goal.filter,
                panel=one.spot.panel,
                done=done[number],
                weight=min(hours) if hours else 1.0,
            )
        )
    # What is half as deep again as its goal gains nothing more (`schedule.PIECES`): left out, the rest is solved sooner.
    jobs = tuple(
        Job(
            w.rig.name,
            w.wanted,
            w.detail.gain * (done[w.wanted] < DEEP_ENOUGH),
            start_s=w.equipment.filter_change_s + w.equipment.focus_s,
        )
        for w in works
    )
    return Problem(
        slot_s,
        tuple(goals),
        jobs,
        least_block_slots=max(round(LEAST_BLOCK_S / slot_s), 1),
        target_change_s=TARGET_CHANGE_S,
    )


def _assignment_of(
    state: State, problem: Problem, works: Sequence[Work], wanted: Sequence[Wanted], edges: FloatArray
) -> dict[str, npt.NDArray[np.int64]]:
    """The plan told last, in this problem's slots and jobs; what may not be shot any more is left free."""
    index = {(w.rig.name, *wanted[w.wanted].spot.key, wanted[w.wanted].goal.filter): j for j, w in enumerate(works)}
    middles = (edges[:-1] + edges[1:]) / 2.0
    found = {}
    for rig in problem.rigs:
        slots = np.full(problem.slots, -1, dtype=np.int64)
        for block in state.last_plan:
            j = index.get((block.rig, block.target, block.panel, block.filter))
            if block.rig != rig or j is None:
                continue
            inside = (middles >= block.start_s) & (middles < block.end_s) & (problem.jobs[j].gain > 0)
            if np.count_nonzero(inside) >= problem.least_block_slots:
                slots[inside] = j
        found[rig] = slots
    return found


def _would_shoot(works: Sequence[Work], rigs: dict[str, Rig], state: State, night: Night) -> tuple[FrameFacts, ...]:
    """The subs that the goals ask for, one of each rig, filter and length, as matching will see them."""
    blocks = {
        (w.rig.name, w.wheel.filter, w.sub_s): Block(
            rig=w.rig.name, target="", panel=None, filter=w.wheel.filter, start=night.middle, end=night.middle,
            sub_s=w.sub_s, subs=1, share_of_goal=0.0, why="", job=0,
        )
        for w in works
    }  # fmt: skip
    return planned_facts(tuple(blocks.values()), rigs, state, night.date)


def _told(
    plan: Plan,
    problem: Problem,
    works: Sequence[Work],
    wanted: Sequence[Wanted],
    night: Night,
    tracks: dict[tuple[str, int | None], Track],
    edges: FloatArray,
    refocus: dict[str, float],
    place: Place,
) -> tuple[tuple[Block, ...], tuple[Event, ...]]:
    """Blocks with their reasons, and the night's events."""
    if not problem.jobs:
        return (), ()
    offset = night.local(night.middle).utcoffset() or timedelta(0)
    rise, fall = (_during(t, night) for t in (night.moon.rise, night.moon.set))
    blocks = blocks_of(
        plan,
        problem,
        edges,
        details=[w.detail for w in works],
        sub_s=[w.sub_s for w in works],
        overhead_s=[w.equipment.overhead_s(w.sub_s) for w in works],
        moonrise_s=rise,
        moonset_s=fall,
        zone_shift_s=offset.total_seconds(),
    )
    transits = {}
    for j, work in enumerate(works):
        found = tracks[wanted[work.wanted].spot.key].transits()
        if found.size:
            transits[j] = float(found[0])
    events = events_of(
        blocks,
        transits_s=transits,
        refocus_s=refocus,
        flips={w.rig.name: w.rig.mount.flips for w in works},
        moonrise_s=rise,
        moonset_s=fall,
    )
    return blocks, events


def _during(instant: datetime | None, night: Night) -> float | None:
    """The instant where it lies between sunset and sunrise, in Unix time."""
    span = night.sun_down.span
    if instant is None or span is None or not span.start <= instant <= span.end:
        return None
    return instant.timestamp()
