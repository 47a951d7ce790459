"""Campaigns guessed from headers: rigs told apart, objects named, everything assumed is said."""

from __future__ import annotations

from dataclasses import replace

import pytest

from nightfold.frames.records import FrameHeader
from nightfold.intake.guess import guess_campaign
from nightfold.intake.records import RigHints
from nightfold.intake.rigs import match_rig
from nightfold.settings.files import parse_settings, settings_text

SUB = FrameHeader(
    kind="sub", width_px=900, height_px=620, exposure_s=120.0, filter="Ha", object="Crater ridge", camera="Cam 4", telescope="Scout",
    gain=100.0, e_per_adu=0.25, pixel_um=4.63, focal_length_mm=530.0, aperture_mm=106.0, ra_deg=359.9, dec_deg=-48.8,
    site_latitude_deg=-31.2, site_longitude_deg=149.1,
)  # fmt: skip
WIDE = replace(
    SUB, telescope="Wide", camera="Cam 2", focal_length_mm=275.0, aperture_mm=61.0, width_px=800, height_px=600
)


def test_two_rigs_one_target() -> None:
    guess = guess_campaign(
        [SUB, replace(SUB, filter="OIII", ra_deg=0.1), WIDE, replace(SUB, kind="dark", object=None, filter=None)]
    )
    assert [r["name"] for r in guess.tables["rig"]] == ["Scout", "Wide"]
    assert [f["name"] for f in guess.tables["rig"][0]["filter"]] == ["OIII", "Ha"]
    assert [t["name"] for t in guess.tables["target"]] == ["Crater ridge"]
    # The mean of places on both sides of RA 0h lies between them, not at 180.
    assert guess.tables["target"][0]["ra_deg"] == pytest.approx(359.9667, abs=0.01)
    assert guess.tables["site"]["latitude_deg"] == -31.2


def test_the_sites_height_comes_from_the_headers() -> None:
    told = guess_campaign([replace(SUB, site_elevation_m=1164.6), replace(SUB, site_elevation_m=1165.2), SUB])
    assert told.tables["site"]["elevation_m"] == 1165
    assert any("1165 m above the sea" in s for s in told.sentences)
    silent = guess_campaign([SUB])
    assert silent.tables["site"]["elevation_m"] == 0
    assert any("height not told, 0 m taken" in s for s in silent.sentences)


def test_a_width_in_the_filters_name_is_taken() -> None:
    guess = guess_campaign([replace(SUB, filter_width_nm=7.0), replace(SUB, filter="OIII")])
    widths = {f["name"]: f["width_nm"] for f in guess.tables["rig"][0]["filter"]}
    assert widths == {"Ha": 7.0, "OIII": 5.0}
    assert "Filter Ha: centre 656.28 nm by its name, width 7 nm by its name too." in guess.sentences
    assert "Filter OIII: centre 500.68 nm by its name, width 5 nm assumed." in guess.sentences


def test_the_sites_clock_comes_from_the_local_time_in_files() -> None:
    east = guess_campaign([replace(SUB, utc_offset_h=10.0), replace(SUB, utc_offset_h=10.0), SUB])
    assert east.tables["site"]["time_zone"] == "Etc/GMT-10"
    assert any("the clock there UTC+10 h" in s for s in east.sentences)
    west = guess_campaign([replace(SUB, utc_offset_h=-7.0, site_longitude_deg=-110.0)])
    assert west.tables["site"]["time_zone"] == "Etc/GMT+7"
    # Without a clock, or with one that cannot be the site's, noon is the mean Sun's.
    for headers in ([SUB], [replace(SUB, utc_offset_h=0.0)], [replace(SUB, utc_offset_h=9.5)]):
        guess = guess_campaign(headers)
        assert "time_zone" not in guess.tables["site"]
        assert any("mean Sun" in s for s in guess.sentences)


def test_every_assumption_is_told() -> None:
    bare = FrameHeader(kind="sub", width_px=650, height_px=500)
    guess = guess_campaign([bare])
    text = " ".join(guess.sentences)
    for word in ("site", "electrons per count", "read noise", "no filter", "no object", "place in the sky"):
        assert word in text
    assert guess.tables["name"] == "target"


