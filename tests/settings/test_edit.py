"""Values of campaign.toml changed in place: comments stay, mistakes are told and nothing else can be reached."""

from __future__ import annotations

import tomllib

import pytest

from nightfold.errors import SettingsError
from nightfold.settings.edit import Change, changed_text
from nightfold.settings.files import starter_text
from nightfold.simulate.demo import demo_settings_text


def change(*path: str | int, value: object) -> Change:
    return Change(path=path, value=value)  # type: ignore[arg-type]


def test_a_value_changes_and_the_rest_of_the_text_stays() -> None:
    text = demo_settings_text()
    made = changed_text(text, [change("site", "seeing_arcsec", value=2.2)])
    assert made == text.replace("seeing_arcsec = 3.4", "seeing_arcsec = 2.2")


def test_nested_values_and_new_entries() -> None:
    made = changed_text(
        demo_settings_text(),
        [
            change("rig", 1, "telescope", "aperture_mm", value=62.0),
            change("target", 0, "goal", 0, "surface_brightness_rayleigh", value=None),
            change("target", 0, "goal", 0, "hours", value=12.0),
        ],
    )
    data = tomllib.loads(made)
    assert data["rig"][1]["telescope"]["aperture_mm"] == 62.0
    assert data["rig"][0]["telescope"]["aperture_mm"] == 106.0
    assert data["target"][0]["goal"][0] == {"filter": "Ha", "snr": 10, "hours": 12.0}


def test_a_site_is_added_where_there_is_none() -> None:
    made = changed_text(
        'name = "x"\n', [change("site", "latitude_deg", value=-30.0), change("site", "longitude_deg", value=150.0)]
    )
    assert tomllib.loads(made) == {"name": "x", "site": {"latitude_deg": -30.0, "longitude_deg": 150.0}}


def test_a_goal_is_added_behind_the_last() -> None:
    goals = len(tomllib.loads(demo_settings_text())["target"][0]["goal"])
    text = changed_text(demo_settings_text(), [change("target", 0, "goal", goals - 1, "snr", value=8.0)])
    assert tomllib.loads(text)["target"][0]["goal"][-1]["snr"] == 8.0
    with pytest.raises(SettingsError, match="there is no such entry"):
        changed_text(text, [change("target", 0, "goal", goals + 1, "filter", value="Ha")])


@pytest.mark.parametrize("path", [("database_url", "x"), ("header", "filter"), ("name",), ("notes", "x")])
def test_other_parts_of_the_file_cannot_be_reached(path: tuple[str, ...]) -> None:
    with pytest.raises(SettingsError, match="cannot be changed here"):
        changed_text(starter_text("x"), [change(*path, value="sqlite:///elsewhere")])


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        (("site", "latitude_deg"), 120.0, "latitude_deg"),
        (("site", "time_zone"), "Mars/Olympus", "time_zone"),
        (("site", "colour"), "red", "not known"),
        (("rig", 0, "telescope", "aperture_mm"), -1.0, "aperture_mm"),
        (("rig", 9, "telescope", "aperture_mm"), 1.0, "no such entry"),
        (("site", "latitude_deg", "deeper"), 1.0, "holds no other keys"),
    ],
)
def test_mistakes_are_told(path: tuple[str | int, ...], value: object, words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        changed_text(demo_settings_text(), [change(*path, value=value)])
