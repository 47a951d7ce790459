"""The mask of blank sky against masters whose sky is known: no choice by noise, no stars left, nebula out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from nightfold.depth.blank import blank_of, blank_sky
from nightfold.depth.boxes import box_noise


def resampled_noise(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """Noise of variance 1 of raw pixels, smoothed as resampling by half a pixel does."""
    raw = rng.normal(0.0, 1.0, (shape[0] + 1, shape[1] + 1))
    return np.asarray(0.25 * (raw[:-1, :-1] + raw[1:, :-1] + raw[:-1, 1:] + raw[1:, 1:]))


def with_stars(image: np.ndarray, rng: np.random.Generator, count: int) -> np.ndarray:
    lit = image.copy()
    y, x = np.mgrid[0 : image.shape[0], 0 : image.shape[1]]
    for _ in range(count):
        cy, cx, peak = rng.uniform(0, image.shape[0]), rng.uniform(0, image.shape[1]), 0.6 * rng.pareto(0.6)
        cut = np.s_[max(0, int(cy) - 20) : int(cy) + 21, max(0, int(cx) - 20) : int(cx) + 21]
        lit[cut] += min(peak, 3000.0) * np.exp(-((x[cut] - cx) ** 2 + (y[cut] - cy) ** 2) / 3.0)
    return lit


@pytest.mark.parametrize("number", [31, 32, 33])
def test_box_noise_under_stars_is_that_of_the_sky_alone(number: int) -> None:
    rng = np.random.default_rng(number)
    sky = resampled_noise(rng, (700, 800))
    image = with_stars(sky, rng, 900).astype(np.float32)
    blank = blank_of(image, np.zeros_like(image), float(sky.std()))
    found = box_noise(image, blank, 5.6)
    truth = box_noise(sky, np.ones(sky.shape, bool), 5.6)
    assert found is not None
    assert truth is not None
    assert blank.mean() > 0.4
    assert abs(2.5 * np.log10(found.sigma / truth.sigma)) < 0.04


def test_on_blank_sky_hardly_anything_is_masked() -> None:
    rng = np.random.default_rng(34)
    sky = resampled_noise(rng, (600, 600)).astype(np.float32)
    blank = blank_of(sky, np.zeros_like(sky), float(sky.std()))
    assert blank.mean() > 0.85
    whole = ndimage.binary_erosion(blank, iterations=1)
    assert whole.any()


def test_a_nebula_and_what_is_not_known_are_no_sky() -> None:
    rng = np.random.default_rng(35)
    y, x = np.mgrid[0:400, 0:500]
    nebula = 8.0 * np.exp(-((x - 150.0) ** 2 + (y - 200.0) ** 2) / (2 * 60.0**2))
    image = (rng.normal(0.0, 1.0, (400, 500)) + nebula + 100.0).astype(np.float32)
    image[:, 480:] = np.nan
    blank = blank_sky(image, 1.0)
    assert not blank[:, 480:].any()
    assert not blank[150:250, 100:200].any()
    assert blank[:, 350:464].mean() > 0.8
