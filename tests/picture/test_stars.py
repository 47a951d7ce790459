"""Stars apart: exact sums, no rings on what is left, and the awkward fields."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from nightfold.picture.records import Plane
from nightfold.picture.stars import fill_holes, find_star_places, separate_stars, take_stars_apart

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
