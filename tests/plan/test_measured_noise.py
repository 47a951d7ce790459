"""Plans reckon with the read noise that the biases tell where campaign.toml tells none, and say so."""

from __future__ import annotations

import re
import shutil
from datetime import date
from pathlib import Path

import pytest

from nightfold.campaign import Campaign
from nightfold.plan.stage import state_of


def open_without_noise(small_campaign: Path, folder: Path) -> tuple[Campaign, float]:
    """The small campaign, its read noise taken out of campaign.toml; and what stood there, which the biases were drawn with."""
    shutil.copytree(small_campaign, folder)
    file = folder / "campaign.toml"
    text = file.read_text(encoding="utf-8")
    told = re.search(r"read_noise_e = ([\d.]+), ", text)
    assert told is not None
    file.write_text(re.sub(r"read_noise_e = [\d.]+, ", "", text), encoding="utf-8")
    return Campaign.open(folder), float(told[1])


def test_plans_take_the_read_noise_of_the_biases(small_campaign: Path, tmp_path: Path) -> None:
    campaign, drawn_with_e = open_without_noise(small_campaign, tmp_path / "campaign")
    with campaign:
        rig = campaign.settings.rig[0].name
        for master in (tmp_path / "campaign" / "calibration").glob("bias-*.fits"):
            master.unlink()
        before = campaign.exposure(rig=rig, filter="Ha")
        assert f"{rig}: camera.gains has no read_noise_e: 2 e is taken" in before.missing
        assert before.read_noise_e == 2.0
        campaign.judge()
        measured = state_of(campaign._ws).read_noise_e[rig]
        # The demo's biases are few and small: 5 percent is ten times the scatter of the noise of 200,000 pixels.
        assert measured == pytest.approx(drawn_with_e, rel=0.05)
        after = campaign.exposure(rig=rig, filter="Ha")
        assert after.read_noise_e == measured
        told = f"{rig}: camera.gains has no read_noise_e: {measured:.2f} e measured on the biases is taken"
        assert told in after.missing
        assert told in campaign.tonight(day=date(2026, 6, 5)).missing
        assert told in campaign.season(day=date(2026, 6, 5)).missing


def test_a_number_in_the_campaign_file_comes_first(small_campaign: Path) -> None:
    with Campaign.open(small_campaign) as campaign:
        assert state_of(campaign._ws).read_noise_e == {}
