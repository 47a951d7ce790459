"""Rayleighs, magnitudes and electrons against published constants; the reference rig is a check value only."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.rig.photometry import (
    Optics,
    ab_from_photons,
    emission_measure,
    line_e_per_s,
    photons_from_ab,
    rayleigh_erg,
    sky_e_per_s,
    star_e_per_s,
    vega_v_photons,
)

CHECK_RIG = Optics(aperture_mm=200.0, focal_length_mm=800.0, pixel_um=3.76, efficiency=0.5, obstruction_mm=70.0)


def test_one_rayleigh_in_erg() -> None:
    # CHECKS L6: a worked note on rayleighs and emission measure; P8 warns of the loose 5.67e-18.
    assert rayleigh_erg(656.28) == pytest.approx(5.661e-18, rel=5e-4)
    assert rayleigh_erg(486.13) == pytest.approx(7.643e-18, rel=5e-4)
    assert rayleigh_erg(500.7) == pytest.approx(7.421e-18, rel=5e-4)


def test_emission_measure() -> None:
    assert float(emission_measure(1.0, 8000.0)) == pytest.approx(2.25, rel=0.01)  # CHECKS L7


def test_electrons_of_a_line() -> None:
    assert CHECK_RIG.area_m2 * 1e4 == pytest.approx(275.7, rel=1e-3)
    assert float(line_e_per_s(1.0, CHECK_RIG)) == pytest.approx(2.42e-4, rel=0.01)  # CHECKS L9


def test_electrons_of_sky_and_star() -> None:
    # CHECKS L10.
    sky = sky_e_per_s(photons_from_ab(21.5, 656.3), 3.0, CHECK_RIG)
    assert float(sky) == pytest.approx(0.00815, rel=0.01)
    assert float(star_e_per_s(20.0, 656.3, 3.0, CHECK_RIG)) == pytest.approx(0.0345, rel=0.01)
    assert float(star_e_per_s(20.0, 500.7, 3.0, CHECK_RIG)) == pytest.approx(0.0453, rel=0.01)


def test_magnitude_scales() -> None:
    # CHECKS L11: AB zero is -48.60; L12: 1 Jy is 1.51e7 photons per s, m2 and unit of dlambda/lambda; L13: V = 0 at 5500 A.
    assert -2.5 * np.log10(3631.0 * 1e-23) - 48.60 == pytest.approx(-0.00007, abs=1e-4)
    assert float(photons_from_ab(0.0, 550.0)) * 550.0 / 3631.0 == pytest.approx(1.51e7, rel=0.002)
    assert float(vega_v_photons(23.90)) * 550.0 * 0.16 == pytest.approx(2.42, rel=0.005)
    assert float(vega_v_photons(0.0)) * 1e-4 * 0.1 == pytest.approx(999.0, rel=0.002)
    assert float(photons_from_ab(5.0, 600.0) / photons_from_ab(6.0, 600.0)) == pytest.approx(2.511886, rel=1e-6)


def test_there_and_back() -> None:
    mags = np.array([10.0, 21.3, 25.0])
    assert ab_from_photons(photons_from_ab(mags, 672.0), 672.0) == pytest.approx(mags, abs=1e-9)
    assert ab_from_photons([0.0], 672.0) == pytest.approx([np.inf])
