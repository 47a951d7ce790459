"""Drizzle keeps flux and position, and its noise is that of the papers."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.align.records import Transform
from nightfold.errors import FoldError
from nightfold.fold.drizzling import DrizzleSub, drizzle_subs, noise_ratio

SHAPE = (60, 70)


def moved(dx: float, dy: float, *, turn_deg: float = 0.0, scale: float = 1.0) -> Transform:
    c, s = scale * np.cos(np.radians(turn_deg)), scale * np.sin(np.radians(turn_deg))
    centre = np.array([34.5, 29.5])
    matrix = np.array([[c, -s], [s, c]])
    shift = centre - matrix @ centre + [dx, dy]
    return Transform(matrix=np.column_stack([matrix, shift]))


def sub(data: np.ndarray, transform: Transform, *, weight: float = 1.0, variance: float = 1.0) -> DrizzleSub:
    return DrizzleSub(
        read_rows=lambda y0, y1: data[y0:y1], shape=data.shape, transform=transform, weight=weight, variance=variance
    )


def star(x0: float, y0: float, flux: float = 1000.0, sigma: float = 1.2) -> np.ndarray:
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    profile = np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / (2 * sigma**2))
    return flux * profile / (2 * np.pi * sigma**2)


@pytest.mark.parametrize("turn_deg", [0.0, 0.7, 33.0, 180.0])
@pytest.mark.parametrize(("pixel_fraction", "output_scale"), [(1.0, 1.0), (0.8, 0.5), (0.6, 0.7)])
def test_flux_and_position_are_kept(turn_deg: float, pixel_fraction: float, output_scale: float) -> None:
    generator = np.random.default_rng(1)
    subs = []
    for _ in range(12):
        transform = moved(*generator.uniform(-2, 2, 2), turn_deg=turn_deg)
        x, y = transform.invert(np.array([[38.3, 31.1]]))[0]
        subs.append(sub(star(x, y), transform))
    result = drizzle_subs(subs, SHAPE, pixel_fraction=pixel_fraction, output_scale=output_scale)
    inner = np.nan_to_num(result.image)
    assert inner.sum() == pytest.approx(1000.0, rel=0.004)
    y, x = np.mgrid[: inner.shape[0], : inner.shape[1]]
    to_grid = lambda v: (v + 0.5) * output_scale - 0.5  # noqa: E731
    assert to_grid((inner * x).sum() / inner.sum()) == pytest.approx(38.3, abs=0.02)
    assert to_grid((inner * y).sum() / inner.sum()) == pytest.approx(31.1, abs=0.02)


def test_level_of_an_even_sky() -> None:
    flat = np.full(SHAPE, 3.0, np.float32)
    result = drizzle_subs([sub(flat, moved(0.3, -0.2))], SHAPE, pixel_fraction=1.0, output_scale=0.5)
    # A quarter of the area gathers a quarter of the rate.
    np.testing.assert_allclose(result.image[10:-10, 10:-10], 0.75, rtol=1e-5)
    small = drizzle_subs([sub(flat, moved(0, 0, scale=0.5))], SHAPE, pixel_fraction=1.0, output_scale=1.0)
    # Pixels half as wide on the grid: one grid pixel gathers four of them.
    np.testing.assert_allclose(small.image[20:40, 22:46], 12.0, rtol=1e-5)


@pytest.mark.parametrize(("p", "s", "expected"), [(0.6, 0.5, 0.6019), (1.0, 1.0, 0.6667), (0.8, 1.0, 0.7333)])
def test_noise_of_random_dithers(p: float, s: float, expected: float) -> None:
    # CHECKS R3 (Casertano et al. 2000): sqrt(F_A) is the pixel noise over that of large areas per pixel.
    generator = np.random.default_rng(2)
    subs = [
        sub(generator.normal(size=SHAPE).astype(np.float32), moved(*generator.uniform(-1.5, 1.5, 2))) for _ in range(60)
    ]
    result = drizzle_subs(subs, SHAPE, pixel_fraction=p, output_scale=s)
    edge = int(5 / s)
    inner = (slice(edge, -edge), slice(edge, -edge))
    large_area = s / np.sqrt(60)  # of white noise of unit sigma per input pixel, in one output pixel's area
    assert result.image[inner].std() / large_area == pytest.approx(expected, rel=0.025)
    assert np.sqrt(result.variance[inner].mean()) / large_area == pytest.approx(expected, rel=0.015)
    assert 1 / noise_ratio(p, s) == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize(
    ("r", "expected"), [(1e-9, 1.0), (0.5, 1.2), (1.0, 1.5), (1.2, 1.6615), (1.25, 1.7045), (1.6, 2.0211), (2.0, 2.4)]
)
def test_ratio_of_the_paper(r: float, expected: float) -> None:
    # CHECKS R4 (Fruchter & Hook 2002).
    assert noise_ratio(r, 1.0) == pytest.approx(expected, abs=1e-3)


def test_weights_and_bad_samples() -> None:
    low, high = np.full(SHAPE, 1.0, np.float32), np.full(SHAPE, 5.0, np.float32)
    high[20, 30] = np.nan
    subs = [sub(low, moved(0, 0), weight=0.75), sub(high, moved(0, 0), weight=0.25)]
    result = drizzle_subs(subs, SHAPE, pixel_fraction=1.0, output_scale=1.0)
    assert result.image[10, 10] == pytest.approx(2.0, rel=1e-5)
    assert result.image[20, 30] == pytest.approx(1.0, rel=1e-5)
    assert result.variance[10, 10] == pytest.approx(0.75**2 + 0.25**2, rel=1e-5)
    assert result.weight[20, 30] == pytest.approx(0.75, rel=1e-5)
    even = drizzle_subs(subs, SHAPE, pixel_fraction=1.0, output_scale=1.0, weights=[1.0, 1.0])
    assert even.image[10, 10] == pytest.approx(3.0, rel=1e-5)


def test_strips_change_nothing_but_rounding() -> None:
    data = np.random.default_rng(3).normal(size=SHAPE).astype(np.float32)
    subs = [sub(data, moved(0.4, 0.3, turn_deg=12.0)), sub(data, moved(-0.4, 0.1))]
    whole = drizzle_subs(subs, SHAPE)
    strips = drizzle_subs(subs, SHAPE, strip_bytes=70 * 48 * 7)
    for name in ("image", "weight", "variance"):
        np.testing.assert_allclose(getattr(strips, name), getattr(whole, name), rtol=2e-4, atol=2e-6)
    again = drizzle_subs(subs, SHAPE)
    np.testing.assert_array_equal(again.image, whole.image)


def test_nothing_falls_outside() -> None:
    result = drizzle_subs([sub(np.ones(SHAPE, np.float32), moved(500.0, 0.0))], SHAPE)
    assert np.isnan(result.image).all()
    assert (result.weight == 0).all()


def test_wrong_input_is_told() -> None:
    one = sub(np.ones(SHAPE), moved(0, 0))
    with pytest.raises(FoldError, match="no subs to drizzle"):
        drizzle_subs([], SHAPE)
    with pytest.raises(FoldError, match=r"drop's size.*1\.5.*up to 1"):
        drizzle_subs([one], SHAPE, pixel_fraction=1.5)
    with pytest.raises(FoldError, match=r"output pixel's size.*0\.01"):
        drizzle_subs([one], SHAPE, output_scale=0.01)
    with pytest.raises(FoldError, match="no sub has a weight"):
        drizzle_subs([one], SHAPE, weights=[0.0])
