"""The season as a report: hours by month, what each goal still needs, when it will be done, and what another choice gives."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, timedelta
from functools import partial

import numpy as np

from nightfold.depth.forecast import forecast_of
from nightfold.plan.equipment import equipment_of, limits_of, shooting_of, usual_sub_s
from nightfold.plan.gains import reference_rate
from nightfold.plan.records import (
    FilterSeason,
    ForecastLine,
    MonthLine,
    SeasonReport,
    TargetSeason,
    WhatIf,
)
from nightfold.plan.season import best_date, hours_left, months_of
from nightfold.plan.state import State, typical_sub_s
from nightfold.plan.targets import Spot, Wanted, rigs_asked, site_of, spots_of, wanted_of
from nightfold.plan.tonight import Learnt, done_of, learn
from nightfold.settings.models import CampaignSettings, Rig, Site, Target
from nightfold.sky.brightness import Band
from nightfold.sky.clear_nights import Forecast
from nightfold.sky.ephemeris import Place
from nightfold.sky.usable_hours import NightHours, SeasonSky, season_sky, usable_hours

__all__ = ["mean_rate", "season_report"]

SEASON_NIGHTS = 365
USUAL_CLEAR = 0.4
"""Chance of a clear night where campaign.toml names none (a stand-in, no source)."""

PICKY_SHARE = 0.9
"""A filter whose Moon-free share of the dark hours is below this part of the best filter's waits for Moon-free hours."""

DARKER_MAG = 1.0


def season_report(
    settings: CampaignSettings,
    state: State,
    first: date,
    *,
    target: str | None = None,
    rig: str | None = None,
    nights: int = SEASON_NIGHTS,
) -> SeasonReport:
    """What the nights from `first` on hold for each target."""
    site, place = site_of(settings)
    rigs = rigs_asked(settings, rig)
    asked = [t for t in settings.target if target is None or t.name == target]
    spots, missing = spots_of(asked)
    wanted, no_goals = wanted_of(settings, asked, spots, state.measured_goals)
    learnt = learn(settings, state, spots, place, site)
    lacks = [*missing, *no_goals, *learnt.missing]
    chances = tuple(site.clear_probability(month) for month in range(1, 13))
    if None in chances:
        lacks.append(f"site.clear_night_probability is not given: {USUAL_CLEAR:g} is taken")
    known = tuple(c if c is not None else USUAL_CLEAR for c in chances)
    for one in rigs:
        names = [w.goal.filter for w in wanted if not one.filter and one.name in w.rigs]
        lacks += equipment_of(one, names, read_noise_e=state.read_noise_e).missing
    sky = season_sky(place, first, nights)
    found = []
    for one_target in asked:
        own = [s for s in spots if s.target == one_target.name]
        if own:
            goals = [w for w in wanted if w.spot.target == one_target.name]
            found.append(_target_season(settings, state, site, place, rigs, one_target, own, goals, sky, learnt, known))
    notes = ["each forecast takes the target to have every clear night to itself"] if len(found) > 1 else []
    return SeasonReport(
        first=first,
        last=first + timedelta(days=nights - 1),
        clear_night_probability=known,
        targets=tuple(found),
        missing=tuple(dict.fromkeys(lacks)),
        notes=tuple(notes),
    )


def mean_rate(
    rate_at: Callable[[float], float], *, latitude_deg: float, dec_deg: float, least_altitude_deg: float
) -> float:
    """Mean of a rate over the hour angles at which a target stands above an altitude; at its highest where it never does."""
    phi, dec = np.radians(latitude_deg), np.radians(dec_deg)
    hour_angle = np.linspace(0.0, np.pi, 73)
    height = np.degrees(np.arcsin(np.sin(phi) * np.sin(dec) + np.cos(phi) * np.cos(dec) * np.cos(hour_angle)))
    up = height[height >= least_altitude_deg]
    samples = up if up.size else height[:1]
    # A handful of heights is enough: the rate is smooth in them.
    grid = np.linspace(max(float(samples.min()), 1.0), max(float(samples.max()), 1.0), 7)
    rates = np.array([rate_at(float(h)) for h in grid])
    return float(np.interp(np.maximum(samples, 1.0), grid, rates).mean())


def _needs(
    state: State,
    site: Site,
    rigs: Sequence[Rig],
    goals: Sequence[Wanted],
    learnt: Learnt,
    done: Sequence[float],
) -> dict[int, float]:
    """Clear hours that each goal still needs, by its number, with all its rigs at work on it together."""
    found: dict[int, float] = {}
    for number, one in enumerate(goals):
        total = 0.0
        for rig in rigs:
            gear = learnt.equipment(rig, (one.goal.filter,) if not rig.filter else ())
            wheel = gear.wheels.get(one.goal.filter)
            if wheel is None or (not gear.measured and one.goal.hours is None):
                continue
            sub_s = rig.sub_s or typical_sub_s(state.subs, rig.name, one.goal.filter) or usual_sub_s(wheel)
            shooting = shooting_of(gear, wheel, one.goal, sub_s=sub_s)
            highest = max(min(90.0 - abs(site.latitude_deg - one.spot.dec_deg), 90.0), 5.0)
            best = reference_rate(shooting, learnt.model, highest)
            mean = mean_rate(
                partial(reference_rate, shooting, learnt.model),
                latitude_deg=site.latitude_deg,
                dec_deg=one.spot.dec_deg,
                least_altitude_deg=rig.mount.min_altitude_deg,
            )
            if one.goal.hours is not None:
                lit = sub_s / (sub_s + gear.overhead_s(sub_s))
                mean = lit * mean / best / (one.goal.hours * 3600.0) if best > 0 else 0.0
            total += mean
        if total > 0:
            found[number] = max(1.0 - done[number], 0.0) / total / 3600.0
    return found


