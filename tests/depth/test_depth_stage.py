"""Depth of a folded campaign: its limits against a direct measurement on blank simulated sky, its document, its files."""

from __future__ import annotations

import json
import shutil
from contextlib import ExitStack
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

import nightfold
from nightfold.calibrate.stage import CalibrationRoom
from nightfold.cli import main
from nightfold.depth.boxes import box_means
from nightfold.depth.kept.stage import measured_shares
from nightfold.errors import FoldError, SettingsError
from nightfold.fold.core import fold_subs
from nightfold.fold.stage import ready_subs
from nightfold.frames.pixels import open_pixels
from nightfold.settings.files import FILE_NAME


def test_limits_against_blank_simulated_sky(deep_campaign: Path, blank_frames: Path, tmp_path: Path) -> None:
    blank_files = {p.name: p for p in blank_frames.rglob("*.fits")}
    with nightfold.Campaign.open(deep_campaign) as campaign:
        report = campaign.depth(day=date(2026, 5, 27))
        ws = campaign._ws
        rows = ws.ledger.frames(kind="sub", filter="Ha")
        grid = ws.ledger.grid("Lantern Shell", None)
        assert grid is not None
        with ready_subs(ws, rows, grid, CalibrationRoom(ws)) as ready, ExitStack() as stack:
            subs = []
            for row, sub in zip(ready.rows, ready.subs):
                source = stack.enter_context(open_pixels(blank_files[row.name], scratch_dir=tmp_path))
                changed = {"read_box": source.read_box}
                if hasattr(sub, "read_stored"):
                    changed["read_stored"] = None  # type: ignore[assignment]
                subs.append(replace(sub, **changed))
            image = fold_subs(subs, (grid.height_px, grid.width_px)).image
    found = next(f for f in report.filters if f.filter == "Ha")
    assert found.limit_mag_arcsec2 is not None
    assert found.zero_point_mag is not None
    scale = 206.264806 * 4.63 / 530.0
    inside = image[30:-30, 30:-30].astype(np.float64)
    side = 10.0 / scale
    means, _ = box_means(inside, np.isfinite(inside), side, gap_px=0.0)
    y, x = np.mgrid[0 : means.shape[0], 0 : means.shape[1]]
    design = np.column_stack([np.ones(means.size), x.ravel(), y.ravel()])
    flat = means.ravel() - design @ np.linalg.lstsq(design, means.ravel(), rcond=None)[0]
    direct = found.zero_point_mag - 2.5 * np.log10(3.0 * flat.std() / scale**2)
    assert found.limit_uncertainty_mag is not None
    assert found.zero_point_uncertainty_mag is not None
    own = np.sqrt(found.limit_uncertainty_mag**2 - found.zero_point_uncertainty_mag**2)
    assert own < 0.04, "the field is small; boxes on a whole frame are ten times as many"
    assert found.limit_mag_arcsec2 == pytest.approx(direct, abs=0.05 + np.hypot(own, 1.09 / np.sqrt(2.0 * flat.size)))


