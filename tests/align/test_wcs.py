"""Celestial coordinates as the standards have them; numbers of the published papers, and astropy as the other opinion."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.wcs import WCS

from nightfold.align.records import Transform
from nightfold.align.tangent import deproject, ra_dec_deg, unit_vectors
from nightfold.align.wcs import (
    TERM_POWERS,
    SkyFit,
    directions,
    fit_sky,
    is_mirrored,
    scale_arcsec_px,
    up_deg,
    wcs_cards,
    wcs_of,
)

SHAPE = (1000, 1500)


def test_published_corners_of_a_tangent_header() -> None:
    # Calabretta & Greisen 2002 (A&A 395, 1077), 7.3.1: CRPIX 256, 257; CDELT -0.003, 0.003; CRVAL 45.83, 63.57.
    pixels = np.array([[1.0, 2.0], [1.0, 512.0], [511.0, 512.0]])
    plane = np.radians((pixels - [256.0, 257.0]) * [-0.003, 0.003])
    ra, dec = ra_dec_deg(deproject(plane, unit_vectors(45.83, 63.57)))
    np.testing.assert_allclose(ra, [47.503264, 47.595581, 44.064419], atol=1e-6)
    np.testing.assert_allclose(dec, [62.795111, 64.324332, 64.324332], atol=1e-6)


def test_scale_angle_and_mirror_of_a_cd_matrix() -> None:
    # Greisen & Calabretta 2002 (A&A 395, 1061).
    cd = np.array([[-2.44059e-4, -1.13806e-4], [-1.13806e-4, 2.44059e-4]])
    assert scale_arcsec_px(cd) == pytest.approx(0.96944, abs=1e-4)
    assert up_deg(cd) == pytest.approx(335.0, abs=1e-3)
    assert not is_mirrored(cd)
    other = cd * [-1.0, 1.0]
    assert is_mirrored(other)
    assert up_deg(other) == pytest.approx(335.0, abs=1e-3)
    # A pier flip turns the frame by 180 degrees and keeps its handedness.
    assert up_deg(-cd) == pytest.approx(155.0, abs=1e-3)
    assert np.linalg.det(-cd) == np.linalg.det(cd)


def sip_numbers(name: str) -> dict[str, float]:
    return {
        "A": {"2_0": 2e-7, "0_2": 1e-7, "1_1": -3e-7, "3_0": 1e-10},
        "B": {"2_0": -1e-7, "0_2": 2e-7, "1_1": 1.5e-7},
    }[name]


def test_published_sip_example_goes_out_as_it_should() -> None:
    # Shupe et al. 2005 (ASP 347, 491): u 1000, v -500 -> 1000.475, -500.125.
    radius, order = 900.0, ["2_0", "1_1", "0_2", "3_0", "2_1", "1_2", "0_3"]
    linear = np.array([[-0.6, 0.8], [0.8, 0.6]])
    sip = np.array([[sip_numbers(n).get(t, 0.0) * radius ** sum(map(int, t.split("_"))) for t in order] for n in "AB"])
    middle = np.array([749.5, 499.5])
    plane = Transform(
        matrix=np.column_stack([linear, -linear @ middle]),
        distortion=linear @ sip,
        centre=(749.5, 499.5),
        radius=radius,
    )
    sky = SkyFit(
        plane=plane,
        centre=unit_vectors(250.2, -48.8),
        unit_rad=1e-5,
        shape=SHAPE,
        used=np.ones(1, bool),
        rms_px=0.0,
        model="cubic",
    )
    cards = wcs_cards(sky)
    assert cards["CTYPE1"].endswith("-SIP")
    assert cards["CTYPE2"].endswith("-SIP")
    for name in "AB":
        for term in order:
            assert cards[f"{name}_{term}"] == pytest.approx(sip_numbers(name).get(term, 0.0), abs=1e-20)
    wcs = wcs_of(cards)
    u, v = wcs.sip_pix2foc(cards["CRPIX1"] + 1000.0, cards["CRPIX2"] - 500.0, 1)
    assert (float(u), float(v)) == pytest.approx((1000.475, -500.125), abs=1e-9)
    xy = np.array([[0.0, 0.0], [1499.0, 0.0], [20.0, 990.0], [749.5, 499.5]])
    ra, dec = ra_dec_deg(sky.to_sky(xy))
    theirs = wcs.all_pix2world(xy, 0)
    np.testing.assert_allclose(np.column_stack([ra, dec]), theirs, atol=1e-9)
    np.testing.assert_allclose(sky.to_pixels(sky.to_sky(xy)), xy, atol=1e-6)


@pytest.mark.parametrize(("dec", "mirrored"), [(-48.8, False), (0.0, True), (89.5, False), (-89.9, True)])
def test_a_fit_gives_back_the_header_that_made_the_places(dec: float, mirrored: bool) -> None:
    rng = np.random.default_rng(4)
    cd = 1.8 / 3600 * np.array([[-np.cos(0.4), -np.sin(0.4)], [-np.sin(0.4), np.cos(0.4)]])
    if mirrored:
        cd = cd * [-1.0, 1.0]
    header = {
        "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRPIX1": 750.5, "CRPIX2": 500.5, "CRVAL1": 250.2, "CRVAL2": dec,
        "CD1_1": cd[0, 0], "CD1_2": cd[0, 1], "CD2_1": cd[1, 0], "CD2_2": cd[1, 1],
    }  # fmt: skip
    truth: WCS = wcs_of(header)
    xy = rng.uniform(0, 1, (80, 2)) * [1499.0, 999.0]
    ra, dec_of = truth.all_pix2world(xy, 0).T
    sky = fit_sky(xy, unit_vectors(ra, dec_of), np.full(80, 0.1), shape=SHAPE, unit_rad=np.radians(1.8 / 3600))
    cards = wcs_cards(sky)
    for key in ("CRVAL1", "CRVAL2", "CD1_1", "CD1_2", "CD2_1", "CD2_2"):
        assert cards[key] == pytest.approx(
            header[key], abs=2e-9 if key.startswith("CD") else 1e-7 / np.cos(np.radians(dec))
        )
    assert sky.model == "similarity"
    assert is_mirrored(sky.cd_deg) == mirrored


@pytest.mark.parametrize("bent", [False, True])
def test_directions_of_cards_are_those_of_astropy(bent: bool) -> None:
    rng = np.random.default_rng(4)
    cards = {
        "CTYPE1": "RA---TAN-SIP" if bent else "RA---TAN",
        "CTYPE2": "DEC--TAN-SIP" if bent else "DEC--TAN",
        "CUNIT1": "deg", "CUNIT2": "deg", "CRPIX1": 740.5, "CRPIX2": 512.0, "CRVAL1": 359.9, "CRVAL2": -71.3,
        "CD1_1": -4e-4, "CD1_2": 3e-5, "CD2_1": 2e-5, "CD2_2": 4.1e-4,
    }  # fmt: skip
    if bent:
        terms = {f"{n}_{p}_{q}": rng.normal() * 1e-3 ** (p + q) * 5 for n in "AB" for p, q in TERM_POWERS}
        cards |= {"A_ORDER": 3, "B_ORDER": 3} | terms
    xy = rng.uniform(0, 1000, (50, 2))
    theirs = unit_vectors(*wcs_of(cards).all_pix2world(xy[:, 0], xy[:, 1], 0))
    np.testing.assert_allclose(directions(cards, xy), theirs, atol=1e-13)
    other = {k: v for k, v in cards.items() if not k.startswith("CD")} | {"CDELT1": -4e-4, "CDELT2": 4e-4}
    theirs = unit_vectors(*wcs_of(other).all_pix2world(xy[:, 0], xy[:, 1], 0))
    np.testing.assert_allclose(directions(other, xy), theirs, atol=1e-13)
