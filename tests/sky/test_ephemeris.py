"""Sun, Moon and targets against astropy (other theory, other code), the USNO's almanac and the worked rows of CHECKS 1."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body, get_sun
from astropy.time import Time
from astropy.utils import iers
from scipy.interpolate import CubicSpline

from nightfold.errors import SettingsError
from nightfold.sky import ephemeris
from nightfold.sky.ephemeris import Place, moon_illumination, moon_track, separation_deg, target_track
from nightfold.sky.night import Night, horizon_altitude_deg, night_at, spans_above, target_night

SECONDS = 5.0
DEGREES = 0.01
SLOW_DEG_PER_S = 2.0 / 3600.0  # below this rate a crossing is told to 0.01 degrees instead

LONDON_MERIDIAN = Place(52.0, 0.0)
AUTHORITIES = Path(__file__).parents[1] / "authorities"


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


# ------------------------------------------------------------------------------------------------- CHECKS T19 to T24


def test_twilights_at_an_equinox() -> None:
    # CHECKS T20, recomputed there with astropy and Skyfield to 1 s.
    night = night_at(LONDON_MERIDIAN, date(2025, 3, 20))
    wanted = {
        night.sunset: "2025-03-20T18:13:27",
        night.civil.evening: "2025-03-20T18:47:12",
        night.nautical.evening: "2025-03-20T19:27:08",
        night.dark_start: "2025-03-20T20:08:50",
        night.dark_end: "2025-03-21T04:04:48",
        night.nautical.morning: "2025-03-21T04:46:27",
        night.civil.morning: "2025-03-21T05:26:19",
        night.sunrise: "2025-03-21T05:59:58",
    }
    for found, expected in wanted.items():
        assert found is not None
        assert abs((found - utc(expected)).total_seconds()) < 2.0


def test_winter_and_midsummer() -> None:
    winter = night_at(LONDON_MERIDIAN, date(2025, 12, 21))
    assert winter.dark_start is not None
    assert winter.dark_end is not None
    assert abs((winter.dark_start - utc("2025-12-21T17:56:30")).total_seconds()) < 2.0
    assert abs((winter.dark_end - utc("2025-12-22T06:00:22")).total_seconds()) < 2.0
    summer = night_at(LONDON_MERIDIAN, date(2025, 6, 21))
    assert summer.dark_start is None
    assert summer.dark_end is None
    assert summer.astronomical.case == "never"
    assert summer.lowest_sun_deg == pytest.approx(-14.56, abs=0.01)  # CHECKS T21
    assert summer.nautical.evening is not None
    assert abs((summer.nautical.evening - utc("2025-06-21T22:31:20")).total_seconds()) < 2.0


@pytest.mark.parametrize(
    ("when", "moon", "target", "lit", "apart"),
    [
        ("2025-01-10T22:00:00", (63.345, 201.739), (32.549, 175.911), 0.8896, 34.793),
        ("2025-02-05T20:00:00", (54.108, 224.311), (32.228, 170.673), 0.5575, 43.443),
        ("2025-10-28T20:00:00", (5.053, 214.779), None, 0.4167, 134.540),
    ],
)
def test_topocentric_moon(
    when: str, moon: tuple[float, float], target: tuple[float, float] | None, lit: float, apart: float
) -> None:
    # CHECKS T23: DE421 and astropy agree to 0.002 degrees there.
    at = utc(when).timestamp()
    m = moon_track(LONDON_MERIDIAN, at - 3600, at + 3600)
    t = target_track(83.8221, -5.3911, LONDON_MERIDIAN, at - 3600, at + 3600)
    assert (float(m.altitude_deg(at)), float(m.azimuth_deg(at))) == pytest.approx(moon, abs=0.002)
    if target is not None:
        assert (float(t.altitude_deg(at)), float(t.azimuth_deg(at))) == pytest.approx(target, abs=0.002)
    assert float(moon_illumination(at).illuminated_fraction[0]) == pytest.approx(lit, abs=0.0005)
    assert float(separation_deg(m, t, at)) == pytest.approx(apart, abs=0.002)


def test_geocentric_separation_differs() -> None:
    # CHECKS T23, P2: topocentric 34.793, geocentric 35.127; the Moon's parallax makes the difference.
    at = utc("2025-01-10T22:00:00").timestamp()
    m = moon_track(LONDON_MERIDIAN, at - 3600, at + 3600)
    t = target_track(83.8221, -5.3911, LONDON_MERIDIAN, at - 3600, at + 3600)
    assert abs(float(separation_deg(m, t, at)) - 35.127) > 0.3


def test_hours_above_an_altitude() -> None:
    # CHECKS T22: latitude 52, Dec +41.27 (of date; J2000 here, hence the tolerance) is above 30 degrees for 12.293 h.
    start = utc("2000-01-01T00:00:00").timestamp()
    track = target_track(10.0, 41.27, LONDON_MERIDIAN, start, start + 86164.0)
    hours = sum(s.hours for s in spans_above(track, 30.0))
    assert hours == pytest.approx(12.293, abs=0.005)
    assert float(track.altitude_deg(track.unix_s).max()) == pytest.approx(79.27, abs=0.1)


def test_terrestrial_time() -> None:
    # CHECKS T24: TT - UTC is 69.184 s in 2025.
    t = ephemeris._time(np.array([utc("2025-06-01T00:00:00").timestamp()]))
    jd_utc = utc("2025-06-01T00:00:00").timestamp() / 86400.0 + 2440587.5
    assert (float(t.whole[0] - jd_utc) + float(t.tt_fraction[0])) * 86400.0 == pytest.approx(69.184, abs=1e-3)


def test_instants_of_phases() -> None:
    # CHECKS T9 (Meeus 1998, ex. 49.a and 49.b), within 30 s; JDE is TT.
    for jde, leap_s, phase in ((2443192.65118, 15.0, 0.0), (2467636.49186, 37.0, 270.0)):
        at = (jde - 2440587.5) * 86400.0 - 32.184 - leap_s
        elongation = float(moon_illumination(at).elongation_deg[0])
        assert abs((elongation - phase + 180.0) % 360.0 - 180.0) < 30.0 * 12.19 / 86400.0 * 1.2  # the Moon's fastest


def test_illuminated_fraction_in_the_textbook() -> None:
    # CHECKS T7, T8 (Meeus 1998, ex. 48.a): 1992 Apr 12.0 TD; the JPL ephemeris gives 0.6785, the book i = 69.0756.
    at = (2448724.5 - 2440587.5) * 86400.0 - 32.184 - 26.0
    light = moon_illumination(at)
    assert float(light.illuminated_fraction[0]) == pytest.approx(0.6785, abs=2e-4)
    assert float(light.phase_angle_deg[0]) == pytest.approx(69.0756, abs=0.02)
    assert light.names() == ["waxing gibbous"]


def test_separation_of_two_stars() -> None:
    # CHECKS T11: Arcturus and Spica, 32.7930 degrees (book's places, used as ICRS here: the angle hardly changes).
    start = utc("2000-01-01T12:00:00").timestamp()
    one = target_track(
        15 * (14 + 15 / 60 + 39.7 / 3600), 19 + 10 / 60 + 57 / 3600, LONDON_MERIDIAN, start, start + 7200
    )
    two = target_track(
        15 * (13 + 25 / 60 + 11.6 / 3600), -(11 + 9 / 60 + 41 / 3600), LONDON_MERIDIAN, start, start + 7200
    )
    assert float(separation_deg(one, two, start + 3600)) == pytest.approx(32.7930, abs=0.005)  # aberration: up to 0.004


def test_sidereal_day() -> None:
    # CHECKS T25: 86164.09 s from transit to transit.
    start = utc("2025-01-01T00:00:00").timestamp()
    transits = target_track(250.2, -48.8, LONDON_MERIDIAN, start, start + 5 * 86400.0).transits()
    assert np.diff(transits) == pytest.approx(86164.09, abs=0.05)


# ------------------------------------------------------------------------------------------------------ USNO almanac


def _phases_1980() -> list[tuple[float, datetime]]:
    text = (AUTHORITIES / "usno_moon_phases_1980.txt").read_text(encoding="ascii")
    months = dict(zip("Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split(), range(1, 13)))
    rows = []
    for line in text.splitlines():
        for match in re.finditer(r"(?P<m>[A-Z][a-z]{2}) +(?P<d>\d+) +(?P<h>\d+) +(?P<min>\d{2})", line):
            column = round((match.start() - 4) / 16)
            when = datetime(1980, months[match["m"]], int(match["d"]), int(match["h"]), int(match["min"]), tzinfo=UTC)
            rows.append((90.0 * column, when))
    return rows


def test_phases_of_a_year_against_the_almanac() -> None:
    # USNO, Astronomical Applications: 1980 Phases of the Moon, to the minute.
    rows = _phases_1980()
    assert len(rows) == 50
    elongation = moon_illumination([when.timestamp() for _, when in rows]).elongation_deg
    wanted = np.array([phase for phase, _ in rows])
    off_deg = (elongation - wanted + 180.0) % 360.0 - 180.0
    per_minute_deg = 12.19 / 1440.0  # mean motion of the elongation
    assert np.abs(off_deg).max() < 1.0 * per_minute_deg


def _almanac_1984() -> list[tuple[date, str, int]]:
    """Rows of (day, "rise" or "set", minutes of Eastern Standard Time)."""
    rows = []
    for line in (AUTHORITIES / "usno_moon_rise_set_1984.txt").read_text(encoding="ascii").splitlines():
        if not re.match(r"^\d\d  ", line):
            continue
        for month in range(12):
            for offset, kind in ((0, "rise"), (5, "set")):
                cell = line[4 + 11 * month + offset : 8 + 11 * month + offset].strip()
                if cell:
                    rows.append((date(1984, month + 1, int(line[:2])), kind, int(cell[:2]) * 60 + int(cell[2:])))
    return rows


def test_moonrise_and_moonset_of_a_year_against_the_almanac() -> None:
    # USNO: Rise and Set for the Moon for 1984, Boston; the almanac rounds to the minute.
    boston = Place(42.0 + 19.0 / 60.0, -71.0 - 5.0 / 60.0)
    start = datetime(1984, 1, 1, 5, tzinfo=UTC)
    moon = moon_track(boston, start.timestamp(), start.timestamp() + 366 * 86400.0, step_s=1800.0)
    roots, rising = moon.crossings(moon.limb_horizon_deg(moon.unix_s))
    minutes = {"rise": (roots[rising] - start.timestamp()) / 60.0, "set": (roots[~rising] - start.timestamp()) / 60.0}
    rows = _almanac_1984()
    assert len(rows) == len(roots)
    for day, kind, minute in rows:
        wanted = (day - date(1984, 1, 1)).days * 1440.0 + minute
        assert np.abs(minutes[kind] - wanted).min() < 1.0, (day, kind)


# ------------------------------------------------------------------------------------------------------------ astropy


def _astropy_altitudes(place: Place, unix_s: np.ndarray, body: str | tuple[float, float]) -> np.ndarray:
    """Airless altitudes by ERFA's own theories (VSOP/ELP fits): another library and another ephemeris."""
    where = EarthLocation.from_geodetic(place.longitude_deg, place.latitude_deg, place.elevation_m)
    times = Time(unix_s, format="unix")
    frame = AltAz(obstime=times, location=where)
    if body == "sun":
        sky = get_sun(times)
    elif body == "moon":
        sky = get_body("moon", times, where, ephemeris="builtin")
    else:
        sky = SkyCoord(body[0] * u.deg, body[1] * u.deg)
    return np.asarray(sky.transform_to(frame).alt.deg)


