"""Framing: geometry in closed form, and panels checked with astropy's spherical offsets."""

from __future__ import annotations

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.wcs import WCS
from hypothesis import given
from hypothesis import strategies as st

from nightfold.errors import SettingsError
from nightfold.plan.framing import (
    Field,
    PanelPlace,
    area_lost,
    field_of,
    outline,
    panels,
    panels_needed,
    sampling,
    turn_by_deg,
)


def test_field_of_the_check_rig() -> None:
    # CHECKS O1, O2.
    field = field_of(6248, 4176, pixel_um=3.76, focal_length_mm=800.0)
    assert field.scale_arcsec_px == pytest.approx(0.969445, abs=1e-5)
    assert (field.width_deg, field.height_deg) == pytest.approx((1.6824, 1.1245), abs=1e-4)


def test_sampling() -> None:
    # CHECKS O20: 2 arcsec at 0.969 arcsec/px is 2.06 px.
    assert sampling(0.969445, 2.0).px_per_fwhm == pytest.approx(2.06, abs=0.01)
    assert sampling(0.969445, 2.0).verdict == "good"
    assert sampling(1.8, 2.5).verdict == "coarse"
    assert sampling(0.5, 2.5).verdict == "fine"


@pytest.mark.parametrize(
    ("now", "wanted", "turn"), [(10, 0, 10), (350, 0, -10), (190, 0, 10), (90, 0, 90), (270, 0, 90), (0, 90, 90), (95, 0, -85), (12, 12, 0)]
)  # fmt: skip
def test_turn(now: float, wanted: float, turn: float) -> None:
    assert turn_by_deg(now, wanted) == pytest.approx(turn)


def test_turn_on_a_mirrored_frame() -> None:
    assert turn_by_deg(10.0, 0.0, mirrored=True) == pytest.approx(-10.0)
    assert turn_by_deg(0.0, 90.0, mirrored=True) == pytest.approx(90.0)


@given(st.floats(-720, 720), st.floats(-720, 720))
def test_turn_brings_the_frame_home(now: float, wanted: float) -> None:
    turn = turn_by_deg(now, wanted)
    assert -90.0 < turn <= 90.0
    left = (now - turn - wanted) % 180.0
    assert min(left, 180.0 - left) < 1e-6


def test_area_lost_in_closed_form() -> None:
    assert area_lost(0.0, 3.0, 2.0) == pytest.approx(0.0, abs=1e-12)
    assert area_lost(180.0, 3.0, 2.0) == pytest.approx(0.0, abs=1e-12)
    assert area_lost(90.0, 3.0, 2.0) == pytest.approx(1.0 - 4.0 / 6.0)  # a 2 by 2 square is left
    assert area_lost(45.0, 1.0, 1.0) == pytest.approx(1.0 - 2.0 * (np.sqrt(2.0) - 1.0))  # a regular octagon
    assert area_lost(0.0, 2.0, 1.0, offset=(0.5, 0.0)) == pytest.approx(0.25)
    assert area_lost(0.0, 2.0, 1.0, offset=(5.0, 0.0)) == 1.0


def test_outline_against_a_tangent_plane_of_astropy() -> None:
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [250.2, -48.8]
    wcs.wcs.crpix = [500.5, 400.5]
    step, pa = 0.002, np.radians(37.0)
    # Up (y) points to position angle 37, x to the right of it on an unmirrored sky: west when up is north.
    wcs.wcs.cd = step * np.array([[-np.cos(pa), np.sin(pa)], [np.sin(pa), np.cos(pa)]])
    corners = wcs.all_pix2world([[-0.5, -0.5], [999.5, -0.5], [999.5, 799.5], [-0.5, 799.5]], 0)
    width, height = (2.0 * np.degrees(np.arctan(np.radians(n * step / 2.0))) for n in (1000, 800))
    ours = outline(250.2, -48.8, 37.0, width_deg=width, height_deg=height)
    assert ours == pytest.approx(corners, abs=1e-9)


