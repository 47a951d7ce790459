"""campaign.toml: the contract's example loads, and every mistake is told with line, key, value and what is allowed."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from nightfold.errors import SettingsError
from nightfold.frames.records import FrameHeader
from nightfold.settings.files import (
    load_settings,
    parse_settings,
    patched_text,
    plain_tables,
    settings_text,
    starter_text,
)
from nightfold.settings.header import HeaderFields
from nightfold.settings.models import CampaignSettings, Site

FULL = """
name = "Ridge"
[site]
latitude_deg = -33.9
longitude_deg = 150.2
elevation_m = 420
time_zone = "Australia/Sydney"
sky_mag_arcsec2 = 20.6
extinction_mag = 0.20
seeing_arcsec = 2.5
clear_night_probability = 0.4
horizon_deg = [[0, 15], [90, 25], [180, 10], [270, 20]]

[[rig]]
name = "Scout"
[rig.telescope]
aperture_mm = 106
focal_length_mm = 530
obstruction_mm = 0
tube = "aluminium"
[rig.camera]
width_px = 4144
height_px = 2822
pixel_um = 4.63
bits = 14
cfa = ""
gains = [ { setting = 100, e_per_adu = 0.25, read_noise_e = 1.6, full_well_e = 16000, offset_adu = 200 } ]
dark_e_per_s = [ [-10, 0.002], [0, 0.006] ]
quantum_efficiency = [ [500, 0.80], [656, 0.65], [672, 0.62] ]
[rig.mount]
flips = true
hour_angle_limits_h = [-6.0, 0.17]
flip_takes_s = 180
guide_rms_arcsec = 0.6
min_altitude_deg = 30
[rig.focuser]
step_um = 1.2
takes_s = 120
[[rig.filter]]
name = "Ha"
centre_nm = 656.28
width_nm = 3.0
peak_transmission = 0.9

