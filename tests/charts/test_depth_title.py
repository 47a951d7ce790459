"""The title of the chart of depth: one rule for which rig speaks, and what it says."""

from __future__ import annotations

from typing import Any

from nightfold.charts.depth import depth_title
from nightfold.depth.records import FilterDepth


def row(name: str, rig: str, hours: float | None, left: float | None, **change: Any) -> FilterDepth:
    values: dict[str, Any] = {
        "target": "Lantern Shell", "panel": None, "filter": name, "rigs": (rig,), "subs": 9, "exposure_s": 2700.0, "snr": 3.0,
        "snr_goal": 5.0, "limit_mag_arcsec2": None, "limit_rayleigh": None, "snr_gain_next_hour": None, "hours_to_goal": hours,
        "goal": "5 at 10 arcsec", "share_left": left,
    }  # fmt: skip
    return FilterDepth(**{**values, **change})


def test_the_nearer_rig_speaks_for_a_goal() -> None:
    rows = [row("Ha", "Wren 61", 9.0, 0.8), row("Ha", "Heron 106", 3.2, 0.5), row("OIII", "Heron 106", 2.0, 0.3)]
    assert depth_title(rows) == "Hα needs 3.2 h more to its goal with Heron 106"
    assert depth_title(rows[::-1]) == depth_title(rows)
    assert depth_title(rows[1:]) == "Hα needs 3.2 h more to its goal"


def test_a_goal_that_one_rig_reached_is_reached() -> None:
    done = row("Ha", "Heron 106", 0.0, 0.0, snr=6.0)
    assert depth_title([row("Ha", "Wren 61", 9.0, 0.8), done]) == "Every filter is as deep as wanted"
    other = row("OIII", "Heron 106", None, None, goal=None, snr_goal=None)
    assert depth_title([done, other]) == "How the noise fell as exposure grew"
    assert depth_title([]) == "How the noise fell as exposure grew"