def _sees(panel: PanelPlace, places: SkyCoord, width: float, height: float) -> np.ndarray:
    """Which places a panel's frame holds, by astropy's tangent offsets."""
    frame = SkyCoord(panel.ra_deg * u.deg, panel.dec_deg * u.deg).skyoffset_frame(
        rotation=panel.position_angle_deg * u.deg
    )
    local = places.transform_to(frame).cartesian
    x, y, z = np.asarray(local.y / local.x), np.asarray(local.z / local.x), np.asarray(local.x)
    return (np.abs(x) <= np.tan(np.radians(width / 2))) & (np.abs(y) <= np.tan(np.radians(height / 2))) & (z > 0)


@pytest.mark.parametrize(("dec", "angle"), [(-48.8, 20.0), (0.0, 0.0), (88.5, 45.0), (-89.5, 130.0)])
def test_panels_leave_no_gap(dec: float, angle: float) -> None:
    width, height = 2.5, 1.7
    grid = panels(
        250.2, dec, position_angle_deg=angle, columns=3, rows=2, width_deg=width, height_deg=height, overlap=0.15
    )
    assert [p.panel for p in grid] == [1, 2, 3, 4, 5, 6]
    # Everything inside the outline of the nominal mosaic (in the plane of its centre) lies in one panel or more.
    rng = np.random.default_rng(3)
    w, h = width * (1 + 2 * 0.85), height * (1 + 0.85)
    frame = SkyCoord(250.2 * u.deg, dec * u.deg).skyoffset_frame(rotation=angle * u.deg)
    x = np.tan(np.radians(width / 2)) * w / width * rng.uniform(-0.999, 0.999, 4000)
    y = np.tan(np.radians(height / 2)) * h / height * rng.uniform(-0.999, 0.999, 4000)
    lon, lat = np.degrees(np.arctan(x)), np.degrees(np.arctan(y * np.cos(np.arctan(x))))
    places = SkyCoord(lon * u.deg, lat * u.deg, frame=frame).icrs
    seen = np.sum([_sees(p, places, width, height) for p in grid], axis=0)
    assert np.mean(seen >= 1) > 0.995  # slivers at the outer edge, where frames stand askew to the plane
    # Neighbours share at least 15 % of a frame.
    first = outline(grid[0].ra_deg, grid[0].dec_deg, grid[0].position_angle_deg, width_deg=width, height_deg=height)
    assert first.shape == (4, 2)
    inside = _sees(grid[0], places, width, height)
    both = inside & _sees(grid[1], places, width, height)
    assert both.sum() / inside.sum() > 0.12


def test_one_panel_is_the_target_itself() -> None:
    (only,) = panels(250.2, -48.8, position_angle_deg=33.0, columns=1, rows=1, width_deg=2.0, height_deg=1.0)
    assert (only.ra_deg, only.dec_deg, only.position_angle_deg) == pytest.approx((250.2, -48.8, 33.0), abs=1e-6)


def test_panels_needed() -> None:
    field = Field(2.0, 1.0, 1.8)
    assert panels_needed((1.5, 0.9), field) == (1, 1)
    assert panels_needed((3.7, 0.9), field, overlap=0.15) == (2, 1)
    assert panels_needed((3.71, 2.0), field, overlap=0.15) == (3, 3)


def test_impossible_mosaics() -> None:
    with pytest.raises(SettingsError, match="at least one panel; seen: 0 by 2"):
        panels(0.0, 0.0, columns=0, rows=2, width_deg=1.0, height_deg=1.0)
    with pytest.raises(SettingsError, match="overlap"):
        panels(0.0, 0.0, columns=1, rows=2, width_deg=1.0, height_deg=1.0, overlap=1.0)
    with pytest.raises(SettingsError, match="wider than 120"):
        panels(0.0, 0.0, columns=100, rows=2, width_deg=5.0, height_deg=1.0)