def test_binned_and_whole_frames_are_of_one_rig() -> None:
    binned = replace(SUB, width_px=450, height_px=310, binning=(2, 2), e_per_adu=1.0, pixel_um=9.26)
    guess = guess_campaign([binned, binned, binned, SUB])
    (rig,) = guess.tables["rig"]
    assert (rig["camera"]["width_px"], rig["camera"]["height_px"], rig["camera"]["pixel_um"]) == (900, 620, 4.63)
    assert rig["match"] == {"camera": "Cam 4"}
    # Their gains differ: what each file says holds, not a value between.
    assert rig["camera"]["gains"] == [{"setting": 100.0}]
    assert any("0.25 to 1 electrons per count" in s for s in guess.sentences)
    hints = [RigHints(name="Scout", match=rig["match"], width_px=900, height_px=620, pixel_um=4.63, camera=None)]
    assert match_rig(binned, hints) == match_rig(SUB, hints) == "Scout"
    # Of cameras that do not tell their name, the size in whole pixels is enough.
    nameless = guess_campaign([replace(binned, camera=None), replace(SUB, camera=None)])
    assert "match" not in nameless.tables["rig"][0]


def test_unnamed_subs_near_a_named_target_join_it() -> None:
    guess = guess_campaign([SUB, SUB, replace(SUB, object=None)])
    assert len(guess.tables["target"]) == 1
    assert any("taken as Crater ridge" in s for s in guess.sentences)


def test_two_objects_are_two_targets() -> None:
    guess = guess_campaign([SUB, SUB, replace(SUB, object="Other", ra_deg=100.0)])
    assert [t["name"] for t in guess.tables["target"]] == ["Crater ridge", "Other"]


def test_spellings_of_one_name_are_one_target() -> None:
    names = ["Crater ridge", "Crater ridge", "crater-ridge", "Crater_Ridge", "CRATER RIDGE"]
    guess = guess_campaign([replace(SUB, object=name) for name in names])
    (target,) = guess.tables["target"]
    assert target["name"] == "Crater ridge"
    assert target["match"] == {"object": ["Crater_Ridge", "crater-ridge"]}
    assert any("also written Crater_Ridge, crater-ridge" in s for s in guess.sentences)
    # Numbers do not run into each other, and a sign between them counts.
    apart = ["PK 164+31", "PK 164-31", "PK 16-431", "M 1 1", "M 11"]
    guess = guess_campaign([replace(SUB, object=name) for name in apart])
    assert sorted(t["name"] for t in guess.tables["target"]) == sorted(apart)


def test_unnamed_subs_of_two_fields_are_two_targets() -> None:
    one = replace(SUB, object=None, ra_deg=359.9)
    across = replace(one, ra_deg=0.2)
    other = replace(one, ra_deg=262.0, dec_deg=-40.0)
    lost = replace(one, ra_deg=None, dec_deg=None)
    guess = guess_campaign([one, across, other, one, lost])
    places = {t["name"]: (t["ra_deg"], t["dec_deg"]) for t in guess.tables["target"]}
    assert places == {
        "target": (pytest.approx(0.0, abs=0.05), pytest.approx(-48.8, abs=0.001)),
        "target 2": (262.0, -40.0),
    }
    assert any("4 subs name no object; they are called “target”" in s for s in guess.sentences)
    assert any(
        "1 sub names no object; it is called “target 2”, at RA 262.00°, Dec -40.00°" in s for s in guess.sentences
    )
    # Beside a named target, those that point there join it and the others are their own.
    guess = guess_campaign([SUB, SUB, one, other])
    assert [t["name"] for t in guess.tables["target"]] == ["Crater ridge", "target"]


def test_a_mosaic_under_one_name_has_panels() -> None:
    # The frame is 0.45 by 0.31 degrees: panels 0.26 degrees apart, dithers of arcminutes, one slip of the mount.
    west = [replace(SUB, ra_deg=250.0 + 0.01 * i, dec_deg=-48.8) for i in range(4)]
    east = [replace(SUB, ra_deg=250.4 + 0.01 * i, dec_deg=-48.79) for i in range(3)]
    slip = replace(SUB, ra_deg=251.5, dec_deg=-48.2)
    guess = guess_campaign([*west, *east, slip])
    (target,) = guess.tables["target"]
    assert [(p["panel"], p["ra_deg"], p["dec_deg"]) for p in target["panel"]] == [
        (1, pytest.approx(250.015), pytest.approx(-48.8)),
        (2, pytest.approx(250.41), pytest.approx(-48.79)),
    ]
    assert any("shot in 2 places" in s for s in guess.sentences)
    parse_settings(settings_text(guess.tables, []), "campaign.toml")
    assert "panel" not in guess_campaign([*west, slip]).tables["target"][0]
    assert "panel" not in guess_campaign([replace(s, focal_length_mm=None) for s in [*west, *east]]).tables["target"][0]
