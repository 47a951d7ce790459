"""Who shoots what, when: a mixed-integer plan of a night over time slots, for all rigs and targets together.

A job is one rig on one target (and panel) in one filter; its progress in each slot is known beforehand (`plan.gains`). The
plan maximises the worth of what is gained. Worth is concave in SNR squared, in pieces: each tenth of a goal is worth
less than the one before, and what goes past the goal next to nothing. Starting a job costs the time of filter change and
focusing, in its own light; a change of target costs more. Blocks are no shorter than stated.

HiGHS through scipy.optimize.milp finds the plan; a greedy plan is always made too, and stands in, labelled so, when the
solver finds none in time.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from nightfold.errors import SettingsError

__all__ = ["Goal", "Job", "Plan", "Problem", "is_allowed", "keep_unless_better", "plan_night", "plan_worth"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

PIECES = (*((0.1, round(1.0 - 0.05 * i, 2)) for i in range(10)), (0.5, 0.02))
"""Worth of progress: (share of the goal, worth per share), falling evenly from 1 to 0.55. Past the goal 2 % is left, up to one
and a half goals: better than an idle rig, never better than a goal that is open (our choice, no source)."""

WASTE = 0.005
"""Price of a slot in which a job gains nothing, against the median worth of its slots; in proportion where it gains less than in
its best one. It decides nothing but when to shoot what the night has room for twice over: then the better moment is taken."""

WAIT = 0.08
"""What an hour's wait counts in this, as a share of the gain: clouds may come, and people want to sleep (our choice)."""

SOLVER_SECONDS = 4.0
POLISH_SECONDS = 0.4
GAP = 0.01
TIGHT_GAP = 0.001
"""The solver goes on to this in its time, though a plan within `GAP` counts as optimal: small prices decide between equals."""


@dataclass(frozen=True)
class Goal:
    """What shall be reached: `done` is the share of its SNR squared that the ledger holds; `weight` its importance."""

    target: str
    filter: str
    panel: int | None = None
    done: float = 0.0
    weight: float = 1.0


@dataclass(frozen=True)
class Job:
    """One rig working for one goal.

    Parameters
    ----------
    rig : str
    goal : int
        Index into the problem's goals; several rigs may work for one.
    gain : float64 (slots,)
        Share of the goal's SNR squared gained in each whole slot; 0 where it may not be shot (limits are hard).
    start_s : float
        Time without light at the start of a block: filter change and focusing.
    """

    rig: str
    goal: int
    gain: FloatArray
    start_s: float = 0.0


@dataclass(frozen=True)
class Problem:
    """A night cut into slots of `slot_s`, its jobs and goals. `target_change_s` is lost more when the target changes."""

    slot_s: float
    goals: tuple[Goal, ...]
    jobs: tuple[Job, ...]
    least_block_slots: int = 2
    target_change_s: float = 120.0

    def __post_init__(self) -> None:
        lengths = {job.gain.shape for job in self.jobs}
        if len(lengths) > 1:
            raise ValueError(f"jobs differ in their number of slots: {sorted(lengths)}")
        if self.least_block_slots < 1 or not self.slot_s > 0:
            raise SettingsError(
                "the blocks of a plan are impossible", seen=f"{self.least_block_slots} slots of {self.slot_s:g} s"
            )
        for job in self.jobs:
            if not np.all(np.isfinite(job.gain)) or np.any(job.gain < 0):
                raise ValueError(f"gains of {job.rig} for goal {job.goal} must be finite and not negative")

    @property
    def slots(self) -> int:
        return int(self.jobs[0].gain.size) if self.jobs else 0

    @property
    def rigs(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(job.rig for job in self.jobs))

    def target_of(self, job: int) -> tuple[str, int | None]:
        goal = self.goals[self.jobs[job].goal]
        return goal.target, goal.panel


@dataclass(frozen=True)
class Plan:
    """For each rig and slot the index of its job, or -1; the plan's worth and how it was found."""

    assignment: dict[str, IntArray]
    worth: float
    kind: Literal["optimal", "within time", "greedy", "kept"]
    gap: float
    """How far the true best could be above this, as a share; NaN where nothing bounds it."""
    progress: FloatArray
    """Share of each goal's SNR squared gained tonight."""


