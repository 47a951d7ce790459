"""The layers of live mixing: the picture's own formulas on them give the preview; versions come back as they were kept."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from nightfold.campaign import Campaign
from nightfold.errors import PictureError
from nightfold.picture.colour import encode_srgb, into_gamut, linear_planes, oklab_planes
from nightfold.picture.finish import lightness_towards, saturate, turn_hues
from nightfold.picture.live.core import SPREAD_STEPS, LiveFacts, live_layers
from nightfold.picture.palette import mix_planes
from nightfold.picture.recipe import apply_recipe, automatic_recipe
from nightfold.picture.records import Plane
from nightfold.picture.steps import Recipe, Turn
from nightfold.picture.stretch import AsinhCurve


def sky(rng: np.random.Generator, level: float, bump: float) -> Plane:
    """A bump of nebula and some stars on a noisy sky."""
    y, x = np.indices((120, 160))
    image = level + bump * np.exp(-((x - 80) ** 2 + (y - 60) ** 2) / 900.0) + rng.normal(0, 0.002, x.shape)
    for k in range(40):
        sx, sy, peak = (37 * k) % 150 + 5, (53 * k) % 110 + 5, 0.05 * (1 + k % 7)
        image += peak * np.exp(-((x - sx) ** 2 + (y - sy) ** 2) / (2 * 1.3**2))
    return Plane(filter="", image=image.astype(np.float32), variance=np.full(x.shape, 4e-6, np.float32))


@pytest.fixture(scope="module")
def masters() -> dict[str, Plane]:
    rng = np.random.default_rng(11)
    return {"Ha": sky(rng, 0.05, 0.06), "OIII": sky(rng, 0.04, 0.03), "SII": sky(rng, 0.03, 0.015)}


@pytest.fixture(scope="module")
def recipe(masters: dict[str, Plane]) -> Recipe:
    return automatic_recipe(masters, target="bump", box=(0, 0, 159, 119))


def layers_of(facts: LiveFacts, data: bytes) -> np.ndarray:
    return np.frombuffer(data, "<f4").reshape(-1, facts.height, facts.width).astype(np.float32)


def mixed(recipe: Recipe, facts: LiveFacts, data: bytes) -> np.ndarray:
    """The picture from the layers, step by step in NumPy: what a mixer elsewhere has to do."""
    layers = layers_of(facts, data)
    steps: dict[str, Any] = {s.step: s for s in recipe.steps}
    level, stretch, mix = steps["level"], steps["stretch"], steps["mix"]
    curve = AsinhCurve(black=stretch.black, white=stretch.white, softness=stretch.softness)
    light = {}
    for layer, plane in zip(facts.layers, layers):
        value = (plane * layer.unit + layer.pedestal - level.sky[layer.filter]) * level.gain[layer.filter]
        light[layer.filter] = curve(value) ** 3
    rgb = mix_planes(light, mix.rows)
    lab = oklab_planes(*rgb)
    strongest = np.maximum.reduce(list(light.values()))
    wanted = np.cbrt(np.float32(0.5) * (sum(light.values()) / np.float32(len(light)) + strongest))
    lab = lightness_towards(lab, wanted, mix.lightness_from_all)
    for step in recipe.steps:
        if step.step == "turn-hues":
            lab = turn_hues(
                lab, from_deg=step.from_deg, to_deg=step.to_deg, towards_deg=step.towards_deg, strength=step.strength,
                feather_deg=step.feather_deg,
            )  # fmt: skip
        if step.step == "saturate":
            lab = saturate(lab, factor=step.factor, most=step.most, grey_below=step.grey_below)
    rgb = into_gamut(*linear_planes(*lab))
    back = steps["stars-back"]
    stars = layers[len(facts.layers)] * facts.star_unit
    shown = np.minimum(AsinhCurve(black=0.0, white=back.white, softness=back.softness)(stars) ** 3 * back.brightness, 1)
    return np.stack([encode_srgb(1 - (1 - p) * (1 - shown)) for p in rgb], axis=-1)


def test_the_layers_give_the_preview(masters: dict[str, Plane], recipe: Recipe) -> None:
    facts, data = live_layers(recipe, masters, preview_px=160)
    assert {s.step for s in recipe.steps} >= {"level", "stretch", "mix", "saturate", "stars-back"}
    assert facts.star_unit is not None
    exact = apply_recipe(recipe, masters, preview_px=160)
    assert np.abs(mixed(recipe, facts, data) - exact).max() < 1 / 255
    assert "Sharpening" in " ".join(facts.notes) or not any(s.step == "sharpen" for s in recipe.steps)


def test_the_layers_follow_the_mirror_and_quarter_turns(masters: dict[str, Plane], recipe: Recipe) -> None:
    plain, data = live_layers(recipe, masters, preview_px=80)
    turned = recipe.model_copy(update={"steps": [*recipe.steps, Turn(quarter_turns=1, mirror=True)]})
    facts, other = live_layers(turned, masters, preview_px=80)
    assert (facts.width, facts.height) == (plain.height, plain.width)
    first, second = layers_of(plain, data), layers_of(facts, other)
    np.testing.assert_array_equal(second[0], np.rot90(first[0][:, ::-1], -1))


def test_spreads_run_from_untouched_to_even(masters: dict[str, Plane], recipe: Recipe) -> None:
    facts, _ = live_layers(recipe, masters, preview_px=160)
    assert len(facts.spread_gains) == SPREAD_STEPS
    assert set(facts.spread_gains[0]) == {1.0}
    last = dict(zip((x.filter for x in facts.layers), facts.spread_gains[-1]))
    assert last["SII"] > last["OIII"] > last["Ha"] == 1.0


def test_versions_come_back_and_bad_files_are_passed_over(tmp_path: Path, small_settings: str, recipe: Recipe) -> None:
    with Campaign.create(tmp_path / "c", text=small_settings) as campaign:
        assert campaign.picture_room().recipe is None
        first = campaign.save_version(recipe, "softer / darker: ../../x")
        second = campaign.save_version(recipe, "")
        (tmp_path / "c" / "pictures" / "versions" / "9-bad.recipe.toml").write_text("x", encoding="utf-8")
        assert (first.number, second.number) == (1, 2)
        kept = campaign.picture_room().versions
        assert [v.number for v in kept] == [1, 2]
        assert Recipe.model_validate(kept[0].recipe) == recipe
        folder = tmp_path / "c" / "pictures" / "versions"
        assert sorted(p.name for p in folder.iterdir())[0] == "001-softer-darker-x.recipe.toml"
        with pytest.raises(PictureError, match="no picture"):
            campaign.picture_file(1, "campaign.toml")
