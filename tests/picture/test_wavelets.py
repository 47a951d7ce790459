"""The a trous transform and its shrinking of noise (CHECKS C7)."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from scipy import ndimage

from nightfold.picture.noise import measured_noise, noise_apron_px, noise_effect, shrink_noise
from nightfold.picture.wavelets import decompose, noise_factors, smooth


def test_noise_factors() -> None:
    # CHECKS C7; the second row is the table of Starck & Murtagh, simulated there.
    found = noise_factors(7)
    np.testing.assert_allclose(found, [0.890796, 0.200664, 0.085508, 0.041217, 0.020425, 0.010190, 0.005092], atol=1e-6)
    np.testing.assert_allclose(found, [0.889, 0.200, 0.086, 0.041, 0.020, 0.010, 0.005], atol=2e-3)


def test_planes_add_up() -> None:
    image = np.random.default_rng(1).normal(5, 1, (70, 91)).astype(np.float32)
    planes = decompose(image, 4)
    assert len(planes) == 5
    np.testing.assert_allclose(np.sum(planes, axis=0), image, atol=1e-5)


@pytest.mark.parametrize("level", [0, 1, 3])
def test_smoothing_against_scipy(level: int) -> None:
    image = np.random.default_rng(2).normal(0, 1, (40, 53)).astype(np.float32)
    taps = np.zeros(4 * (1 << level) + 1)
    taps[:: 1 << level] = np.array([1, 4, 6, 4, 1]) / 16
    wanted = ndimage.convolve1d(
        ndimage.convolve1d(image.astype(float), taps, 0, mode="reflect"), taps, 1, mode="reflect"
    )
    np.testing.assert_allclose(smooth(image, level), wanted, atol=1e-5)


def test_images_smaller_than_the_reach() -> None:
    assert np.isfinite(smooth(np.ones((2, 3), np.float32), 4)).all()
    np.testing.assert_allclose(smooth(np.full((1, 1), 7.0, np.float32), 3), 7.0, rtol=1e-6)


def test_noise_falls_and_clear_structure_stays() -> None:
    rng = np.random.default_rng(3)
    noise = rng.normal(0, 1, (300, 300)).astype(np.float32)
    variance = np.ones_like(noise)
    strengths = (2.2, 2.2, 2.0, 1.5, 1.5)
    quiet = shrink_noise(noise, variance, strengths=strengths)
    assert np.std(quiet) < 0.25 * np.std(noise)
    # Sources whose peak in the wavelet planes is 5 sigma must keep most of their light.
    y, x = np.mgrid[0:300, 0:300]
    scene = np.zeros_like(noise)
    spots = [(40 + 55 * i, 40 + 55 * j) for i in range(5) for j in range(5)]
    for cx, cy in spots:
        scene += 5.0 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 3.0**2)).astype(np.float32)
    shown = shrink_noise(scene + noise, variance, strengths=strengths)
    kept = [
        shown[cy - 4 : cy + 5, cx - 4 : cx + 5].sum() / scene[cy - 4 : cy + 5, cx - 4 : cx + 5].sum()
        for cx, cy in spots
    ]
    assert np.mean(kept) > 0.9
    assert np.std(shown - scene) < 0.35, "and the error is a third of the noise"


def test_shrinking_follows_the_variance() -> None:
    rng = np.random.default_rng(4)
    sigma = np.where(np.arange(400)[None, :] < 200, 1.0, 4.0) * np.ones((200, 1))
    image = rng.normal(0, 1, sigma.shape) * sigma
    out = shrink_noise(image.astype(np.float32), (sigma**2).astype(np.float32), strengths=(2.2, 2.2, 2.0))
    falls = [np.std(out[:, a:b]) / np.std(image[:, a:b]) for a, b in ((20, 180), (220, 380))]
    assert falls[0] == pytest.approx(falls[1], rel=0.1)


def test_no_strength_changes_nothing() -> None:
    image = np.random.default_rng(5).normal(0, 1, (60, 60)).astype(np.float32)
    np.testing.assert_allclose(shrink_noise(image, np.ones_like(image), strengths=(0, 0, 0)), image, atol=1e-5)


def test_measured_noise_of_white_and_of_smoothed_noise() -> None:
    rng = np.random.default_rng(6)
    white = rng.normal(0, 2, (400, 400)).astype(np.float32)
    variance = np.full_like(white, 4.0)
    np.testing.assert_allclose(measured_noise(white, variance)[:3], 1.0, atol=0.1)
    smoothed = ndimage.gaussian_filter(white, 0.7)
    fine, middle = measured_noise(smoothed, variance)[:2]
    assert fine < 0.5
    assert fine < middle


def test_tiles_with_their_apron_equal_the_whole() -> None:
    rng = np.random.default_rng(7)
    image = rng.normal(0, 1, (760, 180)).astype(np.float32)
    variance = rng.uniform(0.5, 2, image.shape).astype(np.float32)
    strengths = (2.2, 2.2, 2.0, 1.5, 1.5)
    whole = shrink_noise(image, variance, strengths=strengths, tile_px=4096)
    apron = noise_apron_px(5)
    rows = slice(340 - apron, 410 + apron)
    part = shrink_noise(image[rows], variance[rows], strengths=strengths, tile_px=4096)[apron:-apron]
    np.testing.assert_allclose(part, whole[340:410], atol=1e-5)
    with ThreadPoolExecutor(3) as pool:
        np.testing.assert_allclose(
            shrink_noise(image, variance, strengths=strengths, tile_px=100, run=pool.map), whole, atol=1e-5
        )


def test_the_effect_of_shrinking_is_measured_by_known_details() -> None:
    rng = np.random.default_rng(3)
    image = rng.normal(0, 2.0, (400, 400)).astype(np.float32)
    variance = np.full(image.shape, 4.0, np.float32)
    gentle = noise_effect(image, variance, strengths=(1.0, 1.0, 1.0, 1.0, 1.0), fwhm_px=3.0)
    strong = noise_effect(image, variance, strengths=(8.0, 8.0, 8.0, 8.0, 8.0), fwhm_px=3.0)
    none = noise_effect(image, variance, strengths=(0.0, 0.0, 0.0, 0.0, 0.0), fwhm_px=3.0)
    assert none.noise_left == pytest.approx(1.0, abs=1e-5)
    assert none.detail_kept == pytest.approx(1.0, abs=1e-3)
    assert strong.noise_left < gentle.noise_left < 0.6
    assert strong.detail_kept < 0.5 < gentle.detail_kept < 1.0
