"""A flat that does not fit, told apart from a nebula that fills the field, by subs that lie differently on the sky."""

from __future__ import annotations

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from nightfold.judge.findings.misfit import camera_fixed, flat_misfit, glow_left, moved_dust, unturned_noise
from nightfold.judge.findings.stage import _mean_residual
from nightfold.judge.findings.two_layers import TwoLayers, camera_corner, fit_two_layers

NY, NX, CELL = 16, 22, 64.0
LEVEL = 150.0


def flat_of() -> np.ndarray:
    v, u = np.meshgrid(np.linspace(-1, 1, NY), np.linspace(-1, 1, NX), indexing="ij")
    r2 = (u**2 + (v * NY / NX) ** 2) / (1 + (NY / NX) ** 2)
    return np.asarray(1.0 - 0.25 * r2 * (0.7 + 0.3 * r2))


def corner_of(flat: np.ndarray) -> float:
    shape = 1.0 / flat - 1.0
    return float(np.mean([shape[0, 0], shape[0, -1], shape[-1, 0], shape[-1, -1]]))


def skies(
    number: int, *, corner: float, nebula: float, dither_px: float, subs: int = 30
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Levels of subs on two nights with a flip in each, under gradients that drift; what the fit is told beside them."""
    rng = np.random.default_rng(number)
    flat = flat_of()
    y, x = np.meshgrid((np.arange(NY) - (NY - 1) / 2) * CELL, (np.arange(NX) - (NX - 1) / 2) * CELL, indexing="ij")
    knots = [
        (rng.uniform(-900, 900), rng.uniform(-700, 700), rng.uniform(150, 500), rng.uniform(-1, 1)) for _ in range(12)
    ]
    levels, places = [], []
    for i in range(subs):
        side = -1.0 if (i // 5) % 2 else 1.0
        dx, dy = rng.normal(0.0, dither_px, 2)
        gx, gy = side * x + dx, side * y + dy
        # Centred and round by itself: the worst case, which feigns a bowl.
        light = 0.6 * np.exp(-(gx**2 + gy**2) / (2 * 500.0**2))
        for cx, cy, width, height in knots:
            light = light + 0.3 * height * np.exp(-((gx - cx) ** 2 + (gy - cy) ** 2) / (2 * width**2))
        gradient = side * ((0.03 + 0.01 * i / subs) * x / 700 - (0.02 - 0.015 * (i / subs) ** 2) * y / 500)
        jitter = rng.normal(0, 3e-4, 2)
        sky = LEVEL * (1.0 + gradient + jitter[0] * x / 700 + jitter[1] * y / 500)
        left = LEVEL * corner / corner_of(flat) * (1.0 / flat - 1.0)
        levels.append(sky + left + nebula * LEVEL * light + rng.normal(0.0, 0.25, x.shape))
        places.append(np.stack([gx, gy], axis=-1))
    told = {
        "place": np.stack(places),
        "transparency": np.ones(subs),
        "start_s": np.arange(subs) * 320.0,
        "stretch": np.arange(subs) // 5,
    }
    return np.stack(levels), told


def fitted(levels: np.ndarray, told: dict[str, np.ndarray]) -> TwoLayers:
    with threadpool_limits(limits=1, user_api="blas"):  # as a campaign's judge has it
        found = fit_two_layers(
            levels, flat_of(), told["place"], told["transparency"], start_s=told["start_s"], stretch=told["stretch"]
        )
    assert found is not None
    return found


@pytest.mark.parametrize("corner", [0.05, -0.04])
@pytest.mark.parametrize("number", [51, 52])
def test_a_misfit_under_a_nebula_is_found_by_dither(corner: float, number: int) -> None:
    levels, told = skies(number, corner=corner, nebula=0.3, dither_px=60.0)
    layers, shape = fitted(levels, told), corner_of(flat_of())
    of_sky = corner * LEVEL / float(np.median(levels))
    assert layers.amount * shape == pytest.approx(of_sky, abs=4.0 * abs(layers.error * shape))
    sure = camera_corner(flat_misfit(levels, flat_of()), layers, shape)
    assert sure is not None
    assert sure[0] == pytest.approx(corner, rel=0.3)


@pytest.mark.slow
def test_a_good_flat_is_never_blamed_for_a_nebula() -> None:
    for number in range(60, 72):
        levels, told = skies(number, corner=0.0, nebula=0.5, dither_px=(8.0, 25.0, 60.0)[number % 3])
        alone = flat_misfit(levels, flat_of())
        assert camera_corner(alone, fitted(levels, told), corner_of(flat_of())) is None, number


def test_without_dither_nothing_is_claimed_of_a_nebula_and_a_bare_sky_is_still_told() -> None:
    levels, told = skies(81, corner=0.0, nebula=0.5, dither_px=0.5)
    assert camera_corner(flat_misfit(levels, flat_of()), fitted(levels, told), corner_of(flat_of())) is None
    bare, told = skies(82, corner=0.03, nebula=0.0, dither_px=25.0)
    alone = flat_misfit(bare, flat_of())
    sure = camera_corner(alone, fitted(bare, told), corner_of(flat_of()))
    assert sure is not None
    assert sure[0] == pytest.approx(0.03, rel=0.15)


def test_skies_of_different_brightness_tell_a_level_from_a_flat() -> None:
    levels, told = skies(83, corner=0.0, nebula=0.0, dither_px=25.0)
    shape = 1.0 / flat_of() - 1.0
    brighter = np.linspace(1.0, 2.5, len(levels))[:, None, None]
    layers = fitted(levels * brighter + 6.0 * shape, told)
    assert layers.constant_e == pytest.approx(6.0, abs=4.0 * layers.constant_error_e + 0.5)
    assert abs(layers.varies) < 4.0 * layers.varies_error + 0.005


def test_few_subs_and_even_flats_tell_nothing() -> None:
    levels, told = skies(84, corner=0.03, nebula=0.0, dither_px=25.0, subs=5)
    given = {k: told[k] for k in ("start_s", "stretch")}
    assert fit_two_layers(levels, flat_of(), told["place"], told["transparency"], **given) is None
    levels, told = skies(85, corner=0.03, nebula=0.0, dither_px=25.0)
    given = {k: told[k] for k in ("start_s", "stretch")}
    assert fit_two_layers(levels, np.ones((NY, NX)), told["place"], told["transparency"], **given) is None
    assert camera_corner(None, None, 0.3) is None


def with_halo(
    levels: np.ndarray, told: dict[str, np.ndarray], star: tuple[float, float], *, halo: float, ghost: float = 0.0
) -> np.ndarray:
    """The same skies with a bright star's disc of 150 px around it and a ghost across the axis, as shares of the sky.

    The ghost lies at -0.9 times the star's place from the axis, so that a dither moves it against the sky.
    """
    out = levels.copy()
    for level, place in zip(out, told["place"]):
        axis = place.reshape(-1, 2).mean(axis=0)
        for at, share in ((np.array(star), halo), (axis - 0.9 * (np.array(star) - axis), ghost)):
            apart = np.hypot(*(place - at).transpose(2, 0, 1))
            level += share * LEVEL / (1.0 + np.exp((apart - 150.0) / 20.0))
    return out


def test_a_bright_stars_halo_in_the_middle_is_no_glow_and_hides_none() -> None:
    for number, halo in ((91, 0.1), (92, 1.0), (93, 3.0)):
        levels, told = skies(number, corner=0.0, nebula=0.0, dither_px=25.0)
        levels = with_halo(levels, told, (0.0, 0.0), halo=halo)
        over = (np.arange(len(levels)) // 5) % 2 == 1
        for glow in (0.0, 0.04):
            lit = levels.copy()
            lit[:, :, -2:] += glow * LEVEL  # stays with the camera
            fixed = camera_fixed(*(_mean_residual(lit[over == side], flat_of()) for side in (False, True)))
            where, excess, sigma = glow_left(fixed)
            assert not moved_dust(fixed)
            if glow:
                assert (where, sigma > 6.0) == ("right edge", True)
                assert excess == pytest.approx(glow, rel=0.35)
            else:
                assert excess < 0.01


def test_halos_and_ghosts_of_a_bright_star_are_not_put_down_to_the_flat() -> None:
    shape = corner_of(flat_of())
    for number, star in ((94, (0.0, 0.0)), (95, (300.0, -150.0)), (96, (-520.0, 330.0)), (97, (60.0, 40.0))):
        levels, told = skies(number, corner=0.0, nebula=0.1, dither_px=60.0)
        levels = with_halo(levels, told, star, halo=1.0, ghost=0.05)
        assert camera_corner(flat_misfit(levels, flat_of()), fitted(levels, told), shape) is None
        levels, told = skies(number, corner=0.05, nebula=0.1, dither_px=60.0)
        levels = with_halo(levels, told, star, halo=1.0, ghost=0.05)
        sure = camera_corner(flat_misfit(levels, flat_of()), fitted(levels, told), shape)
        assert sure is not None
        assert sure[0] == pytest.approx(0.05, rel=0.25)


def test_a_nebula_that_a_half_turn_leaves_nearly_as_it_is_feigns_neither_glow_nor_dust() -> None:
    for number in range(1100, 1124):
        levels, _ = skies(number, corner=0.0, nebula=(0.05, 0.3, 1.0)[number % 3], dither_px=(8.0, 25.0)[number % 2])
        over = (np.arange(len(levels)) // 5) % 2 == 1
        one, other = (_mean_residual(levels[over == side], flat_of()) for side in (False, True))
        fixed = camera_fixed(one, other)
        assert not moved_dust(fixed, noise=unturned_noise(one, other)), number
        _, excess, _ = glow_left(fixed)
        assert excess < 0.01, number
