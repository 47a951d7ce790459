"""Times as people write them, in nights with and without a change of the clock."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from nightfold.errors import SettingsError
from nightfold.plan.clock import clear_window, instant_in, tonight_of
from nightfold.sky.ephemeris import Place
from nightfold.sky.night import Night, night_at

BRISBANE = Place(-32.6, 147.2, time_zone="Australia/Brisbane")


@pytest.fixture(scope="module")
def night() -> Night:
    return night_at(BRISBANE, date(2026, 6, 5))


def test_site_time_before_and_after_midnight(night: Night) -> None:
    assert instant_in("22:30", night) == datetime(2026, 6, 5, 12, 30, tzinfo=UTC)
    assert instant_in("01:30", night) == datetime(2026, 6, 5, 15, 30, tzinfo=UTC)
    assert instant_in("2026-06-05T22:30", night) == datetime(2026, 6, 5, 12, 30, tzinfo=UTC)
    assert instant_in("2026-06-05T13:00Z", night) == datetime(2026, 6, 5, 13, 0, tzinfo=UTC)
    now = datetime(2026, 6, 5, 14, 0, tzinfo=UTC)
    assert instant_in("now", night, now=now) == now
    begin, end = clear_window("22:00-01:30", night)
    assert (end - begin).total_seconds() == 3.5 * 3600


def test_the_clock_goes_back_in_the_night() -> None:
    # Sydney, 2026-04-05 at 03:00 summer time becomes 02:00: 04:30 is then UTC+10 and not UTC+11.
    night = night_at(Place(-33.9, 150.2, time_zone="Australia/Sydney"), date(2026, 4, 4))
    assert instant_in("22:30", night) == datetime(2026, 4, 4, 11, 30, tzinfo=UTC)
    assert instant_in("04:30", night) == datetime(2026, 4, 4, 18, 30, tzinfo=UTC)


def test_without_a_zone_the_clock_is_utc() -> None:
    night = night_at(Place(-32.6, 147.2), date(2026, 6, 5))
    assert instant_in("12:30", night) == datetime(2026, 6, 5, 12, 30, tzinfo=UTC)


@pytest.mark.parametrize("text", ["", "25:00", "22:61", "dusk", "22", "2026-13-01T22:00"])
def test_what_is_no_time(night: Night, text: str) -> None:
    with pytest.raises(SettingsError, match="the time cannot be read"):
        instant_in(text, night)


@pytest.mark.parametrize("text", ["2026-06-07T22:00", "2026-06-04T22:00"])
def test_times_of_other_nights(night: Night, text: str) -> None:
    with pytest.raises(SettingsError, match="outside the night"):
        instant_in(text, night)


def test_clear_hours_in_order(night: Night) -> None:
    with pytest.raises(SettingsError, match="end before they begin"):
        clear_window("01:30-22:00", night)
    with pytest.raises(SettingsError, match="cannot be read"):
        clear_window("22:00", night)


def test_utc_kept_far_from_greenwich_tells_no_noon() -> None:
    # 06:00 and 11:30 UTC are 16:00 and 21:30 there: the night to come and the night that is on.
    place = Place(-32.6, 149.1, time_zone="UTC")
    for hour, minute in ((6, 0), (11, 30), (13, 0)):
        assert tonight_of(place, datetime(2026, 9, 20, hour, minute, tzinfo=UTC)) == date(2026, 9, 20)


def test_which_night_is_tonight() -> None:
    assert tonight_of(BRISBANE, datetime(2026, 6, 5, 6, 0, tzinfo=UTC)) == date(2026, 6, 5)  # 16:00
    assert tonight_of(BRISBANE, datetime(2026, 6, 5, 17, 0, tzinfo=UTC)) == date(2026, 6, 5)  # 03:00 on the 6th
    assert tonight_of(BRISBANE, datetime(2026, 6, 4, 23, 0, tzinfo=UTC)) == date(2026, 6, 5)  # 09:00: the night to come
    mean_sun = Place(-32.6, 147.2)
    assert tonight_of(mean_sun, datetime(2026, 6, 5, 17, 0, tzinfo=UTC)) == date(2026, 6, 5)