def _astropy_crossings(altitude: np.ndarray, unix_s: np.ndarray, limit: float) -> np.ndarray:
    spline = CubicSpline(unix_s, np.sin(np.radians(altitude)) - np.sin(np.radians(limit)))
    roots = spline.roots(discontinuity=False, extrapolate=False)
    return np.sort(roots[np.isfinite(roots)])


def _assert_same_crossings(ours: np.ndarray, theirs: np.ndarray, altitude: CubicSpline, margin_deg: float) -> None:
    """Each crossing has its twin within 5 s, or within 0.01 degrees where the altitude is slow.

    Where the curve only grazes the limit (`margin_deg`, how far its nearest turn stays from it) the count may differ.
    """
    if len(ours) != len(theirs):
        assert margin_deg < DEGREES
        return
    for a, b in zip(ours, theirs):
        rate = abs(float(altitude(b, 1)))
        assert abs(a - b) <= SECONDS or (rate < SLOW_DEG_PER_S and abs(a - b) * rate <= DEGREES)


def _nearest_turn_deg(altitude: CubicSpline, limit: float) -> float:
    turns = altitude.derivative().roots(discontinuity=False, extrapolate=False)
    turns = turns[np.isfinite(turns)]
    return float(np.abs(altitude(turns) - limit).min()) if turns.size else np.inf


