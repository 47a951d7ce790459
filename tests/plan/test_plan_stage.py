"""Planning over a ledger: what was taken in counts, the plan that was told is kept, and the angles come from solved subs."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from nightfold.campaign import Campaign
from nightfold.ledger.records import SolutionRow
from nightfold.plan.stage import state_of


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory, small_frames: Path, small_settings: str) -> Campaign:
    opened = Campaign.create(tmp_path_factory.mktemp("plan") / "campaign", text=small_settings)
    opened.take_in([small_frames])
    return opened


def test_what_was_taken_in_counts(campaign: Campaign) -> None:
    state = state_of(campaign._ws)
    rows = campaign._ws.ledger.frames(kind="sub")
    assert len(state.subs) == len(rows) > 0
    assert all(s.kept and not s.calibrated for s in state.subs), "nothing is measured or judged yet"
    assert {f.kind for f in state.calibration_facts} >= {"dark", "flat", "bias"}
    assert state.free_bytes is not None
    assert Path(state.folder).is_dir()
    plan = campaign.tonight(day=date(2026, 6, 5))
    by_filter = {g.filter: g for g in plan.goals}
    hours = sum(r.exposure_s or 0.0 for r in rows if r.filter == "Ha") / 3600.0
    assert by_filter["Ha"].hours_done == pytest.approx(hours)
    assert by_filter["Ha"].done > 0.0
    assert by_filter["SII"].hours_done == 0.0
    darks = next(c for c in plan.calibration if c.kind == "dark")
    assert darks.have == sum(f.kind == "dark" for f in state.calibration_facts)
    assert plan.disk


def test_the_plan_is_kept(campaign: Campaign) -> None:
    day = date(2026, 6, 5)
    first = campaign.tonight(day=day)
    told = state_of(campaign._ws, day=day).last_plan
    assert [(b.rig, b.filter, b.start_s) for b in told] == [
        (b.rig, b.filter, b.start.timestamp()) for b in first.blocks
    ]
    campaign.tonight(day=day, clear="23:00-01:30")
    assert state_of(campaign._ws, day=day).last_plan == told, "a plan for some hours is no plan for the night"
    assert campaign.tonight(day=day).blocks == first.blocks
    assert state_of(campaign._ws, day=date(2026, 6, 7)).last_plan == ()


def test_angles_of_solved_subs(campaign: Campaign) -> None:
    ledger = campaign._ws.ledger
    rows = [r for r in ledger.frames(kind="sub") if r.start is not None]
    rows.sort(key=lambda r: r.start or datetime.max.replace(tzinfo=UTC))
    before, last = rows[0], rows[-1]
    rig, target = last.rig or "", last.target or ""
    assert campaign.frame(rig=rig).turn_by_deg == 0.0
    ledger.save_solutions(
        SolutionRow(frame_id=row.id, solved=True, document={"up_deg": angle, "mirrored": False, "made_from": []})
        for row, angle in ((before, 3.0), (last, 7.0))
    )
    report = campaign.frame(rig=rig, target=target)
    assert report.angle_now_deg == 7.0
    assert report.angle_wanted_deg == 2.0  # the target's own, as no grid is solved
    assert report.turn_by_deg == pytest.approx(5.0)


def test_subs_know_their_panel(tmp_path: Path, small_frames: Path, small_settings: str) -> None:
    panels = "".join(
        f"[[target.panel]]\npanel = {n}\nra_deg = {ra}\ndec_deg = -48.8\n" for n, ra in ((1, 251.6), (2, 250.2))
    )
    with Campaign.create(tmp_path / "mosaic", text=small_settings + panels) as opened:
        opened.take_in([small_frames])
        rows = opened._ws.ledger.frames(kind="sub")
        assert {r.panel for r in rows} == {2}
        plan = opened.tonight(day=date(2026, 6, 5))
        goals = {(g.panel, g.filter): g for g in plan.goals}
        assert goals[(2, "Ha")].hours_done > 0.0
        assert goals[(1, "Ha")].hours_done == 0.0
        assert any("panel 1" in n and "lags in Ha" in n for n in plan.notes)
