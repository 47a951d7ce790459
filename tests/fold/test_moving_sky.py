"""The sky that comes and goes: found where slopes follow the level, not invented where they do not, blind to nebulae."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.fold.moving_sky import LEAST_SUBS, cards_of, moving_sky
from nightfold.fold.normalise import SkyPoints, solve_skies
from nightfold.fold.records import SkySurface


def skies_of(levels: np.ndarray, slope: np.ndarray, noise: float, seed: int) -> list[SkySurface]:
    rng = np.random.default_rng(seed)
    table = np.column_stack([levels, np.outer(levels, slope) + rng.normal(0, noise, (len(levels), len(slope)))])
    table -= table.mean(axis=0)
    return [SkySurface(coefficients=row, centre=(300.0, 200.0), radius=(300.0, 200.0)) for row in table]


def test_slopes_that_follow_the_level_are_found() -> None:
    levels = np.random.default_rng(1).uniform(0.5, 2.0, 40)
    slope = np.array([0.20, -0.08, 0.0, 0.0, 0.0])
    found = moving_sky(skies_of(levels, slope, 0.01, 2), np.full(40, 1 / 40))
    assert found is not None
    beyond = levels.mean() - np.quantile(levels, 0.1)
    surface = SkySurface(
        coefficients=np.concatenate([[0.0], slope * beyond]), centre=(300.0, 200.0), radius=(300.0, 200.0)
    )
    y, x = np.mgrid[0:400:20, 0:600:20]
    made = sum(c * t for c, t in zip(found.in_pixels, (np.ones_like(x), x, y, x * x, x * y, y * y)))
    wanted = surface.evaluate(x, y)
    assert np.std(made - wanted - (made - wanted).mean()) < 0.05 * np.std(wanted)
    cards = cards_of(found)
    assert cards["MOVSKYSN"] > 10
    assert len(cards) == 7


@pytest.mark.parametrize("seed", range(40))
def test_chance_makes_none(seed: int) -> None:
    levels = np.random.default_rng(100 + seed).uniform(0.5, 2.0, 25)
    assert moving_sky(skies_of(levels, np.zeros(5), 0.05, seed), np.full(25, 1 / 25)) is None


def test_few_subs_tell_nothing() -> None:
    levels = np.linspace(0.5, 2.0, LEAST_SUBS - 1)
    assert moving_sky(skies_of(levels, np.array([0.3, 0, 0, 0, 0]), 1e-4, 1), np.full(len(levels), 1.0)) is None
    assert cards_of(None) == {}


def test_a_nebula_over_the_whole_frame_stays() -> None:
    """From meshes, as the fold sees them: a Moon that lights one side, over a nebula that slopes the other way."""
    rng = np.random.default_rng(5)
    y, x = (v.ravel().astype(float) for v in np.mgrid[16:400:32, 16:600:32])
    nebula = 30.0 - 0.04 * x + 5.0 * np.sin(x / 60.0) * np.cos(y / 45.0)
    moon = rng.uniform(0.0, 10.0, 30)
    moon[:5] = 0.0
    meshes = [
        SkyPoints(
            x, y, nebula + 4.0 + m * (1.0 + 0.5 * (x - 300) / 300) + rng.normal(0, 0.05, x.size), np.full(x.size, 0.05)
        )
        for m in moon
    ]
    weights = np.full(30, 1 / 30)
    found = moving_sky(solve_skies(meshes, weights), weights)
    assert found is not None
    made = sum(c * t for c, t in zip(found.in_pixels, (np.ones_like(x), x, y, x * x, x * y, y * y)))
    wanted = moon.mean() * 0.5 * (x - 300) / 300
    left = (wanted - wanted.mean()) - (made - made.mean())
    assert np.std(left) < 0.1 * np.std(wanted), "more than 90 % of what the Moon brought is known"
