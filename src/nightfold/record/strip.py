"""The campaign at one look, from the ledger: nights, hours, conditions, goals, tonight, and the next step in one sentence."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import UTC, date, datetime
from statistics import median

from nightfold.charts.clock import clock_for
from nightfold.charts.filters import filter_label, in_order
from nightfold.charts.records import Strip, StripFilter, StripGoal, StripNight, StripTonight
from nightfold.depth.kept.stage import measured_shares
from nightfold.errors import NightfoldError
from nightfold.judge.nights.stage import NightsReport, SubBrief, nights_report, sub_briefs
from nightfold.judge.stage import JudgedSub
from nightfold.ledger.workspace import Workspace
from nightfold.plan.clock import tonight_of
from nightfold.plan.records import GoalLine, NightPlan
from nightfold.plan.stage import state_of
from nightfold.plan.targets import site_of
from nightfold.plan.tonight import NightRequest, plan_tonight
from nightfold.settings.models import Goal, Target

WORK_FIRST = ("judge", "fold")
"""Steps that come before the question of what to shoot next."""


def campaign_strip(ws: Workspace, *, with_tonight: bool = True, now: datetime | None = None) -> Strip:
    """The strip as the ledger stands; nothing is measured and nothing is written.

    Parameters
    ----------
    with_tonight : bool
        Plan tonight too, which takes a few seconds; without it goals are told from their hours alone.
    now : datetime, optional
        The present, for what tonight is.
    """
    subs = sub_briefs(ws)
    nights = nights_report(ws, subs)
    plan, note = _plan(ws, now or datetime.now(UTC)) if with_tonight else (None, "")
    goals = _goals(ws, subs, plan)
    lines = _nights(ws, nights, subs)
    wheel = [f.name for r in ws.settings.rig for f in r.filter]
    used = [f.filter for n in lines for f in n.filters]
    planned = [b.filter for b in plan.blocks] if plan else []
    site = ws.settings.site
    return Strip(
        campaign=ws.settings.name,
        nights=lines,
        filters=tuple(in_order([*wheel, *used, *planned, *(g.filter for g in goals)], centres_nm(ws))),
        goals=goals,
        tonight=_tonight(plan),
        next=next_step(nights, goals, plan, several=len(ws.settings.target) > 1),
        kept_h=sum(n.kept_h for n in lines),
        dropped_h=sum(n.dropped_h for n in lines),
        southern=site is not None and site.latitude_deg < 0,
        notes=(note,) if note else (),
    )


def centres_nm(ws: Workspace) -> dict[str, float]:
    """Centres of the filters as campaign.toml has them."""
    return {f.name: f.centre_nm for r in ws.settings.rig for f in r.filter if f.centre_nm is not None}


def _plan(ws: Workspace, now: datetime) -> tuple[NightPlan | None, str]:
    """Tonight's plan, or why there is none."""
    try:
        day = tonight_of(site_of(ws.settings)[1], now)
        return plan_tonight(ws.settings, state_of(ws, day=day), NightRequest(day=day, now=now)), ""
    except NightfoldError as error:
        return None, f"Tonight is not planned: {error.line}"


def _nights(ws: Workspace, nights: NightsReport, subs: Sequence[SubBrief]) -> tuple[StripNight, ...]:
    by_night: dict[date | None, list[SubBrief]] = defaultdict(list)
    groups: dict[tuple[str | None, str | None], list[float]] = defaultdict(list)
    for sub in subs:
        by_night[sub.night].append(sub)
        if sub.sky_e_per_s is not None and sub.sky_e_per_s > 0:
            groups[sub.rig, sub.filter].append(sub.sky_e_per_s)
    usual = {key: median(values) for key, values in groups.items()}
    once = ws.ledger.subs_in_one_place()
    found = []
    for line in nights.nights:
        mine = by_night[line.night]
        kept = [s for s in mine if s.verdict == "keep"]
        skies = [s.sky_e_per_s / usual[s.rig, s.filter] for s in mine if s.sky_e_per_s and (s.rig, s.filter) in usual]
        found.append(
            StripNight(
                date=line.night,
                moon_illuminated_fraction=round(line.moon_illuminated_fraction, 4),
                moon_waxing=line.moon_waxing,
                filters=hours_by_filter(mine),
                fwhm_arcsec=_median([s.fwhm_arcsec for s in kept]),
                fwhm_px=_median([s.fwhm_px for s in kept]),
                sky_over_usual=_median(skies),
                once=once.get(line.night, 0),
            )
        )
    return tuple(found)


def hours_by_filter(subs: Sequence[JudgedSub] | Sequence[SubBrief]) -> tuple[StripFilter, ...]:
    """Hours by filter; subs that name none count under "no filter"."""
    spent: dict[str, tuple[list[float], list[float]]] = {}
    for s in subs:
        spent.setdefault(s.filter or "no filter", ([], []))[s.verdict != "keep"].append(s.exposure_s or 0.0)
    found = []
    for name in in_order(list(spent)):
        kept, dropped = spent[name]
        found.append(
            StripFilter(
                filter=name,
                kept_h=sum(kept) / 3600.0,
                dropped_h=sum(dropped) / 3600.0,
                subs_kept=len(kept),
                subs_dropped=len(dropped),
            )
        )
    return tuple(found)


