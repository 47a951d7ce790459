"""Where a master is not blank sky, a coarser mesh, and the middle of a box."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.fold.look import coarser, look_at, middle, source_mask
from nightfold.measure.records import SkyMesh


def scene(seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Noise of 1 with a nebula in the right half and stars; and the nebula alone."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:320, 0:480]
    nebula = 40.0 * np.exp(-(((x - 380) / 50) ** 2 + ((y - 160) / 60) ** 2))
    image = 100.0 + nebula + rng.normal(0, 1, x.shape)
    for _ in range(40):
        sx, sy = rng.uniform(0, 480), rng.uniform(0, 320)
        image += 60.0 * np.exp(-((x - sx) ** 2 + (y - sy) ** 2) / 4.5)
    return image.astype(np.float32), nebula


def test_sources_are_masked_and_blank_sky_is_left() -> None:
    image, nebula = scene()
    mask = source_mask(image, np.full(image.shape, 100.0, np.float32) + nebula.astype(np.float32), 1.0)
    assert mask[nebula > 10].mean() > 0.98
    left = image[~mask]
    assert left.size > 0.2 * image.size
    # A blank sky of unit noise: what is left of the stars would show as a tail.
    assert np.mean(left) == pytest.approx(100.0, abs=0.15)
    assert np.std(left) == pytest.approx(1.0, abs=0.06)


def test_a_frame_full_of_nebula_still_leaves_its_darker_third() -> None:
    image, _ = scene()
    image += np.linspace(0, 200, 480, dtype=np.float32)[None, :]
    mask = source_mask(image, np.full(image.shape, 200.0, np.float32), 1.0)
    assert 0.1 < (~mask).mean() < 0.5


def test_a_masters_own_reading() -> None:
    image, _ = scene()
    reading, sources = look_at(image / np.float32(600.0), 600.0)
    assert reading is not None
    assert sources is not None
    assert reading.fwhm_px == pytest.approx(2.3548 * 1.5, rel=0.08)  # sigma 1.5 px, closed form
    nothing, none = look_at(np.full((60, 60), np.nan, np.float32), 600.0)
    assert none is None
    assert nothing is None or nothing.star_count == 0


def test_a_coarser_mesh_keeps_levels_and_places() -> None:
    x, y = np.arange(32.0, 3200.0, 64.0), np.arange(32.0, 1920.0, 64.0)
    level = 10.0 + 0.01 * x[None, :] + 0.02 * y[:, None]
    level[3, 4] = np.nan
    mesh = SkyMesh(x_px=x, y_px=y, level_e=level, sigma_e=np.ones_like(level))
    less = coarser(mesh, 200)
    assert less.level_e.size <= 250
    expected = 10.0 + 0.01 * less.x_px[None, :] + 0.02 * less.y_px[:, None]
    np.testing.assert_allclose(less.level_e, expected, atol=0.7)
    assert coarser(mesh, 10_000) is mesh


def test_the_middle_of_a_box() -> None:
    assert middle((10, 20, 109, 119)) == (10, 20, 109, 119)
    x0, y0, x1, y1 = middle((0, 0, 6247, 4175))
    assert (x1 - x0 + 1, y1 - y0 + 1) == (2048, 2048)
    assert (x0, y0) == (2100, 1064)
