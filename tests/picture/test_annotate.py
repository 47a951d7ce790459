"""Annotated copies and proofs: marks lie where the coordinates say."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.wcs import WCS

from nightfold.errors import PictureError
from nightfold.picture.annotate import SkyObject, annotate, bar_length
from nightfold.picture.proof import before_and_after


def sky() -> WCS:
    """North up, east left, 2 arcseconds a pixel."""
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [250.2, -48.8]
    wcs.wcs.crpix = [300.5, 200.5]
    wcs.wcs.cdelt = [-2.0 / 3600, 2.0 / 3600]
    wcs.wcs.set()
    return wcs


def test_an_object_is_circled_where_it_is() -> None:
    black = np.zeros((400, 600, 3), np.float32)
    plain = annotate(black, sky())
    ra, dec = (float(v) for v in sky().all_pix2world(150.0, 260.0, 0))
    marked = annotate(black, sky(), [SkyObject(name="Knot", ra_deg=ra, dec_deg=dec, diameter_arcmin=2.0)])
    ys, xs = np.nonzero(np.abs(marked - plain).max(axis=-1) > 0.3)
    ring = np.hypot(xs - 150, ys - 260) < 33
    assert np.hypot(xs[ring] - 150, ys[ring] - 260).mean() == pytest.approx(30.0, abs=1.0), (
        "2 arcmin wide at 2″ a pixel"
    )
    assert (xs > 185).any(), "its name stands beside it"
    far = annotate(black, sky(), [SkyObject(name="Elsewhere", ra_deg=ra + 20.0, dec_deg=dec)])
    np.testing.assert_array_equal(far, plain)


def test_the_compass_points_north_and_east() -> None:
    plain = annotate(np.zeros((400, 600, 3), np.float32), sky())
    corner = plain[:120, 480:].max(axis=-1) > 0.3
    ys, xs = np.nonzero(corner)
    start = (600 - 4.0 * 10.8 - 480, 4.0 * 10.8 - 1)
    assert (ys - start[1]).max() > 20, "north is up, towards greater y"
    assert (xs - start[0]).min() < -20, "east is left"


def test_a_scale_bar_has_a_round_length() -> None:
    length, name = bar_length(600, 2.0 / 60.0)
    assert name == "2'" or name == "5'"
    assert length == pytest.approx({"2'": 60.0, "5'": 150.0}[name])
    assert bar_length(6000, 0.05) == (pytest.approx(1200.0), "1°")


def test_a_proof_has_both_sides() -> None:
    before, after = np.zeros((80, 100, 3), np.float32), np.ones((80, 100, 3), np.float32)
    strip = before_and_after(before, after)
    assert strip.shape == (40, 100, 3)
    assert strip[:, :49].max() == 0.0
    assert strip[:, 52:].min() == 1.0
    with pytest.raises(PictureError, match="one size"):
        before_and_after(before, after[:40])
