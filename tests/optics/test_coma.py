"""Coma from the skew of stars drawn by rays, with guiding that draws them out."""

from __future__ import annotations

import numpy as np
import pytest
from optics_runs import HEIGHT, HERON, WIDTH, exposure, moments_of, tilted

from nightfold.optics.coma import Coma, coma_of_skew, direction_word, measure_coma
from nightfold.optics.shapes import star_moments


def found_in(coma: tuple[float, float], corner: float, *, drawn: float, seed: int = 3) -> Coma:
    rig = tilted((0.0, 0.0), coma_everywhere_px=coma, coma_corner_px=corner)
    columns = []
    for i in range(3):
        image, reading = exposure(rig, 0.0, 100 * seed + i, drawn_px=drawn)
        m, _ = moments_of(image, reading)
        flat = np.ones(m.x.size)
        columns.append([m.x, m.y, m.skew_x, m.skew_y, m.skew_error, m.sigma_px, flat * np.nanmedian(m.e_x), flat * np.nanmedian(m.e_y)])  # fmt: skip
    return measure_coma(*np.concatenate([np.array(c) for c in columns], axis=1), width_px=WIDTH, height_px=HEIGHT)


@pytest.mark.parametrize(
    ("coma", "corner", "drawn"), [((2.4, -1.8), 0.0, 1.5), ((-3.0, 2.0), 2.0, 2.0), ((0.0, 2.2), 4.0, 1.0)]
)
def test_coma_comes_back(coma: tuple[float, float], corner: float, drawn: float) -> None:
    """Size within 10 percent or 3 sigma, direction within 10 degrees."""
    found = found_in(coma, corner, drawn=drawn)
    size = float(np.hypot(*coma))
    assert found.size_px == pytest.approx(size, abs=max(0.1 * size, 3 * found.uncertainty_px))
    angle = float(np.degrees(np.arctan2(coma[1], coma[0])) % 360)
    assert abs((found.angle_deg - angle + 180) % 360 - 180) < 10.0
    assert direction_word(found.angle_deg) in found.sentence
    if corner:
        assert found.corner_px == pytest.approx(corner, abs=max(0.1 * corner, 3 * found.corner_uncertainty_px))


def test_guiding_alone_is_no_coma() -> None:
    found = found_in((0.0, 0.0), 0.0, drawn=3.0)
    assert "No coma" in found.sentence
    assert np.isnan(found.size_px)
    assert found.least_px < 2.0


def test_coma_of_the_corners_points_at_the_middle() -> None:
    found = found_in((0.0, 0.0), 5.0, drawn=1.0)
    assert found.corner_px == pytest.approx(5.0, rel=0.1)
    assert found.free_x_px == pytest.approx(WIDTH / 2, abs=25)
    assert found.free_y_px == pytest.approx(HEIGHT / 2, abs=25)


def test_too_few_stars() -> None:
    flat, x = np.zeros(5), 100.0 * np.arange(5.0)
    found = measure_coma(x, x, flat, flat, flat, flat + 2.0, flat, flat, width_px=WIDTH, height_px=HEIGHT)
    assert not found.measured
    assert "5 bright stars" in found.sentence
    # The same five in ten frames are five still.
    x, flat = np.tile(x, 10), np.tile(flat, 10)
    again = measure_coma(x, x, flat, flat, flat, flat + 2.0, flat, flat, width_px=WIDTH, height_px=HEIGHT)
    assert "5 bright stars" in again.sentence


def test_moments_of_a_gaussian() -> None:
    """sigma, ellipticity and no skew of a Gaussian drawn here: known in closed form."""
    y, x = np.mgrid[0:61, 0:61].astype(float)
    a2, b2 = 2.3**2, 2.0**2
    image = np.exp(-0.5 * ((x - 30.3) ** 2 / a2 + (y - 29.8) ** 2 / b2))
    m = star_moments(image, [30.0], [30.0], sigma_px=2.0, background=0.0, noise=0.0)
    assert (m.x[0], m.y[0]) == (pytest.approx(30.3, abs=0.003), pytest.approx(29.8, abs=0.003))
    assert m.sigma_px[0] == pytest.approx((0.5 * (a2 + b2)) ** 0.5, rel=0.01)
    assert m.e_x[0] == pytest.approx((a2 - b2) / (a2 + b2), rel=0.03)
    assert abs(m.e_y[0]) < 1e-3
    assert abs(m.skew_x[0]) < 1e-3


def test_moments_that_cannot_be_had_are_nan() -> None:
    image = np.zeros((61, 61))
    image[30, 30] = np.nan
    m = star_moments(image, [30.0, 2.0, 45.0], [30.0, 2.0, 20.0], sigma_px=1.5, background=0.0, noise=1.0)
    assert np.isnan(m.sigma_px).all()


def test_stated_skew_error_is_that_of_noise() -> None:
    """Repeated noise on one star scatters its skew as stated."""
    y, x = np.mgrid[0:41, 0:41].astype(float)
    star = 800.0 * np.exp(-0.5 * ((x - 20) ** 2 + (y - 20) ** 2) / 1.8**2)
    random = np.random.default_rng(2)
    found = [
        star_moments(random.poisson(star + 50.0) - 50.0, [20.0], [20.0], sigma_px=1.8, background=0.0, noise=50.0**0.5)
        for _ in range(200)
    ]
    spread = np.std([m.skew_x[0] for m in found])
    assert np.mean([m.skew_error[0] for m in found]) == pytest.approx(spread, rel=0.2)


def test_the_curve_grows_with_the_cube_of_small_coma() -> None:
    assert coma_of_skew(8e-4) / coma_of_skew(1e-4) == pytest.approx(2.0, rel=0.12)
    assert HERON.coma_everywhere_px == (0.0, 0.0)
