"""Places of a campaign's subs: solved when a deeper list comes, through another sub where the reference cannot be, and told when not."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

import nightfold
from nightfold.align.catalogue import Catalogue, load_catalogue
from nightfold.align.places import stage
from nightfold.align.records import Transform
from nightfold.align.wcs import through_transform, wcs_of
from nightfold.simulate.plan import STARS


def _cards(**more: float) -> dict[str, object]:
    return {
        "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRPIX1": 300.5, "CRPIX2": 200.5, "CRVAL1": 250.2, "CRVAL2": -48.8,
        "CD1_1": -5e-4, "CD1_2": 1e-5, "CD2_1": 1e-5, "CD2_2": 5e-4, **more,
    }  # fmt: skip


def test_a_place_through_a_transform_is_exact() -> None:
    angle = np.radians(183.0)
    c, s = 0.8 * np.cos(angle), 0.8 * np.sin(angle)
    turned = Transform(matrix=np.array([[c, -s, 560.0], [s, c, 390.0]]))
    sky = through_transform(turned, _cards(), shape=(420, 650))
    from nightfold.align.wcs import wcs_cards

    own = wcs_of(wcs_cards(sky))
    xy = np.array([[0.0, 0.0], [649.0, 0.0], [0.0, 419.0], [649.0, 419.0], [321.3, 77.7]])
    there = wcs_of(_cards()).all_pix2world(turned.apply(xy), 0)
    here = own.all_pix2world(xy, 0)
    assert np.abs((here - there) * [np.cos(np.radians(48.8)), 1.0]).max() * 3600.0 < 1e-3
    back = through_transform(turned, wcs_cards(sky), shape=(400, 600), inverse=True)
    corner = wcs_of(wcs_cards(back)).all_pix2world([[0.0, 0.0]], 0)
    assert np.abs(corner - wcs_of(_cards()).all_pix2world([[0.0, 0.0]], 0)).max() * 3600.0 < 2e-3


def test_a_deeper_list_that_comes_later_places_grid_subs_and_masters(
    small_frames: Path, small_settings: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = stage.catalogue_for
    elsewhere = load_catalogue().near(20.0, 60.0, 5.0)
    monkeypatch.setattr(stage, "catalogue_for", lambda *_, **__: Catalogue(elsewhere, "a thin list"))
    with nightfold.Campaign.create(tmp_path / "c", text=small_settings) as campaign:
        campaign.take_in([small_frames])
        campaign.judge(filter="Ha")
        ledger = campaign._ws.ledger
        grid = ledger.grid("Lantern Shell", None)
        assert grid is not None
        assert not grid.wcs
        # Nothing new: nothing is tried again.
        monkeypatch.setattr(stage, "_solve", lambda *_, **__: pytest.fail("tried again"))
        campaign.judge(filter="Ha")
        monkeypatch.undo()
        assert stage.catalogue_for is real
        (tmp_path / "c" / "catalogue").mkdir()
        shutil.copy(small_frames / STARS, tmp_path / "c" / "catalogue")
        master = campaign.fold(filter="Ha").masters[0]
        places = ledger.solutions()
        assert len(places) == 10
        assert all(p.solved and p.document["by"] == "grid" for p in places.values())
    header = fits.getheader(master.file)
    sky = WCS(header).pixel_to_world(0.5 * (master.width_px - 1), 0.5 * (master.height_px - 1))
    # The plan points at RA 250.2, Dec -48.8, dithered by some arcseconds.
    assert abs(sky.dec.deg + 48.8) < 0.01
    assert abs(sky.ra.deg - 250.2) < 0.015


def test_another_sub_may_place_the_grid(
    small_frames: Path, small_settings: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with nightfold.Campaign.create(tmp_path / "c", text=small_settings) as campaign:
        (tmp_path / "c" / "catalogue").mkdir()
        shutil.copy(small_frames / STARS, tmp_path / "c" / "catalogue")
        campaign.take_in(sorted(small_frames.rglob("*Ha_300s*.fits")))
        solve, refused = stage._solve, []

        def not_the_reference(ws, row, reading):  # type: ignore[no-untyped-def]
            grid = ws.ledger.grid("Lantern Shell", None)
            if row.id == grid.reference_frame_id:
                refused.append(row.id)
                raise stage.RegistrationError("not this one")
            return solve(ws, row, reading)

        monkeypatch.setattr(stage, "_solve", not_the_reference)
        campaign.judge()
        grid = campaign._ws.ledger.grid("Lantern Shell", None)
        assert refused
        assert grid is not None
        assert grid.wcs
        middle = wcs_of(grid.wcs).all_pix2world([[259.5, 199.5]], 0)[0]
    assert middle == pytest.approx([250.2, -48.8], abs=0.015)
