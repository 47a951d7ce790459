"""Nights run from local noon to local noon."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from nightfold.errors import SettingsError
from nightfold.intake.night import night_of, nights_by_gap


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("start", "options", "wanted"),
    [
        # Sydney is UTC+11 in summer: local noon is 01:00 UTC.
        ("2024-01-10T00:59:59", {"zone": "Australia/Sydney"}, "2024-01-09"),
        ("2024-01-10T01:00:00", {"zone": "Australia/Sydney"}, "2024-01-10"),
        ("2024-01-10T15:00:00", {"zone": "Australia/Sydney"}, "2024-01-10"),
        ("2024-07-10T01:30:00", {"zone": "Australia/Sydney"}, "2024-07-09"),  # UTC+10 in winter
        ("2024-01-10T06:00:00", {"zone": "America/Denver"}, "2024-01-09"),
        ("2024-01-10T06:00:00", {"site_longitude_deg": -105.0}, "2024-01-09"),
        ("2024-01-10T19:01:00", {"site_longitude_deg": -105.0}, "2024-01-10"),
        ("2024-01-10T06:00:00", {"site_longitude_deg": 255.0}, "2024-01-09"),
        ("2017-12-20T01:33:43", {"utc_offset_h": -7.0}, "2017-12-19"),
        ("2024-01-10T06:00:00", {"header_longitude_deg": 150.0}, "2024-01-10"),
        ("2024-01-10T06:00:00", {}, "2024-01-09"),
        ("2024-01-10T12:00:00", {}, "2024-01-10"),
    ],
)
def test_a_start_has_its_night(start: str, options: dict[str, object], wanted: str) -> None:
    assert night_of(at(start), **options).date == date.fromisoformat(wanted)  # type: ignore[arg-type]


def test_the_site_comes_before_the_header() -> None:
    night = night_of(at("2024-01-10T02:00:00"), zone="Australia/Sydney", utc_offset_h=-7.0, header_longitude_deg=-110.0)
    assert (night.date, night.basis) == (date(2024, 1, 10), "site zone")
    assert night_of(at("2024-01-10T02:00:00"), utc_offset_h=-7.0, header_longitude_deg=150.0).basis == "header clock"


def test_utc_kept_far_from_greenwich_cuts_no_night() -> None:
    # 11:30 and 13:10 UTC are 21:30 and 23:10 at 149.1 degrees east.
    for start in ("2026-09-20T11:30:00", "2026-09-20T13:10:00"):
        night = night_of(at(start), zone="UTC", site_longitude_deg=149.1)
        assert (night.date, night.basis) == (date(2026, 9, 20), "site longitude")
    assert night_of(at("2026-09-20T13:10:00"), zone="UTC", site_longitude_deg=-3.0).basis == "site zone"
    assert night_of(at("2026-09-20T18:10:00"), zone="Asia/Shanghai", site_longitude_deg=76.0).basis == "site zone"


def test_an_unknown_zone_is_refused() -> None:
    with pytest.raises(SettingsError, match="Mars/Olympus"):
        night_of(at("2024-01-10T02:00:00"), zone="Mars/Olympus")


def test_the_largest_gap_parts_nights_across_utc_noon() -> None:
    # A site near longitude 180°: nights run over 12:00 UTC and must not be cut there.
    first = [at("2024-03-01T08:00:00") + timedelta(minutes=20 * i) for i in range(28)]
    second = [t + timedelta(days=1) for t in first]
    nights = nights_by_gap([*second, *first])
    assert nights == [date(2024, 3, 2)] * 28 + [date(2024, 3, 1)] * 28
    assert nights_by_gap([]) == []
    assert len(set(nights_by_gap([at("2024-03-01T23:50:00"), at("2024-03-02T00:10:00")]))) == 1
