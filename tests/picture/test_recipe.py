"""Recipes: automatic ones from masters, replay to the same pixels, palettes, and everything that must be refused."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.errors import PictureError
from nightfold.picture.colour import chroma, decode_srgb, hue_deg, oklab_from_linear
from nightfold.picture.palette import balance_gains, mix, palette_rows
from nightfold.picture.recipe import apply_recipe, automatic_recipe, parse_recipe, recipe_text
from nightfold.picture.records import Plane

BOX = (10, 10, 309, 209)


def plane(name: str, strength: float, seed: int, centre: tuple[float, float] = (160.0, 110.0)) -> Plane:
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:220, 0:320]
    image = (
        0.01
        + strength * np.exp(-(((x - centre[0]) / 60) ** 2 + ((y - centre[1]) / 50) ** 2))
        + rng.normal(0, 0.002, x.shape)
    )
    stars = np.random.default_rng(99)
    for _ in range(60):
        sx, sy, f = stars.uniform(0, 320), stars.uniform(0, 220), stars.pareto(0.8) * 0.1 + 0.02
        image += f * np.exp(-((x - sx) ** 2 + (y - sy) ** 2) / 4.0)
    image = image.astype(np.float32)
    image[:5] = np.nan
    return Plane(
        filter=name, image=image, variance=np.full(image.shape, 4e-6, np.float32), sha256=name * 8, cut_box_px=BOX
    )


@pytest.fixture
def planes() -> dict[str, Plane]:
    return {
        "Ha": plane("Ha", 0.2, 1),
        "OIII": plane("OIII", 0.05, 2, (130.0, 100.0)),
        "SII": plane("SII", 0.03, 3, (190.0, 120.0)),
    }


def test_a_recipe_replays_to_the_same_pixels(planes: dict[str, Plane]) -> None:
    recipe = automatic_recipe(planes, target="t", box=BOX)
    again = parse_recipe(recipe_text(recipe))
    assert again == recipe
    first = apply_recipe(recipe, planes)
    assert first.shape == (200, 300, 3)
    assert first.dtype == np.float32
    np.testing.assert_array_equal(apply_recipe(again, planes), first)


def test_the_automatic_picture_is_dark_neutral_and_colourful(planes: dict[str, Plane]) -> None:
    recipe = automatic_recipe(planes, target="t", box=BOX)
    picture = apply_recipe(recipe, planes)
    corner = picture[:40, :40]
    assert 0.02 < np.median(corner) < 0.2
    lab = oklab_from_linear(decode_srgb(corner).mean(axis=(0, 1)))
    assert chroma(lab) < 0.03, "blank sky has no cast"
    middle = picture[80:120, 120:180].reshape(-1, 3)
    assert np.median(chroma(oklab_from_linear(decode_srgb(middle)))) > 0.03, "the nebula has colour"
    unrepaired = recipe.model_copy(update={"steps": [s for s in recipe.steps if s.step != "turn-hues"]})
    share = [green_share(p[80:120, 120:180]) for p in (apply_recipe(unrepaired, planes), picture)]
    assert share[1] < 0.6 * share[0], "most of the green cast is gone"


def green_share(rgb: np.ndarray) -> float:
    hue = hue_deg(oklab_from_linear(decode_srgb(rgb)))
    return float(((hue > 120) & (hue < 160)).mean())


@pytest.mark.parametrize("name", ["SHO", "HOO", "hso", "OHS"])
def test_named_palettes(planes: dict[str, Plane], name: str) -> None:
    picture = apply_recipe(automatic_recipe(planes, target="t", box=BOX, palette=name), planes)
    assert np.isfinite(picture).all()
    assert picture.std() > 0.05


def test_any_three_letters_make_a_palette(planes: dict[str, Plane]) -> None:
    assert palette_rows("OSH", list(planes)) == {"OIII": (1, 0, 0), "SII": (0, 1, 0), "Ha": (0, 0, 1)}
    assert palette_rows("ooh", list(planes)) == {"OIII": (1, 1, 0), "Ha": (0, 0, 1)}


def test_what_palettes_refuse(planes: dict[str, Plane]) -> None:
    with pytest.raises(PictureError, match=r"unknown palette.*SHO"):
        automatic_recipe(planes, target="t", box=BOX, palette="XYZ")
    with pytest.raises(PictureError, match="missing SII"):
        palette_rows("SHO", ["Ha", "OIII"])


def test_one_filter_makes_a_grey_picture(planes: dict[str, Plane]) -> None:
    picture = apply_recipe(automatic_recipe({"Ha": planes["Ha"]}, target="t", box=BOX), {"Ha": planes["Ha"]})
    np.testing.assert_array_equal(picture[..., 0], picture[..., 2])


def test_mixing_keeps_brightness() -> None:
    one = np.ones((2, 2), np.float32)
    rgb = mix({"Ha": one, "OIII": 3 * one}, {"Ha": (1, 0, 0.5), "OIII": (0, 1, 0.5)})
    np.testing.assert_allclose(rgb[0, 0], [1, 3, 2])


def test_balance_equalises_but_not_beyond_the_noise() -> None:
    gains = balance_gains({"Ha": 1.0, "OIII": 0.1}, {"Ha": 0.01, "OIII": 0.01}, 1.0)
    assert gains["Ha"] == 1.0
    assert gains["OIII"] == pytest.approx(3.0)
    assert balance_gains({"Ha": 1.0, "OIII": 0.5}, {"Ha": 0.01, "OIII": 0.01}, 1.0)["OIII"] == pytest.approx(2.0)
    assert balance_gains({"Ha": 1.0, "OIII": 0.5}, {"Ha": 0.01, "OIII": 0.01}, 0.0)["OIII"] == 1.0


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ("version = 1", "version = 7", "version"),
        ('step = "stretch"', 'step = "rm -rf"', "steps"),
        ("softness = ", "softness = -", "softness"),
        ('target = "t"', 'target = "t"\nimport_this = "os"', "import_this"),
        ("version = 1", "version = = 1", "not TOML"),
    ],
)
def test_a_recipe_is_data_and_mistakes_are_named(planes: dict[str, Plane], old: str, new: str, word: str) -> None:
    text = recipe_text(automatic_recipe(planes, target="t", box=BOX)).replace(old, new, 1)
    with pytest.raises(PictureError, match=word):
        parse_recipe(text)


def test_a_recipe_whose_master_is_gone_says_which(planes: dict[str, Plane]) -> None:
    recipe = automatic_recipe(planes, target="t", box=BOX)
    with pytest.raises(PictureError, match="fold SII"):
        apply_recipe(recipe, {f: p for f, p in planes.items() if f != "SII"})
    with pytest.raises(PictureError, match="box does not lie inside"):
        apply_recipe(recipe.model_copy(update={"cut_box_px": (0, 0, 5000, 5000)}), planes)


def test_saturated_and_starless_masters_still_make_a_picture() -> None:
    full = Plane(filter="Ha", image=np.full((60, 80), 5.0, np.float32), variance=np.ones((60, 80), np.float32))
    picture = apply_recipe(automatic_recipe({"Ha": full}, target="t", box=(0, 0, 79, 59)), {"Ha": full})
    assert np.isfinite(picture).all()
