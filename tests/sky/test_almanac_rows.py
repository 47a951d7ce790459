"""Worked examples of Meeus, Astronomical Algorithms (2nd ed. 1998), against our tracks; the rows are those of CHECKS section 1.

The book's theories are older than DE421 and its times UT or TD; each tolerance says what it covers.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from nightfold.sky.ephemeris import Place, Track, _tables, _time, _track, sun_track, unix_seconds

ARCSEC = 1.0 / 3600.0
BOSTON = Place(42.0 + 20.0 / 60.0, -(71.0 + 5.0 / 60.0))
WASHINGTON = Place(38.0 + 55.0 / 60.0 + 17.0 / 3600.0, -(77.0 + 3.0 / 60.0 + 56.0 / 3600.0))


def venus(place: Place, start: datetime, hours: float) -> Track:
    begin = unix_seconds(start)
    body: Any = _tables()[1]["venus"]
    return _track(body, place, begin, begin + 3600.0 * hours, 600.0, far=False)


def test_the_moons_place_in_the_installed_ephemeris() -> None:
    """Example 47.a (CHECKS T5): the abridged ELP is good to 10" in longitude and 4" in latitude."""
    scale, kernel = _tables()[:2]
    ra, dec, distance = kernel["earth"].at(scale.tt(1992, 4, 12)).observe(kernel["moon"]).apparent().radec("date")
    assert ra.hours * 15.0 == pytest.approx(134.688470, abs=11.0 * ARCSEC)
    assert dec.degrees == pytest.approx(13.768368, abs=8.0 * ARCSEC)
    assert distance.km == pytest.approx(368409.7, abs=60.0)


def test_rise_transit_and_set_of_venus() -> None:
    """Example 15.a (CHECKS T10), 1988 March 20 at Boston; UT1 and UTC differ by up to 0.9 s, the book rounds to 1 s."""
    midnight = datetime(1988, 3, 20, tzinfo=UTC)
    track = venus(BOSTON, midnight, 24.0)
    day = unix_seconds(midnight)
    instants, rising = track.crossings(-0.5667)
    assert rising.tolist() == [False, True]
    np.testing.assert_allclose(instants - day, [10480.0, 44726.0], atol=2.5)  # 02:54:40, 12:25:26
    np.testing.assert_allclose(track.transits() - day, [70830.0], atol=2.5)  # 19:40:30


def test_altitude_azimuth_and_hour_angle_of_venus() -> None:
    """Example 13.b (CHECKS T12); the book's place is the geocentric one, our altitude lower by the parallax, here 8"."""
    instant = datetime(1987, 4, 10, 19, 21, tzinfo=UTC)
    track = venus(WASHINGTON, datetime(1987, 4, 10, 18, tzinfo=UTC), 3.0)
    at = [unix_seconds(instant)]
    # One second of UT1 against UTC is 0.004 degrees of turning.
    assert float(track.hour_angle_deg(at)[0]) == pytest.approx(64.352133, abs=0.005)
    assert float(track.azimuth_deg(at)[0]) == pytest.approx(248.0337, abs=0.004)
    assert float(track.altitude_deg(at)[0]) == pytest.approx(15.1249 - 7.0 * ARCSEC, abs=0.004)


def test_the_equation_of_time() -> None:
    """Example 28.a (CHECKS T17): 1992 October 13.0 TD, apparent less mean solar time, +13 min 42.6 s, to 0.2 s."""
    scale = _tables()[0]
    instant = scale.tt(1992, 10, 13)
    unix_s = unix_seconds(instant.utc_datetime())
    sun = sun_track(Place(0.0, 0.0), unix_s - 7200.0, unix_s + 7200.0)
    ut1_s = (unix_s + float(_time(np.array([unix_s])).dut1[0])) % 86400.0
    apparent_s = (float(sun.hour_angle_deg([unix_s])[0]) + 180.0) * 240.0
    difference = (apparent_s - ut1_s + 43200.0) % 86400.0 - 43200.0
    assert difference == pytest.approx(13 * 60 + 42.6, abs=0.25)
