"""Pyramids for looking: what tiles hold, how exact they are, and what becomes of gaps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightfold.errors import FrameError
from nightfold.frames.pyramid import APRON_PX, TILE_PX, Pyramid, Tile, halved, robust_range


def pixels(tile: Tile) -> np.ndarray:
    return np.frombuffer(tile.data, "<f2").reshape(tile.height, tile.width)


def slow_halves(plane: np.ndarray) -> np.ndarray:
    """The obvious twin of `halved`."""
    out = np.full((plane.shape[0] // 2, plane.shape[1] // 2), np.nan, np.float32)
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            four = plane[2 * y : 2 * y + 2, 2 * x : 2 * x + 2]
            if np.isfinite(four).any():
                out[y, x] = np.nanmean(four)
    return out


@settings(max_examples=30, deadline=None)
@given(st.integers(2, 15), st.integers(2, 15), st.integers(0, 2**31))
def test_halves_are_means_of_what_is_known(height: int, width: int, start: int) -> None:
    rng = np.random.default_rng(start)
    plane = rng.normal(size=(height, width)).astype(np.float32)
    plane[rng.random((height, width)) < 0.3] = np.nan
    np.testing.assert_allclose(halved(plane), slow_halves(plane), rtol=1e-5, atol=1e-6)


def test_tiles_put_together_are_the_plane() -> None:
    rng = np.random.default_rng(5)
    plane = rng.normal(3.0, 0.2, (700, 1300)).astype(np.float32)
    pyramid = Pyramid.of(plane, pedestal=3.0, unit=0.2)
    assert [(s.width, s.height, s.scale) for s in pyramid.sizes] == [(1300, 700, 1), (650, 350, 2), (325, 175, 4)]
    whole = np.empty_like(plane)
    inner = slice(APRON_PX, -APRON_PX)
    for row in range(2):
        for column in range(3):
            part = pixels(pyramid.tile(0, column, row))[inner, inner]
            y, x = row * TILE_PX, column * TILE_PX
            whole[y : y + part.shape[0], x : x + part.shape[1]] = part
    # A half float has 11 bits: within 2^-11 of the value in units of the noise.
    sigma = (plane - 3.0) / 0.2
    np.testing.assert_allclose(whole, sigma, rtol=2**-11, atol=1e-6)


def test_the_apron_is_the_neighbours_pixels() -> None:
    plane = np.arange(600 * 600, dtype=np.float32).reshape(600, 600) / 1000
    pyramid = Pyramid.of(plane, pedestal=0.0, unit=1.0)
    left, right = pixels(pyramid.tile(0, 0, 0)), pixels(pyramid.tile(0, 1, 0))
    np.testing.assert_array_equal(left[:, -1], right[:, 1])
    np.testing.assert_array_equal(left[:, -2], right[:, 0])
    np.testing.assert_array_equal(left[0, 1:-1], left[1, 1:-1])  # beyond the plane its edge is repeated


def test_half_floats_about_the_sky_are_finer_than_plain_ones() -> None:
    """The reason for pedestal and unit, with the figures of a 26-megapixel trial: noise 3e-4 on a sky of 0.05."""
    rng = np.random.default_rng(1)
    plane = rng.normal(0.05, 3e-4, (512, 512)).astype(np.float32)
    middle, sigma = robust_range(plane)
    tile = pixels(Pyramid.of(plane, pedestal=middle, unit=sigma).tile(0, 0, 0))[1:-1, 1:-1]
    ours = np.std(tile.astype(np.float32) * sigma + middle - plane)
    plain = np.std(plane.astype(np.float16).astype(np.float32) - plane)
    assert ours < 3e-7
    assert ours < plain / 15


def test_gaps_and_glare_stay_what_they_are() -> None:
    plane = np.zeros((8, 8), np.float32)
    plane[2, 3], plane[4, 4], plane[5, 5] = np.nan, 1e30, -1e30
    tile = pixels(Pyramid.of(plane, pedestal=0.0, unit=1.0).tile(0, 0, 0))[1:-1, 1:-1]
    assert np.isnan(tile[2, 3])
    assert (tile[4, 4], tile[5, 5]) == (65504.0, -65504.0)
    assert np.isfinite(np.delete(tile.ravel(), 2 * 8 + 3)).all()


def test_a_plane_without_noise_still_has_a_unit() -> None:
    flat = Pyramid.of(np.full((4, 4), 2.0, np.float32), pedestal=float("nan"), unit=0.0)
    assert (flat.pedestal, flat.unit) == (0.0, 1.0)


@pytest.mark.parametrize("which", [(-1, 0, 0), (9, 0, 0), (0, -1, 0), (0, 2, 0), (0, 0, 5)])
def test_tiles_that_are_not_there_are_told(which: tuple[int, int, int]) -> None:
    pyramid = Pyramid.of(np.zeros((600, 600), np.float32), pedestal=0.0, unit=1.0)
    with pytest.raises(FrameError, match="there is no such"):
        pyramid.tile(*which)


def test_the_robust_range_is_that_of_the_sky() -> None:
    rng = np.random.default_rng(2)
    plane = rng.normal(10.0, 2.0, (400, 400)).astype(np.float32)
    plane[::20, ::20] = 1e5
    plane[5] = np.nan
    middle, sigma = robust_range(plane)
    assert middle == pytest.approx(10.0, abs=0.05)
    assert sigma == pytest.approx(2.0, rel=0.03)
    assert np.isnan(robust_range(np.full((3, 3), np.nan, np.float32))).all()
