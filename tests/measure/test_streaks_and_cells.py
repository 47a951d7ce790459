"""Trails are found where they are and nowhere else; colour cells are averaged whole."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.errors import FrameError
from nightfold.flags import StarFlag
from nightfold.measure.cfa import superpixel
from nightfold.measure.core import measure_sub

SHAPE = (600, 800)


def trail(x0, y0, x1, y1, height, fwhm=3.0):
    """A straight line with a Gaussian cross-section."""
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    length = np.hypot(x1 - x0, y1 - y0)
    c, s = (x1 - x0) / length, (y1 - y0) / length
    across, along = -(xx - x0) * s + (yy - y0) * c, (xx - x0) * c + (yy - y0) * s
    return height * np.exp(-4 * np.log(2) * (across / fwhm) ** 2) * ((along > 0) & (along < length))


def reading_with(render, extra, seed=1):
    rng = np.random.default_rng(seed)
    x, y, flux = render.field(rng, 150, SHAPE, low=800, high=2e5)
    light = render.draw(SHAPE, x, y, flux, render.gaussian(3.0)) + extra
    return measure_sub(render.exposed(rng, light, sky=150.0, read_noise=3.0), read_noise_e=3.0)


def distance_to_line(streak, x, y):
    length = np.hypot(streak.x1 - streak.x0, streak.y1 - streak.y0)
    return abs((y - streak.y0) * (streak.x1 - streak.x0) - (x - streak.x0) * (streak.y1 - streak.y0)) / length


@pytest.mark.parametrize("height", [25.0, 60.0, 400.0])
def test_trail_is_found_with_its_place_width_and_height(render, height):
    reading = reading_with(render, trail(40, 60, 760, 540, height))
    assert len(reading.streaks) == 1
    streak = reading.streaks[0]
    assert max(distance_to_line(streak, *p) for p in ((40, 60), (400, 300), (760, 540))) < 1.5
    assert np.hypot(streak.x1 - streak.x0, streak.y1 - streak.y0) == pytest.approx(865, rel=0.04)
    assert streak.width_px == pytest.approx(3.0, abs=0.8)
    assert streak.brightness_e == pytest.approx(height, rel=0.15)


def test_two_trails_and_a_short_one(render):
    reading = reading_with(render, trail(-10, 450, 810, 150, 40, 5.0) + trail(100, -5, 700, 610, 60))
    assert len(reading.streaks) == 2
    reading = reading_with(render, trail(300, 150, 460, 310, 60))
    assert len(reading.streaks) == 1


def test_trail_adds_no_stars(render):
    without = reading_with(render, 0.0)
    for height in (25.0, 60.0):
        reading = reading_with(render, trail(40, 60, 760, 540, height))
        assert abs(reading.star_count - without.star_count) <= 3
        assert np.any(reading.stars.flags & int(StarFlag.ELONGATED))


def test_no_trails_where_there_are_none(render):
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    nebula = 300.0 * np.exp(-0.5 * (((xx - 400) + (yy - 300)) / 60.0) ** 2)  # a straight band, but a wide one
    for seed in range(2, 6):
        assert reading_with(render, 0.0, seed).streaks == ()
    assert reading_with(render, nebula).streaks == ()


def test_spikes_of_a_saturated_star_are_no_trail(render):
    rng = np.random.default_rng(6)
    star = render.draw(SHAPE, np.array([400.0]), np.array([300.0]), np.array([2e7]), render.moffat(4.0, 3.0), reach=60)
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    spikes = 3000.0 * np.exp(-((yy - 300) ** 2) / 3.0 - np.abs(xx - 400) / 60.0)
    image = np.minimum(render.exposed(rng, star + spikes, sky=150.0, read_noise=3.0), 60000.0)
    assert measure_sub(image, read_noise_e=3.0, saturation_e=60000.0).streaks == ()


def test_cells_are_means_of_four():
    image = np.arange(35, dtype=np.uint16).reshape(5, 7)
    cells = superpixel(image, "rggb")
    assert cells.dtype == np.float32
    np.testing.assert_array_equal(cells, [[4, 6, 8], [18, 20, 22]])
    broken = image.astype(np.float32)
    broken[0, 0] = np.nan
    assert np.isnan(superpixel(broken, "GBRG")[0, 0])
    with pytest.raises(FrameError, match=r"seen: 'XYZW'; allowed: RGGB"):
        superpixel(image, "XYZW")
