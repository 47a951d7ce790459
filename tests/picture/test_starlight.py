"""Star colours: temperatures against the Sun, black bodies against a colour library, tints near and far."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from nightfold.picture.starlight import black_body_rgb, temperature_k, tint_planes


def test_the_sun_has_the_suns_temperature() -> None:
    # BP - RP of the Sun is 0.82 (Casagrande & VandenBerg 2018; value from memory); 5772 K is nominal (IAU 2015 B3).
    assert temperature_k(0.82) == pytest.approx(5772.0, abs=120.0)
    assert np.all(np.diff(temperature_k(np.linspace(-0.3, 3.0, 50))) <= 0)
    assert np.isnan(temperature_k(np.nan))


@pytest.mark.parametrize("kelvin", [3000.0, 4500.0, 6504.0, 9000.0, 20000.0])
def test_black_bodies_agree_with_a_colour_library(kelvin: float) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour

        spectrum = colour.sd_blackbody(kelvin, colour.SpectralShape(360, 780, 1))
        xyz = colour.sd_to_XYZ(spectrum, method="Integration")
        rgb = colour.XYZ_to_RGB(xyz / xyz[1], "sRGB", apply_cctf_encoding=False)
    # The analytic matching functions are within a few hundredths of the tables.
    np.testing.assert_allclose(black_body_rgb(kelvin), np.maximum(rgb, 0.0), atol=0.05)


def test_a_star_of_daylight_is_neutral_and_others_are_not() -> None:
    assert np.ptp(black_body_rgb(6500.0)) < 0.12
    warm, hot = black_body_rgb(3500.0), black_body_rgb(15000.0)
    assert warm[0] > 1.3 > 0.5 > warm[2]
    assert hot[2] > 1.3 > hot[0]


def test_tints_hold_near_a_star_and_fade() -> None:
    red, _green, blue = tint_planes(
        [(40.0, 30.0, 9.0, 2.0), (100.0, 30.0, 5.0, -0.2)], (60, 140), fwhm_px=3.0, strength=1.0
    )
    assert red[30, 40] > 1.2
    assert blue[30, 40] < 0.7
    assert blue[30, 100] > 1.2
    assert abs(red[2, 2] - 1.0) < 0.05
    assert abs(blue[30, 118] - 1.0) > abs(blue[30, 22] - 1.0), "a brighter star reaches farther"


def test_no_stars_or_no_strength_tints_nothing() -> None:
    for listed, strength in (([], 1.0), ([(5.0, 5.0, 8.0, 1.0)], 0.0), ([(500.0, 5.0, 8.0, 1.0)], 1.0)):
        for plane in tint_planes(listed, (20, 30), fwhm_px=2.0, strength=strength):
            np.testing.assert_array_equal(plane, np.ones((20, 30), np.float32))
