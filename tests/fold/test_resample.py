"""Resampling kernels against exact evaluation in NumPy, closed forms and published noise factors."""

from __future__ import annotations

import math

import numpy as np
import pytest

from nightfold.align.records import Transform
from nightfold.calibrate.records import Calibration
from nightfold.fold.placing import Placer
from nightfold.fold.records import SkySurface
from nightfold.kernels import lanczos

SHAPE = (96, 112)
TURNS = [0.0, 0.7, 3.0, 12.0, 45.0, 90.0, 90.4, 180.0, 180.7, -137.0, -90.0]


def exact(image, x, y, widen=1.0):
    """Lanczos-3 written down plainly, float64, at source positions (x, y); NaN where the support leaves `image`."""
    taps = 2 * math.ceil(3 * widen)
    first_x, first_y = np.floor(x).astype(int) - taps // 2 + 1, np.floor(y).astype(int) - taps // 2 + 1
    steps = np.arange(taps)
    wx = lanczos.lanczos((first_x[..., None] + steps - x[..., None]) / widen)
    wy = lanczos.lanczos((first_y[..., None] + steps - y[..., None]) / widen)
    wx /= wx.sum(-1, keepdims=True)
    wy /= wy.sum(-1, keepdims=True)
    inside = (first_x >= 0) & (first_y >= 0) & (first_x + taps <= image.shape[1]) & (first_y + taps <= image.shape[0])
    rows = np.clip(first_y[..., None] + steps, 0, image.shape[0] - 1)
    columns = np.clip(first_x[..., None] + steps, 0, image.shape[1] - 1)
    pixels = image[rows[..., :, None], columns[..., None, :]]
    value = np.einsum("...j,...i,...ji->...", wy, wx, pixels.astype(np.float64))
    return np.where(inside, value, np.nan)


def positions(transform, shape):
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    source = transform.invert(np.stack([x.ravel(), y.ravel()], axis=1).astype(float))
    return source[:, 0].reshape(shape), source[:, 1].reshape(shape)


