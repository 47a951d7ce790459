"""Files solved by the command's own call, against their own WCS and against what the simulator pointed at."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from nightfold.align.solving import parse_place, scale_of_cards, solve_file
from nightfold.cli import main
from nightfold.errors import RegistrationError
from nightfold.simulate.plan import STARS

SHARED = Path(__file__).parents[2].parent / "shared" / "data"


def test_places_in_every_spelling() -> None:
    for text in ("250.2 -48.8", "16:40:48 -48:48:00", "16 40 48 -48 48 00", "250.2, -48.8"):
        assert parse_place(text) == pytest.approx((250.2, -48.8), abs=1e-9)
    for text in ("250.2", "400 0", "10 95", "north"):
        with pytest.raises(RegistrationError, match="not RA and Dec"):
            parse_place(text)


def test_a_crowded_field_against_its_own_coordinates(tmp_path: Path) -> None:
    # 2MASS J, one degree of the Galactic centre at 5 arcsec a pixel; its WCS is the survey's own (data/README.md).
    path = SHARED / "wcs" / "gc_2mass_j.fits"
    if not path.exists():
        pytest.skip("the open data beside the project is not here")
    report = solve_file(path, around="266.4 -28.9", scale=5.0, write=tmp_path / "solution.fits")
    with fits.open(path) as hdus:
        header = next(h.header for h in hdus if h.header.get("NAXIS") == 2)
        middle = [0.5 * (header["NAXIS1"] - 1), 0.5 * (header["NAXIS2"] - 1)]
        ra, dec = WCS(header).celestial.all_pix2world([middle], 0)[0]
    apart = np.hypot((report.ra_deg - ra) * np.cos(np.radians(dec)), report.dec_deg - dec) * 3600.0
    assert apart < 2.5, "within half a pixel of the survey's own place"
    assert report.scale_arcsec_px == pytest.approx(5.0, rel=2e-3)
    written = fits.getheader(tmp_path / "solution.fits")
    assert written["CTYPE1"].startswith("RA---TAN")
    assert solve_file(path).matched == pytest.approx(report.matched, rel=0.05), (
        "its own coordinates tell place and scale"
    )


@pytest.mark.parametrize(
    "cards",
    [
        {"CD1_1": -3e-4, "CD1_2": 4e-4, "CD2_1": 4e-4, "CD2_2": 3e-4},
        {"CD1_2": 5e-4, "CD2_1": -5e-4},
        {"CDELT1": -5e-4, "CDELT2": 5e-4, "CROTA2": 30.0},
        {"CDELT1": -5e-4, "CDELT2": 5e-4, "PC1_1": 0.6, "PC1_2": -0.8, "PC2_1": 0.8, "PC2_2": 0.6},
        {"CDELT1": 1.0, "CDELT2": 1.0, "PC1_1": -5e-4, "PC2_2": 5e-4},
    ],
)
def test_a_header_with_coordinates_tells_the_scale(cards: dict[str, float]) -> None:
    assert scale_of_cards({"CTYPE1": "RA---TAN", **cards}) == pytest.approx(1.8)
    assert scale_of_cards(cards) is None, "coordinates of another kind"
    assert scale_of_cards({"CTYPE1": "RA---TAN"}) is None


def test_what_cannot_be_solved_says_why(small_frames: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    blank = tmp_path / "blank.fits"
    fits.PrimaryHDU(np.random.default_rng(1).normal(100, 3, (300, 400)).astype(np.float32)).writeto(blank)
    assert main(["solve", str(blank), "--scale", "2", "--around", "10 10", "--json"]) == 1
    assert "stars" in json.loads(capsys.readouterr().out)["error"]["what"]
    assert main(["solve", str(blank), "--json"]) == 1
    assert "--scale" in json.loads(capsys.readouterr().out)["error"]["next"]


def test_light_a_second_with_coordinates_is_solved_as_it_lies(small_frames: Path, tmp_path: Path) -> None:
    """As masters have it: the header's own coordinates tell place and scale, its exposure how much light there was."""
    (tmp_path / "stars").mkdir()
    shutil.copy(small_frames / STARS, tmp_path / "stars")
    sub = next(p for p in sorted(small_frames.rglob("*.fits")) if "_Ha_300s_" in p.name)
    cones = [tmp_path / "stars"]
    asked = solve_file(sub, cone_folders=cones, write=tmp_path / "place.fits")
    header = fits.getheader(tmp_path / "place.fits")
    header.update({"BUNIT": "electron/s", "EXPTIME": 300.0})
    with fits.open(sub) as hdus:
        electrons = (hdus[0].data.astype(np.float32) - np.median(hdus[0].data)) * 0.25
    fits.writeto(tmp_path / "rate.fits", (electrons / 300.0).astype(np.float32), header)
    found = solve_file(tmp_path / "rate.fits", cone_folders=cones)
    assert found.matched > 0.7 * asked.matched
    apart = np.hypot((found.ra_deg - asked.ra_deg) * np.cos(np.radians(asked.dec_deg)), found.dec_deg - asked.dec_deg)
    assert apart * 3600.0 < 0.1 * asked.scale_arcsec_px
