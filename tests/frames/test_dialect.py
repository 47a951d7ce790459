"""Header dialects, card by card."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from nightfold.errors import SettingsError
from nightfold.frames.dialect import interpret_cards
from nightfold.frames.records import FrameHeader, HeaderRules
from nightfold.frames.spellings import as_number, as_sexagesimal, filter_of, kind_from_name, kind_of, stored_cfa


def read(
    cards: dict[str, object],
    *,
    name: str = "x.fits",
    comments: dict[str, str] | None = None,
    rules: HeaderRules | None = None,
    history: str = "",
) -> FrameHeader:
    return interpret_cards(
        cards,
        name=name,
        width_px=100,
        height_px=80,
        comment=lambda key: (comments or {}).get(key, ""),
        history=history,
        rules=rules,
    )


@pytest.mark.parametrize(
    ("cards", "comments", "field", "wanted"),
    [
        ({"EXPTIME": 180.0}, {}, "exposure_s", 180.0),
        ({"EXPOSURE": "120.0"}, {}, "exposure_s", 120.0),
        ({"EXP_TIME": "60,5 s"}, {}, "exposure_s", 60.5),
        ({"EXPTIME": 1500}, {"EXPTIME": "exposure in ms"}, "exposure_s", 1.5),
        ({"EXPTIME": -1.0}, {}, "exposure_s", None),
        ({"EXPTIME": 0.0, "EXPOSURE": 120.0}, {}, "exposure_s", 120.0),
        ({"EXPTIME": 0.0, "EXPOSURE": 0.0}, {}, "exposure_s", 0.0),
        ({"CCD-TEMP": -10.2}, {}, "sensor_c", -10.2),
        ({"DET-TEMP": "-10.2 C"}, {}, "sensor_c", -10.2),
        ({"CAMTEMP": 271.0}, {"CAMTEMP": "in Kelvin, =-1 if no data"}, "sensor_c", -2.15),
        ({"CAMTEMP": -1.0}, {"CAMTEMP": "in Kelvin, =-1 if no data"}, "sensor_c", None),
        ({"CCD-TEMP": 180.2}, {}, "sensor_c", -92.95),
        ({"SET-TEMP": -20}, {}, "sensor_c", -20.0),
        ({"CCD-TEMP": -273.15}, {}, "sensor_c", None),
        ({"CCD-TEMP": -196.0}, {}, "sensor_c", -196.0),
        ({"CCD-TEMP": -12.0, "SET-TEMP": -20.0}, {}, "set_point_c", -20.0),
        ({"GAIN": 100}, {}, "gain", 100.0),
        ({"GAIN": -1}, {}, "gain", None),
        ({"ISOSPEED": 800}, {}, "gain", 800.0),
        ({"GAIN": 100, "EGAIN": 0.25}, {}, "e_per_adu", 0.25),
        ({"GAIN": 1.9}, {"GAIN": "e-/ADU"}, "e_per_adu", 1.9),
        ({"GAIN": 1.9}, {"GAIN": "e-/ADU"}, "gain", None),
        ({"GAIN": 0.77}, {}, "e_per_adu", 0.77),
        ({"GAIN": "2.0 2.2 2.1 2.1"}, {"GAIN": "e-/ADU"}, "e_per_adu", 2.1),
        ({"OFFSET": "30"}, {}, "offset", 30.0),
        ({"BLKLEVEL": 12}, {}, "offset", 12.0),
        ({"PEDESTAL": -500}, {"PEDESTAL": "Correction to add for zero-based ADU"}, "pedestal_adu", 500.0),
        ({"PEDESTAL": 100}, {}, "pedestal_adu", 100.0),
        ({"PEDESTAL": 100}, {"PEDESTAL": "Add this count to each value"}, "pedestal_adu", -100.0),
        ({"XBINNING": 2, "YBINNING": 2}, {}, "binning", (2, 2)),
        ({"BINNING": "2x3"}, {}, "binning", (2, 3)),
        ({"CCDSUM": "1 2"}, {}, "binning", (1, 2)),
        ({"XPIXSZ": 4.63, "YPIXSZ": 4.63}, {}, "pixel_um", 4.63),
        ({"RA": 250.2, "DEC": -48.8}, {}, "ra_deg", 250.2),
        ({"RA": "16:40:48", "DEC": "-48:48:00"}, {}, "ra_deg", 250.2),
        ({"RA": "16:40:48", "DEC": "-48:48:00"}, {}, "dec_deg", -48.8),
        ({"RA": 16.68, "DEC": -48.8}, {"RA": "hours"}, "ra_deg", 250.2),
        ({"OBJCTRA": "16 40 48.0", "OBJCTDEC": "-48 48 00"}, {}, "ra_deg", 250.2),
        ({"OBJCTRA": "16 40 48.0", "OBJCTDEC": "-00 30 00"}, {}, "dec_deg", -0.5),
        ({"RA": "", "DEC": ""}, {}, "ra_deg", None),
        ({"CRVAL1": 10.0, "CRVAL2": 20.0, "CTYPE1": "RA---TAN"}, {}, "ra_deg", 10.0),
        ({"SITELAT": "-31 35 48"}, {}, "site_latitude_deg", -(31 + 35 / 60 + 48 / 3600)),
        ({"SITELAT": "31 30 00 S"}, {}, "site_latitude_deg", -31.5),
        ({"SITEELEV": "1165.2"}, {}, "site_elevation_m", 1165.2),
        ({"ALT-OBS": 390}, {}, "site_elevation_m", 390.0),
        ({"SITEELEV": 1000}, {"SITEELEV": "[ft] height"}, "site_elevation_m", 304.8),
        ({"SITEELEV": 99999.0}, {}, "site_elevation_m", None),
        ({"ELEVATIO": 66.9}, {}, "site_elevation_m", None),
        ({"FOCALLEN": 0}, {}, "focal_length_mm", None),
        ({"FOCALLEN": 530}, {}, "focal_length_mm", 530.0),
        ({"FOCUSPOS": "2225"}, {}, "focuser_position", 2225.0),
        ({"PIERSIDE": "WEST"}, {}, "pier_side", "west"),
        ({"PIERSIDE": "pierEast"}, {}, "pier_side", "east"),
        ({"SECZ": 1.176}, {}, "airmass", 1.176),
        ({"AIRMASS": -3.0}, {}, "airmass", None),
        ({"SATURATE": 65535}, {}, "saturation_adu", 65535.0),
        ({"DATAMAX": 3012.0}, {}, "saturation_adu", None),
        ({"DATAMAX": 4095}, {}, "saturation_adu", 4095.0),
        ({"CALSTAT": "BDF"}, {}, "calibrated", True),
        ({"CALSTAT": "none"}, {}, "calibrated", False),
        ({"BAYERPAT": "RGGB", "ROWORDER": "TOP-DOWN"}, {}, "cfa", "RGGB"),
        ({"BAYERPAT": "RGGB", "ROWORDER": "BOTTOM-UP"}, {}, "cfa", "GBRG"),
        ({"BAYERPAT": "RGGB", "XBAYROFF": 1}, {}, "cfa", "GRBG"),
        ({"FILTER1": "open", "FILTER2": "H-alpha"}, {}, "filter", "Ha"),
    ],
)
def test_a_card_is_read(cards: dict[str, object], comments: dict[str, str], field: str, wanted: Any) -> None:
    seen = getattr(read(cards, comments=comments), field)
    assert seen == (pytest.approx(wanted) if isinstance(wanted, float) else wanted)


@pytest.mark.parametrize(
    ("cards", "comments", "wanted"),
    [
        ({"DATE-OBS": "2024-03-01T10:00:00.25"}, {}, "2024-03-01T10:00:00.25"),
        ({"DATE-OBS": "2024-03-01T10:00:00"}, {}, "2024-03-01T10:00:00"),
        ({"DATE-OBS": "2024-03-01T10:00:00.1234567Z"}, {}, "2024-03-01T10:00:00.123457"),
        ({"DATE-OBS": "2017-12-19T18:33:43.317-0700"}, {}, "2017-12-20T01:33:43.317"),
        ({"DATE-OBS": "2024-03-01T10:00:00+05:30"}, {}, "2024-03-01T04:30:00"),
        ({"DATE-OBS": "2013-07-13", "UT": "00:57:33"}, {}, "2013-07-13T00:57:33"),
        ({"DATE-OBS": "2013-07-13", "TIME-OBS": "00:57:33.5"}, {}, "2013-07-13T00:57:33.5"),
        ({"DATE-OBS": "2013-07-13", "MJD-OBS": 56486.25}, {}, "2013-07-13T06:00:00"),
        ({"DATE-OBS": "13/07/99", "UT": "01:00:00"}, {}, "1999-07-13T01:00:00"),
        ({"DATE-OBS": "13/07/13", "UT": "01:00:00"}, {}, "2013-07-13T01:00:00"),
        (
            {"DATE-OBS": "2024-03-01T20:00:00", "UT-OBS": "2024-03-02T01:00:00"},
            {"DATE-OBS": "local time"},
            "2024-03-02T01:00:00",
        ),
        ({"JD": 2457383.75}, {}, "2015-12-27T06:00:00"),
        ({"MJD-OBS": "58107.25"}, {}, "2017-12-20T06:00:00"),
        ({"DATE-AVG": "2024-03-01T10:00:30", "EXPTIME": 60.0}, {}, "2024-03-01T10:00:00"),
        ({"DATE-OBS": "2024-03-01T23:59:60"}, {}, "2024-03-02T00:00:00"),
        ({"DATE-OBS": "2024-02-31T10:00:00"}, {}, None),
        ({"DATE-OBS": "1970-01-01T00:00:10"}, {}, None),
        ({}, {}, None),
    ],
)
def test_the_start_is_read_in_utc(cards: dict[str, object], comments: dict[str, str], wanted: str | None) -> None:
    start = read(cards, comments=comments).start
    expected = datetime.fromisoformat(wanted).replace(tzinfo=UTC) if wanted else None
    if expected is None:
        assert start is None
    else:
        assert start is not None
        assert abs((start - expected).total_seconds()) < 1e-4  # a Julian date in float64 holds 20 µs


def test_longitude_sign_comes_from_the_clock() -> None:
    west = read({"DATE-OBS": "2017-12-19T18:33:43-0700", "LONGITUD": 110.88})
    assert west.site_longitude_deg == pytest.approx(-110.88)
    assert west.utc_offset_h == -7.0
    assert any("west" in note for note in west.notes)
    east = read({"DATE-OBS": "2017-12-19T18:33:43+0700", "LONGITUD": 110.88})
    assert east.site_longitude_deg == pytest.approx(110.88)


def test_longitude_sign_comes_from_sidereal_time() -> None:
    # Meeus, Astronomical Algorithms, example 12.b: 1987 April 10, 19:21:00 UT, Greenwich 8h34m57.09s.
    cards: dict[str, object] = {"DATE-OBS": "1987-04-10T19:21:00", "SITELONG": "+71 29 06", "LST": "+13 20 53"}
    assert read(cards).site_longitude_deg == pytest.approx(71.485)
    assert read(cards | {"LST": "+03 49 01"}).site_longitude_deg == pytest.approx(-71.485)


def test_a_doubtful_longitude_is_told() -> None:
    header = read({"SITELONG": 71.5, "SITELAT": 40.0})
    assert header.site_longitude_deg == 71.5
    assert any("nothing in the header confirms" in note for note in header.notes)
    assert read({"SITELONG": 71.5}, comments={"SITELONG": "degrees, west positive"}).site_longitude_deg == -71.5


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("Light Frame", "sub"), ("LIGHT", "sub"), ("object", "sub"), ("science", "sub"), ("Bias Frame", "bias"),
        ("zero", "bias"), ("Offset", "bias"), ("Dark Frame", "dark"), ("FLAT", "flat"), ("Flat Field", "flat"),
        ("sky flat", "flat"), ("flatfield", "flat"), ("Dark Flat", "flat_dark"), ("FLATDARK", "flat_dark"),
        ("flat-dark", "flat_dark"), ("focus", None),
    ],
)  # fmt: skip
def test_kinds_are_told_by_their_spellings(text: str, kind: str | None) -> None:
    assert kind_of(text) == kind


def test_the_kind_is_guessed_from_the_name_and_told() -> None:
    assert kind_from_name("night/flats/a_0001.fits") == "flat"
    assert kind_from_name("night/flat-darks/a_0001.fits") == "flat_dark"
    assert kind_from_name("darkroom/a_0001.fits") is None
    assert kind_from_name("lights/dark_0001.fits") == "dark"
    header = read({}, name="night/darks/a.fits")
    assert header.kind == "dark"
    assert any("guessed" in note for note in header.notes)
    assert read({"PICTTYPE": 4}).kind == "flat"
    assert read({"IMAGETYP": "Dark"}, name="2024/flat_darks/x.fits").kind == "flat_dark"


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Ha", "Ha"), ("H-alpha", "Ha"), ("h_alpha", "Ha"), ("H-alpha 3nm", "Ha"), ("Ha 6.5 nm", "Ha"), ("Ha (656nm) 7nm", "Ha"), ("OIII_6.5nm", "OIII"), ("Ha7nm", "Ha"), ("Line 35nm", "Line 35nm"), ("O III", "OIII"),
        ("[OIII]", "OIII"), ("O3", "OIII"), ("S II", "SII"), ("Sii 3nm", "SII"), ("N2", "NII"), ("Hbeta", "Hb"),
        ("lum", "L"), ("Luminance", "L"), ("red", "R"), ("G", "G"), ("Blue", "B"), ("Sloan r'", "Sloan r'"),
        ("  my  glass ", "my glass"), ("None", None), ("", None),
    ],
)  # fmt: skip
def test_filters_get_one_name(text: str, name: str | None) -> None:
    assert filter_of(text, {}) == name


@pytest.mark.parametrize(
    ("text", "width_nm"),
    [("H-alpha 7nm", 7.0), ("Ha 6,5 nm", 6.5), ("OIII (3nm)", 3.0), ("Red", None), ("7nm", None), ("Line 656nm", None), ("S2", None)],
)  # fmt: skip
def test_a_filters_name_may_tell_its_width(text: str, width_nm: float | None) -> None:
    assert read({"FILTER": text}).filter_width_nm == width_nm


def test_the_persons_filter_names_come_first() -> None:
    rules = HeaderRules(filter_names={"Slot 4": "SII", "Ha": "H"})
    assert read({"FILTER": " slot 4"}, rules=rules).filter == "SII"
    assert read({"FILTER": "Ha"}, rules=rules).filter == "H"


def test_rules_win_and_the_first_matching_name_counts() -> None:
    rules = HeaderRules(
        override={"gain": 120, "exposure_s": "30"},
        by_name=(("*-ha-*", {"filter": "Ha", "exposure_s": 1}), ("*", {"filter": "L"})),
    )
    header = read({"EXPTIME": 5.0, "GAIN": 0}, name="in/N1-HA-00.fits", rules=rules)
    assert (header.filter, header.exposure_s, header.gain) == ("Ha", 1.0, 120.0)
    assert read({}, name="other.fits", rules=rules).filter == "L"
    fixed = read({}, rules=HeaderRules(override={"start": "2024-01-02T03:04:05Z", "binning": [2, 2], "kind": "flat"}))
    assert (fixed.start, fixed.binning, fixed.kind) == (datetime(2024, 1, 2, 3, 4, 5, tzinfo=UTC), (2, 2), "flat")


@pytest.mark.parametrize("override", [{"exposure": 3}, {"width_px": 3}, {"kind": "lamp"}, {"gain": "high"}])
def test_an_impossible_rule_is_refused(override: dict[str, object]) -> None:
    with pytest.raises(SettingsError, match=f"{next(iter(override))}"):
        read({}, rules=HeaderRules(override=override))


def test_calibration_named_in_history_is_seen() -> None:
    assert read({}, history="Dark subtracted with m.fits").calibrated
    assert not read({}, history="rotated").calibrated


def test_cfa_rows_turn_with_the_order_and_the_height() -> None:
    common: dict[str, Any] = {"x_offset": 0, "y_offset": 0}
    assert stored_cfa("RGGB", bottom_up=True, height_px=80, **common) == "GBRG"
    assert stored_cfa("RGGB", bottom_up=True, height_px=81, **common) == "RGGB"
    assert stored_cfa("RGGB", x_offset=1, y_offset=1, bottom_up=False, height_px=80) == "BGGR"
    assert stored_cfa("CMYG", bottom_up=False, height_px=80, **common) == ""


def test_numbers_and_angles_in_text() -> None:
    assert as_number(" 1.5D2 ") == 150.0
    assert as_number("nan") is None
    assert as_number(True) is None
    assert as_number(float("inf")) is None
    assert as_sexagesimal("-0 30 00") == -0.5
    assert as_sexagesimal("12h30m00s") == 12.5
    assert as_sexagesimal("12:61:00") is None
    assert as_sexagesimal("12.5") is None
