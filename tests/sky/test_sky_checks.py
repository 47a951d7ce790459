"""Rows of CHECKS sections 1 to 5 that no other test of sky and rig holds, each with its source."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from nightfold.rig.core import read_noise_penalty
from nightfold.sky import ephemeris
from nightfold.sky.airmass import airmass_from_apparent_altitude, airmass_pickering
from nightfold.sky.brightness import Band, natural_photons
from nightfold.sky.ephemeris import Place, sun_track
from nightfold.sky.moonlight import extinction_mag_at, rayleigh_extinction_mag

NORTH_POLE = Place(90.0, 0.0)


@pytest.mark.parametrize(
    ("when", "julian"),
    [
        ("1987-01-27T00:00:00", 2446822.5),
        ("1987-06-19T12:00:00", 2446966.0),
        ("1988-01-27T00:00:00", 2447187.5),
        ("1999-01-01T00:00:00", 2451179.5),
        ("2000-01-01T12:00:00", 2451545.0),
    ],
)
def test_julian_days(when: str, julian: float) -> None:
    # CHECKS T1 (Meeus 1998, ch. 7): the days that our clock gives to the ephemeris. TT runs 55 to 65 s ahead of UTC there.
    at = datetime.fromisoformat(when).replace(tzinfo=UTC).timestamp()
    time = ephemeris._time(np.array([at]))
    assert float(time.tt[0]) == pytest.approx(julian, abs=66.0 / 86400.0)
    assert float(time.tt[0]) > julian + 50.0 / 86400.0


def test_sidereal_time() -> None:
    # CHECKS T2 (Meeus 1998, ex. 12.a): 1987 Apr 10, 0h UT: mean sidereal time 13h10m46.3668s. UT1 - UTC was -0.4 s then.
    at = datetime(1987, 4, 10, tzinfo=UTC).timestamp()
    time = ephemeris._time(np.array([at]))
    wanted = 13.0 + 10.0 / 60.0 + 46.3668 / 3600.0
    assert float(time.gmst[0]) * 3600.0 == pytest.approx(wanted * 3600.0, abs=1.0)


def test_declination_of_the_sun() -> None:
    # CHECKS T4 (Meeus 1998, ex. 25.b, full theory): 1992 Oct 13.0 TD, Dec -7d47'01.74" = -7.78382. At the pole the altitude
    # is the declination less the Sun's parallax, 8.8".
    at = datetime(1992, 10, 13, tzinfo=UTC).timestamp() - 59.2
    altitude = float(sun_track(NORTH_POLE, at - 3600.0, at + 3600.0).altitude_deg(at))
    assert altitude + 8.8 / 3600.0 == pytest.approx(-7.78382, abs=2e-4)


def test_air_mass_of_the_tables() -> None:
    # CHECKS A2 (Kasten & Young 1989, table II): 0.2 % above 1 degree, 0.5 % at 0; A3 (Pickering 2002): 1.4124 at 45.
    for altitude, wanted, share in (
        (10.0, 5.5841, 0.002),
        (5.0, 10.3164, 0.002),
        (1.0, 26.2595, 0.002),
        (0.0, 38.0868, 0.005),
    ):
        assert float(airmass_from_apparent_altitude(altitude)) == pytest.approx(wanted, rel=share)
    assert float(airmass_pickering(45.0)) == pytest.approx(1.4124, abs=1e-3)


def test_read_noise_under_a_dark_narrow_sky() -> None:
    # CHECKS D8: sky 0.00815 e/s and pixel; 1.5 e of read noise cost 82, 39, 21, 11 % at 120, 300, 600, 1200 s.
    for seconds, percent in ((120.0, 82.0), (300.0, 39.0), (600.0, 21.0), (1200.0, 11.0)):
        penalty = read_noise_penalty(sky_e_per_s=0.00815, exposure_s=seconds, read_noise_e=1.5)
        assert 100.0 * penalty == pytest.approx(percent, abs=0.6)
    assert read_noise_penalty(sky_e_per_s=0.00815, exposure_s=2693.0, read_noise_e=1.5) == pytest.approx(0.05, rel=0.01)


def test_a_dark_sky_is_of_the_right_size() -> None:
    # CHECKS M8 (Knapen & Trujillo 2017, sec. 2.1): about 22 in V. 3640 Jy at V = 0 (Bessell 1979) make 1.6e-7 photons a
    # second, cm2, angstrom and arcsec2 there: 9.99e3 photons a second, m2 and nm at 0 mag, times 1e-0.4 x 22.
    photons = natural_photons(22.0, Band("V", 550.0, 88.0))
    assert photons == pytest.approx(3640e-26 / 6.62607015e-34 / 550.0 * 10 ** (-0.4 * 22.0), rel=0.25)


def test_extinction_of_clean_air() -> None:
    # Hansen & Travis 1974 at sea level: 0.008569 um^-4 (1 + 0.0113 um^-2 + 0.00013 um^-4) in optical depth, x 1.0857.
    assert rayleigh_extinction_mag(550.0) == pytest.approx(1.085736 * 0.0973, rel=0.003)
    assert extinction_mag_at(550.0, 0.2) == pytest.approx(0.2)
    assert extinction_mag_at(450.0, 0.2) > 0.2 > extinction_mag_at(656.3, 0.2) > rayleigh_extinction_mag(656.3)
