"""CHECKS J1, J4, J6 and G5: rings, the parabola's bias, rms radii, and which radius is meant by half-flux."""

from __future__ import annotations

import numpy as np
import pytest
from optics_runs import HERON

from nightfold.measure.core import measure_sub
from nightfold.optics.focus_run import expected_slope_px, fit_focus_run
from nightfold.simulate.rays import pupil_points

POSITIONS = np.arange(24788.0, 25189.0, 50.0)
RADII = np.array([5.6461, 4.5032, 3.4323, 2.5267, 2.0222, 2.2126, 2.9671, 3.9766, 5.0915])


def test_a_parabola_would_be_off_and_the_hyperbola_is_not() -> None:
    """CHECKS J4: -1.66 um for the parabola through the nine points of J2."""
    c2, c1, _ = np.polyfit(POSITIONS - 25000.0, RADII, 2)
    assert -c1 / (2 * c2) == pytest.approx(-1.66, abs=0.02)
    assert abs(fit_focus_run(POSITIONS, RADII).best_position - 25000.0) < 0.01


def test_rms_radii_are_exactly_hyperbolic() -> None:
    """CHECKS J6: variances of air and of the ring R^2 (1 + e^2) / 4 add for any profile; the run's fit is exact on them."""
    e, sigma0 = 0.35, 3.1
    points = pupil_points(4000, hole=e)
    assert points.var(axis=0) == pytest.approx([(1 + e**2) / 4] * 2, rel=2e-3)
    x = np.linspace(-120.0, 100.0, 12)
    outer = np.abs(x - 7.0) / (2 * 5.0)
    rms = np.sqrt(sigma0**2 + outer**2 * (1 + e**2) / 4)
    run = fit_focus_run(x, rms)
    assert run.best_position == pytest.approx(7.0, abs=1e-3)
    assert run.least_radius_px == pytest.approx(sigma0, rel=1e-5)
    assert run.slope_px == pytest.approx(np.sqrt((1 + e**2) / 4) / 10.0, rel=1e-4)


def test_half_flux_radius_is_the_true_one() -> None:
    """CHECKS G5: 1.1774 sigma and not the flux-weighted mean radius, 1.0645 times as large."""
    sigma = 3.0
    y, x = np.mgrid[0:121, 0:121].astype(float)
    image = 30.0 + 40000.0 / (2 * np.pi * sigma**2) * np.exp(-0.5 * ((x - 60) ** 2 + (y - 60) ** 2) / sigma**2)
    image += np.random.default_rng(1).normal(0, 1.0, image.shape)
    stars = measure_sub(image, read_noise_e=1.0).stars
    assert stars.half_flux_radius_px[0] == pytest.approx(1.1774 * sigma, rel=0.02)
    # Of a defocused ring the two swap places: 0.9706.
    r = np.hypot(*pupil_points(20000, hole=0.0).T)
    assert np.sqrt(0.5) / r.mean() == pytest.approx(1.0607, rel=2e-3)
    ring = np.hypot(*pupil_points(20000, hole=0.35).T)
    assert ring.mean() / np.median(ring) == pytest.approx(0.9706, abs=2e-3)
    assert HERON.obstruction_mm == 0.0


@pytest.mark.parametrize(
    ("hole", "half_flux", "mean"),
    [(0.0, 0.08839, 0.08333), (0.25, 0.09111, 0.08750), (0.35, 0.09365, 0.09090), (0.45, 0.09693, 0.09497)],
)
def test_two_radii_of_a_ring(hole: float, half_flux: float, mean: float) -> None:
    """CHECKS J1 and G5 at f/4, um a um: half-flux radius by our formula, both radii by light thrown at a ring."""
    found = expected_slope_px(focal_ratio=4.0, pixel_um=1.0, um_per_step=1.0, obstruction=hole)
    assert found == pytest.approx(half_flux, rel=1e-3)
    thrown = np.sqrt(np.random.default_rng(5).uniform(hole**2, 1.0, 400_000)) / 8.0
    assert np.median(thrown) == pytest.approx(half_flux, rel=0.003)
    assert thrown.mean() == pytest.approx(mean, rel=0.003)
    if hole == 0.35:
        assert thrown.mean() / np.median(thrown) == pytest.approx(0.9706, abs=0.003)