def test_the_report(deep_campaign: Path) -> None:
    with nightfold.Campaign.open(deep_campaign) as campaign:
        report = campaign.depth(day=date(2026, 5, 27))
        again = campaign.depth(day=date(2026, 5, 27))
        late = campaign.depth(day=date(2053, 12, 1))
    assert again == report, "the fall of noise is measured once a fold"
    assert late.filters == report.filters, "what is reached does not hang on what the ephemeris can tell"
    assert (late.forecast.median, late.forecast.p10) == (None, None)
    assert [n for n in late.notes if n.startswith("no forecast: the date lies outside the ephemeris")]
    by_filter = {f.filter: f for f in report.filters}
    assert set(by_filter) == {"Ha", "OIII", "SII"}
    ha = by_filter["Ha"]
    assert ha.rigs == ("Heron 106",)
    assert ha.subs == 16
    assert ha.exposure_s == pytest.approx(16 * 120.0)
    assert ha.snr is not None
    assert ha.hours_to_goal is not None
    assert ha.snr_gain_next_hour == pytest.approx(np.sqrt(1.0 + 3600.0 / 1920.0) - 1.0, abs=0.03)
    # The noise in boxes falls as it should on simulated sky.
    assert [p.subs for p in ha.noise_fall] == [2, 4, 8, 16]
    for point in ha.noise_fall:
        assert point.noise_e_per_s == pytest.approx(point.ideal_e_per_s, rel=0.12)
    assert ha.floor_reached is False
    # SNR of 40 rayleigh from the limit: 3 sigma of it in the same box, but for the photons of the signal itself.
    assert ha.limit_rayleigh is not None
    assert ha.snr < 3.0 * 40.0 / ha.limit_rayleigh
    assert ha.snr > 0.8 * 3.0 * 40.0 / ha.limit_rayleigh
    assert [n.night for n in ha.nights] == ["2026-05-14", "2026-05-15"]
    assert ha.nights[-1].cumulative_snr == pytest.approx(ha.snr, rel=1e-6)
    assert ha.nights[-1].cumulative_limit_rayleigh == pytest.approx(ha.limit_rayleigh, rel=1e-6)
    assert ha.nights[0].snr == pytest.approx(ha.snr / np.sqrt(2.0), rel=0.05)
    # What is not begun comes next, with hours from the rig's own numbers.
    sii = by_filter["SII"]
    assert (sii.subs, sii.snr, sii.limit_mag_arcsec2) == (0, None, None)
    assert sii.hours_to_goal is not None
    assert sii.hours_to_goal > 0.0
    assert report.next is not None
    assert report.next.filter == "SII"
    assert report.forecast.p10 is not None
    assert report.forecast.median is not None
    assert 1 <= report.forecast.p10 <= report.forecast.median


