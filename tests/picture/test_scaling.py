"""Filters on one scale: by noise, by photometric zero points, and refused in one line where none is known."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.errors import PictureError
from nightfold.picture.live.core import live_layers
from nightfold.picture.recipe import apply_recipe, automatic_recipe
from nightfold.picture.records import Plane
from nightfold.picture.scaling import scale_factors
from nightfold.picture.steps import Level, Recipe, parse_recipe, recipe_text

SKY = {"Ha": 0.1, "OIII": 0.2}
GAIN = {"Ha": 1.0, "OIII": 1.0}
SHAPE = (120, 160)


def test_zero_points_make_equal_flux_equal() -> None:
    # A source of AB 15 gives 10^(-0.4 (15 - zero point)) electrons/s (Pogson 1856), whatever the filter lets through.
    step = Level(sky=SKY, gain=GAIN, scale_by="zero-points")
    zero = {"Ha": 21.3, "OIII": 22.1}
    rates = {f: 10.0 ** (-0.4 * (15.0 - z)) for f, z in zero.items()}
    factors = scale_factors(step, {}, zero)
    assert factors["Ha"] == 1.0
    assert rates["OIII"] * factors["OIII"] == pytest.approx(rates["Ha"], rel=1e-12)
    listed = step.model_copy(update={"zero_points": {"OIII": 21.3}})
    assert scale_factors(listed, {}, zero)["OIII"] == pytest.approx(1.0)


def test_by_noise_the_noise_is_alike() -> None:
    variances = {"Ha": np.full(SHAPE, 4.0, np.float32), "OIII": np.full(SHAPE, 0.25, np.float32)}
    factors = scale_factors(Level(sky=SKY, gain=GAIN, scale_by="noise"), variances, {})
    assert factors == {"Ha": 1.0, "OIII": pytest.approx(4.0)}
    assert scale_factors(Level(sky=SKY, gain=GAIN), variances, {}) == {"Ha": 1.0, "OIII": 1.0}


def test_an_unknown_zero_point_is_named() -> None:
    with pytest.raises(PictureError, match="none of OIII"):
        scale_factors(Level(sky=SKY, gain=GAIN, scale_by="zero-points"), {}, {"Ha": 21.0, "OIII": None})


def planes() -> dict[str, Plane]:
    rng = np.random.default_rng(14)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    made = {}
    # The same flux in both filters, and twice the electrons of it in one.
    for name, electrons, zero in (("Ha", 1.0, 21.0), ("OIII", 2.0, 21.0 + 2.5 * np.log10(2.0))):
        cloud = 0.4 * np.exp(-(((x - 80) / 30.0) ** 2) - ((y - 60) / 25.0) ** 2)
        image = electrons * (0.05 + cloud) + rng.normal(0, 0.004, SHAPE)
        made[name] = Plane(
            filter=name, image=image.astype(np.float32), variance=np.full(SHAPE, 0.004**2, np.float32),
            sha256=name, zero_point_mag=float(zero),
        )  # fmt: skip
    return made


def automatic(**change: object) -> Recipe:
    return automatic_recipe(planes(), target="t", box=(0, 0, 159, 119), palette="HOO", **change)  # type: ignore[arg-type]


def test_a_picture_by_zero_points_shows_equal_flux_as_grey() -> None:
    recipe = automatic(balance="zero-points")
    step = next(s for s in recipe.steps if isinstance(s, Level))
    assert step.scale_by == "zero-points"
    assert step.gain == {"Ha": 1.0, "OIII": 1.0}
    assert step.zero_points["OIII"] - step.zero_points["Ha"] == pytest.approx(2.5 * np.log10(2.0), abs=1e-5)
    again = parse_recipe(recipe_text(recipe))
    picture = apply_recipe(again, planes())
    middle = picture[50:70, 70:90]
    assert middle.mean() > 0.5
    assert np.ptp(middle.mean(axis=(0, 1))) < 0.03, "equal flux, no colour"
    steps = [s.model_copy(update={"scale_by": "gain"}) if isinstance(s, Level) else s for s in recipe.steps]
    unscaled = apply_recipe(recipe.model_copy(update={"steps": steps}), planes())[50:70, 70:90]
    assert np.ptp(unscaled.mean(axis=(0, 1))) > 0.08, "twice the electrons, so cyan"


def test_a_page_that_mixes_live_gets_scaled_layers() -> None:
    recipe = automatic(balance="zero-points")
    facts, data = live_layers(recipe, planes(), preview_px=160)
    values = np.frombuffer(data, "<f4").reshape(-1, facts.height, facts.width).astype(float)
    level = next(s for s in recipe.steps if isinstance(s, Level))
    shown = []
    for layer, plane in zip(facts.layers, values):  # as the page reckons it
        gain = level.gain[layer.filter]
        shown.append(plane[60, 80] * layer.unit * gain + (layer.pedestal - level.sky[layer.filter]) * gain)
    assert shown[1] == pytest.approx(shown[0], rel=0.05)


def test_balance_by_noise() -> None:
    step = next(s for s in automatic(balance="noise").steps if isinstance(s, Level))
    assert step.scale_by == "noise"
    assert step.zero_points == {}
