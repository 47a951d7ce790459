"""Air mass against the tables of CHECKS section 2 (each with its paper) and altitudes against Meeus and astropy."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from nightfold.sky import airmass as am

# Zenith distance: sec z-free values of the four formulas, recomputed from the published coefficients (CHECKS A1).
TABLE = {
    0: (0.9997, 1.0000, 1.0000, 1.0000),
    30: (1.1540, 1.1543, 1.1541, 1.1541),
    45: (1.4126, 1.4129, 1.4121, 1.4124),
    60: (1.9943, 1.9945, 1.9917, 1.9932),
    70: (2.9031, 2.9039, 2.8951, 2.9001),
    75: (3.8129, 3.8159, 3.7964, 3.8082),
    80: (5.5860, 5.5979, 5.5407, 5.5807),
}


@pytest.mark.parametrize(("zenith", "expected"), TABLE.items())
def test_four_formulas_against_their_tables(zenith: int, expected: tuple[float, ...]) -> None:
    altitude = 90.0 - zenith
    found = [
        float(f(altitude))
        for f in (
            am.airmass_from_apparent_altitude,
            am.airmass_hardie,
            am.airmass_from_true_altitude,
            am.airmass_pickering,
        )
    ]
    np.testing.assert_allclose(found, expected, atol=1.01e-4)


def test_kasten_young_against_the_tables_of_the_paper() -> None:
    # Kasten & Young 1989, Table II, at elevations 10, 5, 1 and 0 degrees; the fit is off by up to 0.44 %.
    found = am.airmass_from_apparent_altitude([10.0, 5.0, 1.0, 0.0])
    np.testing.assert_allclose(found, [5.5841, 10.3164, 26.2595, 38.0868], rtol=5e-3)


def test_below_the_horizon_there_is_no_airmass() -> None:
    for formula in (am.airmass_from_apparent_altitude, am.airmass_from_true_altitude, am.airmass_pickering):
        assert np.isnan(formula(-1.0))


def test_altitude_of_venus_in_the_textbook() -> None:
    # Meeus 1998, example 13.b: Venus over Washington, apparent place of date; azimuth there counts from the south.
    # The book's place is of date, ours ICRS, so the example is entered through the precession that astropy gives.
    from astropy.coordinates import ICRS, TETE, SkyCoord
    from astropy.time import Time
    from astropy.utils import iers

    with iers.conf.set_temp("auto_download", False):
        time = Time("1987-04-10T19:21:00", scale="utc")
        place = SkyCoord("23h09m16.641s", "-6d43m11.61s", frame=TETE(obstime=time)).transform_to(ICRS())
    altitude, azimuth = am.altitude_azimuth_deg(
        place.ra.deg,
        place.dec.deg,
        latitude_deg=38 + 55 / 60 + 17 / 3600,
        longitude_deg=-(77 + 3 / 60 + 56 / 3600),
        elevation_m=0.0,
        times=[datetime(1987, 4, 10, 19, 21, tzinfo=UTC)],
    )
    assert altitude[0] == pytest.approx(15.1249, abs=0.01)
    assert azimuth[0] == pytest.approx(248.0337, abs=0.01)


def test_extinction_at_thirty_degrees() -> None:
    # CHECKS A4: 0.15 mag per air mass leaves 0.872 at X = 2 against the zenith.
    assert float(am.extinction_factor(1.9943, 0.15, relative_to=1.0)) == pytest.approx(0.872, abs=1e-3)


def test_many_times_at_once_are_where_the_library_has_each() -> None:
    """The place interpolated between days against the whole chain for each time (ERFA's atco13): far below an arcsecond."""
    import erfa

    rng = np.random.default_rng(18)
    first = datetime(2024, 1, 1, tzinfo=UTC)
    times = [first + timedelta(days=float(d)) for d in rng.uniform(0, 900, 200)]
    ra, dec = rng.uniform(0, 360), rng.uniform(-89, 89)
    altitude, azimuth = am.altitude_azimuth_deg(
        ra, dec, latitude_deg=-32.6, longitude_deg=147.2, elevation_m=390.0, times=times
    )
    days = np.array([t.timestamp() for t in times]) / 86400.0
    around, zenith, *_ = erfa.atco13(
        np.radians(ra), np.radians(dec), 0.0, 0.0, 0.0, 0.0, 2440587.5, days, 0.0, np.radians(147.2), np.radians(-32.6), 390.0,
        0.0, 0.0, 0.0, 0.0, 0.0, 0.55,
    )  # fmt: skip
    assert np.abs(altitude - (90.0 - np.degrees(zenith))).max() * 3600.0 < 0.02
    across = (azimuth - np.degrees(around) + 180.0) % 360.0 - 180.0
    assert np.abs(across * np.cos(np.radians(altitude))).max() * 3600.0 < 0.02
