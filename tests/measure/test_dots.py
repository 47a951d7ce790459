"""Rows of an aircraft's flashes are told from chance, clusters and crowds, and do not pass for the seeing."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.measure.core import measure_sub
from nightfold.measure.dots import dots_in_rows

SHAPE = (650, 900)


def field(seed: int, count: int, *, cluster: int = 0) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, SHAPE[1], count), rng.uniform(0, SHAPE[0], count)
    core = rng.normal(0.0, 40.0, (2, cluster))
    order = rng.permutation(count + cluster)
    return np.concatenate([x, 450 + core[0]])[order], np.concatenate([y, 320 + core[1]])[order]


@pytest.mark.parametrize("seed", range(4100, 4112))
@pytest.mark.parametrize(("count", "cluster"), [(30, 0), (300, 0), (60, 300), (3000, 0)])
def test_no_row_where_there_is_none(seed: int, count: int, cluster: int) -> None:
    x, y = field(seed, count, cluster=cluster)
    assert not dots_in_rows(x, y, shape=SHAPE, fwhm_px=2.2).any()


@pytest.mark.parametrize("seed", range(4200, 4206))
def test_two_lights_of_an_aircraft(seed: int) -> None:
    x, y = field(seed, 150)
    along = np.arange(0.0, 900.0, 25.0)
    jitter = np.random.default_rng(seed + 1).normal(0.0, 0.4, along.size)
    dots_x = np.concatenate([along, along])
    dots_y = np.concatenate([100 + 0.3 * along + jitter, 114 + 0.3 * along - jitter])
    found = dots_in_rows(np.concatenate([dots_x, x]), np.concatenate([dots_y, y]), shape=SHAPE, fwhm_px=2.2)
    assert found[: dots_x.size].mean() > 0.95
    assert found[dots_x.size :].mean() < 0.05


def test_the_width_is_that_of_the_stars() -> None:
    rng = np.random.default_rng(8)
    image = rng.normal(30.0, 5.0, (400, 600)).astype(np.float32)
    yy, xx = np.mgrid[0:400, 0:600]

    def spot(x: float, y: float, peak: float, fwhm: float) -> None:
        x0, y0 = int(x), int(y)
        box = (slice(max(0, y0 - 15), y0 + 16), slice(max(0, x0 - 15), x0 + 16))
        image[box] += peak * np.exp(-((xx[box] - x) ** 2 + (yy[box] - y) ** 2) / (2 * (fwhm / 2.3548) ** 2))

    for _ in range(70):
        spot(rng.uniform(10, 590), rng.uniform(10, 390), 10.0 ** rng.uniform(2.0, 3.3), 2.4)
    stars_alone = measure_sub(image.copy(), read_noise_e=1.6)
    for k in range(0, 600, 14):
        spot(k, 80 + 0.35 * k, 4000.0, 4.4)
    crossed = measure_sub(image, read_noise_e=1.6)
    # Drawn at points, not over pixels: the width of the pixel, 0.68 px FWHM, is taken off all the same.
    assert stars_alone.fwhm_px == pytest.approx((2.4**2 - 0.68**2) ** 0.5, rel=0.02)
    assert crossed.fwhm_px == pytest.approx(stars_alone.fwhm_px, rel=0.03)
    assert crossed.star_count == pytest.approx(stars_alone.star_count, abs=6)