def _sample(count: int, seed: int) -> list[tuple[Place, date, float, float]]:
    rng = np.random.default_rng(seed)
    latitude = np.degrees(np.arcsin(rng.uniform(-1, 1, count)))
    latitude[:: max(count // 10, 2)] = rng.choice(
        [-89.9, -80.0, -66.6, 66.6, 75.0, 89.9], latitude[:: max(count // 10, 2)].size
    )
    days = rng.integers(0, 9400, count)  # 2000 to 2025: both libraries know the Earth's rotation there
    return [
        (
            Place(float(latitude[i]), float(rng.uniform(-180, 180)), float(rng.uniform(0, 3000))),
            date(2000, 1, 5) + timedelta(days=int(days[i])),
            float(rng.uniform(0, 360)),
            float(np.degrees(np.arcsin(rng.uniform(-1, 1)))),
        )
        for i in range(count)
    ]


def _compare_with_astropy(sample: list[tuple[Place, date, float, float]]) -> int:
    """How many rises, sets and passages were compared, each within its limit."""
    compared = 0
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        for place, day, ra_deg, dec_deg in sample:
            night = night_at(place, day)
            grid = np.linspace(night.start.timestamp(), night.end.timestamp(), 145)
            target = target_night(night, ra_deg, dec_deg, min_altitude_deg=25.0)
            _compare_sun(night, grid)
            for track, body, limit in (
                (night.moon_track, "moon", -0.8),
                (target.track, (ra_deg, dec_deg), 25.0),
            ):
                altitude = _astropy_altitudes(place, grid, body)
                assert np.abs(track.altitude_deg(grid) - altitude).max() < DEGREES
                curve = CubicSpline(grid, altitude)
                theirs = _astropy_crossings(altitude, grid, limit)
                _assert_same_crossings(track.crossings(limit)[0], theirs, curve, _nearest_turn_deg(curve, limit))
                compared += theirs.size
                if body != "moon" and not theirs.size and abs(altitude.max() - 25.0) > DEGREES:
                    assert target.case == ("always" if altitude.min() > 25.0 else "never")
            _compare_transit(place, grid, ra_deg, dec_deg, target.transit)
            compared += 1
    return compared


def _compare_sun(night: Night, grid: np.ndarray) -> None:
    altitude = _astropy_altitudes(night.place, grid, "sun")
    assert np.abs(night.sun_track.altitude_deg(grid) - altitude).max() < DEGREES
    curve = CubicSpline(grid, altitude)
    for depth in (night.sun_down, night.civil, night.nautical, night.astronomical):
        theirs = _astropy_crossings(altitude, grid, depth.limit_deg)
        ours = np.array([t.timestamp() for t in (depth.evening, depth.morning) if t is not None])
        margin = min(
            _nearest_turn_deg(curve, depth.limit_deg), float(np.abs(altitude[[0, -1]] - depth.limit_deg).min())
        )
        _assert_same_crossings(ours, theirs, curve, margin)
        if not theirs.size and margin > DEGREES:
            assert depth.case == ("never" if altitude.min() > depth.limit_deg else "always")


def _compare_transit(place: Place, grid: np.ndarray, ra_deg: float, dec_deg: float, transit: datetime | None) -> None:
    assert transit is not None
    where = EarthLocation.from_geodetic(place.longitude_deg, place.latitude_deg, place.elevation_m)
    near = np.array([transit.timestamp()])
    times = Time(near, format="unix", location=where)
    of_date = SkyCoord(ra_deg * u.deg, dec_deg * u.deg).transform_to(
        SkyCoord(0 * u.deg, 0 * u.deg, frame="cirs", obstime=times[0]).frame.replicate_without_data()
    )
    angle = times[0].earth_rotation_angle().deg - of_date.ra.deg
    off_s = ((angle + 180.0) % 360.0 - 180.0) * 240.0
    # Hour angles are ill-defined near the pole of the sky: there the same error on the sky is a longer time.
    assert abs(off_s) * np.cos(np.radians(dec_deg)) < SECONDS


def test_twenty_places_against_astropy() -> None:
    assert _compare_with_astropy(_sample(20, seed=20261)) >= 40


@pytest.mark.full
def test_two_hundred_places_against_astropy() -> None:
    assert _compare_with_astropy(_sample(200, seed=20262)) >= 400


# ------------------------------------------------------------------------------------------------- places and clocks


def test_never_and_always() -> None:
    summer = night_at(Place(78.2, 15.6), date(2025, 6, 21))
    assert summer.sun_down.case == "never"
    assert summer.sunset is None
    assert summer.sunrise is None
    winter = night_at(Place(78.2, 15.6), date(2025, 12, 21))
    assert winter.sun_down.case == "always"
    assert winter.sunset is None
    assert winter.dark_start is not None
    pole = target_night(winter, 250.0, 89.0, min_altitude_deg=30.0)
    assert pole.case == "always"
    south = target_night(winter, 250.2, -48.8)
    assert south.case == "never"
    assert south.up == ()
    assert south.up_from is None


@pytest.mark.parametrize(
    ("place", "day"),
    [
        (Place(-17.8, 178.0, time_zone="Pacific/Fiji"), date(2025, 3, 1)),
        (Place(1.9, -157.4, time_zone="Pacific/Kiritimati"), date(2025, 3, 1)),  # zone +14 east of the line's far side
        (Place(-33.9, 18.4, time_zone="Africa/Johannesburg"), date(2025, 7, 4)),
        (Place(47.0, 8.0, time_zone="Europe/Zurich"), date(2025, 3, 29)),  # clocks go forward in this night
        (Place(47.0, 8.0, time_zone="Europe/Zurich"), date(2025, 10, 25)),  # and back in this
    ],
)
def test_a_night_belongs_to_its_evenings_date(place: Place, day: date) -> None:
    night = night_at(place, day)
    assert night.sunset is not None
    assert night.sunrise is not None
    assert night.local(night.sunset).date() == day
    assert night.local(night.sunrise).date() == day + timedelta(days=1)
    assert night.sunset.tzinfo is UTC


def test_a_wall_hides_the_target() -> None:
    night = night_at(Place(-31.0, 149.0), date(2025, 6, 20))
    free = target_night(night, 250.2, -48.8, min_altitude_deg=30.0)
    walled = target_night(
        night, 250.2, -48.8, min_altitude_deg=30.0, profile=[(0, 10), (90, 10), (110, 50), (170, 50), (190, 10)]
    )
    assert free.up_from is not None
    assert walled.up_from is not None
    assert walled.up_from > free.up_from + timedelta(minutes=30)
    at = walled.up_from.timestamp()
    wall = horizon_altitude_deg(walled.track.azimuth_deg(at), [(0, 10), (90, 10), (110, 50), (170, 50), (190, 10)])
    assert float(walled.track.altitude_deg(at)) == pytest.approx(float(wall), abs=1e-4)


def test_horizon_is_straight_across_north() -> None:
    profile = [(350.0, 20.0), (10.0, 10.0)]
    assert horizon_altitude_deg([350.0, 0.0, 5.0, 10.0, 180.0], profile) == pytest.approx([20, 15, 12.5, 10, 15])
    assert horizon_altitude_deg([12.0], []) == pytest.approx([0.0])


def test_impossible_places_and_dates() -> None:
    with pytest.raises(SettingsError, match=r"latitude_deg.*seen: 91.*allowed: -90 to 90"):
        Place(91.0, 0.0)
    with pytest.raises(
        SettingsError, match=r"outside the ephemeris DE421; seen: 2060-01-01; allowed: 1899-08-02 to 2053-10-05"
    ):
        night_at(LONDON_MERIDIAN, date(2060, 1, 1))
    with pytest.raises(SettingsError, match="DE421"):
        night_at(LONDON_MERIDIAN, date(1850, 1, 1))
    with pytest.raises(SettingsError, match="time_zone is not known; seen: Mars/Olympus"):
        night_at(Place(0.0, 0.0, time_zone="Mars/Olympus"), date(2025, 1, 1))
    with pytest.raises(SettingsError, match="coordinates are impossible"):
        target_track(10.0, 95.0, LONDON_MERIDIAN, 0.0, 86400.0)


def test_the_end_of_the_rotation_table_is_told() -> None:
    assert ephemeris.orientation_note(utc("2020-01-01T00:00:00")) is None
    note = ephemeris.orientation_note(utc("2050-01-01T00:00:00"))
    assert note is not None
    assert "ends on" in note


def test_the_first_and_last_nights_that_can_be_told_are_those_named() -> None:
    """What a refusal allows works, at sites at both ends of the clock; a day further is refused by the date as given."""
    for longitude in (-179.0, 179.0):
        site = Place(latitude_deg=-32.6, longitude_deg=longitude)
        with pytest.raises(SettingsError, match=r"seen: 9999-12-31; allowed: (\S+) to (\S+);") as refusal:
            night_at(site, date(9999, 12, 31))
        first, last = (date.fromisoformat(d) for d in refusal.value.allowed.split(" to "))
        assert (first, last) == (date(1899, 8, 2), date(2053, 10, 5))
        for day in (first, last):
            assert night_at(site, day).date == day
        for day in (first - timedelta(days=1), last + timedelta(days=1)):
            with pytest.raises(SettingsError, match=f"seen: {day}"):
                night_at(site, day)
