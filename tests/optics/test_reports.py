"""Sentences and stretches of the optics reports."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from nightfold.optics.reports import SubCost, focus_losses


def cost(minute: int, share: float, night: str = "2026-05-13") -> SubCost:
    start = datetime(2026, 5, 13, 13, 0, tzinfo=UTC) + timedelta(minutes=minute)
    return SubCost(file=f"{minute}.fits", night=night, start=start, filter="Ha", defocus_steps=30.0, cost=share)


def test_a_stretch_of_missed_focus_is_told_with_its_times() -> None:
    """Local times of a site ten hours ahead: 23:10 to 00:40 at 14 percent."""
    costs = [cost(0, 0.01), *(cost(m, 0.14) for m in range(10, 101, 30)), cost(130, 0.02)]
    (loss,) = focus_losses(costs, lambda moment: (moment + timedelta(hours=10)).strftime("%H:%M"))
    assert loss.sentence == "On 2026-05-13 from 23:10 to 00:40 focus cost 14 % of sharpness."
    assert loss.cost == pytest.approx(0.14)


def test_single_subs_and_small_costs_are_no_stretch() -> None:
    assert focus_losses([cost(0, 0.3), cost(10, 0.01), cost(20, 0.04)], lambda m: m.strftime("%H:%M")) == ()


def test_a_new_night_is_a_new_stretch() -> None:
    costs = [cost(0, 0.1), cost(10, 0.1), cost(1440, 0.2, "2026-05-14"), cost(1450, 0.2, "2026-05-14")]
    found = focus_losses(costs, lambda m: m.strftime("%H:%M"))
    assert [f.night for f in found] == ["2026-05-13", "2026-05-14"]
