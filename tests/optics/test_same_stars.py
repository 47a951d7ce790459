"""The same stars in every frame: comers and goers do not bend the run."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from nightfold.optics.files import focus_of_files
from nightfold.optics.same_stars import shared_radii


def invented(seed: int, frames: int = 9, stars: int = 12) -> tuple[list[np.ndarray], list[np.ndarray], list[np.ndarray], np.ndarray]:  # fmt: skip
    """Stars of differing widths; each frame is shifted, and shows only those of its place in the run."""
    random = np.random.default_rng(seed)
    base = random.uniform(0, 500, (stars, 2))
    own = random.uniform(0.8, 1.3, stars)
    truth = 2.0 * np.sqrt(1.0 + np.linspace(-2, 2, frames) ** 2)
    places, radii, fluxes = [], [], []
    for k in range(frames):
        seen = np.sort(random.permutation(stars)[: stars - 4])
        places.append(base[seen] + random.uniform(-20, 20, 2) + random.normal(0, 0.1, (seen.size, 2)))
        radii.append(truth[k] * own[seen] * random.normal(1, 0.01, seen.size))
        fluxes.append(np.full(seen.size, 1000.0))
    return places, radii, fluxes, truth


def test_radii_of_shared_stars_follow_the_frames() -> None:
    places, radii, fluxes, truth = invented(1)
    found = shared_radii(places, radii, fluxes)
    ratio = found.radius_px / truth
    assert np.std(ratio) / np.mean(ratio) < 0.012
    medians = np.array([np.median(r) for r in radii]) / truth
    assert np.std(medians) / np.mean(medians) > 2 * np.std(ratio) / np.mean(ratio)
    assert found.light == pytest.approx(np.ones(9), rel=1e-6)
    assert (found.stars >= 3).all()


def test_a_cloud_shows_in_the_light() -> None:
    places, radii, fluxes, _ = invented(2)
    fluxes[4] = fluxes[4] * 0.3
    assert shared_radii(places, radii, fluxes).light[4] == pytest.approx(0.3, rel=0.01)


def test_nothing_shared_is_nan() -> None:
    none = np.zeros((0, 2))
    found = shared_radii([none, none], [np.zeros(0)] * 2, [np.zeros(0)] * 2)
    assert np.isnan(found.radius_px).all()
    assert (found.stars == 0).all()


def test_the_shallow_real_run_is_no_good_one(real_frames: Path) -> None:
    """The same eight to ten stars of 14 real frames agree to 1 to 2 percent within a frame, and scatter by 5 percent

    from frame to frame, a third of what focus changes them over the range: at most a shallow curve, no asymptote, no field.
    """
    found = focus_of_files([real_frames / "focus-run"])
    assert found.run.verdict != "good"
    assert np.isnan(found.run.slope_px)
    assert np.ptp(found.data.half_flux_radius_px) / np.median(found.data.half_flux_radius_px) < 0.3
    assert found.data.position.min() == 3723.0
    assert np.isfinite(found.data.temperature_c).all()
    assert found.field is not None
    assert not found.field.measured
