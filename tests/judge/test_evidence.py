"""Shapes over the frame from stars whose tensors are known."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.judge.evidence import field_shape, halo_ratio, robust_fit, slope_over_frame
from nightfold.measure.records import Stars

W, H = 3000, 2000


def stars_of(
    xx: np.ndarray, yy: np.ndarray, xy: np.ndarray, x: np.ndarray, y: np.ndarray, *, halo: float = 0.0
) -> Stars:
    """Stars with these squared-FWHM tensors, measured without error."""
    half, root = 0.5 * (xx + yy), np.sqrt(0.25 * (xx - yy) ** 2 + xy**2)
    long2, short2 = half + root, half - root
    fwhm, n, zero = (long2 * short2) ** 0.25, len(x), np.zeros(len(x))
    return Stars(
        x=x, y=y, position_error_px=zero + 0.02, flux_e=zero + 1e4, flux_error_e=zero + 50.0, peak_e=zero + 900.0, background_e=zero,
        snr=zero + 200.0, fwhm_px=fwhm, half_flux_radius_px=fwhm * (0.5 + halo), ellipticity=1.0 - np.sqrt(short2 / long2),
        angle_deg=np.degrees(0.5 * np.arctan2(2.0 * xy, xx - yy)) % 180.0, flags=np.zeros(n, np.int64),
    )  # fmt: skip


def places(seed: int = 1, n: int = 200) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return rng.uniform(0, W, n), rng.uniform(0, H, n)


def test_a_trail_is_one_direction_all_over_the_frame() -> None:
    x, y = places()
    flat, angle = np.full(len(x), 9.0), np.radians(30.0)
    stars = stars_of(
        flat + 16 * np.cos(angle) ** 2,
        flat + 16 * np.sin(angle) ** 2,
        16 * np.cos(angle) * np.sin(angle) + 0 * flat,
        x,
        y,
    )
    shape = field_shape(stars, width_px=W, height_px=H)
    assert shape.drawn_px2 == pytest.approx(16.0, rel=1e-6)
    assert shape.drawn_angle_deg == pytest.approx(30.0, abs=1e-6)
    assert abs(shape.turning_px2) < 1e-6
    assert abs(shape.width2_bowl_px2) < 1e-6


def test_a_turning_field_grows_from_its_point_and_a_radial_one_has_the_other_sign() -> None:
    x, y = places()
    half = 0.5 * np.hypot(W, H)
    dx, dy = (x - 0.5 * (W - 1)) / half - 0.2, (y - 0.5 * (H - 1)) / half + 0.1
    flat = np.full(len(x), 9.0)
    for k, sign in ((8.0, 1), (-5.0, -1)):
        if sign > 0:  # across the line to the point
            stars = stars_of(flat + k * dy**2, flat + k * dx**2, -k * dx * dy, x, y)
        else:
            stars = stars_of(flat - k * dx**2, flat - k * dy**2, -k * dx * dy, x, y)
        shape = field_shape(stars, width_px=W, height_px=H)
        assert shape.turning_px2 == pytest.approx(k, rel=1e-3)


def test_tilt_shows_in_the_width_and_seeing_does_not() -> None:
    x, y = places()
    u = (x - 0.5 * (W - 1)) / (0.5 * W)
    zero = np.zeros(len(x))
    for seeing in (9.0, 25.0):
        stars = stars_of(seeing + 1.5 * u, seeing + 1.5 * u, zero, x, y)
        shape = field_shape(stars, width_px=W, height_px=H)
        np.testing.assert_allclose(shape.width2_tilt_px2, [1.5, 0.0], atol=1e-6)


def test_few_stars_tell_nothing() -> None:
    x, y = places(n=8)
    shape = field_shape(stars_of(np.full(8, 9.0), np.full(8, 9.0), np.zeros(8), x, y), width_px=W, height_px=H)
    assert np.isnan(shape.drawn_px2)
    assert shape.stars == 8
    assert np.isnan(halo_ratio(Stars.empty()))


def test_halos_widen_the_radius_alone() -> None:
    x, y = places()
    nine, zero = np.full(len(x), 9.0), np.zeros(len(x))
    assert halo_ratio(stars_of(nine, nine, zero, x, y)) == pytest.approx(0.5)
    assert halo_ratio(stars_of(nine, nine, zero, x, y, halo=0.2)) == pytest.approx(0.7)
    assert halo_ratio(stars_of(4 * nine, 4 * nine, zero, x, y)) == pytest.approx(0.5)


def test_cloud_on_one_side_is_a_slope_of_brightness() -> None:
    rng = np.random.default_rng(4)
    u, v = rng.uniform(-1, 1, (2, 150))
    error = rng.uniform(0.005, 0.05, 150)
    deviation = -0.08 * u + 0.03 * v + error * rng.normal(size=150)
    deviation[:10] += 1.0  # variables and blends
    slopes, sigma = slope_over_frame(u, v, deviation, error)
    np.testing.assert_allclose(slopes, [-0.08, 0.03], atol=4 * sigma)
    assert sigma < 0.005
    assert np.isnan(slope_over_frame(u[:5], v[:5], deviation[:5], error[:5])[0]).all()


def test_a_robust_fit_forgets_outliers() -> None:
    x = np.linspace(0, 1, 60)
    y = 2.0 + 3.0 * x
    y[::7] += 50.0
    solution, _ = robust_fit(np.column_stack([np.ones(60), x]), y)
    np.testing.assert_allclose(solution, [2.0, 3.0], atol=1e-3)
