"""The one pass over a sub's file, against the same steps one after another on the whole frame."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits

from nightfold.calibrate.records import Calibration
from nightfold.calibrate.stored import StoredCalibration
from nightfold.errors import CalibrationError
from nightfold.measure import prepare
from nightfold.measure.background import bin_frame
from nightfold.measure.prepare import Buffers, prepare_sub
from nightfold.measure.stage import workers_within

SHAPE = (301, 467)


def a_calibration(rng) -> Calibration:
    flat = rng.uniform(0.7, 1.2, SHAPE).astype(np.float32)
    flat[10, 20] = 0.01
    return Calibration(
        e_per_adu=0.37,
        read_noise_e=1.5,
        dark_adu=rng.normal(200.0, 3.0, SHAPE).astype(np.float32),
        flat=flat,
        bad=rng.random(SHAPE) < 0.001,
        saturation_adu=60_000.0,
    )


def a_sub(rng, path, saturated: int):
    counts = rng.integers(100, 2000, SHAPE).astype(np.uint16)
    counts.reshape(-1)[rng.choice(counts.size, saturated, replace=False)] = 65535
    fits.PrimaryHDU(counts).writeto(path)
    return counts.astype(np.float32)


@pytest.mark.parametrize("order", ["=", ">"])
@pytest.mark.parametrize("ending", ["fits", "fits.gz"])
def test_one_pass_gives_what_the_steps_give(tmp_path, monkeypatch, ending, order):
    monkeypatch.setattr(prepare, "LARGE_FRAME_PX", 100_000)
    monkeypatch.setattr(prepare, "MOST_PLACES", 50)
    rng = np.random.default_rng(1)
    calibration, buffers = a_calibration(rng), Buffers()
    as_given = replace(
        calibration, dark_adu=calibration.dark_adu.astype(f"{order}f4"), flat=calibration.flat.astype(f"{order}f4")
    )
    for k, saturated in enumerate((7, 400, 3)):  # the second has more than are listed
        path = tmp_path / f"sub{k}.{ending}"
        counts = a_sub(rng, path, saturated)
        made = prepare_sub(path, as_given, buffers)
        electrons = (counts - calibration.dark_adu) * np.float32(0.37) / calibration.flat
        electrons[(calibration.flat <= 0.05) | calibration.bad] = np.nan
        np.testing.assert_array_equal(made.frame.image, electrons)
        np.testing.assert_array_equal(made.frame.bits, np.where(counts >= 60_000, 2, 0))
        assert made.saturated_count == saturated
        if saturated > 50:
            assert made.frame.saturated_at is None
        else:
            np.testing.assert_array_equal(made.frame.saturated_at, np.flatnonzero(counts >= 60_000))
        np.testing.assert_array_equal(made.binned.pixels, bin_frame(electrons, 2)[0].pixels)
        assert made.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
        assert made.any_finite


@pytest.mark.parametrize("left_out", ["dark_adu", "flat", "bad"])
def test_one_pass_with_less_at_hand(tmp_path, left_out):
    rng = np.random.default_rng(3)
    whole = replace(a_calibration(rng), pedestal_adu=150.0, **{left_out: None})
    in_files = replace(
        whole, **{k: None if v is None else v.astype(">f4") for k in ("dark_adu", "flat") for v in [getattr(whole, k)]}
    )
    assert StoredCalibration.of(in_files) is not None
    a_sub(rng, tmp_path / "sub.fits", 5)
    one = prepare_sub(tmp_path / "sub.fits", in_files, Buffers())
    other = prepare_sub(tmp_path / "sub.fits", whole, Buffers())
    np.testing.assert_array_equal(one.frame.image, other.frame.image)
    np.testing.assert_array_equal(one.frame.bits, other.frame.bits)


def test_masters_of_another_size_are_refused(tmp_path):
    rng = np.random.default_rng(4)
    a_sub(rng, tmp_path / "sub.fits", 5)
    small = Calibration(e_per_adu=1.0, read_noise_e=1.0, dark_adu=np.zeros((300, 467), ">f4"))
    with pytest.raises(CalibrationError, match="another size"):
        prepare_sub(tmp_path / "sub.fits", small, Buffers())


def test_frames_of_other_sizes_and_kinds_may_follow(tmp_path):
    rng = np.random.default_rng(2)
    plain, buffers = Calibration(e_per_adu=1.0, read_noise_e=1.0, pedestal_adu=10.0), Buffers()
    for k, shape in enumerate([(40, 60), (31, 25), (40, 60)]):
        values = rng.normal(100.0, 1.0, shape).astype(np.float32)
        values[0, 0] = np.nan
        path = tmp_path / f"{k}.fits"
        fits.PrimaryHDU(values).writeto(path)
        made = prepare_sub(path, plain, buffers)
        np.testing.assert_array_equal(made.frame.image, values - np.float32(10.0))
        assert made.binned is None
    fits.PrimaryHDU(np.full((9, 9), np.nan, np.float32)).writeto(tmp_path / "empty.fits")
    assert not prepare_sub(tmp_path / "empty.fits", plain, buffers).any_finite


def test_fewer_subs_at_once_where_memory_is_short():
    assert workers_within(1_000_000_000, 26_000_000, 2) == 2
    assert workers_within(1_000_000_000, 26_000_000, 16) == 3
    assert workers_within(400_000_000, 26_000_000, 8) == 1
    assert workers_within(100_000_000, 26_000_000, 8) == 1  # one is always tried
    assert workers_within(1_000_000_000, 0, 4) == 4
