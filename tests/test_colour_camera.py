"""The way of a colour-filter-array camera as far as it goes: taken in, calibrated, judged on 2x2 cells; the fold says no."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import pytest

from nightfold.campaign import Campaign
from nightfold.errors import NightfoldError
from nightfold.simulate.demo import demo_plan, demo_settings_text
from nightfold.simulate.plan import simulate_plan


def colour_plan() -> dict[str, Any]:
    """Four subs of the demo's first rig with a colour camera and a clear filter, and flats, darks and biases to match."""
    plan = copy.deepcopy(demo_plan())
    rig = plan["rig"][0]
    rig |= {"width_px": 520, "height_px": 400, "cfa": "RGGB"}
    rig["filter"] = [{"name": "Clear", "centre_nm": 550.0, "width_nm": 300.0}]
    plan["rig"] = [rig]
    plan["night"] = plan["night"][:1]
    run = next(r for r in plan["night"][0]["run"] if r["rig"] == rig["name"])
    run |= {"filter": "Clear", "subs": 4, "exposure_s": 30.0, "fault": []}
    plan["night"][0]["run"] = [run]
    kinds = [c for c in plan["calibration"] if c["rig"] == rig["name"]]
    flat = next(c for c in kinds if c["kind"] == "flat") | {"filter": "Clear"}
    dark = next(c for c in kinds if c["kind"] == "dark") | {"exposure_s": 30.0}
    plan["calibration"] = [flat, dark]
    return plan


def test_a_colour_camera_is_calibrated_with_its_flats_and_judged(tmp_path: Path) -> None:
    simulate_plan(colour_plan(), tmp_path / "frames")
    text = (
        demo_settings_text().replace("width_px = 900", "width_px = 520").replace("height_px = 620", "height_px = 400")
    )
    with Campaign.create(tmp_path / "campaign", text=text) as campaign:
        campaign.take_in([tmp_path / "frames"])
        # The colours of a flat answer to its lamp by very different amounts, and none of them is a defect for it.
        report = campaign.judge()
        assert len(report.subs) == 4
        for sub in report.subs:
            assert sub.verdict == "keep", sub.causes
            assert sub.stars is not None
            assert sub.stars > 30
        with pytest.raises(NightfoldError, match="colour-filter camera"):
            campaign.fold()
