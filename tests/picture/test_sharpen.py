"""Richardson-Lucy against its own textbook numbers (CHECKS C12), and the sharpening that stops by the noise."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from scipy import ndimage

from nightfold.kernels.blur import blur_even
from nightfold.picture import sharpen as sharpening
from nightfold.picture.noise import significant_reach_px
from nightfold.picture.sharpen import PLANES, gaussian_taps, richardson_lucy, sharpen


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


@pytest.mark.parametrize("tile_px", [64, 150])
def test_tiles_of_any_size_give_what_the_whole_gives(tile_px: int) -> None:
    rng = np.random.default_rng(12)
    light = 40.0 * ndimage.gaussian_filter(np.clip(rng.normal(size=(330, 290)), 0, None) ** 4, 2.0)
    variance = (0.02 + 0.001 * light).astype(np.float32)
    image = (ndimage.gaussian_filter(light, 1.4) + np.sqrt(variance) * rng.normal(size=light.shape)).astype(np.float32)
    whole = sharpen(image, variance, fwhm_px=3.3, tile_px=4096)
    assert np.abs(whole - image).max() > 1.0, "something was sharpened"
    with ThreadPoolExecutor(3) as pool:
        tiled = sharpen(image, variance, fwhm_px=3.3, tile_px=tile_px, run=pool.map)
    np.testing.assert_allclose(tiled, whole, atol=1e-5 * float(image.max()), rtol=0)


def test_a_round_looks_no_farther_than_its_apron() -> None:
    # A change of one pixel moves nothing beyond the apron in one round, and something at its inner side.
    image = scene().astype(np.float32)
    variance = np.full(image.shape, 1e-4, np.float32)
    changed = image.copy()
    changed[0, 0] += 5.0
    taps = gaussian_taps(3.0 / 2.3548)
    reach = 2 * (taps.size - 1) + significant_reach_px(PLANES)
    apart = np.abs(
        sharpen(changed, variance, fwhm_px=3.0, most_rounds=1) - sharpen(image, variance, fwhm_px=3.0, most_rounds=1)
    )
    assert apart[reach + 1 :].max() < 1e-6
    assert apart[: reach // 2].max() > 1e-3


def test_looking_ahead_saves_rounds_and_loses_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    truth = scene()
    data = ndimage.gaussian_filter(truth, 3.0 / 2.3548, mode="mirror")
    data = (data + np.random.default_rng(6).normal(0, 0.005, truth.shape)).astype(np.float32)
    variance = np.full(data.shape, 0.005**2, np.float32)
    rounds = []
    plain = sharpening.significant
    monkeypatch.setattr(sharpening, "significant", lambda *a, **k: rounds.append(1) or plain(*a, **k))
    quick = sharpen(data, variance, fwhm_px=3.0, most_rounds=60)
    fewer = len(rounds)
    monkeypatch.setattr(sharpening, "MOST_HASTE", 0.0)
    slow = sharpen(data, variance, fwhm_px=3.0, most_rounds=60)
    assert fewer < 0.6 * (len(rounds) - fewer)
    errors = [np.sqrt(np.mean((a - truth) ** 2)) for a in (quick, slow)]
    assert errors[0] < 1.03 * errors[1]


@pytest.mark.parametrize("taps", [np.array([0.5, 0.25]), np.array([0.3, 0.2, 0.1, 0.05]), np.array([1.0])])
def test_even_blurs_against_a_library(taps: np.ndarray) -> None:
    image = np.random.default_rng(1).normal(size=(9, 5)).astype(np.float32)
    out = np.empty_like(image)
    blur_even(image, taps.astype(np.float32), out)
    kernel = np.concatenate([taps[:0:-1], taps])
    slow = ndimage.convolve1d(
        ndimage.convolve1d(image.astype(float), kernel, 0, mode="mirror"), kernel, 1, mode="mirror"
    )
    np.testing.assert_allclose(out, slow, atol=1e-6)
