"""Calibrated pieces of a raw against plain NumPy."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.kernels.raw_box import calibrate_box


@pytest.mark.parametrize("has_dark", [True, False])
@pytest.mark.parametrize("has_flat", [True, False])
@pytest.mark.parametrize("order", ["<f4", ">f4"])
@pytest.mark.parametrize(("flip_x", "flip_y"), [(False, False), (True, False), (False, True), (True, True)])
@pytest.mark.parametrize("columns", [3, 16, 49])
def test_pieces_are_calibrated_and_turned_over(has_dark, has_flat, order, flip_x, flip_y, columns):
    rng = np.random.default_rng(31)
    counts = rng.integers(0, 65536, (7, columns)).astype(np.uint16)
    counts[0, 0], counts[-1, -1] = 0, 65535
    dark = (500 + rng.standard_normal((12, 60))).astype(order)
    flat = (1 + 0.3 * rng.standard_normal((12, 60))).astype(order)
    flat[rng.random(flat.shape) < 0.05] = np.nan
    y0, x0, left = 4, 5, 2
    here = (slice(y0, y0 + 7), slice(x0, x0 + columns))
    expected = counts.astype(np.float32) - (dark[here].astype(np.float32) if has_dark else np.float32(100.0))
    expected = expected * np.float32(0.37)
    if has_flat:
        light = flat[here].astype(np.float32)
        with np.errstate(invalid="ignore", divide="ignore"):
            expected = np.where(light > np.float32(0.5), expected / light, np.float32(np.nan))
    expected = expected[:: -1 if flip_y else 1, :: -1 if flip_x else 1]
    seen = [plane.view(np.uint32) for plane in (dark, flat)]
    stored = (counts.astype(np.int32) - 32768).astype(">i2").view(np.uint16)
    for as_stored in (True, False):
        out = np.empty((7, columns + 6), np.float32)
        raw = counts.astype(np.float32) if not as_stored else np.zeros((1, 1), np.float32)
        empty = calibrate_box(
            raw,
            stored if as_stored else np.zeros((1, 1), np.uint16),
            as_stored,
            y0,
            x0,
            columns,
            seen[0],
            has_dark,
            np.float32(100.0),
            seen[1],
            has_flat,
            order == ">f4",
            np.float32(0.5),
            np.float32(0.37),
            flip_x,
            flip_y,
            left,
            out,
        )
        np.testing.assert_array_equal(out[:, left : left + columns], expected)
        assert np.isnan(out[:, :left]).all()
        assert np.isnan(out[:, left + columns :]).all()
        assert empty == np.isnan(expected).sum()
