"""Registration and plate solving of real exposures; skipped where the open data is not beside the checkout."""

from __future__ import annotations

from pathlib import Path

import astroalign
import numpy as np
import pytest
import sep
from astropy.io import fits
from astropy.wcs import WCS

from nightfold.align.catalogue import Catalogue
from nightfold.align.match import ReferencePattern, match_stars
from nightfold.align.solve import solve
from nightfold.errors import RegistrationError
from nightfold.frames.header import read_header
from nightfold.frames.pixels import read_all


def detected(path: Path) -> tuple[np.ndarray, np.ndarray, tuple[int, int]]:
    """Stars by an independent detector (sep), brightest first, with errors from their flux."""
    image, _ = read_all(path)
    background = sep.Background(image)
    clean = image - background.back()
    found = sep.extract(clean, 4.0, err=background.globalrms, minarea=4)
    found = found[np.argsort(-found["flux"])][:400]
    snr = found["flux"] / (background.globalrms * np.sqrt(np.maximum(found["npix"], 4)))
    return np.column_stack([found["x"], found["y"]]), np.clip(1.5 / snr, 0.03, 0.5), image.shape


def test_four_hours_of_drift_and_turn(open_data: Path) -> None:
    paths = sorted((open_data / "raw" / "drifting-6inch").glob("*.gz"))
    lists = [detected(p) for p in paths]
    reference = ReferencePattern(lists[0][0], lists[0][1])
    found = [match_stars(xy, error, reference, shape=shape) for xy, error, shape in lists]
    shape = lists[0][2]
    middle = np.array([[shape[1] / 2, shape[0] / 2]])
    # An unguided mount that drifts and turns does so steadily from frame to frame.
    turn = np.array([m.transform.rotation_deg for m in found])
    drift = np.array([np.hypot(*(m.transform.apply(middle) - middle)[0]) for m in found])
    assert np.all(np.diff(turn) > 0)
    assert 0.15 < turn[-1] < 0.7
    assert np.all(np.diff(drift) > 0)
    assert drift[-1] > 100
    assert np.median([m.residual_rms_px for m in found[1:]]) < 0.1
    assert all(abs(m.transform.scale - 1) < 1e-3 and not m.transform.mirrored for m in found)
    # astroalign on the same lists.
    theirs, _ = astroalign.find_transform(lists[-1][0][:80], lists[0][0][:80])
    np.testing.assert_allclose(found[-1].transform.apply(middle), theirs(middle), atol=0.3)
    # Going round: the first straight to the last, and by way of the middle one.
    half = ReferencePattern(lists[6][0], lists[6][1])
    step = match_stars(lists[-1][0], lists[-1][1], half, shape=shape).transform
    around = found[6].transform.apply(step.apply(middle))
    assert np.abs(around - found[-1].transform.apply(middle)).max() < 0.1


def test_dithered_frames_on_one_grid_are_found_there(open_data: Path) -> None:
    paths = sorted((open_data / "raw" / "two-dithered-clear-60s").glob("*.fit*"))
    (a, a_error, shape), (b, b_error, _) = (detected(p) for p in paths)
    found = match_stars(b, b_error, ReferencePattern(a, a_error), shape=shape).transform
    corners = np.array([[0.0, 0.0], [shape[1], 0], [0, shape[0]], [shape[1], shape[0]]])
    assert np.abs(found.apply(corners) - corners).max() < 0.5


def with_flux(path: Path) -> tuple[np.ndarray, np.ndarray, tuple[int, int]]:
    """Windowed positions and fluxes of all stars by sep."""
    image, _ = read_all(path)
    background = sep.Background(image)
    clean = image - background.back()
    found = sep.extract(clean, 5.0, err=background.globalrms, minarea=4)
    x, y, flag = sep.winpos(clean, found["x"], found["y"], np.full(len(found), 1.0))
    good = flag == 0
    return np.column_stack([x, y])[good], found["flux"][good], image.shape


def test_drifting_frames_solve_to_their_true_scale(open_data: Path, catalogue: Catalogue) -> None:
    # RULINGS of the data: 5.164 +- 0.005 arcsec/px while the header's optics say 5.210; rms <= 0.7 px.
    for path in sorted((open_data / "raw" / "drifting-6inch").glob("*.gz")):
        xy, flux, shape = with_flux(path)
        header = read_header(path)
        assert header.ra_deg is not None
        assert header.dec_deg is not None
        found = solve(
            xy, flux, shape=shape, scale_arcsec_px=5.21, catalogue=catalogue, around=(header.ra_deg, header.dec_deg)
        )
        assert found.scale_arcsec_px == pytest.approx(5.164, abs=0.005)
        assert found.rms_px < 0.7
        assert found.matched >= 13


def test_a_crowded_infrared_field_agrees_with_its_own_coordinates(open_data: Path, catalogue: Catalogue) -> None:
    path = open_data / "wcs" / "gc_2mass_j.fits"
    xy, flux, shape = with_flux(path)
    truth = WCS(fits.getheader(path))
    x, y = np.array([0.0, shape[1], 0, shape[1], shape[1] / 2]), np.array([0.0, 0, shape[0], shape[0], shape[0] / 2])
    places = truth.pixel_to_world(x, y)
    near = (float(places[-1].icrs.ra.deg) + 0.8, float(places[-1].icrs.dec.deg) - 0.5)
    found = solve(xy, flux, shape=shape, scale_arcsec_px=5.05, catalogue=catalogue, around=near)
    # The README of the data: 31 catalogue stars, median 0.6 arcsec from their places.
    assert found.matched >= 28
    assert not found.mirrored
    assert found.wcs.pixel_to_world(x, y).separation(places.icrs).arcsec.max() < 1.5


def test_a_field_without_catalogue_stars_says_so(open_data: Path, catalogue: Catalogue) -> None:
    xy, flux, shape = with_flux(open_data / "wcs" / "HorseHead.fits")
    with pytest.raises(RegistrationError, match="too few catalogue stars"):
        solve(xy, flux, shape=shape, scale_arcsec_px=1.008, catalogue=catalogue, around=(85.25, -2.45))
