"""Banding against frames with known offsets of rows and columns, and its loops against plain NumPy."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.kernels.banding import BLOCK, column_differences, row_differences
from nightfold.measure.banding import LAG_PX, banding_e
from nightfold.measure.core import measure_sub
from nightfold.measure.pack import pack_reading, unpack_reading


def twin_of_rows(image: np.ndarray, lag: int, every: int, limit: float) -> np.ndarray:
    """The same with whole arrays."""
    height, width = image.shape
    out = np.full((2, height), np.nan)
    starts = list(range(0, width - BLOCK + 1, BLOCK * every))
    for side in (0, 1):
        columns = np.concatenate([np.arange(s, s + BLOCK) for s in starts[side::2]])
        part = image[:, columns].astype(np.float64)
        d = part[lag:-lag] - 0.5 * (part[: -2 * lag] + part[2 * lag :])
        d = np.where(np.abs(d) <= limit, d, np.nan)
        out[side, lag:-lag] = np.nanmean(d, axis=1)
    return out


def test_loops_against_whole_arrays() -> None:
    rng = np.random.default_rng(1)
    image = rng.normal(100.0, 3.0, (120, 160)).astype(np.float32)
    image[40, 70:90] += 500.0
    image[10, 5] = np.nan
    rows = np.empty((2, 120))
    row_differences(image, LAG_PX, 2, 12.0, rows)
    np.testing.assert_allclose(rows, twin_of_rows(image, LAG_PX, 2, 12.0), rtol=1e-4, atol=1e-5)
    sums, counts = np.zeros((2, 160)), np.zeros((2, 160))
    column_differences(image, LAG_PX, 2, 12.0, sums, counts)
    wanted = twin_of_rows(np.ascontiguousarray(image.T), LAG_PX, 2, 12.0)[:, LAG_PX:-LAG_PX]
    np.testing.assert_allclose((sums / np.maximum(counts, 1))[:, LAG_PX:-LAG_PX], wanted, rtol=1e-4, atol=1e-5)


@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize("sigma", [0.6, 2.0, 20.0])
def test_offsets_of_lines_are_measured_under_gradient_and_stars(axis: int, sigma: float) -> None:
    rng = np.random.default_rng(17)
    y, x = np.mgrid[0:700, 0:900]
    image = rng.normal(300.0, 4.0, (700, 900)) + 0.2 * x + 1e-4 * y**2
    for _ in range(300):
        cy, cx = rng.uniform(0, 700), rng.uniform(0, 900)
        cut = np.s_[max(0, int(cy) - 12) : int(cy) + 13, max(0, int(cx) - 12) : int(cx) + 13]
        image[cut] += 400.0 * rng.pareto(1.2) * np.exp(-((x[cut] - cx) ** 2 + (y[cut] - cy) ** 2) / 4.0)
    shape = (700, 1) if axis == 0 else (1, 900)
    image += rng.normal(0.0, sigma, shape)
    found = banding_e(image.astype(np.float32))
    assert found[axis] == pytest.approx(sigma, rel=0.15)
    assert found[1 - axis] < 0.2


def test_no_banding_in_plain_noise_and_none_in_a_tiny_frame() -> None:
    rng = np.random.default_rng(18)
    image = rng.normal(50.0, 5.0, (800, 800)).astype(np.float32)
    assert max(banding_e(image)) < 0.15
    assert np.isnan(banding_e(image[:40, :40])).all()
    assert np.isnan(banding_e(np.full((200, 200), np.nan, np.float32))).all()


def test_a_wave_of_interference_counts() -> None:
    rng = np.random.default_rng(19)
    y = np.arange(800)[:, None]
    image = (rng.normal(50.0, 5.0, (800, 800)) + 2.0 * np.sin(2 * np.pi * y / 14.0)).astype(np.float32)
    assert banding_e(image)[0] > 1.0


def test_readings_carry_it_and_older_ones_do_not() -> None:
    rng = np.random.default_rng(20)
    reading = measure_sub(rng.normal(100.0, 5.0, (300, 300)) + rng.normal(0.0, 2.0, (300, 1)), read_noise_e=1.0)
    assert reading.row_pattern_e == pytest.approx(2.0, rel=0.25)
    scalars, blob = pack_reading(reading)
    assert unpack_reading(scalars, blob).row_pattern_e == reading.row_pattern_e
    del scalars["row_pattern_e"]
    assert np.isnan(unpack_reading(scalars, blob).row_pattern_e)
