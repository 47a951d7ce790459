"""Levels of rigs against each other: from their stars, through noise, blends and variables; by the width of their filters."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from nightfold.errors import FoldError
from nightfold.fold.rig_levels import RigStars, rig_levels


def subs(rig: str, level: float, scales: tuple[float, ...], *, seed: int, stars: int = 150) -> list[RigStars]:
    """Subs whose reference takes `level` of the light of one field, each clouded to its scale."""
    field = np.random.default_rng(77)
    xy = field.uniform(0.0, 800.0, (stars, 2))
    light = 10.0 ** field.uniform(0.5, 3.0, stars)
    rng = np.random.default_rng(seed)
    found = []
    for scale in scales:
        rate = level * scale * light
        error = np.sqrt(rate / 200.0) + 0.05 * level
        seen = rate > 5.0 * error
        seen &= rng.uniform(size=stars) < 0.9
        rate = rate + rng.normal(0.0, error)
        rate[rng.integers(0, stars, 5)] *= 1.8  # blends and variables
        order = np.argsort(-rate[seen])
        found.append(
            RigStars(
                rig=rig,
                xy=(xy + rng.normal(0.0, 0.1, xy.shape))[seen][order],
                rate=rate[seen][order],
                error=error[seen][order],
                scale=scale,
                fwhm_px=3.0,
            )
        )
    return found


def test_the_larger_telescope_has_the_higher_level() -> None:
    large = subs("large", 3.02, (1.0, 0.9, 0.5), seed=1)
    small = subs("small", 1.0, (1.0, 0.8), seed=2)
    assert rig_levels([*small, *large], "large") == {"large": 1.0, "small": pytest.approx(1.0 / 3.02, rel=0.01)}
    assert rig_levels([*large, *small], "small") == {"small": 1.0, "large": pytest.approx(3.02, rel=0.01)}


def test_wider_filters_pass_more_of_stars_but_not_of_a_line() -> None:
    large = [replace(s, width_nm=3.0) for s in subs("large", 3.0, (1.0, 0.9), seed=3)]
    small = [replace(s, width_nm=6.0) for s in subs("small", 2.0, (1.0,), seed=4)]
    assert rig_levels([*large, *small], "large")["small"] == pytest.approx(2.0 / 3.0 / 2.0, rel=0.01)


def test_rigs_without_common_stars_are_refused() -> None:
    large = subs("large", 3.0, (1.0,), seed=5)
    elsewhere = [replace(s, xy=s.xy + 5000.0) for s in subs("small", 1.0, (1.0,), seed=6)]
    with pytest.raises(FoldError, match="cannot be brought to one level"):
        rig_levels([*large, *elsewhere], "large")
