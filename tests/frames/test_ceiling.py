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


@pytest.mark.skipif(not REAL.is_dir(), reason="the real exposures lie beside the project and are not here")
def test_a_real_camera_of_twelve_bits() -> None:
    file = sorted(REAL.iterdir())[0]
    with fits.open(file) as hdus:
        assert full_value(hdus[0].data) == 4095
