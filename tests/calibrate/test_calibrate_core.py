"""Combination of calibration frames against known truth and a slow twin."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtri

from nightfold.calibrate.core import (
    Combined,
    band_rows,
    clipped_sigma,
    combine_frames,
    master_bias,
    master_dark,
    master_flat,
    plane_reader,
    scale_dark,
)
from nightfold.errors import CalibrationError
from nightfold.kernels.frame_stack import combine_known_noise, median_in_place

SHAPE = (96, 128)
SIGMA = 6.0


def frames_of_noise(count: int, *, seed: int, level: float = 200.0, sigma: float = SIGMA) -> np.ndarray:
    return np.random.default_rng(seed).normal(level, sigma, (count, *SHAPE)).astype(np.float32)


def twin(values: np.ndarray, noise2: float, clip: float) -> tuple[float, int]:
    """One pixel, at least three samples, in plain words."""
    values = values[np.isfinite(values)].astype(np.float64)
    centre = np.median(values)
    mad = 1.482602218505602 * np.median(np.abs(values.astype(np.float32) - np.float32(centre)))
    limit = clip * np.sqrt(max(noise2, mad**2))
    kept = -1
    for _ in range(6):
        inside = values[np.abs(values - centre) <= limit]
        if len(inside) == kept:
            break
        kept = len(inside)
        centre = inside.mean()
    return float(centre), int((np.abs(values - centre) <= limit).sum())


@pytest.mark.parametrize("count", [1, 2, 3, 4, 7, 20, 51])
def test_selection_gives_the_median_of_numpy(count: int) -> None:
    generator = np.random.default_rng(count)
    for _ in range(50):
        values = generator.integers(0, 9, count).astype(np.float32)  # many ties
        assert median_in_place(values.copy(), count) == np.median(values)


@pytest.mark.parametrize("count", [3, 8, 33])
def test_kernel_agrees_with_the_slow_twin(count: int) -> None:
    generator = np.random.default_rng(11)
    stack = generator.normal(100.0, 5.0, (count, 150)).astype(np.float32)
    stack[generator.random(stack.shape) < 0.05] += 300.0
    stack[generator.random(stack.shape) < 0.05] = np.nan
    stack[:, 7] = np.nan
    stack[0, 9] = np.inf
    mean, variance = np.empty(150, np.float32), np.empty(150, np.float32)
    used = np.empty(150, np.int32)
    combine_known_noise(stack, 25.0, 0.0, 0.0, 3.3, 1.482602218505602, mean, variance, used)
    assert np.isnan(mean[7])
    assert used[7] == 0
    for p in range(150):
        if np.isfinite(stack[:, p]).sum() < 3:
            continue
        expected, kept = twin(stack[:, p], 25.0, 3.3)
        assert mean[p] == pytest.approx(expected, abs=1e-4)
        assert used[p] == kept


def test_mean_variance_and_share_given_up_are_as_stated() -> None:
    frames = frames_of_noise(20, seed=1)
    result = combine_frames([plane_reader(f) for f in frames], SHAPE, share_given_up=0.01)
    assert result.noise == pytest.approx(SIGMA, rel=0.02)
    # The pixel's own deviation can only widen the limit, so that less than the stated share is lost, not more.
    assert 0.003 < result.rejected_fraction < 0.0105
    assert result.mean.std() == pytest.approx(SIGMA / np.sqrt(20), rel=0.02)
    assert np.sqrt(result.variance_of_mean.mean()) == pytest.approx(SIGMA / np.sqrt(20), rel=0.03)
    assert result.mean.mean() == pytest.approx(200.0, abs=4 * SIGMA / np.sqrt(20 * frames[0].size))


def test_cosmic_rays_leave_no_trace() -> None:
    frames = frames_of_noise(9, seed=2)
    clean = combine_frames([plane_reader(f) for f in frames], SHAPE).mean
    hit = np.random.default_rng(3).random(frames.shape) < 0.01
    struck = frames + np.where(hit, 4000.0, 0.0).astype(np.float32)
    result = combine_frames([plane_reader(f) for f in struck], SHAPE)
    once = hit.sum(axis=0) <= 2
    assert np.abs(result.mean - clean)[once].max() < 4 * SIGMA / np.sqrt(7)
    assert (result.used[once] >= 6).all()


def test_two_frames_believe_the_one_without_the_cosmic_ray() -> None:
    frames = frames_of_noise(2, seed=4)
    frames[1, 10, 10] += 900.0
    result = combine_frames([plane_reader(f) for f in frames], SHAPE)
    assert result.used[10, 10] == 1
    assert result.mean[10, 10] == frames[0, 10, 10]
    assert result.rejected_fraction < 0.002


def test_one_frame_is_itself() -> None:
    frame = frames_of_noise(1, seed=5)[0]
    result = combine_frames([plane_reader(frame)], SHAPE)
    np.testing.assert_array_equal(result.mean, frame)
    assert np.sqrt(result.typical_variance) == pytest.approx(SIGMA, rel=0.05)


def test_bands_and_threads_change_nothing() -> None:
    frames = frames_of_noise(6, seed=6).astype(">f4")
    frames.setflags(write=False)
    readers = [plane_reader(f) for f in frames]
    whole = combine_frames(readers, SHAPE)
    seen: list[tuple[int, int]] = []
    banded = combine_frames(
        readers, SHAPE, memory_bytes=60_000, workers=3, progress=lambda done, rows: seen.append((done, rows))
    )
    for name in ("mean", "variance_of_mean", "used"):
        np.testing.assert_array_equal(getattr(whole, name), getattr(banded, name))
    assert seen[-1] == (SHAPE[0], SHAPE[0])
    assert len(seen) > 10


def test_a_frame_without_pixels_leaves_the_rest_alone() -> None:
    frames = frames_of_noise(6, seed=16)
    frames[2] = np.nan
    result = combine_frames([plane_reader(f) for f in frames], SHAPE)
    assert result.used.max() == 5
    assert result.noise == pytest.approx(SIGMA, rel=0.03)
    nothing = combine_frames([plane_reader(f) for f in frames[2:3]], SHAPE)
    assert np.isnan(nothing.mean).all()
    assert (nothing.used == 0).all()


def test_memory_bounds_the_band_not_the_number_of_frames() -> None:
    for count in (10, 100, 300):
        rows = band_rows(count, (2822, 4144), memory_bytes=512 << 20, workers=2)
        assert 2 * rows * 4144 * (4 * count + 12) <= 512 << 20


def test_noise_of_whole_adu_is_not_lost_to_rounding() -> None:
    generator = np.random.default_rng(7)
    values = np.round(generator.normal(0.0, 0.9, 200_000))
    # The rounding adds 1/12 to the variance (CHECKS D4).
    assert clipped_sigma(values) == pytest.approx(np.sqrt(0.81 + 1 / 12), rel=0.01)


def test_hot_pixels_keep_their_samples_with_the_gain_known() -> None:
    generator = np.random.default_rng(8)
    dark = np.full(SHAPE, 4.0)
    dark[::8, ::8] = 6000.0  # electrons: photon noise 77, far above the read noise
    frames = [
        (200 + 4 * (generator.poisson(dark) + generator.normal(0, 1.6, SHAPE))).astype(np.float32) for _ in range(12)
    ]
    result = master_dark([plane_reader(f) for f in frames], SHAPE, e_per_adu=0.25)
    assert result.used[::8, ::8].mean() > 11.9
    assert result.mean[::8, ::8].mean() == pytest.approx(200 + 4 * 6000, rel=0.002)


def test_amplifier_glow_survives() -> None:
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    glow = 80.0 * np.exp(-np.hypot(y, x - SHAPE[1]) / 20.0)
    frames = frames_of_noise(15, seed=9) + glow.astype(np.float32)
    result = master_dark([plane_reader(f) for f in frames], SHAPE)
    assert np.abs((result.mean - 200 - glow).mean()) < 0.1
    assert (result.mean - 200)[0, -1] > 60.0


def test_scaling_a_dark_needs_a_bias() -> None:
    bias = master_bias([plane_reader(f) for f in frames_of_noise(10, seed=10)], SHAPE)
    dark = master_dark([plane_reader(f + 50) for f in frames_of_noise(10, seed=11)], SHAPE)
    with pytest.raises(CalibrationError, match=r"without a bias.*ratio 2.*take bias frames"):
        scale_dark(dark, None, 2.0)
    doubled = scale_dark(dark, bias, 2.0)
    assert doubled.mean.mean() == pytest.approx(300.0, abs=0.3)
    np.testing.assert_allclose(doubled.variance_of_mean, 4 * dark.variance_of_mean + bias.variance_of_mean, rtol=1e-5)


def flat_frames(levels: list[float], *, seed: int, pedestal: float = 200.0) -> tuple[list[np.ndarray], np.ndarray]:
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    truth = 1.0 - 0.3 * ((x - 64) ** 2 + (y - 48) ** 2) / (64.0**2 + 48.0**2)
    truth /= truth.mean()
    generator = np.random.default_rng(seed)
    return [(generator.poisson(level * truth) + pedestal).astype(np.float32) for level in levels], truth


def test_flat_has_mean_one_and_follows_the_light() -> None:
    levels = [20000.0, 24000.0, 26000.0, 30000.0, 25000.0] * 5
    frames, truth = flat_frames(levels, seed=12)
    flat = master_flat([plane_reader(f) for f in frames], SHAPE, dark=200.0).combined
    assert flat.mean.mean(dtype=np.float64) == pytest.approx(1.0, abs=1e-6)
    # CHECKS D13: 25 flats of 25000 electrons leave 1/sqrt(n S) = 0.126 percent.
    assert (flat.mean / truth).std() == pytest.approx(0.00126, rel=0.06)
    assert np.sqrt(flat.typical_variance) == pytest.approx(0.00126, rel=0.08)
    assert flat.rejected_fraction < 0.0015


def test_variance_of_a_flat_with_more_dark_than_bright_area() -> None:
    truth = np.ones(SHAPE)
    truth[:, :50] = 3.0  # mean 1.78, median 1: the frames' own level is not the mean
    generator = np.random.default_rng(17)
    frames = [generator.poisson(8000 * truth).astype(np.float32) for _ in range(16)]
    flat = master_flat([plane_reader(f) for f in frames], SHAPE, dark=0.0).combined
    scatter = (flat.mean[:, 60:] / flat.mean[:, 60:].mean()).std() * flat.mean[:, 60:].mean()
    assert np.sqrt(flat.variance_of_mean[:, 60:].mean()) == pytest.approx(scatter, rel=0.04)


def test_stars_in_sky_flats_are_rejected() -> None:
    frames, truth = flat_frames([20000.0] * 9, seed=13)
    for i, frame in enumerate(frames):
        frame[20 + 5 * i : 23 + 5 * i, 30:33] += 9000.0
    flat = master_flat([plane_reader(f) for f in frames], SHAPE, dark=200.0).combined
    assert np.abs(flat.mean / truth - 1)[15:70, 30:33].max() < 5 * 0.0024 * 1.2


def test_noise_of_the_flat_dark_stays_in_the_flat() -> None:
    frames, _ = flat_frames([2500.0] * 40, seed=14)
    noisy = Combined(
        mean=np.full(SHAPE, 200, np.float32),
        variance_of_mean=np.full(SHAPE, 400, np.float32),
        used=np.ones(SHAPE, np.int32),
        frames=1,
        levels=(200.0,),
        noise=20.0,
    )
    flat = master_flat([plane_reader(f) for f in frames], SHAPE, dark=noisy, ceiling_adu=16383).combined
    assert flat.typical_variance == pytest.approx(400 / 2500**2 + 1 / (40 * 2500), rel=0.08)


def test_saturated_and_dark_flats_are_refused_by_name_and_the_rest_goes_on() -> None:
    frames, _ = flat_frames([25000.0, 64000.0, 300.0, 26000.0], seed=15)
    result = master_flat(
        [plane_reader(np.minimum(f, 65535)) for f in frames],
        SHAPE,
        dark=200.0,
        names=["a.fits", "bright.fits", "dusk.fits", "d.fits"],
    )
    assert [index for index, _ in result.refused] == [1, 2]
    assert result.refused[0][1].startswith("bright.fits: saturated")
    assert result.refused[1][1].startswith("dusk.fits: too dark")
    assert result.combined.frames == 2
    with pytest.raises(CalibrationError, match=r"no flat can be used.*saturated.*next"):
        master_flat([plane_reader(np.full(SHAPE, 65535.0))], SHAPE, dark=200.0)


@pytest.mark.parametrize("top", [4095, 16383, 65535])
def test_flats_of_a_camera_of_few_bits_are_judged_on_its_own_range(top: int) -> None:
    """Values of 12 and 14 bits as the converter gave them, no header telling so."""
    frames, _ = flat_frames([0.40 * top, 0.45 * top, 1.6 * top, 0.02 * top], seed=16)
    frames = [np.minimum(np.rint(f), top) for f in frames]
    result = master_flat([plane_reader(f) for f in frames], SHAPE, dark=200.0, names=["a", "b", "bright", "dusk"])
    assert [reason.split(":")[0] + reason.split(":")[1][:10] for _, reason in result.refused] == [
        "bright saturated",
        "dusk too dark",
    ]
    # Good flats alone: nothing in them is full, so only the greatest value tells the range.
    assert not master_flat([plane_reader(f) for f in frames[:2]], SHAPE, dark=200.0).refused


def test_flats_of_few_electrons_are_too_dark_whatever_their_range() -> None:
    rng = np.random.default_rng(17)
    dim = [200.0 + rng.poisson(150.0, SHAPE).astype(np.float32) for _ in range(3)]
    with pytest.raises(CalibrationError, match=r"too dark: 150 ADU .* scatter by 8%"):
        master_flat([plane_reader(f) for f in dim], SHAPE, dark=200.0)


def test_wrong_input_is_told_in_one_line() -> None:
    with pytest.raises(CalibrationError, match=r"no frames to combine"):
        combine_frames([], SHAPE)
    with pytest.raises(CalibrationError, match=r"frame 2 has another size.*128 px a row"):
        combine_frames([plane_reader(np.ones(SHAPE)), lambda a, b: np.ones((b - a, 64))], SHAPE)  # type: ignore[list-item]
    with pytest.raises(CalibrationError, match=r"above 0, below 1"):
        combine_frames([plane_reader(np.ones(SHAPE))], SHAPE, share_given_up=0.0)


def test_share_given_up_means_a_clip_in_sigma() -> None:
    # Standard normal quantiles: 0.27 % outside 3 sigma (CHECKS S3).
    assert -ndtri(0.0026998 / 2) == pytest.approx(3.0, abs=1e-4)
