"""Stretches against their written forms and the automatic one against what it promises (CHECKS C5, C6)."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.visualization import AsinhStretch

from nightfold.errors import PictureError
from nightfold.picture.stretch import (
    BRIGHT_SHOWN_AT,
    GRAIN,
    SKY_SHOWN_AT,
    TYPICAL_SHOWN_AT,
    AsinhCurve,
    MonotoneCurve,
    automatic_curve,
    lupton,
    measure_levels,
)


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


def test_a_monotone_curve_passes_its_anchors_and_never_turns() -> None:
    curve = MonotoneCurve(values=(0.0, 0.01, 0.03, 2.0), lightness=(0.1, 0.2, 0.5, 0.9), softness=0.01)
    np.testing.assert_allclose(curve(np.array([0.0, 0.01, 0.03, 2.0])), [0.1, 0.2, 0.5, 0.9], atol=1e-4)
    assert (np.diff(curve(np.linspace(-1, 3, 5001))) >= 0).all()
    with pytest.raises(PictureError, match="do not rise"):
        MonotoneCurve(values=(0.0, 1.0), lightness=(0.5, 0.4), softness=1.0)


def field(nebula: float, seed: int = 3) -> np.ndarray:
    """A nebula that stars were taken off, over a sky of 0.02 with noise 0.004."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:300, 0:400]
    image = 0.02 + nebula * np.exp(-(((x - 250) / 70) ** 2 + ((y - 150) / 60) ** 2)) + rng.normal(0, 0.004, x.shape)
    return image.astype(np.float32)


def test_levels_are_those_of_the_scene() -> None:
    levels = measure_levels({"Ha": field(0.1), "OIII": field(0.02, seed=4)}, {"Ha": 0.004, "OIII": 0.004})
    for found in levels.values():
        assert found.sky == pytest.approx(0.02, abs=0.001)
        assert found.typical < found.nebula < found.bright
    assert levels["Ha"].nebula == pytest.approx(0.067, abs=0.01), "of the cells that show any"
    assert levels["Ha"].nebula / levels["OIII"].nebula == pytest.approx(5.0, rel=0.1)


@pytest.mark.parametrize("nebula", [0.05, 0.1, 2.0])
def test_the_automatic_curve_shows_sky_and_nebula_where_it_says(nebula: float) -> None:
    levels = measure_levels({"Ha": field(nebula)}, {"Ha": 0.004})["Ha"]
    curve = automatic_curve(levels, grain_noise=0.001)
    sky, typical, bright = curve(levels.sky + np.array([0.0, levels.typical, levels.bright]))
    assert sky == pytest.approx(SKY_SHOWN_AT, abs=1e-3)
    assert bright == pytest.approx(BRIGHT_SHOWN_AT, abs=1e-3)
    grain = np.diff(curve(levels.sky + np.array([0.0, 0.0001])))[0] * 0.001 / 0.0001
    assert grain <= GRAIN * 1.02
    if grain < 0.98 * GRAIN:  # else a faint nebula is not lifted at the price of its noise
        assert typical == pytest.approx(TYPICAL_SHOWN_AT, abs=1e-3)


def test_pure_noise_is_not_blown_up() -> None:
    noise = np.random.default_rng(0).normal(0.02, 0.004, (200, 200)).astype(np.float32)
    shown = automatic_curve(measure_levels({"Ha": noise}, {"Ha": 0.004})["Ha"])(noise)
    assert 0.1 < np.median(shown) < 0.4
    assert np.std(shown) < 0.03


def test_too_small_a_picture_says_so() -> None:
    with pytest.raises(PictureError, match="too few pixels"):
        measure_levels({"Ha": np.full((5, 5), np.nan, np.float32)}, {"Ha": 1.0})
