"""Raw counts to electrons, and what is said where something is missing."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.calibrate.apply import build_calibration, calibrate_image, calibrate_rows, variance_plane
from nightfold.calibrate.core import Combined
from nightfold.errors import CalibrationError

SHAPE = (40, 60)


def plane(value: float | np.ndarray, *, variance: float = 0.0, noise: float = 1.0) -> Combined:
    return Combined(
        mean=np.broadcast_to(np.asarray(value, np.float32), SHAPE).copy(),
        variance_of_mean=np.full(SHAPE, variance, np.float32),
        used=np.full(SHAPE, 10, np.int32),
        frames=10,
        levels=(1.0,) * 10,
        noise=noise,
    )


def test_electrons_come_back() -> None:
    generator = np.random.default_rng(1)
    electrons = generator.uniform(10, 4000, SHAPE)
    flat = generator.uniform(0.7, 1.1, SHAPE)
    dark = generator.uniform(190, 230, SHAPE)
    calibration = build_calibration(e_per_adu=0.25, read_noise_e=1.6, dark=plane(dark), flat=plane(flat))
    raw = dark + electrons * flat / 0.25
    np.testing.assert_allclose(calibrate_image(raw, calibration), electrons, rtol=2e-5)
    np.testing.assert_array_equal(calibrate_rows(raw[13:29], calibration, 13), calibrate_image(raw, calibration)[13:29])
    assert calibration.notes == ()


@pytest.mark.parametrize("dtype", [np.uint16, ">i2", np.float64, np.uint8])
def test_any_real_dtype_and_read_only_input(dtype: str | type) -> None:
    raw = np.full(SHAPE, 120, dtype=dtype)
    raw.setflags(write=False)
    calibration = build_calibration(e_per_adu=2.0, read_noise_e=1.0, pedestal_adu=100.0)
    result = calibrate_image(raw, calibration)
    assert result.dtype == np.float32
    assert (result == 40.0).all()


def test_dead_flat_and_nan_give_nan() -> None:
    flat = np.ones(SHAPE)
    flat[3, 4], flat[5, 6] = 0.0, np.nan
    raw = np.full(SHAPE, 500.0)
    raw[7, 8] = np.nan
    result = calibrate_image(raw, build_calibration(e_per_adu=1.0, read_noise_e=1.0, flat=plane(flat)))
    assert np.argwhere(np.isnan(result)).tolist() == [[3, 4], [5, 6], [7, 8]]


def test_everything_missing_is_said() -> None:
    notes = " | ".join(build_calibration(e_per_adu=None, read_noise_e=None).notes)
    for words in ("gain not known", "no dark, no bias", "no flat: vignetting", "read noise not known"):
        assert words in notes
    only_bias = build_calibration(e_per_adu=0.5, read_noise_e=None, bias=plane(200.0, noise=3.0))
    assert only_bias.read_noise_e == pytest.approx(1.5)
    assert any("only the bias is taken off" in n for n in only_bias.notes)
    assert any("1.50 e- measured" in n for n in only_bias.notes)
    assert build_calibration(e_per_adu=1.0, read_noise_e=1.0, already_calibrated=True).notes == ()


def test_dark_current_from_dark_and_bias() -> None:
    calibration = build_calibration(
        e_per_adu=0.25, read_noise_e=1.6, dark=plane(212.0), bias=plane(200.0), dark_exposure_s=300.0
    )
    assert calibration.dark_e_per_s == pytest.approx(12 * 0.25 / 300)


def test_sizes_must_agree() -> None:
    small = Combined(
        mean=np.ones((4, 4), np.float32),
        variance_of_mean=np.zeros((4, 4), np.float32),
        used=np.ones((4, 4), np.int32),
        frames=1,
        levels=(1.0,),
        noise=1.0,
    )
    with pytest.raises(CalibrationError, match="dark 60x40 px, flat 4x4 px"):
        build_calibration(e_per_adu=1.0, read_noise_e=1.0, dark=plane(1.0), flat=small)
    with pytest.raises(CalibrationError, match="another size than the frame"):
        calibrate_image(np.ones((40, 50)), build_calibration(e_per_adu=1.0, read_noise_e=1.0, dark=plane(1.0)))


@pytest.mark.parametrize("gain", [0.0, -1.0, float("nan"), float("inf")])
def test_impossible_gain(gain: float) -> None:
    with pytest.raises(CalibrationError, match="gain is impossible"):
        build_calibration(e_per_adu=gain, read_noise_e=1.0)


def test_variance_is_that_of_simulated_frames() -> None:
    generator = np.random.default_rng(2)
    shape = (200, 300)
    flat = np.full(shape, 0.8)
    electrons, dark_e, gain, read = 400.0, 30.0, 0.25, 3.5
    counts = generator.poisson(electrons * flat) + generator.poisson(dark_e, shape) + generator.normal(0, read, shape)
    raw = np.round(200 + counts / gain)
    dark = Combined(
        mean=np.full(shape, 200 + dark_e / gain, np.float32),
        variance_of_mean=np.full(shape, 9.0, np.float32),
        used=np.ones(shape, np.int32),
        frames=1,
        levels=(320.0,),
        noise=1.0,
    )
    level = Combined(
        mean=flat.astype(np.float32),
        variance_of_mean=np.full(shape, 1e-4, np.float32),
        used=np.ones(shape, np.int32),
        frames=1,
        levels=(0.8,),
        noise=1.0,
    )
    calibration = build_calibration(e_per_adu=gain, read_noise_e=read, dark=dark, flat=level, dark_e_per_s=0.1)
    result = calibrate_image(raw, calibration)
    shared = (9 * gain**2 / 0.64) + 1e-4 * electrons**2  # of the masters: not in this one frame's scatter
    predicted = float(variance_plane(np.full(shape, electrons, np.float32), calibration, exposure_s=300.0).mean())
    assert result.mean() == pytest.approx(electrons, rel=0.001)
    assert result.var(dtype=np.float64) == pytest.approx(predicted - shared, rel=0.02)
