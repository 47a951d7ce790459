"""From slots to a list that a person reads: blocks with their reason in a sentence, and the night's events."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from nightfold.plan.gains import SlotGain
from nightfold.plan.schedule import Plan, Problem

__all__ = ["Block", "Event", "blocks_of", "events_of"]

FloatArray = npt.NDArray[np.float64]

MOON_MATTERS = 0.15
"""A Moon that takes less than this share of a filter's gain is not spoken of."""


@dataclass(frozen=True)
class Block:
    """One stretch of one rig on one goal."""

    rig: str
    target: str
    panel: int | None
    filter: str
    start: datetime
    end: datetime
    sub_s: float
    subs: int
    share_of_goal: float
    why: str
    job: int


@dataclass(frozen=True)
class Event:
    """Something that happens or must be done at an instant; `rig` is empty where it concerns all."""

    at: datetime
    what: str
    rig: str = ""


def _instant(unix_s: float) -> datetime:
    return datetime.fromtimestamp(float(unix_s), tz=UTC)


def _minute(unix_s: float) -> datetime:
    """The nearest whole minute, as people are told it."""
    return _instant(round(unix_s / 60.0) * 60.0)


def blocks_of(
    plan: Plan,
    problem: Problem,
    edges_s: FloatArray,
    *,
    details: Sequence[SlotGain],
    sub_s: Sequence[float],
    overhead_s: Sequence[float],
    moonrise_s: float | None = None,
    moonset_s: float | None = None,
    clock: str = "%H:%M",
    zone_shift_s: float = 0.0,
) -> tuple[Block, ...]:
    """The plan's blocks, by start and rig.

    `details`, `sub_s` and `overhead_s` belong to the problem's jobs, in their order. `zone_shift_s` turns UTC into the
    site's clock in the sentences.
    """
    found = []
    for rig in problem.rigs:
        slots = plan.assignment[rig]
        edges = [0, *(np.flatnonzero(np.diff(slots)) + 1).tolist(), len(slots)]
        for begin, end in pairwise(edges):
            j = int(slots[begin]) if end > begin else -1
            if j < 0:
                continue
            goal, job = problem.goals[problem.jobs[j].goal], problem.jobs[j]
            seconds = float(edges_s[end] - edges_s[begin]) - job.start_s
            subs = max(int(seconds // (sub_s[j] + overhead_s[j])), 0)
            why = _why(plan, problem, j, begin, end, edges_s, details, moonrise_s, moonset_s, clock, zone_shift_s)
            lost = job.gain[begin] * min(job.start_s / problem.slot_s, 1.0)
            found.append(
                Block(
                    rig=rig, target=goal.target, panel=goal.panel, filter=goal.filter, start=_instant(edges_s[begin]),
                    end=_instant(edges_s[end]), sub_s=float(sub_s[j]), subs=subs,
                    share_of_goal=float(job.gain[begin:end].sum() - lost), why=why, job=j,
                )
            )  # fmt: skip
    return tuple(sorted(found, key=lambda b: (b.start, b.rig)))


def _kept_share(detail: SlotGain, begin: int, end: int) -> float:
    """Share of its moonless gain that a job keeps over some slots."""
    without = float(detail.moonless_gain[begin:end].sum())
    return float(detail.gain[begin:end].sum()) / without if without > 0 else 1.0


def _reached(plan: Plan, problem: Problem, slot: int) -> list[float]:
    """Share of each goal that is reached when a slot begins, by all rigs."""
    reached = [goal.done for goal in problem.goals]
    for slots in plan.assignment.values():
        for t in range(slot):
            j = int(slots[t])
            if j >= 0:
                reached[problem.jobs[j].goal] += float(problem.jobs[j].gain[t])
    return reached


def _why(
    plan: Plan,
    problem: Problem,
    j: int,
    begin: int,
    end: int,
    edges_s: FloatArray,
    details: Sequence[SlotGain],
    moonrise_s: float | None,
    moonset_s: float | None,
    clock: str,
    zone_shift_s: float,
) -> str:
    """The strongest reason for a block, in one sentence."""
    goal, rig = problem.goals[problem.jobs[j].goal], problem.jobs[j].rig
    rivals = [i for i, job in enumerate(problem.jobs) if job.rig == rig and i != j and job.gain[begin:end].any()]
    reached = _reached(plan, problem, begin)
    done = reached[problem.jobs[j].goal]
    unmet = [i for i in rivals if reached[problem.jobs[i].goal] < 1.0]
    if done < 1.0 and not unmet:
        return "it is the only goal within reach now that is not met yet"
    if done >= 1.0 and not unmet:
        return "every goal within reach is met; more light still makes it deeper"
    keeps = _kept_share(details[j], begin, end)
    later = slice(end, len(edges_s) - 1)
    middle_s = (edges_s[begin] + edges_s[end]) / 2.0
    if moonrise_s is not None and middle_s < moonrise_s:
        after = _kept_share(details[j], later.start, later.stop)
        if keeps - after > MOON_MATTERS:
            at = _minute(moonrise_s + zone_shift_s).strftime(clock)
            return f"before the Moon rises at {at}; after it this filter gains {100 * (1 - after):.0f} % less"
    if moonset_s is not None and middle_s > moonset_s:
        before = _kept_share(details[j], 0, begin)
        if keeps - before > MOON_MATTERS:
            at = _minute(moonset_s + zone_shift_s).strftime(clock)
            return f"after the Moon has set at {at}; before it this filter gains {100 * (1 - before):.0f} % less"
    if 1.0 - keeps > MOON_MATTERS:
        others_too = [i for i in unmet if problem.goals[problem.jobs[i].goal].filter != goal.filter]
        worst = min(others_too, key=lambda i: _kept_share(details[i], begin, end), default=j)
        theirs = _kept_share(details[worst], begin, end)
        if keeps - theirs > MOON_MATTERS / 3.0:
            other = problem.goals[problem.jobs[worst].goal].filter
            return f"the Moon takes {100 * (1 - keeps):.0f} % of it, but {100 * (1 - theirs):.0f} % of {other}"
    altitude = details[j].altitude_deg
    can = details[j].gain > 0
    here = float(altitude[begin:end].mean())
    others = np.concatenate([altitude[:begin][can[:begin]], altitude[end:][can[end:]]])
    if others.size and here > float(others.max()) - 1.0:
        return f"the target stands highest now, at {here:.0f} degrees"
    if all(done < reached[problem.jobs[i].goal] for i in unmet):
        return f"it is furthest from its goal, with {100 * done:.0f} % reached"
    if all(problem.goals[problem.jobs[i].goal].target != goal.target for i in unmet) and not can[end:].any():
        return "the target can be had only until then tonight"
    gained = float(plan.progress[problem.jobs[j].goal])
    return f"it takes the goal from {100 * goal.done:.0f} to {100 * (goal.done + gained):.0f} % tonight, the best use of this time"


def events_of(
    blocks: Sequence[Block],
    *,
    transits_s: dict[int, float],
    refocus_s: dict[str, float] | None = None,
    flips: dict[str, bool] | None = None,
    moonrise_s: float | None = None,
    moonset_s: float | None = None,
) -> tuple[Event, ...]:
    """Focus, flips, Moon.

    Parameters
    ----------
    blocks : sequence of Block
    transits_s : dict
        Unix time of the target's transit by job, for the flip.
    refocus_s : dict
        Expected time between focusings by rig (`rig.focus.refocus_interval_s`).
    flips : dict
        Whether a rig's mount flips; it does where it is not named.
    """
    found: list[Event] = []
    for rig in dict.fromkeys(b.rig for b in blocks):
        own = [b for b in blocks if b.rig == rig]
        before: Block | None = None
        for block in own:
            begin, end = block.start.timestamp(), block.end.timestamp()
            if (
                before is None
                or before.end != block.start
                or before.target != block.target
                or before.panel != block.panel
            ):
                found.append(Event(block.start, f"point at {block.target}" + _panel(block.panel) + ", focus", rig))
            else:
                found.append(Event(block.start, f"focus after the change to {block.filter}", rig))
            interval = (refocus_s or {}).get(rig, float("inf"))
            steps = int((end - begin) / interval) if np.isfinite(interval) and interval > 0 else 0
            for i in range(1, steps + 1):
                if end - (begin + i * interval) > block.sub_s:
                    found.append(Event(_instant(begin + i * interval), "focus: the tube has cooled", rig))
            transit = transits_s.get(block.job)
            if transit is not None and begin <= transit < end and (flips or {}).get(rig, True):
                found.append(Event(_instant(transit), f"meridian flip on {block.target}", rig))
            before = block
    if moonrise_s is not None:
        found.append(Event(_instant(moonrise_s), "moonrise"))
    if moonset_s is not None:
        found.append(Event(_instant(moonset_s), "moonset"))
    return tuple(sorted(found, key=lambda e: (e.at, e.rig)))


def _panel(panel: int | None) -> str:
    return "" if panel is None else f", panel {panel}"