def _start_gain_share(problem: Problem, job: int) -> float:
    """Share of a slot lost when a block starts; never more than the slot."""
    return min(problem.jobs[job].start_s / problem.slot_s, 1.0)


def _progress(problem: Problem, assignment: dict[str, IntArray]) -> FloatArray:
    """What each goal gains by an assignment, starts paid."""
    gained = np.zeros(len(problem.goals))
    for slots in assignment.values():
        before = -1
        for t, j in enumerate(slots):
            if j >= 0:
                gain = float(problem.jobs[j].gain[t])
                gained[problem.jobs[j].goal] += gain * (
                    1.0 - (_start_gain_share(problem, int(j)) if j != before else 0.0)
                )
            before = int(j)
    return gained


def _worth_of(goal: Goal, gained: float) -> float:
    """Concave worth of going from what is done to what is done and gained."""

    def total(share: float) -> float:
        left, worth = share, 0.0
        for width, slope in PIECES:
            step = min(left, width)
            worth, left = worth + slope * step, left - step
        return worth

    return goal.weight * (total(goal.done + gained) - total(goal.done))


def _target_changes(problem: Problem, assignment: dict[str, IntArray]) -> int:
    """How often a rig goes to another target than the one it was on before, idle time aside; the first counts too."""
    changes = 0
    for slots in assignment.values():
        on: tuple[str, int | None] | None = None
        for j in slots:
            here = problem.target_of(int(j)) if j >= 0 else None
            changes += here is not None and here != on
            on = here
    return changes


def _change_price(problem: Problem) -> float:
    """Worth of the time that a change of target takes."""
    return _slot_worth(problem) * problem.target_change_s / problem.slot_s


def _waste(problem: Problem, job: Job) -> FloatArray:
    """Price of each slot: what the job gains less in it than in its best one, and the wait for it, at the job's own worth.

    A goal that is open waits at a higher price than one that is met, so it goes first.
    """
    open_slots = job.gain[job.gain > 0]
    if not open_slots.size:
        return np.zeros(job.gain.shape)
    goal = problem.goals[job.goal]
    worth = WASTE * goal.weight * _slope_at(goal.done) * float(np.median(open_slots))
    wait = WAIT * problem.slot_s / 3600.0 * np.arange(job.gain.size)
    return worth * (1.0 - job.gain / float(open_slots.max()) + wait)


def _waste_price(problem: Problem, assignment: dict[str, IntArray]) -> float:
    """Price of all slots that are not a job's first and best."""
    return sum(
        float(_waste(problem, problem.jobs[j])[slots == j].sum())
        for slots in assignment.values()
        for j in np.unique(slots[slots >= 0]).tolist()
    )


def _slot_worth(problem: Problem) -> float:
    """The median worth of a slot, over all that may be shot."""
    rates = [
        problem.goals[job.goal].weight * _slope_at(problem.goals[job.goal].done) * job.gain[job.gain > 0]
        for job in problem.jobs
    ]
    together = np.concatenate(rates) if rates else np.empty(0)
    return float(np.median(together)) if together.size else 0.0


def _slope_at(done: float) -> float:
    edge = 0.0
    for width, slope in PIECES:
        edge += width
        if done < edge:
            return slope
    return 0.0


def plan_worth(problem: Problem, assignment: dict[str, IntArray]) -> float:
    """Worth of an assignment: what the goals gain, less the price of changing targets and of poor moments."""
    gained = _progress(problem, assignment)
    worth = sum(_worth_of(goal, float(g)) for goal, g in zip(problem.goals, gained))
    changes = _change_price(problem) * _target_changes(problem, assignment)
    return worth - changes - _waste_price(problem, assignment)


def is_allowed(problem: Problem, assignment: dict[str, IntArray]) -> bool:
    """Whether every slot may be shot by its rig's job, and no block is shorter than stated."""
    for rig in problem.rigs:
        slots = assignment.get(rig)
        if slots is None or len(slots) != problem.slots:
            return False
        edges = [0, *(np.flatnonzero(np.diff(slots)) + 1), len(slots)]
        for begin, end in pairwise(edges):
            j = int(slots[begin])
            if j < 0:
                continue
            if j >= len(problem.jobs) or problem.jobs[j].rig != rig or not np.all(problem.jobs[j].gain[begin:end] > 0):
                return False
            if end - begin < problem.least_block_slots:
                return False
    return True


