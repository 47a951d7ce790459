"""The full value: found where stars are cut off, also on real frames of a camera that does not tell; not invented."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from nightfold.frames.ceiling import full_value

REAL = Path(__file__).parents[3] / "shared" / "data" / "raw" / "drifting-6inch"


def stars(peak: float) -> np.ndarray:
    rng = np.random.default_rng(3)
    y, x = np.mgrid[0:200, 0:300]
    image = 400 + rng.normal(0, 10, x.shape)
    for k in range(30):
        image += peak * 0.7**k * np.exp(-((x - rng.uniform(0, 300)) ** 2 + (y - rng.uniform(0, 200)) ** 2) / 8.0)
    return image


@pytest.mark.parametrize("top", [4095, 16383, 65535])
def test_cut_off_stars_tell_the_value(top: int) -> None:
    image = np.minimum(stars(5.0 * top), top).astype(np.uint16)
    assert full_value(image) == top


def test_a_frame_without_full_pixels_tells_nothing() -> None:
    assert full_value(stars(3000.0).astype(np.uint16)) is None
    assert full_value(np.full((50, 50), 700, np.uint16)) is None, "an even frame is no pile at the top"
    assert full_value(np.full((5, 5), np.nan, np.float32)) is None


def test_bright_noise_is_not_a_pile() -> None:
    flat = np.random.default_rng(4).normal(30000, 170, (300, 300)).astype(np.uint16)
    assert full_value(flat) is None


def test_few_levels_are_not_a_pile() -> None:
    # Eight bits: the noise of a flat spans some levels only, and a level is wider than the look below the top.
    flat = np.random.default_rng(4).normal(113, 1.3, (300, 300)).clip(0, 255).astype(np.uint8)
    assert full_value(flat) is None
    assert full_value((stars(500.0) / 4).astype(np.uint8)) is None
    full = stars(900.0)
    assert full_value(np.minimum(full, 255.0).astype(np.uint8)) is None, "full all over"
    assert full_value(np.minimum(full - 380, 255).clip(0).astype(np.uint8)) == 255


@pytest.mark.parametrize("noise", [0.0, 6.4, 40.0])
def test_wells_that_are_full_before_the_converter_ends(noise: float) -> None:
    image = np.minimum(stars(300_000.0), 52_000.0) + np.random.default_rng(8).normal(
        200.0, max(noise, 1e-9), (200, 300)
    )
    value = full_value(image.astype(np.uint16))
    assert value == pytest.approx(52_200, abs=5.0 * noise + 1.0)


def test_a_smooth_bright_core_is_not_full() -> None:
    y, x = np.mgrid[0:200, 0:300]
    core = 1000.0 + 40_000.0 * np.exp(-((x - 150) ** 2 + (y - 100) ** 2) / 800.0)
    core += np.random.default_rng(9).normal(0.0, 100.0, core.shape)
    assert full_value(core.astype(np.uint16)) is None
    # A galaxy's cusp and a plateau that noise covers are none either.
    cusp = 1000.0 + 40_000.0 * np.exp(-np.hypot(x - 150, y - 100) / 10.0)
    assert full_value(cusp.astype(np.uint16)) is None


@pytest.mark.parametrize(("level", "sigma", "step"), [(113, 1.3, 1), (30_000, 170, 16), (2_000, 22, 1), (9_000, 45, 4)])
def test_flats_of_coarse_converters_are_not_full(level: float, sigma: float, step: int) -> None:
    for number in range(6):
        flat = np.random.default_rng(number).normal(level, sigma, (700, 900))
        assert full_value((flat // step * step).astype(np.uint16)) is None


@pytest.mark.skipif(not REAL.is_dir(), reason="the real exposures lie beside the project and are not here")
def test_a_real_camera_of_twelve_bits() -> None:
    file = sorted(REAL.iterdir())[0]
    with fits.open(file) as hdus:
        assert full_value(hdus[0].data) == 4095
