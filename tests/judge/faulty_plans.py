"""Plans of frames with one fault each, for tests that go from pixels to verdicts."""

from __future__ import annotations

import copy
from typing import Any

from nightfold.simulate.demo import demo_plan

KINDS = {
    "cloud": ("cloud", 0.8),
    "trailing": ("trailing", 9.0),
    "focus": ("focus", 8.0),
    "dew": ("dew", 0.8),
    "seeing": ("seeing", 2.6),
    "wrong_filter": ("wrong-frame", 1.0),
    "pointing": ("pointing", 18.0),
    "dawn": ("sky-glow", 60.0),
}
"""Fault of the simulator: the cause it should be told as, and an amount that harms."""


def plan_with(faults: list[list[str]], *, subs: int) -> dict[str, Any]:
    """The demo's first rig at half size: one run a night in Ha, each with these faults in subs 4, 7, 10 and so on; the first
    night creeps without dither."""
    plan = copy.deepcopy(demo_plan())
    rig = plan["rig"][0]
    rig["width_px"], rig["height_px"] = 520, 400
    plan["rig"] = [rig]
    plan["scene"]["stars_per_deg2_to_10"] = 40.0
    nights = []
    for number, kinds in enumerate(faults):
        night = copy.deepcopy(plan["night"][0])
        night["date"] = f"2026-05-{14 + number}"
        run = {**night["run"][0], "start": "13:00", "subs": subs, "dither_arcsec": 14.0 if number else 0.0}
        run["creep_arcsec_h"] = [0.0, 0.0] if number else [14.0, 8.0]
        run["fault"] = [{"sub": 4 + 3 * i, "kind": k, "amount": KINDS[k][1]} for i, k in enumerate(kinds)]
        night["run"] = [run]
        nights.append(night)
    plan["night"] = nights
    plan["calibration"] = [
        c
        for c in plan["calibration"]
        if c["rig"] == rig["name"] and c.get("filter") in (None, "Ha") and "26T" not in c["start"]
    ]
    return plan
