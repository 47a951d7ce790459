"""Parts of a WCS against published and closed-form values: our own distortion, the inverse projection, the pier flip."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.align.tangent import deproject, project, ra_dec_deg, unit_vectors
from nightfold.align.wcs import directions, is_mirrored, up_deg

CD = np.array([[-2.44059e-4, -1.13806e-4], [-1.13806e-4, 2.44059e-4]])


def test_a_pier_flip_turns_by_half_a_circle_and_mirrors_nothing() -> None:
    # CHECKS W5; geometry: CD -> -CD, the determinant stays.
    assert np.linalg.det(-CD) == np.linalg.det(CD)
    assert (up_deg(-CD) - up_deg(CD)) % 360.0 == pytest.approx(180.0, abs=1e-9)
    assert is_mirrored(-CD) == is_mirrored(CD)


def test_inverse_tangent_projection() -> None:
    # CHECKS W2; Calabretta & Greisen 2002 (A&A 395, 1077), eqs 2-5 and 54: xi 0.765, eta -0.765 degrees.
    place = np.radians([[0.765, -0.765]])
    centre = unit_vectors(45.83, 63.57)
    ra, dec = ra_dec_deg(deproject(place, centre))
    assert ra[0] == pytest.approx(47.503264, abs=1e-6)
    assert dec[0] == pytest.approx(62.795111, abs=1e-6)
    np.testing.assert_allclose(project(unit_vectors(ra, dec), centre), place, atol=1e-12)


def test_distortion_terms_act_on_pixels_before_the_matrix() -> None:
    # CHECKS W4; Shupe et al. 2005 (ASP 347, 491): u 1000, v -500 -> 1000.475, -500.125.
    cards = {
        "CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP", "CRPIX1": 1501.0, "CRPIX2": 1001.0, "CRVAL1": 250.2, "CRVAL2": -48.8,
        "CD1_1": CD[0, 0], "CD1_2": CD[0, 1], "CD2_1": CD[1, 0], "CD2_2": CD[1, 1],
        "A_ORDER": 3, "A_2_0": 2e-7, "A_0_2": 1e-7, "A_1_1": -3e-7, "A_3_0": 1e-10,
        "B_ORDER": 3, "B_2_0": -1e-7, "B_0_2": 2e-7, "B_1_1": 1.5e-7,
    }  # fmt: skip
    found = directions(cards, np.array([[1500.0 + 1000.0, 1000.0 - 500.0]]))
    wanted = deproject(np.radians(np.array([[1000.475, -500.125]]) @ CD.T), unit_vectors(250.2, -48.8))
    np.testing.assert_allclose(found, wanted, atol=1e-14)
