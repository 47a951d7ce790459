"""The one pass over a sub's file, against the same steps one after another on the whole frame."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits

from nightfold.calibrate.apply import calibrate_rows
from nightfold.calibrate.packed import PackedCalibration, let_packed_go, packed
from nightfold.calibrate.records import Calibration
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
        assert_as_packed(made.frame.image, electrons, calibration)
        assert made.saturated_count == saturated
        if saturated > 50:
            assert made.frame.saturated_at is None
            np.testing.assert_array_equal(made.frame.bits, np.where(counts >= 60_000, 2, 0))
        else:
            assert made.frame.bits is None
            np.testing.assert_array_equal(made.frame.saturated_at, np.flatnonzero(counts >= 60_000))
        np.testing.assert_array_equal(made.binned.pixels, bin_frame(made.frame.image, 2)[0].pixels)
        assert made.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
        assert made.any_finite


def assert_as_packed(made, exact, calibration):
    """Electrons but for what packing may change: 2^-12 of a dark's distance from its middle, half a step of the flat, float32."""
    np.testing.assert_array_equal(np.isnan(made), np.isnan(exact))
    flat = np.ones(SHAPE) if calibration.flat is None else calibration.flat.astype(np.float64)
    dark = np.zeros(SHAPE) if calibration.dark_adu is None else calibration.dark_adu.astype(np.float64)
    middle = np.median(dark[:: SHAPE[0] // 64])
    most = 2.0**-12 * np.abs(dark - middle) * calibration.e_per_adu / flat + 6.2e-5
    most += np.abs(exact) * 0.51 / 32768.0 / flat + 1e-6 * (np.abs(exact) + 1000.0)
    good = ~np.isnan(exact)
    assert np.all(np.abs(made.astype(np.float64) - exact)[good] <= most[good])


def test_hot_pixels_and_pixels_without_a_dark():
    rng = np.random.default_rng(5)
    calibration = a_calibration(rng)
    dark = calibration.dark_adu
    dark[3, 4], dark[5, 6], dark[7, 8], dark[9, 9] = 65535.0, 12_345.6, np.nan, 199.999
    counts = rng.integers(60_000, 65_536, SHAPE).astype(np.uint16)
    for flat in (calibration.flat, None):
        whole = replace(calibration, flat=flat)
        made = PackedCalibration.of(whole)
        image, halved = np.empty(SHAPE, np.float32), np.empty((SHAPE[0] // 2, SHAPE[1] // 2), np.float32)
        stored = (counts ^ np.uint16(0x8000)).astype(">u2").view(np.uint16)
        made.apply(stored, 0, out=image, halved=halved, places=np.empty(9, np.int64), known=0)
        exact = calibrate_rows(counts, whole, 0, spare_bad=False)
        assert np.isnan(image[7, 8])
        assert_as_packed(image, exact, whole)


def test_subs_of_other_temperatures_share_the_packed_planes():
    first = a_calibration(np.random.default_rng(8))
    warmer = replace(first, dark_e_per_s=0.02, e_per_adu=0.5)
    one, other = packed(first), packed(warmer)
    assert other.dark is one.dark
    assert other.flat is one.flat
    assert (other.numbers.dark_e_per_s, other.numbers.e_per_adu) == (0.02, 0.5)
    assert packed(replace(first, flat=first.flat.copy())).flat is not one.flat
    let_packed_go()
    assert packed(first).dark is not one.dark
    let_packed_go()


def test_flats_far_from_one():
    rng = np.random.default_rng(6)
    calibration = a_calibration(rng)
    calibration.flat[20, 20] = 3.0
    made = PackedCalibration.of(calibration)
    assert made.flat[20, 20] / made.per_one == pytest.approx(3.0, abs=1e-4)
    calibration.flat[20, 20] = 30.0
    assert PackedCalibration.of(calibration) is None


@pytest.mark.parametrize("left_out", ["dark_adu", "flat", "bad"])
def test_one_pass_with_less_at_hand(tmp_path, left_out):
    rng = np.random.default_rng(3)
    whole = replace(a_calibration(rng), pedestal_adu=150.0, **{left_out: None})
    counts = a_sub(rng, tmp_path / "sub.fits", 5)
    made = prepare_sub(tmp_path / "sub.fits", whole, Buffers())
    assert_as_packed(made.frame.image, calibrate_rows(counts, whole, 0, spare_bad=False), whole)
    np.testing.assert_array_equal(made.frame.saturated_at, np.flatnonzero(counts >= 60_000))


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
