"""Planning over the ledger: brings what is known of the campaign to the pure functions, and keeps the plan that was told."""

from __future__ import annotations

import shutil
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path

import numpy as np

from nightfold.align.wcs import is_mirrored, up_deg
from nightfold.calibrate.stage import measured_read_noise_e
from nightfold.depth.kept.stage import measured_shares
from nightfold.depth.stage import depth
from nightfold.engine.core import atomic_write, write_text
from nightfold.errors import NightfoldError, SettingsError
from nightfold.intake.records import Matched
from nightfold.intake.stage import calibration_groups, facts_of_line, rig_events
from nightfold.ledger.base import many_rows
from nightfold.ledger.lines import FactLine, PastLine
from nightfold.ledger.records import GridRow
from nightfold.ledger.workspace import Workspace
from nightfold.plan.advice import exposure_report, frame_report
from nightfold.plan.calendar import blocks_csv, calendar_bytes
from nightfold.plan.clock import tonight_of
from nightfold.plan.outlook import season_report
from nightfold.plan.records import CalendarReport, ExposureReport, FrameReport, NightPlan, SeasonReport
from nightfold.plan.state import Angle, KeptBlock, MeasuredGoal, PastSub, State
from nightfold.plan.targets import site_of, spots_of
from nightfold.plan.tonight import NightRequest, learn, plan_tonight

__all__ = ["calendar", "exposure", "frame", "season", "state_of", "tonight"]


def state_of(ws: Workspace, *, day: date | None = None) -> State:
    """What the ledger holds for planning; with the plan told last for a night."""
    past = ws.remember("past subs", lambda: _known(ws))
    folder = _raw_folder(ws)
    return replace(
        past,
        measured_goals=_measured_goals(ws, day),
        measured_shares=measured_shares(ws),
        last_plan=_last_plan(ws, day) if day is not None else (),
        folder=str(folder),
        free_bytes=shutil.disk_usage(folder).free,
    )


def _known(ws: Workspace) -> State:
    """What only the ledger tells: subs, calibration frames, events and angles."""
    with many_rows():
        lines, known = ws.ledger.fact_lines(), ws.ledger.past_lines()
        subs = [line for line in lines if line.kind == "sub"]
        facts = [facts_of_line(line) for line in subs], [facts_of_line(line) for line in lines if line.kind != "sub"]
        wanted, now = _angles(ws, subs, known)
        groups = calibration_groups(ws, facts)
        return State(
            subs=_past(ws, subs, known, groups),
            read_noise_e=measured_read_noise_e(ws, groups),
            sub_facts=tuple(facts[0]),
            calibration_facts=tuple(facts[1]),
            events=tuple(rig_events(ws)),
            wanted_angle=wanted,
            angle_now=now,
        )


def _measured_goals(ws: Workspace, day: date | None) -> dict[tuple[str, int | None, str], MeasuredGoal]:
    """Goals that only masters can tell, as `depth` measures them; nothing is measured where there is no such goal."""
    goals = [g for t in ws.settings.target for g in t.goal if g.like_master is not None or g.spot_px is not None]
    if not goals or not ws.ledger.masters():
        return {}
    found: dict[tuple[str, int | None, str], MeasuredGoal] = {}
    try:
        rows = depth(ws, day=day or datetime.now(UTC).date()).filters
    except NightfoldError:  # no master can be looked at: the goal is planned as if there were none
        return {}
    for row in rows:
        left = row.share_left
        if left is None or row.hours_to_goal is None:
            continue
        hours = row.hours_to_goal / left if left > 0 else row.exposure_s / 3600.0
        if hours > 0:
            found[(row.target, row.panel, row.filter)] = MeasuredGoal(hours, 1.0 - left)
    return found


def _past(
    ws: Workspace, lines: Sequence[FactLine], known: Mapping[int, PastLine], groups: Sequence[Matched]
) -> tuple[PastSub, ...]:
    """The subs with what was measured and judged of them."""
    decisions = {i: d.verdict == "keep" for i, d in ws.ledger.decisions().items()}
    levelled = {i for group in groups if group.darks or group.bias for i in group.subs}

    @cache
    def told(rig: str | None, setting: float | None) -> tuple[bool, bool]:
        """Whether campaign.toml tells electrons a count, and the pedestal."""
        named = ws.settings.rig_named(rig)
        gain = named.gain_for(setting) if named else None
        return gain is not None and gain.e_per_adu is not None, gain is not None and gain.offset_adu is not None

    found = []
    for line in lines:
        past = known[line.frame_id]
        counts, level = told(line.rig, line.gain)
        exposure = line.exposure_s or 0.0
        # A sub that nothing judged yet counts as kept: it was shot to be used.
        kept = decisions.get(line.frame_id, past.keep is not False)
        found.append(
            PastSub(
                rig=line.rig,
                target=line.target,
                panel=line.panel,
                filter=line.filter,
                night=line.night,
                start=None if line.start is None else line.start.replace(tzinfo=UTC),
                exposure_s=exposure,
                kept=kept,
                calibrated=past.measured is not None
                and (counts or line.e_per_adu is not None)
                and (level or line.frame_id in levelled),
                scale=past.scale,
                transparency=past.transparency,
                noise_e=past.noise_e,
                sky_e_per_s=past.sky_e / exposure if past.sky_e is not None and exposure > 0 else None,
                fwhm_px=past.fwhm_px,
                zero_point_mag=past.zero_point_mag,
                binned=line.binning_x,
            )
        )
    return tuple(found)


