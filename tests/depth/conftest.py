"""A small campaign over blank sky, folded, that the tests of this folder look at."""

from __future__ import annotations

import copy
import shutil
from pathlib import Path
from typing import Any

import pytest

import nightfold
from nightfold.simulate.demo import demo_plan, demo_settings_text
from nightfold.simulate.plan import STARS, simulate_plan


def deep_plan(*, stars: bool = True) -> dict[str, Any]:
    """Two nights of sixteen subs in all through each of two filters, no nebula; without stars the same noise."""
    plan = copy.deepcopy(demo_plan())
    plan["scene"].pop("nebula")
    if not stars:
        plan["scene"] |= {"catalogue": False, "stars_per_deg2_to_10": 1e-9}
    rig = plan["rig"][0]
    rig |= {"width_px": 480, "height_px": 400, "flat_mismatch": 0.0, "cosmic_rays_per_cm2_min": 0.0}
    plan["rig"] = [rig]
    plan["night"] = plan["night"][:2]
    for night in plan["night"]:
        night["run"] = [r for r in night["run"] if r["rig"] == rig["name"] and r["filter"] != "SII"]
        for run, start in zip(night["run"], ("14:00", "15:40")):
            run.pop("fault", None)
            run |= {"subs": 8, "exposure_s": 120.0, "dither_arcsec": 20.0, "start": start}
    plan["calibration"] = [c for c in plan["calibration"] if c["rig"] == rig["name"] and c.get("filter") != "SII"]
    for made in plan["calibration"]:
        if made["kind"] == "dark":
            made |= {"exposure_s": 120.0, "count": 12}
    return plan


@pytest.fixture(scope="session")
def blank_frames(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same frames without any star."""
    folder = tmp_path_factory.mktemp("blank") / "frames"
    simulate_plan(deep_plan(stars=False), folder)
    return folder


@pytest.fixture(scope="session")
def deep_campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A campaign's folder with masters; tests write only what depth itself keeps."""
    base = tmp_path_factory.mktemp("depth")
    simulate_plan(deep_plan(), base / "frames")
    text = (
        demo_settings_text().replace("width_px = 900", "width_px = 480").replace("height_px = 620", "height_px = 400")
    )
    text = text.replace("sub_s = 300", "sub_s = 120")
    with nightfold.Campaign.create(base / "c", text=text) as campaign:
        (base / "c" / "catalogue").mkdir()
        shutil.copy(base / "frames" / STARS, base / "c" / "catalogue")
        campaign.take_in([base / "frames"])
        campaign.fold()
    return base / "c"
