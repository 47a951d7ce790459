"""Pictures of a campaign with all that goes beside them: captions, names, linear masters, proofs, north up."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from astropy.wcs import WCS
from PIL import Image

from nightfold.campaign import Campaign
from nightfold.errors import PictureError
from nightfold.judge.photometry.stage import FilterZeroPoint, ZeroPoint
from nightfold.ledger.records import FrameRow
from nightfold.picture import stage
from nightfold.picture.metadata import sky_facts
from nightfold.picture.recipe import load_recipe
from nightfold.picture.stage import PictureReport
from nightfold.picture.steps import Level


@pytest.fixture(scope="module")
def folder(small_campaign: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    copy = tmp_path_factory.mktemp("pictures") / "campaign"
    shutil.copytree(small_campaign, copy)
    file = copy / "campaign.toml"
    makers = '\n[credits]\ncreator = "A. Imager"\nrights = "CC BY 4.0"\nfacility = "Back garden"\n'
    file.write_text(file.read_text() + makers)
    # The small field holds too few catalogue stars to be solved: its place is given, turned by 12 degrees.
    c, s = math.cos(math.radians(12.0)) * 5e-4, math.sin(math.radians(12.0)) * 5e-4
    cards = {
        "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 250.2, "CRVAL2": -48.8, "CRPIX1": 260.5, "CRPIX2": 200.5,
        "CD1_1": -c, "CD1_2": s, "CD2_1": s, "CD2_2": c, "CUNIT1": "deg", "CUNIT2": "deg",
    }  # fmt: skip
    with Campaign.open(copy) as campaign:
        for grid in campaign._ws.ledger.grids():
            campaign._ws.ledger.set_grid_wcs(grid.id, cards)
        campaign.fold()
    return copy


@pytest.fixture(scope="module")
def report(folder: Path) -> PictureReport:
    with Campaign.open(folder) as campaign:
        return campaign.picture(upright=True, annotated=True, linear=True, proof=True)


def test_the_caption_names_its_makers_and_never_the_site(report: PictureReport, folder: Path) -> None:
    text = Path(report.file).with_suffix(".txt").read_text()
    assert text == report.caption
    assert "A. Imager" in text
    assert "CC BY 4.0" in text
    with Campaign.open(folder) as campaign:
        site = campaign.settings.site
        rig = campaign.settings.rig[0]
    assert site is not None
    data = b"".join(Path(f).read_bytes() for f in report.files)
    for number in (site.latitude_deg, site.longitude_deg):
        assert f"{number:.2f}" not in text
        assert f"{number:.2f}".encode() not in data
    with Image.open(report.files[-1]) as image:
        exif = image.getexif().get_ifd(0x8769)
    assert float(exif[0x920A]) == rig.telescope.focal_length_mm


def test_north_is_up_and_the_metadata_say_where(report: PictureReport) -> None:
    recipe = load_recipe(Path(report.recipe))
    assert recipe.steps[-1].step == "turn"
    xmp = Path(report.files[0]).read_bytes()
    start = xmp.index(b"<avm:Spatial.Rotation>") + len(b"<avm:Spatial.Rotation>")
    rotation = float(xmp[start : xmp.index(b"<", start)])
    assert (rotation + 180) % 360 - 180 == pytest.approx(0.0, abs=0.02)
    x0, y0, x1, y1 = recipe.cut_box_px
    assert report.width_px * report.height_px <= (x1 - x0 + 1) * (y1 - y0 + 1)


def test_replaying_the_recipe_gives_the_same_bytes(report: PictureReport, folder: Path, tmp_path: Path) -> None:
    with Campaign.open(folder) as campaign:
        again = campaign.picture(report.recipe, out=tmp_path / "again.tiff", exact=True)
    assert Path(again.file).read_bytes() == Path(report.files[0]).read_bytes()


def test_linear_masters_are_the_masters_equally_cut(report: PictureReport, folder: Path) -> None:
    files = [Path(f) for f in report.linear]
    assert {f.suffix for f in files} == {".fits", ".tiff"}
    box = load_recipe(Path(report.recipe)).cut_box_px
    masters = {fits.getheader(p)["FILTER"]: p for p in (folder / "masters").glob("*.fits")}
    shapes = set()
    for file in (f for f in files if f.suffix == ".fits"):
        with fits.open(file) as cut, fits.open(masters[fits.getheader(file)["FILTER"]]) as whole:
            inside = whole[0].data[box[1] : box[3] + 1, box[0] : box[2] + 1]
            np.testing.assert_array_equal(cut[0].data, inside)
            shapes.add(cut[0].data.shape)
            here = WCS(cut[0].header).wcs_pix2world(3, 4, 0)
            there = WCS(whole[0].header).wcs_pix2world(3 + box[0], 4 + box[1], 0)
            np.testing.assert_allclose(here, there, atol=1e-8)
        np.testing.assert_array_equal(tifffile.imread(file.with_suffix(".tiff"))[::-1], inside)
    assert len(shapes) == 1


def test_the_annotated_copy_differs_only_in_ink(report: PictureReport) -> None:
    assert report.annotated is not None
    with Image.open(report.files[-1]) as before, Image.open(report.annotated) as after:
        plain, drawn = np.asarray(before.convert("RGB"), float), np.asarray(after.convert("RGB"), float)
    assert drawn.shape == plain.shape
    share = (np.abs(drawn - plain).max(axis=-1) > 40).mean()
    assert 0.0005 < share < 0.1


def test_proofs_show_each_step_that_can_be_left_out(report: PictureReport) -> None:
    steps = [s.step for s in load_recipe(Path(report.recipe)).steps]
    named = [Path(f).stem.rpartition("_proof_")[2] for f in report.proof]
    assert named == [s for s in steps if s not in {"level", "stretch", "mix", "turn", "stars-apart"}]
    for file in report.proof:
        with Image.open(file) as strip:
            assert np.asarray(strip.convert("RGB")).std() > 1.0


def test_what_has_no_place_on_the_sky_cannot_be_turned_north(small_campaign: Path, tmp_path: Path) -> None:
    copy = tmp_path / "unsolved"
    shutil.copytree(small_campaign, copy)
    with Campaign.open(copy) as campaign:
        with pytest.raises(PictureError, match="no place on the sky"):
            campaign.picture(upright=True, out=tmp_path / "x.png")
        made = campaign.picture(annotated=True, out=tmp_path / "x.png")
    assert made.annotated is None
    assert any("no place on the sky" in note for note in made.notes)


def test_sky_facts_of_a_turned_picture_are_finite(report: PictureReport) -> None:
    with fits.open(next(f for f in report.linear if f.endswith(".fits"))) as cut:
        facts = sky_facts(WCS(cut[0].header), cut[0].data.shape)
    assert facts["ra_deg"] == pytest.approx(250.2, abs=0.1)
    assert facts["dec_deg"] == pytest.approx(-48.8, abs=0.1)


def test_zero_points_from_the_ledger_scale_the_filters(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # No sub of this field is solved.
    with Campaign.open(folder) as campaign, pytest.raises(PictureError, match="zero points"):
        campaign.picture(balance="zero-points", out=tmp_path / "none.png")
    known = {"Ha": 21.2, "OIII": 21.9, "SII": 21.4}

    def told(_ws: object, rows: list[FrameRow]) -> FilterZeroPoint:
        names = {r.filter for r in rows}
        assert len(names) == 1, "the subs of one master"
        point = ZeroPoint(
            mag=known[str(names.pop())], uncertainty_mag=0.02, statistical_mag=0.01, scatter_mag=0.05, stars=9
        )
        return FilterZeroPoint(zero_point=point, centre_nm=650.0, width_nm=None, rayleigh_e_per_s_arcsec2=None)

    monkeypatch.setattr(stage, "filter_zero_point", told)
    with Campaign.open(folder) as campaign:
        made = campaign.picture(balance="zero-points", out=tmp_path / "true.png")
    level = next(s for s in load_recipe(Path(made.recipe)).steps if isinstance(s, Level))
    assert level.scale_by == "zero-points"
    assert level.zero_points == {f: known[f] for f in level.sky}