def _angles(
    ws: Workspace, subs: Sequence[FactLine], known: Mapping[int, PastLine]
) -> tuple[dict[tuple[str, int | None], Angle], dict[tuple[str, str, int | None], Angle]]:
    """Angles of solved grids, and of the latest sub of each rig whose place on the sky is known."""
    wanted: dict[tuple[str, int | None], Angle] = {}
    now: dict[tuple[str, str, int | None], Angle] = {}
    for grid in ws.ledger.grids():
        cd = _cd_matrix(grid)
        if cd is not None:
            wanted[(grid.target, grid.panel)] = Angle(up_deg(cd), is_mirrored(cd))
    for line in subs:  # in the order of their starts: the latest stays
        past = known[line.frame_id]
        if past.solved and past.up_deg is not None and line.rig is not None and line.target is not None:
            now[(line.rig, line.target, line.panel)] = Angle(past.up_deg, bool(past.mirrored))
    return wanted, now


def _cd_matrix(grid: GridRow) -> np.ndarray | None:
    """Degrees per pixel of a grid's WCS; None while it is not solved."""
    cards = grid.wcs
    if not cards or any(f"CD{i}_{j}" not in cards for i in (1, 2) for j in (1, 2)):
        return None
    return np.array([[float(cards[f"CD{i}_{j}"]) for j in (1, 2)] for i in (1, 2)])


def _raw_folder(ws: Workspace) -> Path:
    """Where the latest raws lie, as far as that folder is there; else the campaign's own."""
    folders = dict.fromkeys(path.parent for path in ws.ledger.latest_paths(20))
    return next((folder for folder in folders if folder.is_dir()), ws.folder)


def _plan_key(day: date) -> str:
    return f"plan of {day.isoformat()}"


def _last_plan(ws: Workspace, day: date) -> tuple[KeptBlock, ...]:
    """The blocks told last for a night."""
    kept = ws.ledger.kept_setting(_plan_key(day))
    if not isinstance(kept, list):
        return ()
    return tuple(KeptBlock(*row) for row in kept if isinstance(row, list) and len(row) == 6)


def _day_of(ws: Workspace, day: date | None, now: datetime) -> date:
    return day if day is not None else tonight_of(site_of(ws.settings)[1], now)


def tonight(
    ws: Workspace,
    *,
    day: date | None = None,
    rig: str | None = None,
    begin: str | None = None,
    clear: str | None = None,
    csv: Path | None = None,
    now: datetime | None = None,
) -> NightPlan:
    """The plan of a night: tonight's by default; its blocks also as CSV where a file is named.

    The plan is kept, so that a plan made again with one more sub in the ledger does not reshuffle the night.
    """
    moment = now or datetime.now(UTC)
    chosen = _day_of(ws, day, moment)
    request = NightRequest(day=chosen, rig=rig, begin=begin, clear=clear, now=moment)
    plan = plan_tonight(ws.settings, state_of(ws, day=chosen), request)
    kept = [[b.rig, b.target, b.panel, b.filter, b.start.timestamp(), b.end.timestamp()] for b in plan.blocks]
    if rig is not None:  # the other rigs' blocks stay as they were told
        others = [b for b in _last_plan(ws, chosen) if b.rig != rig]
        kept += [[b.rig, b.target, b.panel, b.filter, b.start_s, b.end_s] for b in others]
    # A plan for some hours only is an answer to a moment's cloud; the night's own plan stays what later ones are held against.
    whole = begin is None and clear is None
    if whole and kept and kept != ws.ledger.kept_setting(_plan_key(chosen)):
        ws.ledger.keep_setting(_plan_key(chosen), kept)
    if csv is not None:
        write_text(csv, blocks_csv(plan))
        plan = replace(plan, file=str(csv))
    return plan


def season(
    ws: Workspace,
    *,
    day: date | None = None,
    target: str | None = None,
    rig: str | None = None,
    now: datetime | None = None,
) -> SeasonReport:
    """What the year from a night on holds for the targets."""
    first = _day_of(ws, day, now or datetime.now(UTC))
    if target is not None and ws.settings.target_named(target) is None:
        names = ", ".join(t.name for t in ws.settings.target) or "none yet"
        raise SettingsError("no target has this name", seen=target, allowed=names)
    return season_report(ws.settings, state_of(ws), first, target=target, rig=rig)


def calendar(
    ws: Workspace, *, day: date | None = None, out: Path | None = None, now: datetime | None = None
) -> CalendarReport:
    """The plan of a night as an iCalendar file with alarms."""
    plan = tonight(ws, day=day, now=now)
    if not plan.blocks:
        raise SettingsError(
            "there is nothing to put into a calendar",
            seen=f"no block on {plan.date}",
            next_step="see `nightfold tonight` for why, or name another night with --date",
        )
    data, entries, alarms = calendar_bytes(plan, campaign=ws.settings.name, made_at=now)
    file = out if out is not None else ws.folder / "plans" / f"{plan.date.isoformat()}.ics"
    file.parent.mkdir(parents=True, exist_ok=True)
    with atomic_write(file) as stream:
        stream.write(data)
    return CalendarReport(file=str(file), entries=entries, alarms=alarms)


def exposure(ws: Workspace, *, filter: str, rig: str | None = None, target: str | None = None) -> ExposureReport:
    """How long a sub shall be on a rig (the only one by default) through a filter."""
    site, place = site_of(ws.settings)
    state = state_of(ws)
    spots, _ = spots_of([t for t in ws.settings.target if t.ra_deg is not None or t.panel])
    learnt = learn(ws.settings, state, spots, place, site)
    return exposure_report(
        ws.settings, state, learnt.model, rig=rig, filter=filter, target=target, missing=learnt.missing,
        throughput=learnt.throughput,
    )  # fmt: skip


def frame(ws: Workspace, *, rig: str | None = None, target: str | None = None) -> FrameReport:
    """How a target lies on a rig's sensor (the only rig by default), and how far to turn the camera."""
    return frame_report(ws.settings, state_of(ws), rig=rig, target=target)