# -------------------------------------------------------------------------------------------------------------- greedy


def _greedy(problem: Problem) -> dict[str, IntArray]:
    """Rig after rig, block after block, what is worth most per slot just now."""
    gained = np.zeros(len(problem.goals))
    price = _change_price(problem)
    plan: dict[str, IntArray] = {}
    for rig in problem.rigs:
        slots = np.full(problem.slots, -1, dtype=np.int64)
        own = [j for j, job in enumerate(problem.jobs) if job.rig == rig]
        t = 0
        while t < problem.slots:
            current = int(slots[t - 1]) if t else -1
            best, best_rate, best_slots, best_gain = -1, 0.0, 0, 0.0
            for j in own:
                length = 1 if j == current else problem.least_block_slots
                stretch = problem.jobs[j].gain[t : t + length]
                if len(stretch) < length or not np.all(stretch > 0):
                    continue
                gain = float(stretch.sum())
                cost = 0.0
                if j != current:
                    gain -= float(stretch[0]) * _start_gain_share(problem, j)
                    if current < 0 or problem.target_of(current) != problem.target_of(j):
                        cost = price
                goal = problem.goals[problem.jobs[j].goal]
                so_far = float(gained[problem.jobs[j].goal])
                rate = (_worth_of(goal, so_far + gain) - _worth_of(goal, so_far) - cost) / length
                if rate > best_rate * (1.0 + 1e-12):
                    best, best_rate, best_slots, best_gain = j, rate, length, gain
            if best < 0:
                t += 1
                continue
            slots[t : t + best_slots] = best
            gained[problem.jobs[best].goal] += best_gain
            t += best_slots
        plan[rig] = slots
    return plan


def _runs(slots: IntArray) -> list[tuple[int, int]]:
    """Begin and end of each stretch of one job, idle ones too."""
    edges = [0, *(np.flatnonzero(np.diff(slots)) + 1).tolist(), len(slots)]
    return list(pairwise(edges))


def _neighbours(problem: Problem, assignment: dict[str, IntArray]) -> Iterator[dict[str, IntArray]]:
    """Plans one step away: another job (or none) for a block or for half of it, two blocks exchanged, a border moved by a slot."""
    for rig, slots in assignment.items():
        own = [j for j, job in enumerate(problem.jobs) if job.rig == rig]
        runs = _runs(slots)

        def other(begin: int, end: int, j: int, rig: str = rig, slots: IntArray = slots) -> dict[str, IntArray]:
            changed = slots.copy()
            changed[begin:end] = j
            return {**assignment, rig: changed}

        for n, (begin, end) in enumerate(runs):
            half = (begin + end) // 2
            parts = [(begin, end)]
            if end - begin >= 2 * problem.least_block_slots:
                parts += [(begin, half), (half, end)]
            for a, b in parts:
                for j in (-1, *own):
                    if j != slots[a] and (j < 0 or np.all(problem.jobs[j].gain[a:b] > 0)):
                        yield other(a, b, j)
            if n + 1 < len(runs):
                yield other(end, end + 1, int(slots[begin]))
                yield other(end - 1, end, int(slots[end]))
            for later, after in runs[n + 1 :]:
                changed = other(begin, end, int(slots[later]))
                changed[rig][later:after] = slots[begin]
                yield changed


def _polished(problem: Problem, assignment: dict[str, IntArray], seconds: float) -> dict[str, IntArray]:
    """The plan with every single step taken that makes it worth more, until none does or the time is over."""
    until = time.perf_counter() + seconds
    worth, better = plan_worth(problem, assignment), True
    while better:
        better = False
        for trial in _neighbours(problem, assignment):
            if time.perf_counter() > until:
                return assignment
            if not is_allowed(problem, trial):
                continue
            value = plan_worth(problem, trial)
            if value > worth + 1e-9 * abs(worth):
                assignment, worth, better = trial, value, True
                break
    return assignment


