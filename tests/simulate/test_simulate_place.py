"""Places of field, Sun and Moon against astropy's."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest
from astropy.coordinates import SkyCoord, get_body, solar_system_ephemeris
from astropy.time import Time

from nightfold.simulate.place import (
    moon,
    moonlight_mag_arcsec2,
    place_of,
    scattered_mag_arcsec2,
    separation_deg,
    sidereal_deg,
    sun,
)

WHEN = datetime(2026, 5, 26, 13, 40, tzinfo=UTC)


def test_sidereal_time_is_that_of_erfa() -> None:
    time = Time(WHEN)
    time.delta_ut1_utc = 0.0
    expected = time.sidereal_time("mean", "greenwich").deg + 147.2
    assert sidereal_deg(WHEN, 147.2) == pytest.approx(expected % 360.0, abs=0.01)


@pytest.mark.parametrize(("body", "ours", "error_deg"), [("sun", sun, 0.5), ("moon", moon, 1.5)])
def test_sun_and_moon_are_near_the_built_in_ephemeris(body: str, ours, error_deg: float) -> None:  # type: ignore[no-untyped-def]
    """Low-precision series of date against apparent places of J2000: precession of 26 years is 0.37°."""
    for month in (1, 4, 7, 10):
        when = datetime(2026, month, 11, 15, tzinfo=UTC)
        with solar_system_ephemeris.set("builtin"):
            there = get_body(body, Time(when)).gcrs
        seen = SkyCoord(*ours(when), unit="deg")
        assert seen.separation(SkyCoord(there.ra, there.dec)).deg < error_deg


def test_altitude_airmass_and_zenith_angle_at_known_places() -> None:
    site = {"latitude_deg": -32.6, "longitude_deg": 147.2}
    transit_ra = sidereal_deg(WHEN, 147.2)
    south = place_of(transit_ra, -48.8, WHEN, **site)
    assert south.altitude_deg == pytest.approx(90.0 - 16.2, abs=1e-9)
    assert abs(south.parallactic_deg) < 1e-6  # south of the zenith, the zenith lies north of the field
    north = place_of(transit_ra, 10.0, WHEN, **site)
    assert abs(north.parallactic_deg) == pytest.approx(180.0, abs=1e-6)
    east = place_of((transit_ra + 60.0) % 360.0, -48.8, WHEN, **site)
    assert east.hour_angle_h == pytest.approx(-4.0)
    low = place_of(transit_ra, -32.6 + 60.0, WHEN, **site)
    assert low.airmass == pytest.approx(2.0, abs=0.01)  # Young & Irvine 1967 at z = 60°: 1.993


def test_moonlight_is_near_the_published_example() -> None:
    """Krisciunas & Schaefer 1991: phase 45°, Moon at z 70°, field at z 20°, 50° apart, k 0.15: 19.855 V mag/arcsec²."""
    ours = scattered_mag_arcsec2(45.0, 50.0, airmass=1.06, moon_airmass=2.8, extinction_mag=0.15)
    assert ours == pytest.approx(19.855, abs=0.25)


def test_moonlight_comes_and_goes_with_the_moon() -> None:
    site = {"latitude_deg": -32.6, "longitude_deg": 147.2}
    full = datetime(2026, 5, 31, 13, tzinfo=UTC)  # full Moon of 2026 May 31, 08:45 UT (almanacs)
    ra, dec = moon(full)
    far = ((ra - 60.0) % 360.0, dec)
    near = ((ra - 15.0) % 360.0, dec)
    assert separation_deg(moon(full), sun(full)) > 170.0
    assert 18.0 < moonlight_mag_arcsec2(far, full, **site) < 20.0
    assert moonlight_mag_arcsec2(near, full, **site) < moonlight_mag_arcsec2(far, full, **site)
    assert math.isinf(moonlight_mag_arcsec2(far, datetime(2026, 5, 31, 2, tzinfo=UTC), **site))
