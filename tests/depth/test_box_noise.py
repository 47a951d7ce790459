"""Noise of boxes against loops that add pixels up, and against what resampling, gradients and stars do to the pixel's sigma."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.depth.boxes import box_at, box_means, box_noise
from nightfold.depth.core import limit_rate
from nightfold.judge.photometry.core import surface_mag


def brute_box(image: np.ndarray, y0: float, x0: float, side: float) -> float:
    """Mean over a box, each pixel weighed with the part of it that lies inside."""
    total = 0.0
    for y in range(int(y0), int(np.ceil(y0 + side))):
        for x in range(int(x0), int(np.ceil(x0 + side))):
            inside_y = min(y + 1.0, y0 + side) - max(float(y), y0)
            inside_x = min(x + 1.0, x0 + side) - max(float(x), x0)
            total += image[y, x] * inside_y * inside_x
    return total / side**2


def test_boxes_that_end_inside_pixels() -> None:
    rng = np.random.default_rng(1)
    image = rng.normal(5.0, 1.0, (60, 70))
    means, clean = box_means(image, np.ones(image.shape, bool), 5.55)
    assert clean == pytest.approx(np.ones(clean.shape), abs=1e-12)
    for j, i in ((0, 0), (1, 2), (3, 4)):
        assert means[j, i] == pytest.approx(brute_box(image, j * 11.55, i * 11.55, 5.55), abs=1e-9)
    assert box_at(image, (30.0, 20.0), 4.3) == pytest.approx(brute_box(image, 20.5 - 2.15, 30.5 - 2.15, 4.3), abs=1e-9)
    assert np.isnan(box_at(image, (1.0, 20.0), 6.0))


def direct_sigma(image: np.ndarray, side: int) -> float:
    """Standard deviation of the means of boxes of whole pixels that touch each other."""
    h, w = (n // side * side for n in image.shape)
    return float(image[:h, :w].reshape(h // side, side, w // side, side).mean(axis=(1, 3)).std())


def test_white_noise_gives_the_square_root() -> None:
    rng = np.random.default_rng(2)
    image = rng.normal(0.0, 1.0, (900, 900))
    found = box_noise(image, np.ones(image.shape, bool), 10.0)
    assert found is not None
    assert found.sigma == pytest.approx(0.1, rel=4.0 * found.error / found.sigma)
    assert found.error / found.sigma < 0.02
    # CHECKS D11: sigma .001, pix .969445, n 3, Omega 10, ZP 20 -> 28.7735 for white noise (Roman et al. 2020, appendix A).
    box_px = 10.0 / 0.969445
    assert surface_mag(limit_rate(0.001 / box_px, box_px, 0.969445), 20.0) == pytest.approx(28.7735, abs=1e-3)


def test_resampled_noise_is_measured_where_the_pixel_flatters() -> None:
    # CHECKS R2: after a bilinear shift by half a pixel the sigma of a 10 x 10 mean is 1.90 times sigma_px / 10.
    rng = np.random.default_rng(3)
    raw = rng.normal(0.0, 1.0, (901, 901))
    image = 0.25 * (raw[:-1, :-1] + raw[1:, :-1] + raw[:-1, 1:] + raw[1:, 1:])
    found = box_noise(image, np.ones(image.shape, bool), 10.0)
    assert found is not None
    assert found.sigma / (image.std() / 10.0) == pytest.approx(1.90, rel=0.03)


def test_limit_within_a_twentieth_of_a_magnitude_of_blank_sky() -> None:
    rng = np.random.default_rng(4)
    blank = rng.normal(0.02, 0.003, (1000, 1100))
    y, x = np.mgrid[0:1000, 0:1100]
    image = blank + 0.004 * x / 1100 + 0.002 * (y / 1000) ** 2  # a gradient that a stack may keep
    mask = np.ones(image.shape, bool)
    for _ in range(500):
        cy, cx, peak = rng.uniform(0, 1000), rng.uniform(0, 1100), 10 ** rng.uniform(-2.3, 1)
        ys, xs = slice(max(0, int(cy) - 12), int(cy) + 13), slice(max(0, int(cx) - 12), int(cx) + 13)
        light = peak / (1 + ((x[ys, xs] - cx) ** 2 + (y[ys, xs] - cy) ** 2) / 4.0) ** 3
        image[ys, xs] += light
        mask[ys, xs] &= light < 0.0015
    found = box_noise(image, mask, 8.0)
    assert found is not None
    assert abs(2.5 * np.log10(found.sigma / direct_sigma(blank, 8))) < 0.05


@pytest.mark.parametrize("axis", [0, 1])
def test_what_a_row_or_a_column_shares_counts_as_noise(axis: int) -> None:
    rng = np.random.default_rng(6)
    shape = (900, 1) if axis == 0 else (1, 900)
    image = rng.normal(0.0, 1.0, (900, 900)) + rng.normal(0.0, 0.3, shape)
    found = box_noise(image, np.ones(image.shape, bool), 10.0)
    assert found is not None
    # Variances of a mean over 10 x 10 pixels and of one over 10 rows add.
    assert found.sigma == pytest.approx(np.sqrt(1.0 / 100 + 0.09 / 10), rel=0.08)


def test_little_sky_tells_nothing() -> None:
    image = np.random.default_rng(5).normal(0.0, 1.0, (200, 200))
    assert box_noise(image, np.zeros(image.shape, bool), 5.0) is None
    assert box_noise(image[:20, :20], np.ones((20, 20), bool), 5.0) is None
    some = np.ones(image.shape, bool)
    some[:, 100:] = False
    image[:, 100:] = np.nan
    found = box_noise(image, some, 5.0)
    assert found is not None
    assert found.sigma == pytest.approx(0.2, rel=0.25)
