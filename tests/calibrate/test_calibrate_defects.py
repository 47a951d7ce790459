"""Bad pixels and camera noise against planted truth and CHECKS D3."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.calibrate.core import Combined, combine_frames, plane_reader
from nightfold.calibrate.defects import (
    dead_pixels,
    gain_and_read_noise,
    hot_pixels,
    measure_camera_noise,
    measure_read_noise_adu,
    surroundings,
)
from nightfold.errors import CalibrationError

SHAPE = (192, 256)


def dark_with_defects() -> tuple[Combined, np.ndarray]:
    generator = np.random.default_rng(1)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    truth = 200 + 120 * np.exp(-np.hypot(y, x - SHAPE[1]) / 40.0)
    bad = np.zeros(SHAPE, bool)
    bad[generator.integers(0, SHAPE[0], 60), generator.integers(0, SHAPE[1], 60)] = True
    truth = truth + np.where(bad, generator.uniform(200, 3000, SHAPE), 0)
    truth[:, 77] += 25.0  # a raised column, each pixel below the limit for single ones
    truth[64:128, 150] += 25.0  # and a third of one
    bad[:, 77] = True
    bad[64:128, 150] = True
    frames = generator.normal(truth, 6.0, (12, *SHAPE)).astype(np.float32)
    return combine_frames([plane_reader(f) for f in frames], SHAPE), bad


def test_hot_pixels_and_columns_are_found_and_glow_is_not() -> None:
    dark, bad = dark_with_defects()
    found = hot_pixels(dark)
    assert found[bad].all()
    assert (found & ~bad).sum() <= 3
    assert not found[:32, -32:][~bad[:32, -32:]].any()


@pytest.mark.parametrize("frames_taken", [5, 6, 12, 30])
@pytest.mark.parametrize(
    ("sigma", "step"), [(0.12, 1.0), (0.25, 1.0), (0.4, 1.0), (0.6, 1.0), (6.4, 16.0), (3.0, 16.0)]
)
def test_coarse_steps_make_no_bad_pixels(sigma: float, step: float, frames_taken: int) -> None:
    """A converter whose step is as large as the read noise: most darks repeat the same numbers."""
    generator = np.random.default_rng(31)
    level = 30.3 * step + generator.normal(0.0, 0.3 * step, SHAPE)
    hot = np.zeros(SHAPE, bool)
    hot[generator.integers(0, SHAPE[0], 40), generator.integers(0, SHAPE[1], 40)] = True
    level[hot] += 40.0 * step
    frames = np.floor(generator.normal(level, sigma, (frames_taken, *SHAPE)) / step + 0.5) * step
    frames[::2, 50, 60] += 25.0 * step
    found = hot_pixels(combine_frames([plane_reader(f.astype(np.float32)) for f in frames], SHAPE))
    assert found[hot].all()
    assert found[50, 60]
    assert (found & ~hot).sum() <= 0.001 * found.size


def test_a_pattern_of_all_columns_is_no_defect() -> None:
    generator = np.random.default_rng(41)
    level = 120.0 + generator.normal(0.0, 0.8, SHAPE[1]) + np.zeros(SHAPE)
    level[:, 90] += 12.0
    frames = np.round(generator.normal(level, 0.45, (6, *SHAPE)))
    found = hot_pixels(combine_frames([plane_reader(f.astype(np.float32)) for f in frames], SHAPE))
    assert found[:, 90].all()
    found[:, 90] = False
    assert found.mean() < 0.001


def test_flickering_pixels_are_found() -> None:
    generator = np.random.default_rng(2)
    frames = generator.normal(200, 3.0, (12, *SHAPE)).astype(np.float32)
    frames[::2, 50, 60] += 80.0
    found = hot_pixels(combine_frames([plane_reader(f) for f in frames], SHAPE))
    assert found[50, 60]
    assert found.sum() <= 3


@pytest.mark.parametrize("cell", [(1.0, 1.0, 1.0, 1.0), (0.35, 1.0, 1.0, 0.5)], ids=["monochrome", "colours"])
def test_dead_pixels_are_found_and_dust_is_not(cell: tuple[float, ...]) -> None:
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    dust = 1 - 0.2 * (np.abs(np.hypot(y - 90, x - 120) - 25) < 10)
    flat = (dust * (1 - 0.4 * np.hypot(y - 96, x - 128) ** 2 / 160**2)).astype(np.float32)
    flat *= np.tile(np.array(cell, np.float32).reshape(2, 2), (SHAPE[0] // 2, SHAPE[1] // 2))
    flat[10, 20] *= 0.2
    flat[100, 200] = np.nan
    combined = Combined(
        mean=flat,
        variance_of_mean=np.zeros(SHAPE, np.float32),
        used=np.ones(SHAPE, np.int32),
        frames=1,
        levels=(1.0,),
        noise=0.001,
    )
    assert np.argwhere(dead_pixels(combined)).tolist() == [[10, 20], [100, 200]]


def test_surroundings_follow_a_plane() -> None:
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    tilted = (100 + 0.5 * x - 0.3 * y).astype(np.float32)
    inner = (slice(20, -20), slice(20, -20))
    np.testing.assert_allclose(surroundings(tilted)[inner], tilted[inner], atol=0.6)
    assert surroundings(np.full((3, 5), np.nan, np.float32)).tolist() == [[0.0] * 5] * 3


def test_gain_of_the_worked_example() -> None:
    # CHECKS D3: F 20000, 20020; B 500, 501; sd 200, 2.2 ADU.
    noise = gain_and_read_noise(20000 + 20020 - 500 - 501, 200.0**2, 2.2, pixels=512**2)
    assert noise.e_per_adu == pytest.approx(0.97559, abs=1e-5)
    assert noise.read_noise_e == pytest.approx(1.5177, abs=1e-4)
    assert noise.e_per_adu_error / noise.e_per_adu == pytest.approx(0.0028, abs=1e-4)


def test_gain_and_read_noise_of_simulated_pairs_with_cosmic_rays() -> None:
    # CHECKS D3: simulation of 512^2 px at 0.78 e/ADU and 3.5 e; 4 sigma of the stated 0.28 percent.
    generator = np.random.default_rng(3)
    shape = (512, 512)
    flats = [np.round(500 + (generator.poisson(15000.0, shape) + generator.normal(0, 3.5, shape)) / 0.78) for _ in "ab"]
    biases = [np.round(500 + generator.normal(0, 3.5, shape) / 0.78) for _ in "ab"]
    flats[0][generator.random(shape) < 1e-4] += 20000
    biases[1][generator.random(shape) < 1e-4] += 20000
    noise = measure_camera_noise((flats[0], flats[1]), (biases[0], biases[1]))
    assert noise.e_per_adu == pytest.approx(0.78, rel=4 * 0.0028)
    quantised = np.sqrt(3.5**2 + 0.78**2 / 12)  # CHECKS D4
    assert noise.read_noise_e == pytest.approx(quantised, rel=4 * 0.0032)
    assert measure_read_noise_adu(biases[0], biases[1]) == pytest.approx(quantised / 0.78, rel=0.01)


def test_flats_without_light_give_no_gain() -> None:
    flat = np.full((8, 8), 500.0)
    with pytest.raises(CalibrationError, match="give no gain"):
        measure_camera_noise((flat, flat), (flat, flat))