def place(skies, image, transform, shape=SHAPE, **more):
    """One sub of one second at 1 electron per ADU on a whole grid."""
    calibration = more.pop("calibration", Calibration(e_per_adu=1.0, read_noise_e=3.0))
    sub = skies.sub_of(image, transform, exposure_s=1.0, calibration=calibration, **more)
    out = np.full((shape[0], -(-shape[1] // 16) * 16), -1.0, np.float32)
    Placer(sub).place(0, 0, out)
    return out[:, : shape[1]]


def test_polynomial_weights_are_the_kernel():
    t = np.linspace(0.0, 1.0, 1001)
    even, odd = lanczos._fit()
    u = t - 0.5
    powers = np.vander(u * u, 5, increasing=True)
    got = np.empty((t.size, 6))
    for k in range(3):
        got[:, 2 - k] = powers @ even[k] + u * (powers @ odd[k])
        got[:, 3 + k] = powers @ even[k] - u * (powers @ odd[k])
    np.testing.assert_allclose(got, lanczos.exact_weights(t), atol=6e-7)


@pytest.mark.parametrize("widen", [1.05, 1.43, 2.6])
def test_wide_weights_are_the_kernel_made_wider(widen):
    table = lanczos.phase_table(widen)
    taps = 2 * math.ceil(3 * widen)
    t = np.random.default_rng(2).random(500)
    at = t * (len(table) - 1)
    j = at.astype(int)
    got = table[j] + (at - j)[:, None] * (table[j + 1] - table[j])
    want = lanczos.lanczos((np.arange(taps) - taps // 2 + 1 - t[:, None]) / widen)
    np.testing.assert_allclose(got[:, :taps], want / want.sum(axis=1, keepdims=True), atol=1e-6)
    assert (got[:, taps:] == 0.0).all()


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("turn_deg", TURNS)
def test_any_angle_agrees_with_exact_evaluation(skies, turn_deg, mirror):
    rng = np.random.default_rng(3)
    image = rng.normal(0.0, 1.0, SHAPE).astype(np.float32)
    transform = skies.turned(SHAPE, turn_deg, (0.37, -1.21), mirror=mirror)
    got = place(skies, image, transform)
    want = exact(image, *positions(transform, SHAPE))
    # A position a rounding away from a whole pixel has two equally good supports; NaN may differ there only.
    differ = np.isnan(got) != np.isnan(want)
    assert differ.mean() < 0.01
    both = np.isfinite(got) & np.isfinite(want)
    assert both.sum() > 3000
    np.testing.assert_allclose(got[both], want[both], atol=1e-5)


@pytest.mark.parametrize("scale", [0.7, 0.5, 1.6])
def test_other_scales_keep_electrons_a_grid_pixel(skies, scale):
    rng = np.random.default_rng(4)
    image = rng.normal(10.0, 1.0, SHAPE).astype(np.float32)
    transform = skies.turned(SHAPE, 12.0, scale=scale)
    got = place(skies, image, transform)
    widen = 1.0 / scale if scale < 1 else 1.0
    want = exact(image, *positions(transform, SHAPE), widen) / scale**2
    both = np.isfinite(got) & np.isfinite(want)
    np.testing.assert_allclose(got[both], want[both], rtol=2e-5)


def test_a_quarter_turn_of_whole_pixels_moves_pixels(skies):
    image = np.arange(40 * 40, dtype=np.float32).reshape(40, 40)
    got = place(skies, image, skies.turned((40, 40), 90.0), (40, 40))
    inside = slice(4, -4)
    np.testing.assert_allclose(got[inside, inside], np.rot90(image, -1)[inside, inside], rtol=1e-5)


@pytest.mark.parametrize("turn_deg", [0.0, 0.7, 45.0, 90.0, 180.0, -137.0])
@pytest.mark.parametrize("scale", [1.0, 0.7])
def test_flux_of_a_star_is_kept(skies, turn_deg, scale):
    image = skies.paint((120, 120), [60.3], [58.7], [1e5], 2.4)
    transform = skies.turned((120, 120), turn_deg, (0.2, 0.4), scale=scale)
    calibration = Calibration(e_per_adu=1.0, read_noise_e=300.0)  # so that nothing counts as ringing
    got = place(skies, image, transform, (120, 120), calibration=calibration)
    assert np.nansum(got) == pytest.approx(1e5, rel=1e-3)
    y, x = np.mgrid[0:120, 0:120]
    there = transform.apply(np.array([[60.3, 58.7]]))[0]
    near = np.nan_to_num(got) * np.exp(-((x - there[0]) ** 2 + (y - there[1]) ** 2) / (2 * 1.5**2))
    assert (near * x).sum() / near.sum() == pytest.approx(there[0], abs=5e-3)
    assert (near * y).sum() / near.sum() == pytest.approx(there[1], abs=5e-3)


@pytest.mark.parametrize(("shift", "ratio"), [((0.5, 0.5), 0.7858), ((0.5, 0.0), 0.8864), ((0.0, 0.0), 1.0)])
def test_noise_after_shifts(skies, shift, ratio):
    """CHECKS R1: sqrt(sum of squared weights) of normalised Lanczos-3."""
    noise = np.random.default_rng(5).normal(0.0, 1.0, (500, 500)).astype(np.float32)
    transform = skies.turned((500, 500), 0.0, shift)
    got = place(skies, noise, transform, (500, 500))
    assert np.nanstd(got) == pytest.approx(ratio, rel=6e-3)
    squares = Placer(skies.sub_of(noise, transform)).noise(0, 0, 500, 500).squares
    assert math.sqrt(np.nanmean(squares)) == pytest.approx(ratio, abs=1e-3)


def test_noise_over_random_phases(skies):
    """CHECKS R1: rms .8934 over random shifts, here the phases of a turned frame."""
    squares = Placer(skies.sub_of(np.zeros((900, 900)), skies.turned((900, 900), 23.0))).noise(0, 0, 900, 900).squares
    assert math.sqrt(np.nanmean(squares)) == pytest.approx(0.8934, abs=1e-3)


@pytest.mark.parametrize("turn_deg", [0.0, 0.3, 33.0, 90.2, 181.0])
def test_distortion_is_followed(skies, turn_deg):
    """A smooth field resampled through a cubic map equals the field at the mapped positions."""
    plain = skies.turned(SHAPE, turn_deg)
    distortion = np.array([[1.0, -0.5, 0.7, 3.0, 0.1, -1.2, 0.3], [0.1, 0.9, -0.5, 0.2, 1.4, 0.1, -2.0]])
    # The corner of a large frame, where lenses bend most.
    transform = Transform(matrix=plain.matrix, distortion=distortion, centre=(-1500.0, -1100.0), radius=1800.0)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]

    def field(x, y):
        return 100.0 + 10.0 * np.sin(x / 9.0) * np.cos(y / 7.0)

    got = place(skies, field(x, y), transform)
    want = field(*positions(transform, SHAPE))
    # 1e-3 px of the lattice times the steepest slope, 1.4 a pixel, and the kernel's own error on such a wave
    error = np.abs(got - want)[np.isfinite(got)]
    assert error.size > 5000
    assert error.max() < 0.05
    x_source, y_source = positions(transform, SHAPE)
    kernel = np.abs(got - exact(field(x, y).astype(np.float32), x_source, y_source))
    assert np.nanmax(kernel) < 3e-3


def test_missing_pixels_spread_over_the_kernel_and_no_further(skies):
    image = np.ones((60, 60), np.float32)
    image[30:34, 20:24] = np.nan  # a blank area is not repaired, its neighbours stay
    got = place(skies, image, skies.turned((60, 60), 0.0, (0.5, 0.5)), (60, 60))
    assert np.isnan(got[28:37, 18:27]).all()
    assert np.isfinite(got[28:37, 28:55]).all()
    assert np.isfinite(got[10:26, 10:50]).all()


@pytest.mark.parametrize("turn_deg", [0.0, 90.0, 180.0])
def test_known_bad_pixels_are_repaired_before_resampling(skies, turn_deg):
    y, x = np.mgrid[0:60, 0:60]
    truth = (100.0 + x + 2.0 * y).astype(np.float32)
    image = truth.copy()
    bad = np.zeros((60, 60), bool)
    for j, i in [(30, 20), (41, 40), (42, 40), (15, 50)]:
        image[j, i] = 1e5
        bad[j, i] = True
    image[20, 30] = np.nan  # alone, not in the mask
    calibration = Calibration(e_per_adu=1.0, read_noise_e=3.0, bad=bad)
    transform = skies.turned((60, 60), turn_deg)
    got = place(skies, image, transform, (60, 60), calibration=calibration)
    clean = place(skies, truth, transform, (60, 60))
    inside = slice(5, -5)
    assert np.isfinite(got[inside, inside]).all()
    # A plane is repaired exactly where neighbours lie evenly; two in a column are off by a share of a step.
    np.testing.assert_allclose(got[inside, inside], clean[inside, inside], atol=1.5)


def test_calibration_and_sky(skies):
    rng = np.random.default_rng(8)
    shape = (48, 48)
    flat = (1.0 + 0.2 * rng.random(shape)).astype(np.float32)
    flat[10, 10] = 0.01
    dark = rng.normal(500.0, 5.0, shape).astype(np.float32)
    raw = 500.0 * flat / 2.0 + dark
    sky = SkySurface(coefficients=np.array([1.0, 0.5, -0.25, 0.3, 0.2, 0.1]), centre=(20.0, 30.0), radius=(25.0, 20.0))
    calibration = Calibration(e_per_adu=2.0, read_noise_e=3.0, dark_adu=dark, flat=flat)
    sub = skies.sub_of(raw, Transform.identity(), exposure_s=50.0, calibration=calibration, scale=0.8, sky=sky)
    out = np.empty(shape, np.float32)
    Placer(sub).place(0, 0, out)
    y, x = np.mgrid[0:48, 0:48]
    want = 500.0 / (50.0 * 0.8) - sky.evaluate(x, y)
    np.testing.assert_allclose(out[3:-3, 3:-3], want[3:-3, 3:-3], rtol=3e-4)


def test_surface_in_plain_pixels():
    sky = SkySurface(coefficients=np.array([1.0, 0.5, -0.25, 0.3, 0.2, 0.1]), centre=(20.0, 30.0), radius=(25.0, 20.0))
    a = sky.in_pixels()
    x, y = np.array([0.0, 3.0, 100.0]), np.array([0.0, -7.0, 41.0])
    np.testing.assert_allclose(a @ [np.ones(3), x, y, x * x, x * y, y * y], sky.evaluate(x, y), atol=1e-12)


@pytest.mark.parametrize("fwhm_px", [1.2, 1.5])
def test_undersampled_stars_do_not_ring(skies, fwhm_px):
    rng = np.random.default_rng(11)
    x, y = rng.uniform(20, 180, 12), rng.uniform(20, 180, 12)
    image = skies.paint((200, 200), x, y, np.full(12, 3e4), fwhm_px) + 100.0
    transform = skies.turned((200, 200), 0.0, (0.45, 0.35))
    got = place(skies, image, transform, (200, 200), sky_e_per_s=100.0)
    sigma = math.sqrt(100.0 + 9.0)
    assert np.nanmin(got) > 100.0 - 4.0 * sigma
    plain = exact(image, *positions(transform, (200, 200)))
    assert np.nanmin(plain) < 100.0 - 20.0 * sigma  # which the kernel alone does
    flux = np.nansum(got - 100.0)
    assert flux == pytest.approx(12 * 3e4, rel=3e-3)


def test_clipped_cores_do_not_ring(skies):
    image = np.minimum(skies.paint((100, 100), [50.2], [49.6], [4e6], 3.0) + 100.0, 65535.0)
    transform = skies.turned((100, 100), 0.9, (0.45, 0.35))
    got = place(skies, image, transform, (100, 100), sky_e_per_s=100.0)
    assert np.nanmax(got) <= 65535.0
    assert np.nanmin(got) > 100.0 - 40.0


def test_a_sub_beside_the_grid_gives_nothing(skies):
    out = np.zeros((32, 32), np.float32)
    sub = skies.sub_of(np.ones((50, 50)), skies.turned((50, 50), 0.0, (500.0, 0.0)))
    assert Placer(sub).place(0, 0, out) is False
    assert np.isnan(out).all()