def _target_season(
    settings: CampaignSettings,
    state: State,
    site: Site,
    place: Place,
    rigs: Sequence[Rig],
    target: Target,
    spots: Sequence[Spot],
    goals: Sequence[Wanted],
    sky: SeasonSky,
    learnt: Learnt,
    chances: Sequence[float],
) -> TargetSeason:
    own = [r for r in rigs if not target.rigs or r.name in target.rigs]
    bands = _bands(own, goals)
    least = min((r.mount.min_altitude_deg for r in own), default=30.0)
    nights = usable_hours(
        sky, spots[0].ra_deg, spots[0].dec_deg, min_altitude_deg=least,
        profile=limits_of(own[0], site).profile if own else (), model=learnt.model, bands=bands,
    )  # fmt: skip
    done, _ = done_of(settings, state, goals, spots, place, learnt)
    needs = _needs(state, site, own, goals, learnt, done)
    picky = _picky(nights, list(bands))

    def forecast(hours: dict[int, float]) -> ForecastLine:
        return _forecast(nights, goals, hours, picky, chances, site)

    lines = [
        FilterSeason(
            panel=goals[n].spot.panel,
            filter=goals[n].goal.filter,
            hours_needed=hours,
            hours_left=hours_left(nights),
            hours_left_moon_free=hours_left(nights, filter=goals[n].goal.filter),
        )
        for n, hours in needs.items()
    ]
    open_needs = {n: h for n, h in needs.items() if h > 0}
    changes: list[WhatIf] = []
    if open_needs:
        names = {goals[n].goal.filter for n in open_needs}
        if len(names) > 1:
            longest = max(names, key=lambda name: sum(h for n, h in open_needs.items() if goals[n].goal.filter == name))
            fewer = {n: h for n, h in open_needs.items() if goals[n].goal.filter != longest}
            changes.append(
                WhatIf(change=f"without {longest}", hours_needed=sum(fewer.values()), forecast=forecast(fewer))
            )
        darker = replace(learnt.model, zenith_v_mag=learnt.model.zenith_v_mag + DARKER_MAG)
        there = _needs(state, site, own, goals, replace(learnt, model=darker), done)
        changes.append(
            WhatIf(
                change=f"under a sky {DARKER_MAG:g} mag darker",
                hours_needed=sum(there.values()),
                forecast=forecast(there),
            )
        )
        for rig in settings.rig:
            if len(own) == 1 and rig.name == own[0].name:
                continue
            other = _needs(state, site, [rig], goals, learnt, done)
            if set(other) >= set(open_needs):
                changes.append(
                    WhatIf(change=f"with {rig.name} alone", hours_needed=sum(other.values()), forecast=forecast(other))
                )
    return TargetSeason(
        target=target.name,
        best_date=best_date(nights),
        hours_left=hours_left(nights),
        months=tuple(
            MonthLine(
                year=m.year,
                month=m.month,
                nights=m.nights,
                dark_hours=m.dark,
                moonless_hours=m.moonless,
                moon_free_hours=dict(m.moon_free),
            )
            for m in months_of(nights)
        ),
        filters=tuple(lines),
        forecast=forecast(needs) if needs else None,
        what_if=tuple(changes),
        rigs=tuple(r.name for r in own),
    )


def _bands(rigs: Sequence[Rig], goals: Sequence[Wanted]) -> dict[str, Band]:
    """Bands by filter: of the goals, else of the wheels; the first rig that has a filter tells its band."""
    names = list(dict.fromkeys(w.goal.filter for w in goals))
    found: dict[str, Band] = {}
    for rig in rigs:
        gear = equipment_of(rig, names if not rig.filter else ())
        for name in names or gear.wheels:
            if name in gear.wheels:
                found.setdefault(name, gear.wheels[name].band)
    return found


def _picky(nights: Sequence[NightHours], names: Sequence[str]) -> list[str]:
    """Filters that wait for Moon-free hours."""
    free = {name: sum(n.moon_free[name] for n in nights) for name in names}
    best = max(free.values(), default=0.0)
    return [name for name, hours in free.items() if hours < PICKY_SHARE * best]


def _forecast(
    nights: Sequence[NightHours],
    goals: Sequence[Wanted],
    hours: dict[int, float],
    picky: Sequence[str],
    chances: Sequence[float],
    site: Site,
) -> ForecastLine:
    """Monte Carlo over spells of clear nights; hours of panels in one filter add up."""
    needs: dict[str, float] = {}
    for number, need in hours.items():
        name = goals[number].goal.filter
        needs[name] = needs.get(name, 0.0) + need
    needs = {name: need for name, need in needs.items() if need > 0}
    found: Forecast = forecast_of(
        nights,
        needs,
        clear_probability=lambda month: chances[month - 1],
        persistence=min(site.clear_persistence, 0.95),
        moon_free_only=picky,
    )
    return ForecastLine(median=found.median, p10=found.p10, p90=found.p90, finished_share=found.finished)
