"""Stars apart: exact sums, no rings on what is left, and the awkward fields."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from scipy import ndimage

from nightfold.picture.finding import find_star_places, star_width
from nightfold.picture.holes import fill_holes
from nightfold.picture.records import Plane
from nightfold.picture.stars import separate_stars, take_stars_apart

SHAPE = (240, 320)
SIGMA = 0.5


class Field:
    """A nebula, Moffat stars (some cut off flat) and noise, all known."""

    def __init__(self, seed: int = 1, stars: int = 120) -> None:
        rng = np.random.default_rng(seed)
        y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
        cloud = ndimage.gaussian_filter(rng.normal(size=SHAPE), 18)
        self.nebula = 20.0 + 12.0 * np.clip(cloud / cloud.std(), 0, None)
        self.light = np.zeros(SHAPE)
        self.places = np.column_stack([rng.uniform(6, SHAPE[1] - 6, stars), rng.uniform(6, SHAPE[0] - 6, stars)])
        self.peaks = 8.0 * rng.pareto(0.9, stars) + 8.0
        alpha = 3.0 / (2 * np.sqrt(2 ** (1 / 3.0) - 1))
        for (cx, cy), peak in zip(self.places, self.peaks):
            self.light += peak * (1 + ((x - cx) ** 2 + (y - cy) ** 2) / alpha**2) ** -3.0
        self.image = np.minimum(self.nebula + self.light, 900.0) + rng.normal(0, SIGMA, SHAPE)
        self.plane = Plane(
            filter="Ha",
            image=self.image.astype(np.float32),
            variance=np.full(SHAPE, SIGMA**2, np.float32),
        )


def test_layers_add_up_and_the_nebula_is_the_true_one() -> None:
    field = Field()
    places, parts = take_stars_apart({"Ha": field.plane})
    assert places.fwhm_px == pytest.approx(3.0, abs=0.4)
    layers = parts["Ha"]
    np.testing.assert_array_equal(layers.nebula + layers.stars, field.plane.image)
    error = layers.nebula - field.nebula
    # As much error as noise nearly everywhere, and no ring or hole anywhere that an eye would find on the nebula's scale.
    assert np.std(error[~layers.filled]) < 1.6 * SIGMA
    assert np.percentile(np.abs(error), 99.5) < 8 * SIGMA
    smooth_error = ndimage.gaussian_filter(error, 3.0)
    assert np.abs(smooth_error).max() < 0.15 * np.ptp(field.nebula)
    away = field.light < 0.05 * SIGMA
    assert np.abs(layers.stars[away]).mean() < 0.5 * SIGMA


def test_most_stars_are_found_and_ridges_are_not() -> None:
    field = Field(seed=3)
    places, _layers = take_stars_apart({"Ha": field.plane})
    bright = field.peaks > 15
    distance = np.hypot(
        places.x[None, :] - field.places[bright, 0:1], places.y[None, :] - field.places[bright, 1:2]
    ).min(axis=1)
    assert (distance < 2.0).mean() > 0.85
    own = np.hypot(places.x[:, None] - field.places[:, 0], places.y[:, None] - field.places[:, 1]).min(axis=1)
    assert (own > 3.0).sum() <= 0.15 * len(places)


def test_a_field_without_stars_stays_whole() -> None:
    rng = np.random.default_rng(2)
    image = (50 + ndimage.gaussian_filter(rng.normal(size=SHAPE), 25) * 400 + rng.normal(0, SIGMA, SHAPE)).astype(
        np.float32
    )
    variance = np.full(SHAPE, SIGMA**2, np.float32)
    places = find_star_places({"Ha": Plane(filter="Ha", image=image, variance=variance)})
    layers = separate_stars(image, variance, places)
    assert layers.filled.mean() < 0.02
    np.testing.assert_allclose(layers.nebula, image, atol=60 * SIGMA)
    assert np.abs(layers.stars).mean() < 0.1 * SIGMA


def test_a_field_that_is_all_saturated() -> None:
    image = np.full(SHAPE, 900.0, np.float32)
    places = find_star_places({"Ha": Plane(filter="Ha", image=image, variance=np.ones(SHAPE, np.float32))})
    layers = separate_stars(image, np.ones(SHAPE, np.float32), places)
    np.testing.assert_array_equal(layers.nebula, image)


def test_holes_are_bridged_smoothly() -> None:
    y, x = np.mgrid[0:120, 0:150]
    plane = (3.0 + 0.02 * x - 0.01 * y + 0.3 * np.sin(x / 25.0)).astype(np.float32)
    mask = ((x - 70) ** 2 + (y - 60) ** 2 < 15**2).astype(np.uint8)
    filled = fill_holes(np.where(mask, 1000.0, plane).astype(np.float32), mask)
    np.testing.assert_array_equal(filled[mask == 0], plane[mask == 0])
    assert np.abs(filled - plane).max() < 0.25
    np.testing.assert_array_equal(fill_holes(plane, np.zeros_like(mask)), plane)
    np.testing.assert_allclose(fill_holes(plane, np.ones_like(mask)), np.median(plane), rtol=1e-6)


@pytest.mark.parametrize("tile_px", [64, 104])
def test_tiles_of_any_size_give_what_the_whole_gives(tile_px: int) -> None:
    field = Field(seed=8)
    whole_places, whole = take_stars_apart({"Ha": field.plane}, tile_px=4096)
    with ThreadPoolExecutor(3) as pool:
        places, parts = take_stars_apart({"Ha": field.plane}, tile_px=tile_px, run=pool.map)
    np.testing.assert_allclose(places.x, whole_places.x, atol=1e-5)
    assert places.fwhm_px == pytest.approx(whole_places.fwhm_px, rel=1e-6)
    assert whole["Ha"].filled.any()
    np.testing.assert_array_equal(parts["Ha"].filled, whole["Ha"].filled)
    np.testing.assert_allclose(parts["Ha"].nebula, whole["Ha"].nebula, atol=1e-5 * field.image.max(), rtol=0)


@pytest.mark.parametrize("tile_px", [40, 64, 136])
def test_holes_are_bridged_alike_in_tiles(tile_px: int) -> None:
    rng = np.random.default_rng(3)
    image = rng.normal(size=(389, 300)).cumsum(0).cumsum(1).astype(np.float32)
    image /= image.std()
    y, x = np.mgrid[0:389, 0:300]
    mask = np.zeros(image.shape, np.uint8)
    for radius in (1, 1, 2, 3, 5, 9, 17, 33, 70):
        mask[np.hypot(x - rng.uniform(0, 300), y - rng.uniform(0, 389)) < radius] = 1
    whole = fill_holes(image, mask, tile_px=4096)
    np.testing.assert_allclose(fill_holes(image, mask, tile_px=tile_px), whole, atol=1e-6)


def bright_field(ceiling: float, aureole: float) -> tuple[np.ndarray, np.ndarray, list[tuple[float, float]]]:
    """A faint cloud, usual stars, and three very bright ones with Moffat wings, which may have an aureole and be cut off."""
    rng = np.random.default_rng(77)
    shape = (420, 560)
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    cloud = ndimage.gaussian_filter(rng.normal(size=shape), 30)
    nebula = 0.5 + 0.03 * np.clip(cloud / cloud.std(), 0, None)
    alpha = 3.4 / (2 * np.sqrt(2 ** (1 / 3.0) - 1))
    middles = [(150.3, 130.2), (400.6, 290.4), (420.2, 90.7)]
    stars = [(*m, p) for m, p in zip(middles, (900.0, 300.0, 60.0))]
    stars += [(rng.uniform(5, 555), rng.uniform(5, 415), 0.06 * (1 + rng.pareto(0.9))) for _ in range(90)]
    light = np.zeros(shape)
    for cx, cy, peak in stars:
        r2 = (x - cx) ** 2 + (y - cy) ** 2
        light += min(peak, 900.0) * ((1 + r2 / alpha**2) ** -3.0 + aureole * (1 + r2 / 20.0**2) ** -1.2)
    image = np.minimum(nebula + light, ceiling) + rng.normal(0, 0.01, shape)
    return nebula, image.astype(np.float32), middles


@pytest.mark.parametrize(("ceiling", "aureole"), [(1e9, 0.0), (1e9, 2e-4), (30.0, 0.0), (30.0, 2e-4)])
def test_no_ring_stays_around_the_brightest_stars(ceiling: float, aureole: float) -> None:
    nebula, image, middles = bright_field(ceiling, aureole)
    _places, parts = take_stars_apart(
        {"Ha": Plane(filter="Ha", image=image, variance=np.full(image.shape, 1e-4, np.float32))}
    )
    error = (parts["Ha"].nebula - nebula) / 0.01
    y, x = np.mgrid[0 : image.shape[0], 0 : image.shape[1]]
    for cx, cy in middles:
        r = np.hypot(x - cx, y - cy)
        rings = [np.median(error[(r >= a) & (r < a + 4)]) for a in range(0, 80, 4)]
        # A step of 3 sigma of a pixel from ring to ring is what begins to show as a ring.
        assert np.abs(np.diff(rings)).max() < 3.0
        assert np.abs(rings).max() < 8.0


def test_the_width_is_that_of_stars_though_bumps_of_nebula_outnumber_them() -> None:
    rng = np.random.default_rng(78)
    y, x = np.mgrid[0:300, 0:400]
    bumps = ndimage.gaussian_filter(rng.normal(size=x.shape), 4)
    image = 3.0 * np.abs(bumps / bumps.std()) + rng.normal(size=x.shape)
    alpha = 3.0 / (2 * np.sqrt(2 ** (1 / 3.0) - 1))
    for _ in range(40):
        cx, cy, peak = rng.uniform(10, 390), rng.uniform(10, 290), 20.0 * (1 + rng.pareto(1.0))
        image += peak * (1 + ((x - cx) ** 2 + (y - cy) ** 2) / alpha**2) ** -3.0
    plane = Plane(filter="Ha", image=image.astype(np.float32), variance=np.ones(x.shape, np.float32))
    assert find_star_places({"Ha": plane}).fwhm_px == pytest.approx(3.0, rel=0.15)
    assert math.isnan(star_width(rng.normal(size=x.shape).astype(np.float32)))


def test_pits_are_filled_and_the_sum_stays_exact() -> None:
    field = Field(seed=21)
    image = field.image.astype(np.float32)
    pits = [(60, 80), (61, 80), (150, 200), (200, 33)]
    dark = [(y, x) for y, x in pits if field.light[y, x] < 1.0]
    assert len(dark) >= 2
    for y, x in dark:
        image[y, x] -= 30.0
    _places, parts = take_stars_apart({"Ha": Plane(filter="Ha", image=image, variance=field.plane.variance)})
    layers = parts["Ha"]
    for y, x in dark:
        assert abs(layers.nebula[y, x] - field.nebula[y, x]) < 5 * SIGMA
    np.testing.assert_allclose(layers.nebula + layers.stars, image, atol=1e-4)


def test_a_deep_nebula_full_of_detail_has_no_pits() -> None:
    rng = np.random.default_rng(79)
    detail = ndimage.gaussian_filter(rng.normal(size=SHAPE), 3.0 / 2.3548)
    image = (5.0 + detail / detail.std()).astype(np.float32)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    for _ in range(40):
        cx, cy = rng.uniform(10, SHAPE[1] - 10), rng.uniform(10, SHAPE[0] - 10)
        image += (40.0 * np.exp(-4.0 * np.log(2.0) * ((x - cx) ** 2 + (y - cy) ** 2) / 9.0)).astype(np.float32)
    deep = Plane(filter="Ha", image=image, variance=np.full(SHAPE, 1e-4, np.float32))
    places, parts = take_stars_apart({"Ha": deep})
    far = np.ones(SHAPE, bool)
    for cx, cy in zip(places.x, places.y):
        far &= np.hypot(x - cx, y - cy) > 15.0
    assert far.mean() > 0.2
    assert parts["Ha"].filled[far].mean() < 0.002


@pytest.mark.parametrize("fwhm_px", [1.6, 2.2])
def test_no_speck_of_a_star_stays_in_a_crowd_of_narrow_stars(fwhm_px: float) -> None:
    """Close pairs, and stars hardly wider than a pixel: sharpening would blow up what stays of them in the nebula."""
    rng = np.random.default_rng(31)
    field = Field(seed=31, stars=0)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    image = field.nebula + rng.normal(0, SIGMA, SHAPE)
    alpha = fwhm_px / (2 * np.sqrt(2 ** (1 / 3.0) - 1))
    for _ in range(400):
        cx, cy = rng.uniform(6, SHAPE[1] - 6), rng.uniform(6, SHAPE[0] - 6)
        peak = min(8.0 * rng.pareto(0.9) + 8.0, 800.0)
        image += peak * (1 + ((x - cx) ** 2 + (y - cy) ** 2) / alpha**2) ** -3.0
    plane = Plane(filter="Ha", image=image.astype(np.float32), variance=field.plane.variance)
    _places, parts = take_stars_apart({"Ha": plane})
    fine = parts["Ha"].nebula - field.nebula
    fine -= ndimage.median_filter(fine, 9)
    specks = (fine == ndimage.maximum_filter(fine, 5)) & (fine > 12.0 * SIGMA)
    assert specks.sum() <= 4
    assert fine.min() > -12.0 * SIGMA
