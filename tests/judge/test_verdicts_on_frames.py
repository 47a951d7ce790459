"""Verdicts on simulated frames, from pixels to sentences: each fault with its cause, transparency against the truth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from faulty_plans import KINDS, plan_with

from nightfold.campaign import Campaign
from nightfold.judge.stage import JudgeReport
from nightfold.simulate.demo import demo_settings_text
from nightfold.simulate.plan import simulate_plan
from nightfold.simulate.truth import SubTruth


def judged(folder: Path, faults: list[list[str]], *, subs: int) -> tuple[JudgeReport, dict[str, SubTruth]]:
    made = simulate_plan(plan_with(faults, subs=subs), folder / "frames")
    text = (
        demo_settings_text().replace("width_px = 900", "width_px = 520").replace("height_px = 620", "height_px = 400")
    )
    with Campaign.create(folder / "campaign", text=text) as campaign:
        campaign.take_in([made.folder])
        return campaign.judge(), {Path(k).name: v for k, v in made.subs().items()}


def check(report: JudgeReport, truth: dict[str, SubTruth]) -> None:
    caught = 0
    for sub in report.subs:
        faults = truth[Path(sub.file).name].faults
        if not faults:
            assert sub.verdict == "keep", (sub.file, sub.causes)
            continue
        wanted = KINDS[faults[0]][0]
        assert sub.verdict == "drop", (faults, sub)
        assert sub.causes[0].cause == wanted or "cloud or dew" in sub.causes[0].detail, (faults, sub.causes)
        caught += 1
    assert caught == sum(bool(t.faults) for t in truth.values())
    sound = [
        s for s in report.subs if s.transparency and set(truth[Path(s.file).name].faults) <= {"cloud", "seeing", "dawn"}
    ]
    mine = np.array([s.transparency for s in sound], np.float64)
    true = np.array([truth[Path(s.file).name].transparency for s in sound])
    ratio = mine / true
    assert np.median(np.abs(ratio / np.median(ratio) - 1.0)) < 0.01


@pytest.mark.slow
def test_four_faults_and_a_creeping_night(tmp_path: Path) -> None:
    report, truth = judged(tmp_path, [["cloud", "trailing", "focus", "dew"]], subs=15)
    check(report, truth)
    assert any(f.kind == "creep" and "in one direction" in f.text for f in report.findings)
    causes = {loss.cause: loss.hours for loss in report.losses}
    assert causes["trailing"] == pytest.approx(300.0 / 3600.0, rel=0.05)
    assert {"cloud", "focus", "dew"} <= set(causes)
    assert report.nights_compared[0].subs == 11
    assert report.sharper_or_deeper[0].snr_relative == pytest.approx(1.0)


@pytest.mark.full
def test_all_faults_over_six_nights(tmp_path: Path) -> None:
    names = list(KINDS)
    nights = [[names[(4 * n + i) % 8] for i in range(4)] for n in range(6)]
    check(*judged(tmp_path, nights, subs=20))
