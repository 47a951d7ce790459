"""Richardson-Lucy against its own textbook numbers (CHECKS C12), and the sharpening that stops by the noise."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from nightfold.picture.sharpen import richardson_lucy, sharpen


def test_the_textbook_iteration() -> None:
    # CHECKS C12: Richardson 1972, Lucy 1974; circular.
    data = np.array([0, 0, 1, 2, 1, 0, 0], float)
    kernel = np.array([0.25, 0.5, 0.25])
    np.testing.assert_allclose(richardson_lucy(data, kernel, 1, wrap=True), [0, 0.25, 1, 1.5, 1, 0.25, 0], atol=1e-6)
    late = richardson_lucy(data, kernel, 100, wrap=True)
    assert late[3] == pytest.approx(4.0, abs=1e-6)
    assert late.sum() == pytest.approx(4.0, abs=1e-6)
    assert (late >= 0).all()


def scene() -> np.ndarray:
    rng = np.random.default_rng(3)
    y, x = np.mgrid[0:200, 0:200]
    light = 2.0 + ndimage.gaussian_filter(rng.normal(size=x.shape), 20) * 10
    for _ in range(15):
        a, cx, cy = rng.uniform(0, np.pi), rng.uniform(0, 200), rng.uniform(0, 200)
        across = (x - cx) * np.cos(a) + (y - cy) * np.sin(a)
        along = (y - cy) * np.cos(a) - (x - cx) * np.sin(a)
        light += rng.uniform(0.3, 1) * np.exp(-((across / 1.5) ** 2) - (along / 50) ** 2)
    return light


@pytest.mark.parametrize(("noise", "most"), [(0.005, 0.65), (0.02, 0.9), (0.2, 1.001)])
def test_it_comes_nearer_to_the_truth_and_never_farther(noise: float, most: float) -> None:
    truth = scene()
    blurred = ndimage.gaussian_filter(truth, 3.0 / 2.3548, mode="mirror")
    data = (blurred + np.random.default_rng(4).normal(0, noise, truth.shape)).astype(np.float32)
    variance = np.full(data.shape, noise**2, np.float32)
    sharp = sharpen(data, variance, fwhm_px=3.0, strength=1.0, most_rounds=60)
    errors = [np.sqrt(np.mean((a - truth) ** 2)) for a in (sharp, data)]
    assert errors[0] <= most * errors[1]
    assert sharp.sum() == pytest.approx(data.sum(), rel=1e-3)


def test_blank_noise_is_left_alone() -> None:
    noise = np.random.default_rng(5).normal(0, 1, (120, 120)).astype(np.float32)
    np.testing.assert_allclose(sharpen(noise, np.ones_like(noise), fwhm_px=3.0), noise, atol=1e-5)


def test_no_strength_changes_nothing() -> None:
    image = scene().astype(np.float32)
    same = sharpen(image, np.full_like(image, 1e-4), fwhm_px=3.0, strength=0.0)
    np.testing.assert_array_equal(same, image)