def _median(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None and v == v]
    return float(median(known)) if known else None


def _tonight(plan: NightPlan | None) -> StripTonight | None:
    if plan is None:
        return None
    hours: dict[str, list[tuple[int, float]]] = defaultdict(list)
    for b in plan.blocks:
        hours[b.filter].append((b.subs, b.subs * b.sub_s / 3600.0))
    return StripTonight(
        date=plan.date,
        moon_illuminated_fraction=round(plan.moon.illuminated_fraction, 4),
        moon_waxing="wan" not in plan.moon.phase and "last" not in plan.moon.phase,
        filters=tuple(
            StripFilter(
                filter=n,
                kept_h=sum(h for _, h in hours[n]),
                dropped_h=0.0,
                subs_kept=sum(s for s, _ in hours[n]),
                subs_dropped=0,
            )
            for n in in_order(list(hours))
        ),
        begins=min((b.start for b in plan.blocks), default=None),
    )


def _goals(ws: Workspace, subs: Sequence[SubBrief], plan: NightPlan | None) -> tuple[StripGoal, ...]:
    """Goals as the plan reckons them; from hours alone where there is no plan."""
    if plan is not None and plan.goals:
        return tuple(_planned_goal(g, plan) for g in plan.goals)
    # A goal without a panel is for each panel of a mosaic, as in the plan.
    wanted = [
        (target.name, panel, goal)
        for target in ws.settings.target
        for goal in target.goal
        for panel in _panels_of(target, goal)
    ]
    found = []
    measured = measured_shares(ws)
    for target, panel, goal in wanted:
        mine = [
            s
            for s in subs
            if (s.target, s.filter, s.verdict) == (target, goal.filter, "keep") and panel in (None, s.panel)
        ]
        hours = sum(s.exposure_s or 0.0 for s in mine) / 3600.0
        done = min(1.0, hours / goal.hours) if goal.hours else None
        left = max(0.0, goal.hours - hours) if goal.hours else None
        if not goal.hours and (told := measured.get((target, panel, goal.filter))) is not None:
            done = told.done
        found.append(
            StripGoal(
                target=target, panel=panel, filter=goal.filter, hours_done=hours, done=done, hours_left=left, tonight_h=None,
                sentence=goal_sentence(goal.filter, hours, done, left, None),
            )
        )  # fmt: skip
    return tuple(found)


def _panels_of(target: Target, goal: Goal) -> list[int | None]:
    if goal.panel is not None:
        return [goal.panel]
    return [p.panel for p in target.panel] or [None]


def _planned_goal(goal: GoalLine, plan: NightPlan) -> StripGoal:
    mine = [
        b for b in plan.blocks if (b.target, b.panel, b.filter) == (goal.target, goal.panel, goal.filter)
    ]  # fmt: skip
    tonight = sum(b.subs * b.sub_s for b in mine) / 3600.0
    done = min(1.0, goal.done)
    return StripGoal(
        target=goal.target, panel=goal.panel, filter=goal.filter, hours_done=goal.hours_done, done=done, hours_left=goal.hours_left,
        tonight_h=tonight, sentence=goal_sentence(goal.filter, goal.hours_done, done, goal.hours_left, tonight),
    )  # fmt: skip


def goal_sentence(name: str, hours: float, done: float | None, left: float | None, tonight: float | None) -> str:
    """How full a goal is, and what tonight does for it."""
    label = filter_label(name)
    if done is not None and done >= 0.995:
        return f"{label} is as deep as wanted with {hours:.1f} h."
    text = f"{label} has {hours:.1f} h"
    text += f", {100 * done:.0f} % of its goal" if done is not None else ""
    text += f"; {left:.1f} h to go" if left is not None else ""
    if tonight:
        text += f"; tonight adds {tonight:.1f} h"
    return text + "."


def next_step(nights: NightsReport, goals: Sequence[StripGoal], plan: NightPlan | None, *, several: bool) -> str:
    """The one thing to do next: pending work on what is there, else the goal that tonight serves, else what lacks most."""
    if nights.next_action in WORK_FIRST or not goals:
        return nights.next_step
    open_goals = [g for g in goals if g.done is None or g.done < 0.995]
    if not open_goals:
        return "Every goal is reached." + (f" {nights.next_step}" if nights.next_action == "picture" else "")
    # What tonight serves comes first; of those the goal that is emptiest.
    first = min(open_goals, key=lambda g: (not g.tonight_h, g.done if g.done is not None else 0.0, g.filter))
    label = filter_label(first.filter) + (f" on {first.target}" if several else "")
    label += f", panel {first.panel}," if first.panel is not None else ""
    text = (
        f"{label} needs {first.hours_left:.1f} h more"
        if first.hours_left is not None
        else f"{label} is not deep enough yet"
    )
    if plan is None:
        return text + "."
    mine = [b for b in plan.blocks if (b.target, b.panel, b.filter) == (first.target, first.panel, first.filter)]
    if not mine:
        return text + "; tonight gives none."
    start = min(b.start for b in mine)
    clock = clock_for(start, max(b.end for b in mine), plan.time_zone)
    return f"{text}; tonight gives {first.tonight_h:.1f} h after {clock.text(start)}."
