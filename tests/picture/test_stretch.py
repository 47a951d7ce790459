"""Stretches against their written forms and the automatic one against what it promises (CHECKS C5, C6)."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.visualization import AsinhStretch

from nightfold.errors import PictureError
from nightfold.picture.stretch import AsinhCurve, automatic_curve, lupton, measure_levels


def test_the_colour_keeping_stretch_of_lupton() -> None:
    # CHECKS C5: Q 8, stretch 0.5, m 0.
    grey = np.array([0.001, 0.01, 0.1, 0.5, 1.0])
    found = lupton(np.repeat(grey[:, None], 3, axis=1), q=8.0, stretch=0.5)[:, 0]
    np.testing.assert_allclose(found, [0.0019999, 0.0199156, 0.156123, 0.347059, 0.433339], atol=1e-6)
    np.testing.assert_allclose(
        lupton(np.array([[0.9, 0.6, 0.3]]), q=8.0, stretch=0.5)[0], [0.554552, 0.369702, 0.184851], atol=1e-6
    )


def test_the_normalised_curve() -> None:
    # CHECKS C6: asinh(x / b) / asinh(1 / b), b 0.1.
    curve = AsinhCurve(black=0.0, white=1.0, softness=0.1)
    np.testing.assert_allclose(curve(np.array([0.01, 0.1, 0.5, 1.0])), [0.033298, 0.293965, 0.771270, 1.0], atol=1e-6)


def test_against_an_independent_library() -> None:
    # astropy's AsinhStretch(a) is asinh(x / a) / asinh(1 / a).
    x = np.linspace(0, 1, 101)
    np.testing.assert_allclose(AsinhCurve(black=0, white=1, softness=0.07)(x), AsinhStretch(0.07)(x), atol=2e-6)


def field(nebula: float, seed: int = 3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:300, 0:400]
    image = 0.02 + nebula * np.exp(-(((x - 250) / 70) ** 2 + ((y - 150) / 60) ** 2)) + rng.normal(0, 0.004, x.shape)
    for _ in range(80):
        sx, sy, f = rng.uniform(0, 400), rng.uniform(0, 300), rng.pareto(0.8) * 0.1
        image += f * np.exp(-((x - sx) ** 2 + (y - sy) ** 2) / 4.0)
    return image.astype(np.float32)


def test_levels_are_those_of_the_scene() -> None:
    levels = measure_levels(field(0.1))
    assert levels.sky == pytest.approx(0.02, abs=0.002)
    assert levels.noise == pytest.approx(0.004, rel=0.1)
    assert levels.nebula == pytest.approx(0.09, abs=0.02)


@pytest.mark.parametrize("nebula", [0.02, 0.1, 2.0])
def test_the_automatic_curve_shows_sky_and_nebula_where_it_says(nebula: float) -> None:
    image = field(nebula)
    levels = measure_levels(image)
    curve = automatic_curve(levels)
    shown = curve(np.array([levels.sky, levels.sky + levels.nebula]))
    assert shown[0] == pytest.approx(0.10, abs=1e-3)
    if curve.softness > 0.51 * levels.noise:
        assert shown[1] == pytest.approx(0.58, abs=0.01)
    else:  # a faint nebula is not lifted at the price of its noise
        assert 0.2 < shown[1] < 0.58
    assert (curve(image) >= 0.999).mean() < 0.01


def test_pure_noise_is_not_blown_up() -> None:
    noise = np.random.default_rng(0).normal(0.02, 0.004, (200, 200)).astype(np.float32)
    shown = automatic_curve(measure_levels(noise))(noise)
    assert 0.05 < np.median(shown) < 0.2


def test_too_small_a_picture_says_so() -> None:
    with pytest.raises(PictureError, match="too few pixels"):
        measure_levels(np.full((5, 5), np.nan, np.float32))