[[target]]
name = "Ridge"
ra_deg = 250.2
dec_deg = -48.8
size_arcmin = [40, 30]
position_angle_deg = 0
rigs = ["Scout"]
[[target.goal]]
filter = "Ha"
surface_brightness_rayleigh = 5.0
snr = 10
box_arcsec = 10
[header]
filter_names = { "H-alpha 3nm" = "Ha" }
[[header.by_name]]
match = "*-ha-*"
filter = "Ha"
exposure_s = 1
"""


def test_the_whole_file_loads() -> None:
    settings = parse_settings(FULL)
    rig = settings.rig[0]
    assert rig.gain_for(100).e_per_adu == 0.25
    assert rig.gain_for(200) is None
    assert rig.filter_named("Ha").centre_nm == 656.28
    assert settings.header.by_name[0].fields() == {"filter": "Ha", "exposure_s": 1}
    assert settings.target[0].goal[0].snr == 10


def line_of(text: str) -> int:
    return next(i for i, line in enumerate(FULL.splitlines(), start=1) if text in line)


@pytest.mark.parametrize(
    ("old", "new", "key", "allowed"),
    [
        ("latitude_deg = -33.9", "latitude_deg = -133.9", "site.latitude_deg", "greater than or equal to -90"),
        ('"Australia/Sydney"', '"Mars/Olympus"', "site.time_zone", "tz database"),
        ("focal_length_mm = 530", "focal_length_mm = 0", "rig.1.telescope.focal_length_mm", "greater than 0"),
        ("pixel_um = 4.63", 'pixel_um = "big"', "rig.1.camera.pixel_um", "number"),
        ("flips = true", "flops = true", "rig.1.mount.flops", "not known"),
        ("dec_deg = -48.8", "dec_deg = -98.8", "target.1.dec_deg", "greater than or equal to -90"),
        ("e_per_adu = 0.25", "e_per_adu = -1", "rig.1.camera.gains.1.e_per_adu", "greater than 0"),
        ("width_nm = 3.0", "width_nm = nan", "rig.1.filter.1.width_nm", "finite"),
    ],
)
def test_a_mistake_is_told_with_line_and_key(old: str, new: str, key: str, allowed: str) -> None:
    with pytest.raises(SettingsError) as caught:
        parse_settings(FULL.replace(old, new))
    message = caught.value.line
    assert f"line {line_of(old)}, {key}" in message
    assert allowed in message


def test_all_mistakes_are_told_at_once() -> None:
    with pytest.raises(SettingsError) as caught:
        parse_settings(FULL.replace("latitude_deg = -33.9", "latitude_deg = 100").replace("bits = 14", "bits = 99"))
    assert "latitude_deg" in caught.value.line
    assert "bits" in caught.value.line


@pytest.mark.parametrize(
    ("old", "new", "where", "word"),
    [
        ('rigs = ["Scout"]', 'rigs = ["Scott"]', "target.1.rigs", "no rig 'Scott'; the rigs here are: Scout"),
        ("surface_brightness_rayleigh = 5.0", "surface_brightness_rayleigh = 5.0\nhours = 3", "target.1.goal.1", "exactly one"),
        ("obstruction_mm = 0", "obstruction_mm = 200", "rig.1.telescope.obstruction_mm", "smaller than aperture_mm 106"),
        ('tube = "aluminium"', 'tube = "paper"', "rig.1.telescope.tube", "expansion_per_c"),
        ('filter = "Ha"\nsurface', 'filter = "Hb"\nsurface', "target.1.goal.1.filter", "they have: Ha"),
        ("box_arcsec = 10", "panel = 2\n[[target.panel]]\npanel = 1\nra_deg = 1\ndec_deg = 1", "target.1.goal.1.panel", "[1]"),
        ("peak_transmission = 0.9", '[[rig.filter]]\nname = "Ha"', "rig.1.filter.2.name", "two filters are called 'Ha'"),
        ("[[target]]", '[[rig]]\nname = "Scout"\n[[target]]', "rig.2.name", "two rigs are called 'Scout'"),
        ("[rig.telescope]", '[rig.match]\ncamra = "x"\n[rig.telescope]', "rig.1.match.camra", "camera, cfa"),
        ("[[target.goal]]", '[target.match]\nnme = "x"\n[[target.goal]]', "target.1.match.nme", "object, ra_deg"),
        ("[90, 25]", "[90, 95]", "site.horizon_deg.2", "altitude_deg 95 must lie from -10 to 90"),
        ("[656, 0.65]", "[656, 65]", "rig.1.camera.quantum_efficiency.2", "efficiency 65"),
        ("clear_night_probability = 0.4", "clear_night_probability = [0.4, 0.5]", "site.clear_night_probability", "twelve"),
        ("exposure_s = 1", "exposre_s = 1", "header.by_name.1.exposre_s", "do you mean exposure_s?"),
        ("filter_names = {", 'kind = "light"\nfilter_names = {', "header.kind", "'flat_dark'"),
        ('"H-alpha 3nm" = "Ha"', '"H-alpha 3nm" = 3', "header.filter_names.H-alpha 3nm", "string"),
        ("elevation_m = 420", 'elevation_m = "420"', "site.elevation_m", "number (seen: '420')"),
        ("elevation_m = 420", "elevation_m = true", "site.elevation_m", "number (seen: True)"),
        ('cfa = ""', 'cfa = "rggb"', "rig.1.camera.cfa", "RGGB, BGGR, GRBG or GBRG"),
        ("hour_angle_limits_h = [-6.0, 0.17]", "hour_angle_limits_h = [0.2, -6]", "rig.1.mount.hour_angle_limits_h", "second must be greater"),
        ("[[target.goal]]", "[target.match]\nobject = 5\n[[target.goal]]", "target.1.match.object", "a list of texts (seen: 5)"),
        ("[[target.goal]]", '[target.match]\nra_deg = "5"\n[[target.goal]]', "target.1.match.ra_deg", "0 to 360 (seen: '5')"),
        ('name = "Ha"\ncentre', 'name = ""\ncentre', "rig.1.filter.1.name", "must have at least 1 character"),
    ],
)  # fmt: skip
def test_rules_are_told_with_their_place(old: str, new: str, where: str, word: str) -> None:
    assert FULL.count(old) == 1
    with pytest.raises(SettingsError) as caught:
        parse_settings(FULL.replace(old, new), "ridge/campaign.toml")
    message = caught.value.line
    assert message.startswith("ridge/campaign.toml: line ")
    assert f"{where}: " in message
    assert word in message
    assert message.count(" | ") == 0  # one mistake is told once


def test_a_goal_may_name_no_filter_at_all() -> None:
    text = FULL.replace('filter = "Ha"\nsurface_brightness_rayleigh = 5.0', 'filter = "unfiltered"\nhours = 3')
    assert parse_settings(text).target[0].goal[0].hours == 3


def test_a_name_is_enough() -> None:
    settings = parse_settings('name = "Ridge"')
    assert (settings.site, settings.rig, settings.target, settings.header.override) == (None, [], [], {})


def test_questions_about_a_rig_have_answers() -> None:
    settings = parse_settings(
        FULL.replace("[rig.mount]", 'readout_mode = "fast"\ndownload_s = 2\n[rig.mount]\ndither_s = 12')
        .replace("clear_night_probability = 0.4", f"clear_night_probability = {[i / 20 for i in range(12)]}")
    )  # fmt: skip
    rig = settings.rig_named("Scout")
    assert rig is not None
    # CHECKS O1, definition of the image scale: 206.264806 x 4.63 / 530.
    assert rig.scale_arcsec_px == pytest.approx(206.264806 * 4.63 / 530, rel=1e-8)
    assert (rig.readout_mode, rig.download_s, rig.dither_s) == ("fast", 2, 12)
    assert settings.site is not None
    assert settings.site.clear_probability(3) == 0.1
    assert Site(latitude_deg=0.0, longitude_deg=0.0).clear_probability(3) is None
    assert settings.rig_named("Wide") is None
    assert settings.target_named("Ridge") is settings.target[0]
    assert parse_settings('name = "a"\n[[rig]]\nname = "r"').rig[0].scale_arcsec_px is None


def test_gains_are_found_by_setting() -> None:
    text = 'name = "a"\n[[rig]]\nname = "r"\n[rig.camera]\ngains = [{ e_per_adu = 1.0 }]'
    assert parse_settings(text).rig[0].gain_for(200).e_per_adu == 1.0  # the only entry, for any setting
    assert parse_settings(text).rig[0].gain_for(None).e_per_adu == 1.0
    two = parse_settings(text.replace("[{ e_per", "[{ setting = 0, e_per_adu = 4.0 }, { setting = 100, e_per")).rig[0]
    assert (two.gain_for(0).e_per_adu, two.gain_for(100).e_per_adu) == (4.0, 1.0)
    assert two.gain_for(None) is None
    assert two.gain_for(50) is None


def test_the_header_map_knows_every_field_of_a_frame() -> None:
    fixed = {"width_px", "height_px", "hdu", "bitpix", "notes"}  # told by the pixels themselves
    assert set(HeaderFields.model_fields) == {f.name for f in fields(FrameHeader)} - fixed


def test_broken_toml_names_the_line() -> None:
    with pytest.raises(SettingsError, match="line 2"):
        parse_settings('name = "x"\nrig = = 3')


def test_the_last_line_is_named_without_its_end() -> None:
    with pytest.raises(SettingsError, match="at line 2, the end of the file"):
        parse_settings('name = "a"\nname = "b"')


def test_a_byte_order_mark_says_nothing() -> None:
    assert parse_settings("\ufeff" + FULL) == parse_settings(FULL)
    assert patched_text("\ufeff" + FULL, {("rig", 0, "sub_s"): 60.0}) == patched_text(FULL, {("rig", 0, "sub_s"): 60.0})


def test_a_missing_file_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="nightfold new"):
        load_settings(tmp_path / "campaign.toml")


def test_the_starter_loads_and_so_do_its_examples() -> None:
    text = starter_text('My "first" campaign')
    assert parse_settings(text).name == 'My "first" campaign'
    lines = [line.removeprefix("# ") if " = " in line or line.startswith("# [") else line for line in text.splitlines()]
    assert parse_settings("\n".join(lines)).rig[0].name == "Scout"


def test_tables_become_a_file_that_loads() -> None:
    text = settings_text(
        {"name": "n", "rig": [{"name": "r", "camera": {"gains": [{"e_per_adu": 1.0}]}}]}, ["made from headers"]
    )
    assert text.startswith("# made from headers")
    assert parse_settings(text).rig[0].camera.gains[0].e_per_adu == 1.0


def test_a_changed_value_leaves_comments_and_order_alone() -> None:
    text = '# my campaign\nname = "a" # short\n\n[site] # home\nlatitude_deg = 1\nlongitude_deg = 2\n'
    changed = patched_text(text, {("site", "latitude_deg"): -31.5, ("site", "seeing_arcsec"): 3.0})
    assert changed == text.replace("latitude_deg = 1", "latitude_deg = -31.5") + "seeing_arcsec = 3.0\n"
    assert patched_text(changed, {("site", "seeing_arcsec"): None, ("site", "elevation_m"): None}) == text.replace(
        "latitude_deg = 1", "latitude_deg = -31.5"
    )
    grown = patched_text(text, {("target", 0): {"name": "t"}, ("target", 0, "goal", 0): {"filter": "Ha", "hours": 3.0}})
    assert parse_settings(grown).target[0].goal[0].hours == 3
    assert grown.startswith(text.rstrip("\n"))
    more = patched_text(grown, {("target", 1): {"name": "u"}, ("target", 0, "ra_deg"): 250.2})
    assert [(t.name, t.ra_deg) for t in parse_settings(more).target] == [("t", 250.2), ("u", None)]
    with pytest.raises(SettingsError, match="greater than or equal to -90"):
        patched_text(text, {("site", "latitude_deg"): -131.5})


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False)


words = st.text(min_size=1, max_size=20).filter(lambda text: "\x00" not in text)
filters = st.lists(
    st.fixed_dictionaries({"name": words}, optional={"centre_nm": numbers(300, 1100), "width_nm": numbers(0.5, 300)}),
    max_size=3,
    unique_by=lambda f: f["name"],
)
rigs = st.lists(
    st.fixed_dictionaries(
        {"name": words},
        optional={
            "filter": filters,
            "camera": st.fixed_dictionaries(
                {}, optional={"pixel_um": numbers(1, 20), "gains": st.lists(st.fixed_dictionaries({"setting": st.integers(0, 500)}))}
            ),
            "mount": st.fixed_dictionaries({"flips": st.booleans()}),
            "match": st.fixed_dictionaries({"camera": words}),
        },
    ),
    max_size=3,
    unique_by=lambda r: r["name"],
)  # fmt: skip
files = st.fixed_dictionaries(
    {"name": words},
    optional={
        "rig": rigs,
        "site": st.fixed_dictionaries(
            {"latitude_deg": numbers(-90, 90), "longitude_deg": numbers(-180, 360)},
            optional={"horizon_deg": st.lists(st.tuples(numbers(0, 360), numbers(-10, 90)).map(list), max_size=3)},
        ),
        "header": st.fixed_dictionaries({"filter_names": st.dictionaries(words, words, max_size=3)}),
    },
)


@settings(max_examples=60, deadline=None)
@given(files)
def test_any_settings_survive_the_file(tables: dict[str, Any]) -> None:
    wanted = CampaignSettings.model_validate(tables)
    assert parse_settings(settings_text(wanted)) == wanted
    assert plain_tables(parse_settings(settings_text(tables))) == plain_tables(wanted)


@given(latitude=st.floats(), longitude=st.floats())
def test_a_site_is_on_earth_or_refused(latitude: float, longitude: float) -> None:
    try:
        site = Site(latitude_deg=latitude, longitude_deg=longitude)
    except ValidationError:
        assert not (-90 <= latitude <= 90 and -180 <= longitude <= 360)
    else:
        assert -90 <= site.latitude_deg <= 90
        assert -180 <= site.longitude_deg <= 360
