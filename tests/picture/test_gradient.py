"""Gradients against simulated skies of known slope, with nebula over little, most and all of the frame."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from nightfold.errors import PictureError
from nightfold.picture.automatic import automatic_recipe
from nightfold.picture.gradient import fit_surface
from nightfold.picture.records import Plane
from nightfold.picture.render import without_gradient
from nightfold.picture.steps import Gradient

SHAPE = (420, 600)


def slope(angle: float, sigma: float = 1.0, peak_to_peak: float = 5.0) -> np.ndarray:
    """A plane with a little twist, `peak_to_peak` sigma from corner to corner."""
    v, u = np.meshgrid(np.linspace(-1, 1, SHAPE[0]), np.linspace(-1, 1, SHAPE[1]), indexing="ij")
    plane = np.cos(angle) * u + np.sin(angle) * v + 0.4 * u * v
    return plane * peak_to_peak * sigma / np.ptp(plane)


def nebula(share: float, rng: np.random.Generator) -> np.ndarray:
    """A cloudy nebula over that share of the frame, of brightness about 1."""
    cloud = ndimage.gaussian_filter(rng.normal(size=SHAPE), 30) + 0.17 * ndimage.gaussian_filter(
        rng.normal(size=SHAPE), 10
    )
    cloud = np.clip(cloud - np.quantile(cloud, 1 - share), 0, None)
    return cloud / np.percentile(cloud[cloud > 0], 90)


@pytest.mark.parametrize("share", [0.0, 0.3, 0.6])
@pytest.mark.parametrize("strength", [10.0, 40.0])
def test_the_gradient_goes_and_the_nebula_stays(share: float, strength: float) -> None:
    rng = np.random.default_rng(11)
    separated = 0
    for angle in (0.0, 1.0, 2.5, 4.0):
        light = strength * nebula(share, rng) if share else np.zeros(SHAPE)
        gradient = slope(angle)
        image = (100 + light + gradient + rng.normal(size=SHAPE)).astype(np.float32)
        surface = fit_surface(image, 1.0)
        if not surface.separable:
            assert surface.reason
            assert not surface.evaluate().any(), "what cannot be told apart stays"
            continue
        separated += 1
        left = gradient - surface.evaluate()
        assert np.std(left) < 0.1 * np.std(gradient)
        if share:
            inside = light > 0
            taken = (surface.evaluate() - (gradient - gradient.mean()))[inside].sum() / light.sum()
            assert abs(taken) < 0.03
    assert separated >= 3


def test_a_nebula_over_the_whole_frame_is_not_taken_for_sky() -> None:
    rng = np.random.default_rng(12)
    for _ in range(3):
        cloud = ndimage.gaussian_filter(rng.normal(size=SHAPE), 50) * 90
        image = (100 + 40 + 8 * cloud + slope(1.0) + rng.normal(size=SHAPE)).astype(np.float32)
        surface = fit_surface(image, 1.0)
        assert not surface.separable
        assert "blank sky" in surface.reason


def test_parts_of_a_surface_equal_the_whole() -> None:
    image = (slope(0.7) + np.random.default_rng(1).normal(size=SHAPE)).astype(np.float32)
    image[:, :9] = np.nan
    surface = fit_surface(image, 1.0)
    whole = surface.evaluate()
    assert abs(float(whole.mean())) < 1e-4, "the mean level of the sky stays"
    np.testing.assert_allclose(surface.evaluate(slice(100, 200), slice(50, 90)), whole[100:200, 50:90], atol=1e-6)


def test_what_is_refused() -> None:
    with pytest.raises(PictureError, match="1 to 3"):
        fit_surface(np.zeros((50, 50), np.float32), 1.0, degree=7)
    tiny = fit_surface(np.full((30, 30), np.nan, np.float32), 1.0)
    assert not tiny.separable
    assert "too little" in tiny.reason


def test_over_a_nebula_everywhere_the_part_that_the_subs_show_goes() -> None:
    rng = np.random.default_rng(12)
    cloud = ndimage.gaussian_filter(rng.normal(size=SHAPE), 50) * 90
    gradient = slope(1.0)
    image = (100 + 40 + 8 * cloud + gradient + rng.normal(size=SHAPE)).astype(np.float32)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    design = np.column_stack([v.ravel() for v in (np.ones(SHAPE), x, y, x * x, x * y, y * y)]).astype(float)
    coefficients = tuple(float(c) for c in np.linalg.lstsq(design, gradient.ravel(), rcond=None)[0])
    box = (20, 30, SHAPE[1] - 11, SHAPE[0] - 6)
    known = Plane(
        filter="Ha", image=image, variance=np.ones(SHAPE, np.float32), cut_box_px=box, moving_sky=coefficients
    )
    recipe = automatic_recipe({"Ha": known}, target="t", box=box)
    step = next(s for s in recipe.steps if isinstance(s, Gradient))
    area = (slice(box[1], box[3] + 1), slice(box[0], box[2] + 1))
    taken = image[area] - without_gradient(step, "Ha", image[area])
    left = gradient[area] - taken
    assert np.std(left) < 0.02 * np.std(gradient[area])
    plain = Plane(filter="Ha", image=image, variance=np.ones(SHAPE, np.float32), cut_box_px=box)
    assert not [s for s in automatic_recipe({"Ha": plain}, target="t", box=box).steps if isinstance(s, Gradient)]