# ------------------------------------------------------------------------------------------------------------- the MILP


class _Rows:
    """Rows of a sparse constraint matrix while it is written."""

    def __init__(self) -> None:
        self.row: list[int] = []
        self.column: list[int] = []
        self.value: list[float] = []
        self.high: list[float] = []

    def add(self, entries: Sequence[tuple[int, float]], high: float) -> None:
        """One row: sum of value * variable <= high."""
        here = len(self.high)
        for column, value in entries:
            self.row.append(here)
            self.column.append(column)
            self.value.append(value)
        self.high.append(high)

    def constraint(self, variables: int) -> LinearConstraint:
        matrix = coo_array((self.value, (self.row, self.column)), shape=(len(self.high), variables)).tocsr()
        return LinearConstraint(matrix, -np.inf, np.array(self.high))


def _solve(problem: Problem, seconds: float, gap: float) -> tuple[dict[str, IntArray] | None, float, bool]:
    """Assignment, gap and whether the gap was reached; no assignment where HiGHS found none in time."""
    slots, length = problem.slots, problem.least_block_slots
    # Variables are made only where a job may be shot: x (shoots), y (starts); then w (target begins), s (pieces of worth).
    x: dict[tuple[int, int], int] = {}
    y: dict[tuple[int, int], int] = {}
    count = 0
    for j, job in enumerate(problem.jobs):
        ok = job.gain > 0
        for t in np.flatnonzero(ok).tolist():
            x[j, t] = count
            count += 1
        for t in range(slots - length + 1):
            if ok[t : t + length].all():
                y[j, t] = count
                count += 1
    groups: dict[tuple[str, tuple[str, int | None]], list[int]] = {}
    for j, job in enumerate(problem.jobs):
        groups.setdefault((job.rig, problem.target_of(j)), []).append(j)
    w = {(key, t): count + i for i, (key, t) in enumerate((key, t) for key in groups for t in range(slots))}
    count += len(w)
    pieces = [(g, width, slope) for g, goal in enumerate(problem.goals) for width, slope in _pieces_left(goal)]
    s = {i: count + i for i in range(len(pieces))}
    count += len(pieces)

    rows = _Rows()
    for rig in problem.rigs:  # one job at a time
        for t in range(slots):
            own = [(x[j, t], 1.0) for j, job in enumerate(problem.jobs) if job.rig == rig and (j, t) in x]
            if len(own) > 1:
                rows.add(own, 1.0)
    for (j, t), column in x.items():
        # Shooting without having shot before is a start; a job that may not start here has no y and must go on from before.
        entries = [(column, 1.0)]
        if (j, t - 1) in x:
            entries.append((x[j, t - 1], -1.0))
        if (j, t) in y:
            entries.append((y[j, t], -1.0))
        rows.add(entries, 0.0)
        # Least length, in its tight form (Rajan & Takriti 2005): starts within the last `length` slots need the job on.
        starts = [(y[j, u], 1.0) for u in range(max(t - length + 1, 0), t + 1) if (j, u) in y]
        if starts:
            rows.add([*starts, (column, -1.0)], 0.0)
    for key, members in groups.items():
        for t in range(slots):
            entries = [(x[j, t], 1.0) for j in members if (j, t) in x]
            if entries:
                entries += [(x[j, t - 1], -1.0) for j in members if (j, t - 1) in x]
                rows.add([*entries, (w[key, t], -1.0)], 0.0)
    for g in range(len(problem.goals)):  # worth needs light
        entries = [(s[i], 1.0) for i, piece in enumerate(pieces) if piece[0] == g]
        for j, job in enumerate(problem.jobs):
            if job.goal == g:
                entries += [(x[j, t], -float(job.gain[t])) for t in range(slots) if (j, t) in x]
                share = _start_gain_share(problem, j)
                entries += [(y[j, t], float(job.gain[t]) * share) for t in range(slots) if (j, t) in y and share > 0]
        rows.add(entries, 0.0)

    cost = np.zeros(count)
    high = np.ones(count)
    for i, (g, width, slope) in enumerate(pieces):
        cost[s[i]] = -problem.goals[g].weight * slope
        high[s[i]] = width
    for column in w.values():
        cost[column] = _change_price(problem)
    waste = [_waste(problem, job) for job in problem.jobs]
    for (j, t), column in x.items():
        cost[column] = float(waste[j][t])
    integral = np.zeros(count, dtype=np.int64)
    integral[list(x.values())] = 1
    found = milp(
        cost,
        integrality=integral,
        bounds=Bounds(np.zeros(count), high),
        constraints=rows.constraint(count),
        options={"time_limit": seconds, "mip_rel_gap": gap, "presolve": True},
    )
    if found.x is None:
        return None, float("nan"), False
    assignment = {rig: np.full(slots, -1, dtype=np.int64) for rig in problem.rigs}
    for (j, t), column in x.items():
        if found.x[column] > 0.5:
            assignment[problem.jobs[j].rig][t] = j
    bound = -float(found.mip_dual_bound) if found.mip_dual_bound is not None else float("nan")
    return assignment, bound, found.status == 0