def test_the_command_and_the_crops(deep_campaign: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status = main(["depth", "--date", "2026-05-27", "--crops", "--campaign", str(deep_campaign), "--json"])
    document = json.loads(capsys.readouterr().out)
    assert status == 0
    keys = {
        "target", "panel", "filter", "rigs", "subs", "exposure_s", "snr", "snr_goal", "limit_mag_arcsec2", "limit_rayleigh",
        "snr_gain_next_hour", "hours_to_goal",
    }  # fmt: skip
    assert keys <= set(document["filters"][0])
    assert set(document["next"]) == {"target", "panel", "filter"}
    assert set(document["forecast"]) == {"median", "p10", "p90"}
    parts = [c for c in document["crops"] if c["filter"] == "Ha"]
    assert [(c["part"], c["subs"]) for c in parts] == [("quarter", 4), ("half", 8), ("all", 16)]
    noise = []
    for crop in parts:
        assert Path(crop["file"]).parent == deep_campaign / "depth"
        assert Path(crop["picture"]).read_bytes()[:4] == b"\x89PNG"
        image = fits.getdata(crop["file"]).astype(np.float64)
        step = image[150:250, 150:250] - image[156:256, 150:250]
        noise.append(float(np.median(np.abs(step - np.median(step)))))
    assert noise[0] / noise[2] == pytest.approx(2.0, rel=0.2)
    assert main(["depth", "--date", "2026-05-27", "--campaign", str(deep_campaign)]) == 0
    told = capsys.readouterr().out
    assert "Next: SII of Lantern Shell." in told
    assert "calendar nights" in told


def test_goals_by_example_and_by_spot(deep_campaign: Path, tmp_path: Path) -> None:
    file = deep_campaign / FILE_NAME
    kept = file.read_text(encoding="utf-8")
    with nightfold.Campaign.open(deep_campaign) as campaign:
        masters = {m["filter"]: m for m in campaign.masters()}
        image = fits.getdata(masters["OIII"]["file"])
    y, x = np.unravel_index(np.nanargmax(image[40:-40, 40:-40]), (image.shape[0] - 80, image.shape[1] - 80))
    name = Path(masters["Ha"]["file"]).name
    changed = kept.replace(
        'filter = "Ha"\nsurface_brightness_rayleigh = 40.0', f'filter = "Ha"\nlike_master = "masters/{name}"'
    )
    changed = changed.replace(
        'filter = "OIII"\nsurface_brightness_rayleigh = 40.0', f'filter = "OIII"\nspot_px = [{x + 40}, {y + 40}]'
    )
    changed = changed.replace("surface_brightness_rayleigh = 30.0", "hours = 6.5")
    file.write_text(changed, encoding="utf-8")
    try:
        with nightfold.Campaign.open(deep_campaign) as campaign:
            report = campaign.depth(day=date(2026, 5, 27))
    finally:
        file.write_text(kept, encoding="utf-8")
    by_filter = {f.filter: f for f in report.filters}
    assert by_filter["Ha"].snr == pytest.approx(10.0, rel=1e-6), "a master is as smooth as itself"
    assert by_filter["Ha"].hours_to_goal == pytest.approx(0.0, abs=1e-6)
    bright = by_filter["OIII"].snr
    assert bright is not None
    assert bright > 50.0
    assert by_filter["SII"].hours_to_goal == 6.5
    assert by_filter["SII"].snr_goal is None


def test_what_cannot_be_told(deep_campaign: Path, tmp_path: Path, small_settings: str) -> None:
    with nightfold.Campaign.create(tmp_path / "c", text=small_settings) as campaign:
        with pytest.raises(FoldError, match="no master"):
            campaign.depth(day=date(2026, 5, 27))
        with pytest.raises(SettingsError, match="no target"):
            campaign.depth(day=date(2026, 5, 27), target="Nowhere")


def test_every_page_and_command_tells_the_share_that_depth_measured(deep_campaign: Path, tmp_path: Path) -> None:
    shutil.copytree(deep_campaign, folder := tmp_path / "campaign")
    file = folder / FILE_NAME
    with nightfold.Campaign.open(folder) as campaign:
        target = campaign.settings.target[0]
        goal = next(g for g in target.goal if g.hours is None)
        rows = campaign.depth(day=date(2026, 5, 27)).filters
    row = min(
        (r for r in rows if r.filter == goal.filter and r.share_left is not None), key=lambda r: r.share_left or 0.0
    )
    assert row.share_left is not None
    done = 1.0 - row.share_left
    with nightfold.Campaign.open(folder) as campaign:
        key = (target.name, row.panel, goal.filter)
        assert measured_shares(campaign._ws)[key].done == pytest.approx(done)
        for strip in (campaign.show(with_tonight=False), campaign.show()):
            assert next(g.done for g in strip.goals if g.filter == goal.filter) == pytest.approx(
                min(done, 1.0), rel=1e-6
            )
        plan = campaign.tonight(day=date(2026, 5, 27))
        told = next(g for g in plan.goals if g.filter == goal.filter)
        assert told.done == pytest.approx(done, rel=1e-6)
        # With a sub of it dropped the number falls as the formula has it, by what that sub held.
        ledger = campaign._ws.ledger
        last = max((r for r in ledger.frames(kind="sub", filter=goal.filter)), key=lambda r: r.start or 0)
        campaign.decide_on([last.id], "drop")
        fewer = next(g for g in campaign.tonight(day=date(2026, 5, 27)).goals if g.filter == goal.filter)
        assert fewer.done <= told.done
    # A goal that was changed since is another goal: what was measured does not speak of it.
    file.write_text(
        file.read_text(encoding="utf-8").replace(f"snr = {goal.snr:g}", f"snr = {goal.snr + 1:g}"), encoding="utf-8"
    )
    with nightfold.Campaign.open(folder) as campaign:
        assert key not in measured_shares(campaign._ws)
