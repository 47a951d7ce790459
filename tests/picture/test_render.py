"""Rendering: bands, threads and previews show the same picture; broadband and mixed palettes; proofs; what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from nightfold.errors import PictureError
from nightfold.picture import render
from nightfold.picture.ready import binned, cut_to, fill_gaps, preview_factor, shared_box, with_true_noise
from nightfold.picture.recipe import apply_recipe, automatic_recipe
from nightfold.picture.records import Plane
from nightfold.picture.steps import LocalContrast, Recipe, Saturate, StarsBack, Turn, TurnHues

SHAPE = (180, 260)
BOX = (4, 6, 251, 173)
COLOURS = {"red star": (1.6, 1.0, 0.5), "blue star": (0.6, 1.0, 1.5)}


def plane(name: str, strength: float, seed: int, star_gain: float = 1.0, tint: int | None = None) -> Plane:
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    image = 0.02 + strength * np.exp(-(((x - 130 - 9 * seed) / 50) ** 2 + ((y - 90) / 40) ** 2))
    stars = np.random.default_rng(7)
    for k in range(60):
        sx, sy, f = stars.uniform(5, 255), stars.uniform(5, 175), 0.08 + 0.1 * stars.pareto(1.0)
        colour = 1.0 if tint is None else list(COLOURS.values())[k % 2][tint]
        image += star_gain * colour * f * np.exp(-((x - sx) ** 2 + (y - sy) ** 2) / 4.0)
    image = (image + rng.normal(0, 0.002, SHAPE)).astype(np.float32)
    return Plane(filter=name, image=image, variance=np.full(SHAPE, 4e-6, np.float32), sha256=name, cut_box_px=BOX)


@pytest.fixture(scope="module")
def planes() -> dict[str, Plane]:
    return {"Ha": plane("Ha", 0.2, 1), "OIII": plane("OIII", 0.05, 2, 1.5), "SII": plane("SII", 0.03, 3, 0.7)}


@pytest.fixture(scope="module")
def recipe(planes: dict[str, Plane]) -> Recipe:
    return automatic_recipe(planes, target="t", box=shared_box(planes))


@pytest.fixture(scope="module")
def picture(recipe: Recipe, planes: dict[str, Plane]) -> np.ndarray:
    return apply_recipe(recipe, planes)


def test_bands_and_threads_do_not_show(
    recipe: Recipe, planes: dict[str, Plane], monkeypatch: pytest.MonkeyPatch
) -> None:
    crisp = recipe.model_copy(update={"steps": [*recipe.steps, LocalContrast(amount=0.5, size_px=8.0)]})
    whole = apply_recipe(crisp, planes, threads=1)
    monkeypatch.setattr(render, "BAND_ROWS", 37)
    np.testing.assert_allclose(apply_recipe(crisp, planes, threads=3), whole, atol=1e-5)


def test_stars_are_neutral_though_the_filters_show_them_unequally(picture: np.ndarray) -> None:
    bright = picture.max(axis=-1) > 0.9
    assert bright.sum() > 20
    spread = np.ptp(picture[bright], axis=-1)
    assert np.percentile(spread, 90) < 0.12, "no star is magenta or green"


def test_a_preview_agrees_with_the_binned_picture(recipe: Recipe, planes: dict[str, Plane]) -> None:
    plain = recipe.model_copy(
        update={"steps": [s for s in recipe.steps if s.step not in {"sharpen", "stars-apart", "stars-back"}]}
    )
    starless = {f: Plane(filter=f, image=0.02 + 0 * p.image, variance=p.variance) for f, p in planes.items()}
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    for k, (f, p) in enumerate(starless.items()):
        cloud = 0.1 / (1 + k) * np.exp(-(((x - 120) / 60) ** 2 + ((y - 90 - 8 * k) / 50) ** 2))
        noise = np.random.default_rng(k).normal(0, 0.002, SHAPE)
        starless[f] = Plane(filter=f, image=(p.image + cloud + noise).astype(np.float32), variance=p.variance)
    full = apply_recipe(plain, starless)
    small = apply_recipe(plain, starless, preview_px=130)
    assert small.shape == (84, 124, 3)
    of_full = full.reshape(84, 2, 124, 2, 3).mean(axis=(1, 3))
    assert np.sqrt(np.mean((small - of_full) ** 2)) < 2 / 255


def test_star_brightness_and_size(recipe: Recipe, planes: dict[str, Plane], picture: np.ndarray) -> None:
    def with_stars(**change: float) -> np.ndarray:
        steps = [s.model_copy(update=change) if isinstance(s, StarsBack) else s for s in recipe.steps]
        return apply_recipe(recipe.model_copy(update={"steps": steps}), planes)

    starless = with_stars(brightness=0.0)
    slim = with_stars(size=0.5)
    assert (starless > 0.95).mean() < 0.2 * (picture > 0.95).mean()
    assert 0.2 < (slim - starless).sum() / (picture - starless).sum() < 0.9


def test_broadband_keeps_the_colours_of_stars() -> None:
    colours = {c: plane(c, 0.02, k, tint=k) for k, c in enumerate("RGB")}
    picture = apply_recipe(automatic_recipe(colours, target="t", box=BOX), colours)
    shining = picture.max(axis=-1) > 0.5
    warm = picture[..., 0] - picture[..., 2]
    assert (warm[shining] > 0.1).mean() > 0.15
    assert (warm[shining] < -0.1).mean() > 0.15
    with_light = {**colours, "L": plane("L", 0.06, 5)}
    recipe = automatic_recipe(with_light, target="t", box=BOX)
    assert [s.palette for s in recipe.steps if s.step == "mix"] == ["LRGB"]
    assert np.isfinite(apply_recipe(recipe, with_light)).all()


def test_broadband_stars_over_a_narrowband_nebula(planes: dict[str, Plane]) -> None:
    both = {**planes, **{c: plane(c, 0.02, k, tint=k) for k, c in enumerate("RGB")}}
    recipe = automatic_recipe(both, target="t", box=BOX, palette="SHO")
    back = next(s for s in recipe.steps if isinstance(s, StarsBack))
    assert set(back.gain) == {"R", "G", "B"}
    assert back.colour == 1.0
    assert apply_recipe(recipe, both).std() > 0.05


def test_turns_and_final_crop(recipe: Recipe, planes: dict[str, Plane], picture: np.ndarray) -> None:
    turned = recipe.model_copy(update={"steps": [*recipe.steps, Turn(quarter_turns=1, mirror=True)]})
    np.testing.assert_array_equal(apply_recipe(turned, planes), np.rot90(picture[:, ::-1], -1))
    cut = recipe.model_copy(update={"steps": [*recipe.steps, Turn(crop_px=(10, 20, 59, 49))]})
    np.testing.assert_array_equal(apply_recipe(cut, planes), picture[20:50, 10:60])
    with pytest.raises(PictureError, match="final crop"):
        apply_recipe(recipe.model_copy(update={"steps": [*recipe.steps, Turn(crop_px=(0, 0, 9999, 9))]}), planes)


def test_a_sector_by_its_name(recipe: Recipe, planes: dict[str, Plane]) -> None:
    def turned(**change: object) -> np.ndarray:
        steps = [*recipe.steps, TurnHues(towards_deg=300.0, strength=1.0, feather_deg=10.0, **change)]
        return apply_recipe(recipe.model_copy(update={"steps": steps}), planes)

    np.testing.assert_array_equal(turned(sector="golds"), turned(from_deg=50.0, to_deg=100.0))
    assert np.abs(turned(sector="golds") - turned(sector="blues")).max() > 0.1


def test_steps_out_of_order_are_refused(recipe: Recipe, planes: dict[str, Plane]) -> None:
    with pytest.raises(PictureError, match="out of order"):
        apply_recipe(recipe.model_copy(update={"steps": recipe.steps[::-1]}), planes)
    with pytest.raises(PictureError, match="out of order"):
        apply_recipe(recipe.model_copy(update={"steps": []}), planes)


def test_masters_that_do_not_fit_are_refused(planes: dict[str, Plane]) -> None:
    small = Plane(filter="OIII", image=np.zeros((50, 60), np.float32), variance=np.ones((50, 60), np.float32))
    with pytest.raises(PictureError, match="OIII 60x50"):
        shared_box({**planes, "OIII": small})
    apart = Plane(
        filter="OIII", image=planes["OIII"].image, variance=planes["OIII"].variance, cut_box_px=(255, 0, 259, 9)
    )
    with pytest.raises(PictureError, match="share no area"):
        shared_box({**planes, "OIII": apart})
    with pytest.raises(PictureError, match="no master"):
        shared_box({})


def test_gaps_are_bridged_and_an_empty_master_is_refused(planes: dict[str, Plane]) -> None:
    image = planes["Ha"].image.copy()
    image[40:50, 30:60] = np.nan
    holed = Plane(filter="Ha", image=image, variance=planes["Ha"].variance)
    filled, gap = fill_gaps(holed)
    assert gap is not None
    assert gap.sum() == 300
    assert np.isfinite(filled.image).all()
    with pytest.raises(PictureError, match="no pixel to show"):
        fill_gaps(Plane(filter="Ha", image=np.full((9, 9), np.nan, np.float32), variance=np.ones((9, 9), np.float32)))


def test_binning_keeps_level_and_noise() -> None:
    noise = Plane(
        filter="Ha",
        image=np.random.default_rng(1).normal(5, 1, (301, 400)).astype(np.float32),
        variance=np.ones((301, 400), np.float32),
        scale_arcsec_px=1.5,
    )
    small = binned(noise, 3)
    assert small.image.shape == (100, 133)
    assert small.image.std() ** 2 == pytest.approx(float(small.variance.mean()), rel=0.05)
    assert small.scale_arcsec_px == pytest.approx(4.5)
    assert preview_factor((4176, 6248)) == 4
    assert cut_to(noise, (10, 20, 19, 24)).image.shape == (5, 10)


def test_a_variance_that_pixels_do_not_bear_out_is_mended() -> None:
    rng = np.random.default_rng(31)
    y, x = np.mgrid[0:300, 0:400]
    cloud = 40.0 * np.exp(-(((x - 250) / 60.0) ** 2) - ((y - 150) / 50.0) ** 2)
    image = (cloud + rng.normal(0, 5.0, x.shape)).astype(np.float32)

    def mended(variance: float) -> float:
        told = Plane(filter="Ha", image=image, variance=np.full(x.shape, variance, np.float32))
        return float(np.sqrt(np.median(with_true_noise(told).variance)))

    assert mended(25.0) == 5.0, "a true variance stays as it is"
    assert mended(0.01) == pytest.approx(5.0, rel=0.05), "photons that never were"
    assert mended(2500.0) == pytest.approx(5.0, rel=0.1)
    smoothed = ndimage.gaussian_filter(rng.normal(0, 1, x.shape), 0.6)
    smoothed = (smoothed / smoothed.std() * 5.0).astype(np.float32)
    resampled = Plane(filter="Ha", image=smoothed, variance=np.full(x.shape, 25.0, np.float32))
    assert np.median(with_true_noise(resampled).variance) == 25.0, "resampling hides noise, it does not lessen it"
    flat = Plane(filter="Ha", image=np.full((60, 60), 2.0, np.float32), variance=np.ones((60, 60), np.float32))
    assert with_true_noise(flat) is flat


def test_the_luminance_filter_is_not_burnt_out_by_the_curve_of_the_colours() -> None:
    colours = {c: plane(c, 0.05, 1) for c in "RGB"}
    bright = {**colours, "L": plane("L", 0.5, 1, star_gain=3.0)}
    recipe = automatic_recipe(bright, target="t", box=BOX)
    steps = [s for s in recipe.steps if s.step not in {"stars-apart", "stars-back"}]
    picture = apply_recipe(recipe.model_copy(update={"steps": steps}), bright)
    middle = picture[75:95, 115:135]
    assert 0.5 < np.median(middle) < 0.97


def test_alike_filters_get_more_colour_and_a_gap_takes_no_star_of_its_rim() -> None:
    alike = {"Ha": plane("Ha", 0.2, 1), "OIII": plane("OIII", 0.17, 1, 1.5)}
    unlike = {"Ha": plane("Ha", 0.2, 1), "OIII": plane("OIII", 0.2, 8, 1.5)}
    factors = []
    for masters in (alike, unlike):
        recipe = automatic_recipe(masters, target="t", box=BOX, palette="HOO")
        factors.append(next(s.factor for s in recipe.steps if isinstance(s, Saturate)))
    assert factors[0] > 1.5 > 1.2 > factors[1] - 0.1
    y, x = np.mgrid[0:120, 0:160]
    image = (1.0 + 50.0 * np.exp(-((x - 78) ** 2 + (y - 60) ** 2) / 4.0)).astype(np.float32)
    image[:, 80:] = np.nan
    filled, _gap = fill_gaps(Plane(filter="Ha", image=image, variance=np.full(image.shape, 1e-4, np.float32)))
    assert np.nanmax(filled.image[:, 80:]) < 1.2
    np.testing.assert_array_equal(filled.image[:, :80], image[:, :80])
