"""Which calibration frames go with which subs, and what is missing."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import count

import pytest

from nightfold.frames.records import FrameHeader
from nightfold.intake.matching import match_calibration, missing_calibration
from nightfold.intake.records import FrameFacts, RigEvent, RigHints, Tolerances
from nightfold.intake.rigs import match_rig, why_no_rig

EVENING = datetime(2024, 5, 3, 20, tzinfo=UTC)
SUB = FrameFacts(
    id=0, name="s.fits", kind="sub", width_px=4144, height_px=2822, start=EVENING, night=date(2024, 5, 3), rig="wide",
    camera="Cam A", filter="Ha", exposure_s=150.0, gain=100.0, offset=30.0, sensor_c=-10.0, readout_mode="low noise",
    camera_angle_deg=12.0,
)  # fmt: skip


def frames(kind: str, number: int, start_id: int, **changes: object) -> list[FrameFacts]:
    base = replace(SUB, kind=kind, **changes)  # type: ignore[arg-type]
    return [replace(base, id=start_id + i, name=f"{kind}{i}.fits") for i in range(number)]


def later(days: float) -> dict[str, object]:
    start = EVENING + timedelta(days=days)
    return {"start": start, "night": start.date()}


def test_a_full_set_matches() -> None:
    subs = frames("sub", 3, 0)
    darks = frames("dark", 30, 100, filter=None, camera_angle_deg=None, rig=None)
    flats = frames("flat", 25, 200, exposure_s=2.0)
    flat_darks = frames("flat_dark", 30, 300, exposure_s=2.0, filter=None)
    (match,) = match_calibration(subs, [*darks, *flats, *flat_darks])
    assert match.subs == (0, 1, 2)
    assert match.darks == tuple(range(100, 130))
    assert match.flats == tuple(range(200, 225))
    assert (match.flat_calibration, match.flat_darks) == ("flat_dark", tuple(range(300, 330)))
    assert match.reasons == ()
    assert missing_calibration(subs, [*darks, *flats, *flat_darks]) == []


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"exposure_s": 152.0}, "exposure"),
        ({"gain": 101.0}, "gain"),
        ({"offset": 31.0}, "offset"),
        ({"binning": (2, 2)}, "binning"),
        ({"readout_mode": "fast"}, "readout mode"),
        ({"sensor_c": -8.9}, "sensor temperature"),
        ({"camera": "Cam B"}, "camera"),
        ({"width_px": 4000}, "size"),
    ],
)
def test_a_dark_must_agree_in_everything(change: dict[str, object], what: str) -> None:
    (match,) = match_calibration([SUB], frames("dark", 4, 100, **change))
    assert match.darks == ()
    assert f"4 differ in {what}" in match.reasons[0]
    assert "150 s, gain 100, offset 30, -10.0 °C, mode low noise" in match.reasons[0]


@pytest.mark.parametrize("change", [{"exposure_s": 151.0}, {"sensor_c": -9.0}, {"camera": "cam a "}, {"rig": "other"}])
def test_a_dark_may_differ_within_its_tolerance(change: dict[str, object]) -> None:
    (match,) = match_calibration([SUB], frames("dark", 4, 100, **change))
    assert len(match.darks) == 4


def test_what_is_not_known_matches_and_is_told() -> None:
    (match,) = match_calibration([SUB], frames("dark", 2, 100, gain=None, sensor_c=None))
    assert len(match.darks) == 2
    assert match.reasons[0] == "darks taken to match though not both say: gain, sensor temperature"


def test_old_darks_are_used_and_told() -> None:
    (match,) = match_calibration([SUB], frames("dark", 2, 100, **later(-400)))
    assert len(match.darks) == 2
    assert "400 days away" in match.reasons[0]


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"filter": "OIII"}, "filter"),
        ({"rig": "long"}, "rig"),
        ({"camera_angle_deg": 14.0}, "camera angle"),
        ({"readout_mode": "fast"}, "readout mode"),
    ],
)
def test_a_flat_must_have_the_same_optical_state(change: dict[str, object], what: str) -> None:
    (match,) = match_calibration([SUB], frames("flat", 4, 100, **change))
    assert match.flats == ()
    assert any(f"4 differ in {what}" in reason for reason in match.reasons)


def test_a_half_turn_of_the_header_angle_is_the_same_state() -> None:
    (match,) = match_calibration([SUB], frames("flat", 4, 100, camera_angle_deg=192.3))
    assert len(match.flats) == 4


def test_flats_of_another_gain_or_exposure_do() -> None:
    (match,) = match_calibration([SUB], frames("flat", 4, 100, gain=0.0, exposure_s=1.0, sensor_c=20.0))
    assert len(match.flats) == 4


def test_an_unknown_angle_is_told() -> None:
    (match,) = match_calibration([replace(SUB, camera_angle_deg=None)], frames("flat", 9, 100))
    assert "flats: angle not known" in match.reasons


def test_the_nearest_flats_within_the_events_are_taken() -> None:
    before = frames("flat", 10, 100, **later(-1))
    after = frames("flat", 10, 200, **later(5))
    much_later = frames("flat", 10, 300, **later(9))
    pool = [*before, *after, *much_later]
    (match,) = match_calibration([SUB], pool)
    assert match.flats == tuple(range(100, 110))
    cleaned = RigEvent(rig="wide", at=EVENING - timedelta(hours=2), what="sensor cleaned")
    (match,) = match_calibration([SUB], pool, events=[cleaned])
    assert match.flats == tuple(range(200, 210))
    (match,) = match_calibration([SUB], before, events=[cleaned])
    assert match.flats == ()
    assert any("since 2024-05-03 (sensor cleaned): 10 differ in a change of the rig" in r for r in match.reasons)
    elsewhere = replace(cleaned, rig="long")
    (match,) = match_calibration([SUB], pool, events=[elsewhere])
    assert match.flats == tuple(range(100, 110))


def test_few_flats_are_filled_up_from_the_next_night() -> None:
    pool = [*frames("flat", 2, 100), *frames("flat", 10, 200, **later(2)), *frames("flat", 10, 300, **later(4))]
    (match,) = match_calibration([SUB], pool)
    assert match.flats == (100, 101, *range(200, 210))


def test_flats_fall_back_on_bias() -> None:
    flats = frames("flat", 9, 100, exposure_s=2.0)
    bias = frames("bias", 9, 200, exposure_s=0.0)
    (match,) = match_calibration([SUB], [*flats, *bias])
    assert (match.flat_calibration, match.flat_darks, match.bias) == ("bias", tuple(range(200, 209)), match.flat_darks)
    (match,) = match_calibration([SUB], flats)
    assert match.flat_calibration == "none"
    assert any("no flat-dark or bias at all" in r for r in match.reasons)


def test_every_sub_is_in_one_group() -> None:
    ids = count()
    subs = [
        replace(SUB, id=next(ids), exposure_s=e, filter=f, sensor_c=c, **later(d))  # type: ignore[arg-type]
        for e in (60.0, 150.0)
        for f in ("Ha", "L")
        for d in (0, 3)
        for c in (-10.4, -9.8, -3.0)
    ]
    matches = match_calibration(subs, [])
    assert sorted(i for m in matches for i in m.subs) == list(range(len(subs)))
    assert len(matches) == 2 * 2 * 2 * 2  # the sensor at -3 °C stands apart


def test_calibrated_subs_need_nothing() -> None:
    done = replace(SUB, calibrated=True)
    (match,) = match_calibration([done], frames("dark", 3, 100))
    assert match.darks == ()
    assert missing_calibration([done], []) == []


def test_what_is_missing_is_listed_once_with_counts() -> None:
    subs = [replace(SUB, id=i, filter=f, set_point_c=-10.0, sensor_c=-9.7 - 0.1 * d, **later(d))
            for i, (f, d) in enumerate([("Ha", 0), ("L", 0), ("Ha", 5)])]  # type: ignore[arg-type]  # fmt: skip
    have = [*frames("dark", 12, 100), *frames("flat", 9, 200, exposure_s=2.0)]
    missing = missing_calibration(subs, have)
    assert [(m.kind, m.filter, m.have, m.wanted) for m in missing] == [
        ("dark", None, 12, 30),
        ("flat", "Ha", 9, 25),
        ("flat", "L", 0, 25),
        ("flat_dark", None, 0, 30),
    ]
    assert missing[0].words == "18 darks of 150 s at gain 100, offset 30, −10 °C, mode low noise for wide"
    assert (missing[0].sensor_c, missing[0].exposure_s, missing[0].night) == (-10.0, 150.0, None)
    assert missing[1].night == date(2024, 5, 8)
    assert missing[3].exposure_s == 2.0


def test_wanted_counts_are_the_persons_choice() -> None:
    tolerances = Tolerances(wanted={"dark": 5, "flat": 5, "flat_dark": 5, "bias": 5})
    have = [*frames("dark", 5, 100), *frames("flat", 5, 200), *frames("bias", 5, 300)]
    assert missing_calibration([SUB], have, tolerances=tolerances) == []


WIDE = RigHints(name="wide", width_px=4144, height_px=2822, pixel_um=4.63, focal_length_mm=275)
LONG = replace(WIDE, name="long", focal_length_mm=530)


@pytest.mark.parametrize(
    ("header", "rigs", "wanted"),
    [
        ({"focal_length_mm": 275.0}, [WIDE, LONG], "wide"),
        ({"focal_length_mm": 528.0}, [WIDE, LONG], "long"),
        ({"focal_length_mm": 900.0}, [WIDE, LONG], None),
        ({}, [WIDE, LONG], None),
        ({}, [WIDE], "wide"),
        ({"pixel_um": 3.2}, [WIDE], None),
        ({"width_px": 5000}, [WIDE], None),
        ({"width_px": 2072, "height_px": 1411, "binning": (2, 2), "pixel_um": 9.26}, [WIDE], "wide"),
        ({"width_px": 2072, "height_px": 1411, "binning": (2, 2), "pixel_um": 4.63}, [WIDE], "wide"),
        ({"camera": "Cam B"}, [replace(WIDE, camera="cam a"), replace(LONG, camera="CAM B*")], "long"),
        ({"telescope": "Tall"}, [WIDE, replace(LONG, match={"telescope": "tall"})], "long"),
    ],
)
def test_a_rig_is_told_by_what_headers_say(header: dict[str, object], rigs: list[RigHints], wanted: str | None) -> None:
    values: dict[str, object] = {"kind": "sub", "width_px": 4144, "height_px": 2822, **header}
    frame = FrameHeader(**values)  # type: ignore[arg-type]
    assert match_rig(frame, rigs) == wanted
    if wanted is None:
        assert why_no_rig(frame, rigs)
