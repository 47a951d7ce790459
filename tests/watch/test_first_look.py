"""The first sub against earlier nights: each wrong setting is named, a right one says nothing."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from nightfold.watch.first_look import first_look, is_first
from nightfold.watch.records import WatchedSub

USUAL = WatchedSub(
    frame_id=1, file="s.fits", rig="Heron 106", filter="Ha", night="2026-05-14", start_s=0.0, exposure_s=180.0, gain=100.0, offset=50.0,
    set_point_c=-10.0, sensor_c=-10.0, readout_mode="low noise", pier_side="east", focuser_position=5000.0, dark_fits=True,
    fwhm_px=3.0, ellipticity=0.1, transparency=0.9, sky_over_expected=1.0, saturated_fraction=0.0002, airmass=1.2, angle_deg=10.0,
    overlap=0.98,
)  # fmt: skip
EARLIER = [replace(USUAL, frame_id=i, fwhm_px=2.9 + 0.05 * (i % 5)) for i in range(20)]
TONIGHT = replace(USUAL, frame_id=99, night="2026-05-15")


def test_a_night_like_the_others_says_nothing() -> None:
    assert first_look(TONIGHT, EARLIER) == []
    assert first_look(replace(TONIGHT, angle_deg=190.3), EARLIER) == [], "the other side of the pier"


@pytest.mark.parametrize(
    ("change", "cause", "words"),
    [
        ({"offset": 30.0}, "offset", "offset is 30, all earlier nights 50: no dark fits"),
        ({"gain": 0.0}, "gain", "gain is 0, all earlier nights 100"),
        ({"set_point_c": -5.0, "sensor_c": -5.0}, "set-point", "set to -5 °C, all earlier nights to -10 °C"),
        ({"sensor_c": -3.0}, "set-point", "at -3.0 °C and set to -10.0 °C"),
        ({"readout_mode": "fast"}, "readout-mode", "readout mode is fast"),
        ({"binning": (2, 2)}, "binning", "binned 2x2, all earlier nights 1x1"),
        ({"exposure_s": 120.0}, "sub-length", "subs of Ha are 120 s long, all earlier nights 180 s"),
        ({"dark_fits": False, "dark_words": "no darks of 180 s"}, "no-dark", "no darks of 180 s"),
        ({"sky_over_expected": 9.0}, "wrong-filter", "sky is 9.0 times"),
        ({"fwhm_px": 4.2}, "focus", "times as wide as usual"),
        ({"angle_deg": 13.4}, "camera-turned", "turned by 3.4°"),
        ({"overlap": 0.62}, "pointing", "only 62 %"),
        ({"saturated_fraction": 0.02}, "overexposed", "2.0 % of the pixels"),
    ],
)
def test_what_is_not_as_before_is_said(change: dict[str, Any], cause: str, words: str) -> None:
    remarks = first_look(replace(TONIGHT, **change), EARLIER)
    assert [r.cause for r in remarks] == [cause]
    assert words in remarks[0].text


def test_a_setting_in_use_is_not_remarked_and_a_first_night_has_no_past() -> None:
    both = EARLIER + [replace(USUAL, frame_id=50 + i, gain=0.0) for i in range(5)]
    assert first_look(replace(TONIGHT, gain=0.0), both) == []
    assert first_look(TONIGHT, []) == []
    other = [replace(s, filter="OIII", exposure_s=300.0, sky_over_expected=30.0) for s in EARLIER]
    assert first_look(TONIGHT, other) == [], "sub length and sky are a filter's own"


def test_which_subs_are_first() -> None:
    assert is_first(TONIGHT, []) == "night"
    assert is_first(replace(TONIGHT, filter="OIII"), [TONIGHT]) == "filter"
    assert is_first(replace(TONIGHT, pier_side="west"), [TONIGHT]) == "flip"
    assert is_first(replace(TONIGHT, pier_side=None, angle_deg=190.0), [replace(TONIGHT, pier_side=None)]) == "flip"
    assert is_first(TONIGHT, [TONIGHT]) == ""