def _pieces_left(goal: Goal) -> list[tuple[float, float]]:
    """Widths and slopes of worth that are still to be had from what is done."""
    left, edge = [], 0.0
    for width, slope in PIECES:
        edge += width
        if edge > goal.done:
            left.append((min(width, edge - goal.done), slope))
    return left


def plan_night(problem: Problem, *, seconds: float = SOLVER_SECONDS, gap: float = GAP) -> Plan:
    """The best plan found for a night.

    Parameters
    ----------
    problem : Problem
    seconds : float
        Time given to the solver.
    gap : float
        Share of the worth within which the plan counts as optimal.

    Returns
    -------
    Plan
        Never worth less than the greedy plan. `kind` is "optimal" within the gap, "within time" when the solver's time ran
        out first (the gap says how good it is), "greedy" when the greedy plan is the best at hand.
    """
    greedy = _greedy(problem)
    greedy_worth = plan_worth(problem, greedy)
    if not any(np.any(job.gain > 0) for job in problem.jobs):
        return Plan(greedy, 0.0, "optimal", 0.0, np.zeros(len(problem.goals)))
    assignment, bound, finished = _solve(problem, seconds, min(gap, TIGHT_GAP))
    worth = plan_worth(problem, assignment) if assignment is not None and is_allowed(problem, assignment) else -np.inf
    if not finished:  # the solver's time ran out: what it has, and the greedy plan, may still have an easy step to gain
        if assignment is not None and np.isfinite(worth):
            assignment = _polished(problem, assignment, POLISH_SECONDS)
            worth = plan_worth(problem, assignment)
        greedy = _polished(problem, greedy, POLISH_SECONDS)
        greedy_worth = plan_worth(problem, greedy)
    if assignment is None or worth < greedy_worth:
        left = max(bound / greedy_worth - 1.0, 0.0) if greedy_worth > 0 and np.isfinite(bound) else float("nan")
        kind: Literal["optimal", "greedy"] = "optimal" if left <= gap else "greedy"
        return Plan(greedy, greedy_worth, kind, left, _progress(problem, greedy))
    left = max(bound / worth - 1.0, 0.0) if worth > 0 and np.isfinite(bound) else (0.0 if finished else float("nan"))
    return Plan(
        assignment, worth, "optimal" if finished or left <= gap else "within time", left, _progress(problem, assignment)
    )


def keep_unless_better(problem: Problem, new: Plan, before: dict[str, IntArray], *, uncertainty: float = 0.03) -> Plan:
    """The plan as it was, unless the new one is better by more than the uncertainty of what the sky will give.

    `before` is the earlier assignment, in the indices of this problem's jobs and slots. One more sub in the ledger changes
    the numbers a little; that alone must not turn the night about.
    """
    if not is_allowed(problem, before):
        return new
    worth = plan_worth(problem, before)
    if new.worth - worth > uncertainty * abs(worth):
        return new
    gap = new.worth / worth - 1.0 if worth > 0 else new.gap
    return Plan(
        before, worth, "kept", max(gap, 0.0) + (new.gap if np.isfinite(new.gap) else 0.0), _progress(problem, before)
    )
