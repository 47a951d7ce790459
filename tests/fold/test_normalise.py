"""Scales, skies, weights and noise against planted truth, closed formulas and CHECKS."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.errors import FoldError
from nightfold.fold.normalise import (
    SkyPoints,
    ideal_noise,
    measure_noise_e_per_s,
    noise_over_ideal,
    solve_skies,
    weights_inverse_variance,
)
from nightfold.measure.blank import rate_variance

WIDTH, HEIGHT = 1600.0, 1100.0


def nebula(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 0.6 * np.exp(-((x - 900) ** 2 + (y - 500) ** 2) / 250.0**2) + 0.3 * np.exp(
        -((x - 300) ** 2 + (y - 800) ** 2) / 150.0**2
    )


def gradient(c: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    u, v = (x - WIDTH / 2) / (WIDTH / 2), (y - HEIGHT / 2) / (HEIGHT / 2)
    return c[0] + c[1] * u + c[2] * v + c[3] * u * u + c[4] * u * v + c[5] * v * v


def sky_subs(coefficients: np.ndarray, *, sigma: float, seed: int) -> list[SkyPoints]:
    """Meshes of subs with dither and flip; the common sky is a nebula and a strong common gradient."""
    generator = np.random.default_rng(seed)
    result = []
    for i, c in enumerate(coefficients):
        y, x = np.mgrid[25:HEIGHT:50, 25:WIDTH:50]
        if i % 2:
            x, y = WIDTH - 1 - x, HEIGHT - 1 - y
        x, y = x + generator.uniform(-12, 12), y + generator.uniform(-12, 12)
        common = 2.0 + nebula(x, y) + 0.4 * x / WIDTH
        level = common + gradient(c, x, y) + generator.normal(0, sigma, x.shape)
        result.append(SkyPoints(x, y, level, np.full(x.shape, sigma)))
    return result


def corners_and_middle() -> tuple[np.ndarray, np.ndarray]:
    return np.array([60.0, 1540, 60, 1540, 800]), np.array([60.0, 60, 1040, 1040, 550])


def test_gradients_of_each_night_come_back_and_sum_to_zero() -> None:
    generator = np.random.default_rng(6)
    truth = generator.normal(0, 0.3, (8, 6)) * np.array([1, 1, 1, 0.3, 0.3, 0.3])
    weights = generator.uniform(0.5, 1.5, 8)
    weights /= weights.sum()
    surfaces = solve_skies(sky_subs(truth, sigma=0.003, seed=7), weights)
    x, y = corners_and_middle()
    mean = sum(w * gradient(c, x, y) for w, c in zip(weights, truth, strict=True))
    for surface, c in zip(surfaces, truth, strict=True):
        np.testing.assert_allclose(surface.evaluate(x, y), gradient(c, x, y) - mean, atol=0.004)
    total = sum(w * s.coefficients for w, s in zip(weights, surfaces, strict=True))
    assert np.abs(total).max() < 1e-15


def test_no_reference_imprints_its_gradient() -> None:
    truth = np.zeros((6, 6))
    truth[0, 1] = 0.5  # one night with a strong slope: the rest must not inherit it
    weights = np.full(6, 1 / 6)
    surfaces = solve_skies(sky_subs(truth, sigma=0.003, seed=8), weights)
    slopes = [s.coefficients[1] for s in surfaces]
    # u of the solution spans the cells with their dither, a little wider than that of the truth.
    np.testing.assert_allclose(slopes, np.array([0.5] + [0.0] * 5) - 0.5 / 6, atol=0.02)


def test_order_is_chosen_by_the_data() -> None:
    flat = np.zeros((6, 6))
    flat[:, 0] = [0, 0.2, -0.1, 0.3, 0, 0.1]
    assert {len(s.coefficients) for s in solve_skies(sky_subs(flat, sigma=0.01, seed=9), np.ones(6))} == {1}
    tilted = flat.copy()
    tilted[2, 1] = 0.2
    assert {len(s.coefficients) for s in solve_skies(sky_subs(tilted, sigma=0.01, seed=9), np.ones(6))} == {3}
    bowed = flat.copy()
    bowed[2, 3] = 0.2
    assert {len(s.coefficients) for s in solve_skies(sky_subs(bowed, sigma=0.01, seed=9), np.ones(6))} == {6}


def test_cells_without_sky_and_cells_on_stars_do_no_harm() -> None:
    truth = np.zeros((5, 6))
    truth[:, 1] = [0.3, -0.2, 0.1, 0.0, -0.1]
    meshes = sky_subs(truth, sigma=0.003, seed=10)
    generator = np.random.default_rng(11)
    for mesh in meshes:
        mesh.level[generator.random(mesh.level.shape) < 0.1] = np.nan
        mesh.level[generator.random(mesh.level.shape) < 0.04] += 0.5
        mesh.sigma[0, 0] = 0.0
    surfaces = solve_skies(meshes, np.ones(5))
    x, y = corners_and_middle()
    for surface, c in zip(surfaces, truth, strict=True):
        expected = gradient(c - truth.mean(axis=0), x, y)
        np.testing.assert_allclose(surface.evaluate(x, y), expected, atol=0.006)


def test_a_dropped_sub_gets_a_surface_but_no_say() -> None:
    truth = np.zeros((4, 6))
    truth[3] = [2.0, 1.0, -1.0, 0.5, 0.0, 0.0]
    meshes = sky_subs(truth, sigma=0.003, seed=12)
    weights = np.array([1.0, 1.0, 1.0, 0.0])
    surfaces = solve_skies(meshes, weights)
    x, y = corners_and_middle()
    for surface in surfaces[:3]:
        np.testing.assert_allclose(surface.evaluate(x, y), 0.0, atol=0.004)
    np.testing.assert_allclose(surfaces[3].evaluate(x, y), gradient(truth[3], x, y), atol=0.01)
    alone = solve_skies(meshes[:3], weights[:3])
    np.testing.assert_allclose(alone[1].evaluate(x, y), surfaces[1].evaluate(x, y), atol=1e-6)


def test_one_sub_keeps_its_sky() -> None:
    (surface,) = solve_skies(sky_subs(np.full((1, 6), 0.3), sigma=0.003, seed=13), np.ones(1))
    assert (surface.coefficients == 0.0).all()
    assert solve_skies([], np.zeros(0)) == []


def test_two_subs_share_the_difference() -> None:
    truth = np.zeros((2, 6))
    truth[0, 1], truth[1, 1] = 0.2, -0.2
    first, second = solve_skies(sky_subs(truth, sigma=0.003, seed=14), np.array([3.0, 1.0]))
    np.testing.assert_allclose(3 * first.coefficients + second.coefficients, 0.0, atol=1e-15)
    assert first.coefficients[1] - second.coefficients[1] == pytest.approx(0.4, abs=0.03)


def test_few_cells_lower_the_order() -> None:
    few = [
        SkyPoints(np.array([0.0, 10.0]), np.array([0.0, 5.0]), np.array([1.0, 1.1]) + k, np.ones(2)) for k in range(3)
    ]
    assert all(len(s.coefficients) == 1 for s in solve_skies(few, np.ones(3)))
    with pytest.raises(FoldError, match="sub 2 has no sky"):
        solve_skies([few[0], few[1]._replace(level=np.full(2, np.nan))], np.ones(2))
    with pytest.raises(FoldError, match="no sub has a weight"):
        solve_skies(few, np.zeros(3))


def test_weights_of_the_textbook() -> None:
    # CHECKS D12: sigma 1, 2 -> weights .8, .2, sigma .8944.
    weights = weights_inverse_variance(np.ones(2), np.array([1.0, 4.0]))
    np.testing.assert_allclose(weights, [0.8, 0.2])
    assert ideal_noise(np.array([1.0, 2.0])) == pytest.approx(0.8944, abs=1e-4)


def test_weights_of_point_sources() -> None:
    # CHECKS R5: stars of sigma 2 and 4 px in equal noise: weight goes as 1/FWHM^2, 95.7 percent of the best S/N.
    weights = weights_inverse_variance(np.ones(2), np.ones(2), fwhm_px=2.3548 * np.array([2.0, 4.0]))
    np.testing.assert_allclose(weights, [0.8, 0.2])
    sigmas = np.array([2.0, 4.0])
    # Matched filter on the weighted mean: S/N^2 = integral of the squared mean profile over the white noise's variance.
    overlap = 1 / (2 * np.pi * (sigmas[:, None] ** 2 + sigmas**2))
    snr = np.sqrt(weights @ overlap @ weights / (weights @ weights))
    assert snr / np.sqrt(np.trace(overlap)) == pytest.approx(0.957, abs=1e-3)


def test_transparency_counts_twice_and_broken_subs_not_at_all() -> None:
    weights = weights_inverse_variance(np.array([1.0, 0.5, np.nan, 0.0]), np.array([1.0, 1.0, 1.0, 1.0]))
    np.testing.assert_allclose(weights, [0.8, 0.2, 0.0, 0.0])
    with pytest.raises(FoldError, match="no sub has a weight"):
        weights_inverse_variance(np.array([np.nan]), np.array([1.0]))


def test_rate_variance_gives_the_stack_of_the_textbook() -> None:
    # CHECKS D9: s .05, b .3, d .002 e/s/px, read noise 3.5: S/N of 60x60 s 4.023, of 12x300 s 4.786, 120x300 s 15.136.
    for n, time, expected in ((60, 60.0, 4.023), (12, 300.0, 4.786), (120, 300.0, 15.136)):
        variance = rate_variance(0.05 + 0.3, time, read_noise_e=3.5, dark_e_per_s=0.002)
        sigma = ideal_noise(np.full(n, np.sqrt(variance)))
        assert 0.05 / sigma == pytest.approx(expected, abs=1e-3)


def test_noise_of_white_and_of_correlated_images() -> None:
    generator = np.random.default_rng(15)
    image = generator.normal(0.0, 0.02, (300, 400))
    y, x = np.mgrid[:300, :400]
    sources = np.hypot(x - 200, y - 150) < 40
    image += 0.001 * x  # a gradient does not count
    image[sources] += 50.0
    box = (5, 5, 394, 294)
    assert measure_noise_e_per_s(image, box, sources) == pytest.approx(0.02, rel=0.02)
    smooth = (image + np.roll(image, 1, 1)) / 2
    assert measure_noise_e_per_s(smooth, box, sources) == pytest.approx(0.02 / np.sqrt(2), rel=0.02)
    assert np.isnan(measure_noise_e_per_s(np.full((50, 50), np.nan), (0, 0, 49, 49)))
    with pytest.raises(ValueError, match="6 or more"):
        measure_noise_e_per_s(image, box, lag_px=3)


def test_noise_over_ideal_is_one_for_ideal_weights() -> None:
    sigmas = np.array([0.1, 0.2, 0.15])
    weights = weights_inverse_variance(np.ones(3), sigmas**2)
    kernel = np.array([0.8934, 0.8934, 0.7858])
    noise = float(np.sqrt(np.sum((weights * sigmas * kernel) ** 2)))
    ratio = noise_over_ideal(noise, weights=weights, sigmas_at_scale_1=sigmas, kernel_rms=kernel)
    assert ratio == pytest.approx(1.0, rel=1e-12)
    # Equal weights cost 1.5625 in variance for sigma 1, 2 (CHECKS D12).
    equal = np.full(2, 0.5)
    ratio = noise_over_ideal(
        float(np.sqrt(1.25)), weights=equal, sigmas_at_scale_1=np.array([1.0, 2.0]), kernel_rms=np.ones(2)
    )
    assert ratio**2 == pytest.approx(1.5625)
