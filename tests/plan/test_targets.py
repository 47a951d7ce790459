"""Places and goals: panels spread out, names looked up, goals that only masters can tell."""

from __future__ import annotations

import pytest
from plan_campaigns import campaign, hours_goals, rig_text, target_text

from nightfold.errors import SettingsError
from nightfold.plan.state import MeasuredGoal
from nightfold.plan.targets import Spot, Wanted, one_rig, rigs_asked, spots_of, target_asked, wanted_of
from nightfold.settings.models import CampaignSettings

PANELS = "".join(f"[[target.panel]]\npanel = {n}\nra_deg = {250.0 + n}\ndec_deg = -48.8\n" for n in (1, 2))


def goals_of(
    wanted: CampaignSettings, measured: dict[tuple[str, int | None, str], MeasuredGoal] | None = None
) -> tuple[tuple[Spot, ...], tuple[Wanted, ...], tuple[str, ...]]:
    spots, missing = spots_of(wanted.target)
    found, more = wanted_of(wanted, wanted.target, spots, measured)
    return spots, found, (*missing, *more)


def test_a_goal_without_panel_is_for_each() -> None:
    wanted = campaign(
        rig_text(), target_text(hours_goals(2.0, ("Ha",)) + hours_goals(1.0, ("OIII",), panel=2) + PANELS)
    )
    spots, goals, missing = goals_of(wanted)
    assert [s.key for s in spots] == [("Lantern Shell", 1), ("Lantern Shell", 2)]
    assert [(g.spot.panel, g.goal.filter) for g in goals] == [(1, "Ha"), (2, "Ha"), (2, "OIII")]
    assert missing == ()
    assert spots[1].words == "Lantern Shell, panel 2"


def test_panels_without_a_place_are_told() -> None:
    wanted = campaign(rig_text(), target_text(hours_goals(1.0, ("Ha",), panel=3)))
    spots, goals, missing = goals_of(wanted)
    assert [s.key for s in spots] == [("Lantern Shell", 3)]
    assert spots[0].ra_deg == 250.2
    assert len(goals) == 1
    assert "panel 3 has no [[target.panel]]" in missing[0]


def test_goals_that_only_masters_tell() -> None:
    text = '[[target.goal]]\nfilter = "Ha"\nlike_master = "masters/old_Ha.fits"\n'
    wanted = campaign(rig_text(), target_text(text))
    _, goals, missing = goals_of(wanted)
    assert goals[0].goal.hours == 10.0
    assert "measured on masters" in missing[0]
    _, goals, missing = goals_of(wanted, {("Lantern Shell", None, "Ha"): MeasuredGoal(6.0, 0.4)})
    assert (goals[0].goal.hours, goals[0].done) == (6.0, 0.4)
    assert missing == ()


def test_one_unknown_name_among_known_places() -> None:
    wanted = campaign(rig_text(), target_text("", name="Tarantla Nebula", ra=None), target_text(""))
    spots, missing = spots_of(wanted.target)
    assert [s.target for s in spots] == ["Lantern Shell"]
    assert "did you mean" in missing[0]


def test_names_asked_for() -> None:
    wanted = campaign(rig_text(), rig_text("Wren 61"), target_text(""))
    assert [r.name for r in rigs_asked(wanted, None)] == ["Heron 106", "Wren 61"]
    assert [r.name for r in rigs_asked(wanted, "Wren 61")] == ["Wren 61"]
    only = target_asked(wanted, None)
    assert only is not None
    assert only.name == "Lantern Shell"
    with pytest.raises(SettingsError, match="no target has this name; seen: Elsewhere; allowed: Lantern Shell"):
        target_asked(wanted, "Elsewhere")


def test_the_only_rig_need_not_be_named() -> None:
    assert one_rig(campaign(rig_text(), target_text("")), None).name == "Heron 106"
    two = campaign(rig_text(), rig_text("Wren 61"), target_text(""))
    assert one_rig(two, "Wren 61").name == "Wren 61"
    with pytest.raises(SettingsError, match="the rig must be named; seen: 2 rigs; allowed: Heron 106, Wren 61"):
        one_rig(two, None)
