"""The same exposures stored as counts of 16 bits, as floats from 0 to 1 and as 8 bits: one campaign, whatever the file."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from nightfold.campaign import Campaign
from nightfold.judge.stage import JudgeReport
from nightfold.simulate.demo import demo_plan, demo_settings_text
from nightfold.simulate.plan import simulate_plan


def small_plan() -> dict[str, Any]:
    plan = copy.deepcopy(demo_plan())
    rig = plan["rig"][0] | {"width_px": 420, "height_px": 320}
    plan["rig"] = [rig]
    plan["night"] = plan["night"][:1]
    run = next(r for r in plan["night"][0]["run"] if r["rig"] == rig["name"] and r["filter"] == "Ha")
    plan["night"][0]["run"] = [run | {"subs": 3, "exposure_s": 120.0, "fault": []}]
    kinds = [c for c in plan["calibration"] if c["rig"] == rig["name"]]
    flat = next(c for c in kinds if c["kind"] == "flat") | {"filter": "Ha"}
    dark = next(c for c in kinds if c["kind"] == "dark") | {"exposure_s": 120.0}
    plan["calibration"] = [flat, dark]
    return plan


def shares(counts: np.ndarray) -> np.ndarray:
    return counts.astype(np.float32) / np.float32(65535)


def eight_bits(counts: np.ndarray) -> np.ndarray:
    return (counts // 256).astype(np.uint8)


def stored(frames: Path, out: Path, way: Callable[[np.ndarray], np.ndarray], e_per_adu_times: float) -> Path:
    for path in sorted(frames.rglob("*.fits")):
        with fits.open(path) as hdus:
            header = hdus[0].header.copy()
            data = way(hdus[0].data)
        for key in ("BZERO", "BSCALE"):
            header.remove(key)
        header["EGAIN"] = header["EGAIN"] * e_per_adu_times
        target = out / path.relative_to(frames)
        target.parent.mkdir(parents=True, exist_ok=True)
        fits.PrimaryHDU(data, header).writeto(target)
    return out


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("stored") / "frames"
    simulate_plan(small_plan(), folder)
    return folder


def judged(folder: Path, frames: Path, *, said: str = "", **other: str) -> JudgeReport:
    text = (
        demo_settings_text().replace("width_px = 900", "width_px = 420").replace("height_px = 620", "height_px = 320")
    )
    for key, value in other.items():
        text = re.sub(rf"{key} = [\d.]+", f"{key} = {value}", text)
    with Campaign.create(folder, text=text) as campaign:
        taken = campaign.take_in([frames])
        assert taken.refused == ()
        assert not said or any(said in note for note in taken.notes)
        return campaign.judge()


def test_shares_and_eight_bits_are_calibrated_and_measured_as_counts_are(frames: Path, tmp_path: Path) -> None:
    counts = judged(tmp_path / "counts", frames)
    assert all(s.verdict == "keep" for s in counts.subs)
    as_shares = judged(tmp_path / "s", stored(frames, tmp_path / "shares", shares, 1.0), said="from 0 to 1")
    for a, b in zip(counts.subs, as_shares.subs, strict=True):
        assert (a.stars, a.verdict) == (b.stars, b.verdict)
        assert b.fwhm_px == pytest.approx(a.fwhm_px, rel=1e-3)
        assert b.sky_e_per_s == pytest.approx(a.sky_e_per_s, rel=1e-3)
    # A step of 8 bits is 64 electrons here, more than the noise of these subs: what counts is that their flats are good.
    eight = stored(frames, tmp_path / "eight", eight_bits, 256.0)
    coarse = judged(tmp_path / "e", eight, e_per_adu="64", offset_adu="0.3", read_noise_e="18")
    assert not any("no flat:" in note or "no flat can" in note for note in coarse.notes), coarse.notes
    assert all((s.stars or 0) > 0 for s in coarse.subs)
