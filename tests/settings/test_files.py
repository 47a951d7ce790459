"""campaign.toml: the contract's example loads, and every mistake is told with line, key, value and what is allowed."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightfold.errors import SettingsError
from nightfold.settings.files import load_settings, parse_settings, settings_text, starter_text

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


def test_rules_that_span_keys() -> None:
    for old, new, word in (
        ('rigs = ["Scout"]', 'rigs = ["Scott"]', "the rigs here are: Scout"),
        ("surface_brightness_rayleigh = 5.0", "hours = 3\nsurface_brightness_rayleigh = 5.0", "exactly one"),
        ("obstruction_mm = 0", "obstruction_mm = 200", "smaller than aperture_mm"),
    ):
        with pytest.raises(SettingsError, match=word):
            parse_settings(FULL.replace(old, new))


def test_broken_toml_names_the_line() -> None:
    with pytest.raises(SettingsError, match="line 2"):
        parse_settings('name = "x"\nrig = = 3')


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
