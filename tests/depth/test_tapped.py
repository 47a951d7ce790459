"""A tap on a crop becomes the goal of its filter, and can be taken back."""

from __future__ import annotations

import pytest

from nightfold.depth.tapped import spot_changes, spot_of_tap
from nightfold.errors import SettingsError
from nightfold.settings.edit import Change, changed_text
from nightfold.settings.files import parse_settings
from nightfold.simulate.demo import demo_settings_text


def test_where_a_tap_lies_on_the_grid() -> None:
    box = (100, 200, 149, 239)  # 50 x 40 pixels
    assert spot_of_tap(box, 0.5 / 50, 0.5 / 40) == (100.0, 239.0)  # the middle of the upper left pixel
    assert spot_of_tap(box, 49.5 / 50, 39.5 / 40) == (149.0, 200.0)
    assert spot_of_tap(box, 0.5, 0.5) == (124.5, 219.5)
    with pytest.raises(SettingsError, match="outside"):
        spot_of_tap(box, 1.2, 0.5)


def test_the_spot_takes_the_place_of_the_earlier_measure() -> None:
    text = demo_settings_text()
    changes, made = spot_changes(parse_settings(text), "Lantern Shell", None, "OIII", (310.0, 122.5))
    changed = changed_text(text, changes)
    goal = next(g for g in parse_settings(changed).target[0].goal if g.filter == "OIII")
    assert (goal.spot_px, goal.surface_brightness_rayleigh, goal.snr) == ([310.0, 122.5], None, 10.0)
    assert made.snr == 10.0
    back = [Change(path=(*made.before[0].path[:-1], "spot_px"), value=None)]
    back += [Change(path=u.path, value=u.value) for u in made.before]
    assert parse_settings(changed_text(changed, back)) == parse_settings(text)


def test_a_filter_without_a_goal_gets_one() -> None:
    text = demo_settings_text()
    shorter = text[: text.rindex("[[target.goal]]")]  # S II loses its goal
    changes, made = spot_changes(parse_settings(shorter), "Lantern Shell", None, "SII", (5.0, 6.0))
    goals = parse_settings(changed_text(shorter, changes)).target[0].goal
    assert [(g.filter, g.spot_px) for g in goals][-1] == ("SII", [5.0, 6.0])
    assert (made.before, made.snr) == ((), 10.0)


def test_a_target_that_is_not_there() -> None:
    with pytest.raises(SettingsError, match="no target"):
        spot_changes(parse_settings(demo_settings_text()), "Elsewhere", None, "Ha", (1.0, 2.0))
