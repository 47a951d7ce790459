"""Polar error against full rotation matrices written here, and the table of CHECKS section 11."""

from __future__ import annotations

import numpy as np
import pytest
from optics_turns import night

from nightfold.errors import FrameError
from nightfold.optics.polar import (
    corner_trail_arcsec,
    field_rotation_deg_per_h,
    polar_error,
    refracted_pole_arcmin,
    tolerated_tilt_arcmin,
)


@pytest.mark.parametrize("latitude", [47.0, -31.0])
@pytest.mark.parametrize("size", [2.0, 10.0, 60.0])
@pytest.mark.parametrize("guided", [False, True])
def test_two_to_sixty_arcminutes_on_both_hemispheres(latitude: float, size: float, guided: bool) -> None:
    random = np.random.default_rng(int(size))
    hours = np.linspace(-50.0, 40.0, 60)
    for turn in np.radians([20.0, 110.0, 200.0, 290.0]):
        above, east = size * np.sin(turn), size * np.cos(turn) / np.cos(np.radians(latitude))
        seen, dec, angle = night(latitude, -20.0, east, above, hours)
        found = polar_error(
            seen,
            latitude_deg=latitude,
            declination_deg=dec,
            field_declination_deg=None if guided else dec + random.normal(0, 0.5 / 3600, 60),
            position_angle_deg=angle + random.normal(0, 0.001, 60) if guided else None,
        )
        assert found.separable
        slack = 0.1 * size
        assert found.altitude_error_arcmin == pytest.approx(above, abs=slack)
        assert found.azimuth_error_arcmin == pytest.approx(east, abs=slack / np.cos(np.radians(latitude)))
        assert found.total_arcmin == pytest.approx(size, rel=0.1)


def test_uncertainty_is_calibrated() -> None:
    random = np.random.default_rng(4)
    hours = np.linspace(-30.0, 30.0, 25)
    seen, dec, angle = night(-31.0, -48.8, 5.0, -3.0, hours)
    pulls = []
    for _ in range(300):
        found = polar_error(
            seen,
            latitude_deg=-31.0,
            declination_deg=dec,
            field_declination_deg=dec + random.normal(0, 3.0 / 3600, 25),
            position_angle_deg=angle + random.normal(0, 0.006, 25),
        )
        pulls.append(
            [
                (found.azimuth_error_arcmin - 5.0) / found.azimuth_error_arcmin_uncertainty,
                (found.altitude_error_arcmin + 3.0) / found.altitude_error_arcmin_uncertainty,
            ]
        )
    assert np.all(np.abs(np.std(pulls, axis=0) - 1.0) < 0.2)


@pytest.mark.parametrize(
    ("hp", "h", "dec", "seconds", "drift", "rotation"),
    [
        (90, 0, 0, 600, 7.873, 0.172),
        (30, -40, 35, 1200, 14.547, 7.358),
        (200, 75, 60, 900, 9.892, -12.907),
        (0, 10, -20, 600, -1.537, 8.219),
    ],
)
def test_the_simulation_has_the_table(
    hp: float, h: float, dec: float, seconds: float, drift: float, rotation: float
) -> None:
    """CHECKS K1 and K3: the star's drift in the mount's frame is the field's with the other sign."""
    above, east = 3.0 * np.cos(np.radians(hp)), -3.0 * np.sin(np.radians(hp)) / np.cos(np.radians(47.0))
    _, decs, angles = night(47.0, dec, east, above, np.array([h, h + np.degrees(7.2921159e-5 * seconds)]))
    assert -(decs[1] - decs[0]) * 3600 == pytest.approx(drift, abs=0.05)
    assert (angles[1] - angles[0]) * 3600 == pytest.approx(rotation, abs=0.1)


def test_a_short_night_is_not_separable() -> None:
    hours = np.linspace(0.0, 8.0, 30)
    _, dec, _ = night(-31.0, -48.8, 5.0, -3.0, hours)
    found = polar_error(hours, latitude_deg=-31.0, declination_deg=-48.8, field_declination_deg=dec)
    assert not found.separable
    assert "not separable" in found.sentence
    assert np.isnan(found.azimuth_error_arcmin)


def test_noise_over_a_long_night_is_named_as_the_reason() -> None:
    hours = np.linspace(0.0, 75.0, 12)
    _, dec, _ = night(-31.0, -48.8, 1.0, -1.0, hours)
    dec += np.random.default_rng(8).normal(0.0, 0.3, dec.size)
    found = polar_error(hours, latitude_deg=-31.0, declination_deg=-48.8, field_declination_deg=dec)
    assert not found.separable
    assert "over the 5.0 h" in found.sentence
    assert "need hours" not in found.sentence


def test_a_flip_has_its_own_zero() -> None:
    hours = np.linspace(-45.0, 45.0, 40)
    _, _, angle = night(-31.0, -48.8, 5.0, -3.0, hours)
    angle = angle + np.random.default_rng(1).normal(0, 0.001, 40) + np.where(hours > 0, 180.3, 0.0)
    found = polar_error(
        hours, latitude_deg=-31.0, declination_deg=-48.8, position_angle_deg=angle % 360.0, group=hours > 0
    )
    assert found.azimuth_error_arcmin == pytest.approx(5.0, abs=3 * found.azimuth_error_arcmin_uncertainty)
    assert found.altitude_error_arcmin == pytest.approx(-3.0, abs=3 * found.altitude_error_arcmin_uncertainty)


def test_trail_and_tolerance() -> None:
    """CHECKS K4: 13.13 arcsec of turn moves 0.90 um at 14.13 mm (0.00090 mm); K5: 10.6 and 42.3 arcmin."""
    field = np.degrees(14.13 / 800.0)
    trail = corner_trail_arcsec(5.0, exposure_s=300.0, declination_deg=60.0, field_deg=field)
    assert trail / 206264.806 * 800e3 == pytest.approx(0.90, abs=0.005)
    assert tolerated_tilt_arcmin(
        3.76, exposure_s=600.0, declination_deg=60.0, focal_length_mm=800.0, field_deg=1.0
    ) == pytest.approx(10.6, abs=0.05)
    assert tolerated_tilt_arcmin(
        3.76, exposure_s=300.0, declination_deg=60.0, focal_length_mm=800.0, field_deg=0.5
    ) == pytest.approx(42.3, abs=0.1)


def test_bad_input_says_what_is_wrong() -> None:
    with pytest.raises(FrameError, match="do not pair"):
        polar_error([0.0, 1.0], latitude_deg=-31.0, declination_deg=0.0, position_angle_deg=[1.0])
    with pytest.raises(FrameError, match="near to a pole"):
        polar_error([0.0], latitude_deg=-31.0, declination_deg=89.5, position_angle_deg=[1.0])


def test_refraction_raises_the_pole_and_alt_azimuth_fields_turn() -> None:
    """CHECKS K6 and K7."""
    assert refracted_pole_arcmin(52.0) == pytest.approx(0.78, abs=0.02)
    assert refracted_pole_arcmin(-52.0) == refracted_pole_arcmin(52.0)
    assert field_rotation_deg_per_h(52.0, azimuth_deg=0.0, altitude_deg=50.0) == pytest.approx(14.41, rel=1e-3)


def test_refraction_of_a_worked_example() -> None:
    """Meeus 1998, example 16.a p. 107 (CHECKS T14): a true altitude of 33.246' is raised by 24.618', one at the zenith by nothing."""
    assert refracted_pole_arcmin(33.246 / 60.0) == pytest.approx(24.618, abs=0.001)
    assert refracted_pole_arcmin(90.0) == pytest.approx(0.0, abs=0.002)
