"""CHECKS section 4 on what optics do by themselves; K2."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import j0, j1, jn_zeros

from nightfold.optics.expected import (
    airy_diameter_um,
    airy_fwhm_arcsec,
    collimation_tolerance_mm,
    dawes_arcsec,
    diffraction_limited_radius_mm,
    paraboloid_coma_arcsec,
    paraboloid_curvature_um,
    rayleigh_arcsec,
    transmission_ratio,
)
from nightfold.optics.polar import ARCMIN_PER_RAD, SIDEREAL_RAD_PER_S
from nightfold.rig.focus import depth_of_focus_um


@pytest.mark.parametrize(
    ("wavelength", "diameter", "width"), [(500.7, 4.887, 0.531), (550.0, 5.368, 0.584), (656.3, 6.405, 0.697)]
)
def test_a_star_without_air(wavelength: float, diameter: float, width: float) -> None:
    """CHECKS O3 (Born & Wolf, sec. 8.5), at f/4 and 200 mm; the constants again from the zeros of Bessel functions."""
    assert airy_diameter_um(wavelength, 4.0) == pytest.approx(diameter, rel=1e-3)
    assert airy_fwhm_arcsec(wavelength, 200.0) == pytest.approx(width, rel=1e-3)
    ring = float(jn_zeros(1, 1)[0])
    assert 2.0 * ring / np.pi == pytest.approx(airy_diameter_um(1000.0, 1.0), rel=1e-5)
    half = brentq(lambda v: (2.0 * j1(v) / v) ** 2 - 0.5, 1.0, 2.0)
    assert 2.0 * half / np.pi * 206264.806e-6 == pytest.approx(airy_fwhm_arcsec(1000.0, 1000.0), rel=1e-5)
    inside = lambda v: 1.0 - j0(v) ** 2 - j1(v) ** 2  # noqa: E731
    assert inside(ring) == pytest.approx(0.838, abs=5e-4)
    assert brentq(lambda v: inside(v) - 0.5, 1.0, 3.0) / np.pi == pytest.approx(0.535, abs=5e-4)


def test_resolution() -> None:
    """CHECKS O4."""
    assert rayleigh_arcsec(550.0, 200.0) == pytest.approx(0.692, rel=5e-3)
    assert dawes_arcsec(200.0) == pytest.approx(0.58, rel=5e-3)


@pytest.mark.parametrize(("wavelength", "zone"), [(500.7, 39.1), (550.0, 42.9), (656.3, 51.2)])
def test_the_wider_zone_of_the_trade(wavelength: float, zone: float) -> None:
    """CHECKS O6: 4.88 lambda N^2 in all, 1.22 times the two quarter waves of O5."""
    assert 2.44 * depth_of_focus_um(wavelength, 4.0) == pytest.approx(zone, rel=2e-3)


def traced_coma_arcsec(field_deg: float, focal_ratio: float, focal_mm: float = 800.0) -> float:
    """Exact rays: the top and bottom marginal rays of a paraboloid meet off the chief ray by the tangential coma."""
    theta = np.radians(field_deg)
    way = np.array([np.sin(theta), -np.cos(theta)])
    places = []
    for y in (focal_mm / focal_ratio / 2.0, -focal_mm / focal_ratio / 2.0, 0.0):
        point = np.array([y, y**2 / (4.0 * focal_mm)])
        normal = np.array([-y / (2.0 * focal_mm), 1.0])
        normal /= np.linalg.norm(normal)
        out = way - 2.0 * (way @ normal) * normal
        places.append((point, out))
    (p1, d1), (p2, d2), (p0, d0) = places
    s = np.linalg.solve(np.column_stack([d1, -d2]), p2 - p1)[0]
    meet = p1 + s * d1
    chief = p0 + (meet[1] - p0[1]) / d0[1] * d0
    return float(abs(meet[0] - chief[0]) / focal_mm * 206264.806)


def test_coma_of_a_paraboloid() -> None:
    """CHECKS O15: 10.55 arcsec at 0.25 degrees and f/4, by exact rays 10.60; 42.7 in the corner."""
    assert paraboloid_coma_arcsec(0.25, 4.0) == pytest.approx(10.55, rel=1e-3)
    assert traced_coma_arcsec(0.25, 4.0) == pytest.approx(10.60, rel=0.01)
    assert paraboloid_coma_arcsec(1.012, 4.0) == pytest.approx(42.7, rel=0.01)


def test_what_collimation_may_be_off() -> None:
    """CHECKS O16 and O17."""
    assert diffraction_limited_radius_mm(4.0) == pytest.approx(0.711, rel=0.01)
    assert diffraction_limited_radius_mm(4.0, 656.0) == pytest.approx(0.851, rel=0.01)
    assert collimation_tolerance_mm(4.0) == pytest.approx(0.357, rel=0.02)
    # Its coma in the middle of the field: 1.08 arcsec.
    field = np.degrees(collimation_tolerance_mm(4.0) / 800.0)
    assert paraboloid_coma_arcsec(float(field), 4.0) == pytest.approx(1.08, rel=0.02)


def test_curvature_of_a_paraboloid() -> None:
    """CHECKS O18: 121.9 and 243.7 um at 13.96 mm (by rays 123 and 244); corner 125 um."""
    medial, split = paraboloid_curvature_um(13.96, 800.0)
    assert medial == pytest.approx(121.9, rel=2e-3)
    assert split == pytest.approx(243.7, rel=2e-3)
    assert medial == pytest.approx(123.0, rel=0.02)
    assert paraboloid_curvature_um(14.13, 800.0)[0] == pytest.approx(125.0, rel=0.01)


def test_transmission_ratio() -> None:
    """CHECKS O21."""
    assert transmission_ratio(4.0, 0.35) == pytest.approx(4.27, rel=1e-3)


def test_largest_drift() -> None:
    """CHECKS K2: arcsec a minute for each arcmin."""
    rate = SIDEREAL_RAD_PER_S * 60.0 * 60.0
    assert rate == pytest.approx(0.26252, abs=1e-4)
    assert 5.0 * rate == pytest.approx(1.3126, abs=5e-4)
    assert pytest.approx(3437.75, abs=0.01) == ARCMIN_PER_RAD
