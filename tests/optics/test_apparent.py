"""Apparent places against astropy's (ERFA's) transformations, and a tilted mount followed through them."""

from __future__ import annotations

import warnings

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers

from nightfold.optics.apparent import position_angle_deg, precessed, seen_by_the_mount, sidereal_deg
from nightfold.optics.polar import polar_error

START = 1_710_000_000.0  # 9 March 2024
AIR = {"pressure": 1010 * u.hPa, "temperature": 10 * u.deg_C, "relative_humidity": 0.3, "obswl": 0.6 * u.micron}


@pytest.fixture(autouse=True)
def offline():
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("iers_degraded_accuracy", "ignore"), warnings.catch_warnings():  # fmt: skip
        warnings.simplefilter("ignore")
        yield


def test_precession_against_astropy() -> None:
    """To 0.01 degrees: nutation and aberration are left out on purpose."""
    from astropy.coordinates import FK5

    places = SkyCoord([10.0, 250.2, 359.9] * u.deg, [-48.8, 60.0, 85.0] * u.deg)
    there = places.transform_to(FK5(equinox=Time(START, format="unix")))
    ra, dec = precessed(places.ra.deg, places.dec.deg, START)
    assert dec == pytest.approx(there.dec.deg, abs=1e-3)
    assert (ra - there.ra.deg + 180) % 360 - 180 == pytest.approx(np.zeros(3), abs=0.01)


def test_sidereal_time_against_astropy() -> None:
    times = START + np.linspace(0, 30000, 5)
    theirs = Time(times, format="unix").sidereal_time("mean", longitude=148.0 * u.deg).deg
    assert sidereal_deg(times, 148.0) == pytest.approx(theirs, abs=0.01)


@pytest.mark.parametrize("latitude", [52.0, -31.0])
def test_apparent_hour_angles_against_astropy(latitude: float) -> None:
    """Altitude with refraction, to 0.02 degrees from 15 degrees of altitude up."""
    site = EarthLocation(lon=148.0 * u.deg, lat=latitude * u.deg, height=0 * u.m)
    times = START + np.linspace(-9000, 9000, 7)
    ra = float(sidereal_deg(START, 148.0)) + 20.0
    dec = 20.0 if latitude > 0 else -20.0
    seen = SkyCoord(ra * u.deg, dec * u.deg).transform_to(
        AltAz(obstime=Time(times, format="unix"), location=site, **AIR)
    )
    hour, declination = seen_by_the_mount(ra, dec, times, latitude_deg=latitude, longitude_deg=148.0)
    h, d, p = np.radians(hour), np.radians(declination), np.radians(latitude)
    altitude = np.degrees(np.arcsin(np.sin(d) * np.sin(p) + np.cos(d) * np.cos(p) * np.cos(h)))
    assert (seen.alt.deg > 15).all()
    assert altitude == pytest.approx(seen.alt.deg, abs=0.02)


def test_below_the_horizon_is_nan() -> None:
    hour, dec = seen_by_the_mount(
        float(sidereal_deg(START, 0.0)) + 180, -60.0, START, latitude_deg=50.0, longitude_deg=0.0
    )
    assert np.isnan(hour)
    assert np.isnan(dec)


def test_position_angles() -> None:
    """North is 0; east, where the hour angle falls, is 90."""
    assert position_angle_deg(10.0, 20.0, 10.0, 21.0) == pytest.approx(0.0)
    assert position_angle_deg(10.0, 0.0, 9.0, 0.0) == pytest.approx(90.0, abs=0.01)


def turned(vector: np.ndarray, axis: np.ndarray, angle: float) -> np.ndarray:
    along = axis * (axis @ vector) * (1 - np.cos(angle))
    return vector * np.cos(angle) + np.cross(axis, vector) * np.sin(angle) + along


@pytest.mark.parametrize(("latitude", "azimuth", "above"), [(52.0, 8.0, -5.0), (-31.0, -6.0, 9.0)])
def test_a_tilted_mount_through_air_and_precession(latitude: float, azimuth: float, above: float) -> None:
    """A rigid mount turns in the apparent sky; astropy says where on the catalogue its camera then looks.

    Without precession and refraction the axis would come out some 8 arcmin off; with them within 10 percent of 10 arcmin.
    """
    site = EarthLocation(lon=148.0 * u.deg, lat=latitude * u.deg, height=0 * u.m)
    side = 1.0 if latitude > 0 else -1.0
    height = np.radians(abs(latitude) + above / 60)
    towards = np.radians(azimuth / 60) if side > 0 else np.radians(180.0 - azimuth / 60)
    axis = np.array(
        [np.cos(height) * np.sin(towards), np.cos(height) * np.cos(towards), np.sin(height)]
    )  # east, north, up
    times = START + np.linspace(-9000, 9000, 25)
    look = np.array([0.1, -side * np.cos(np.radians(60)), np.sin(np.radians(60))])
    look /= np.linalg.norm(look)
    up = axis - look * (axis @ look)
    ends = []
    for t in times:
        angle = -side * 7.2921159e-5 * (t - times[0])
        for v in (look, look * np.cos(2e-3) + up / np.linalg.norm(up) * np.sin(2e-3)):
            ends.append(turned(v, axis, angle))
    e = np.array(ends)
    frame = AltAz(obstime=Time(np.repeat(times, 2), format="unix"), location=site, **AIR)
    sky = SkyCoord(az=np.degrees(np.arctan2(e[:, 0], e[:, 1])) * u.deg, alt=np.degrees(np.arcsin(e[:, 2])) * u.deg, frame=frame).icrs  # fmt: skip
    hour, dec = seen_by_the_mount(
        sky.ra.deg, sky.dec.deg, np.repeat(times, 2), latitude_deg=latitude, longitude_deg=148.0
    )
    angle = position_angle_deg(hour[::2], dec[::2], hour[1::2], dec[1::2])
    found = polar_error(
        hour[::2], latitude_deg=latitude, declination_deg=float(np.median(dec[::2])), field_declination_deg=dec[::2],
        position_angle_deg=angle,
    )  # fmt: skip
    assert found.separable
    assert found.azimuth_error_arcmin == pytest.approx(azimuth, abs=1.0)
    assert found.altitude_error_arcmin == pytest.approx(above, abs=1.0)
    guided = polar_error(
        hour[::2], latitude_deg=latitude, declination_deg=float(np.median(dec[::2])), position_angle_deg=angle
    )
    assert guided.azimuth_error_arcmin == pytest.approx(azimuth, abs=1.5)
    assert guided.altitude_error_arcmin == pytest.approx(above, abs=1.5)
