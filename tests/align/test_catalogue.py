"""The star list: that its columns are what they are taken for, and that cones join it."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.table import Table

from nightfold.align.catalogue import Catalogue, CatalogueStars, decode_packaged, read_cone
from nightfold.align.tangent import deproject, project, ra_dec_deg, unit_vectors
from nightfold.errors import FrameError, NightfoldError


def test_the_list_is_whole(catalogue: Catalogue) -> None:
    # data/README: 482,176 stars, complete to G < 10; 358 rows without a colour.
    assert len(catalogue.stars) == 482_176
    assert catalogue.stars.g.max() < 10.0
    assert 300 <= np.isnan(catalogue.stars.bp).sum() <= 400


def test_density_in_the_plane_and_out_of_it(catalogue: Catalogue) -> None:
    # data/README: 24.3 stars a square degree within 5 degrees of the plane, 5.2 beyond 60 degrees.
    b = SkyCoord(catalogue.stars.ra_deg, catalogue.stars.dec_deg, unit="deg").galactic.b.deg
    whole = 41252.96
    assert (np.abs(b) < 5).sum() / (whole * np.sin(np.radians(5))) == pytest.approx(24.3, abs=0.3)
    assert (np.abs(b) > 60).sum() / (whole * (1 - np.sin(np.radians(60)))) == pytest.approx(5.2, abs=0.2)


@pytest.mark.parametrize(("ra", "dec"), [(0.02, 10.0), (359.99, -40.0), (100.0, 89.9), (10.0, -90.0)])
def test_near_agrees_with_a_plain_search(catalogue: Catalogue, ra: float, dec: float) -> None:
    near = catalogue.near(ra, dec, 2.0)
    s = catalogue.stars
    separation = SkyCoord(ra, dec, unit="deg").separation(SkyCoord(s.ra_deg, s.dec_deg, unit="deg")).deg
    assert len(near) == (separation < 2.0).sum()
    assert np.all(np.diff(near.g) >= 0)


def packed(bp: np.ndarray, rp: np.ndarray, *, magic: bytes = b"GDR3") -> bytes:
    rng = np.random.default_rng(1)
    rows = b"".join(
        struct.pack("<qddfff", i, rng.uniform(0, 360), rng.uniform(-90, 90), 8.0, b, r)
        for i, (b, r) in enumerate(zip(bp, rp))
    )
    return magic + struct.pack("<IQ", 1, len(bp)) + rows


def test_columns_that_hold_proper_motions_are_refused() -> None:
    rng = np.random.default_rng(2)
    good = decode_packaged(packed(np.full(200, 8.5), np.full(200, 7.5)))
    assert len(good) == 200
    with pytest.raises(NightfoldError, match="do not hold places and magnitudes"):
        decode_packaged(packed(rng.normal(0, 30, 200), rng.normal(0, 30, 200)))


@pytest.mark.parametrize("spoil", [lambda d: d[:-1], lambda d: b"GDR4" + d[4:], lambda d: d[:10], lambda d: b""])
def test_another_form_is_refused(spoil) -> None:
    with pytest.raises(NightfoldError, match="form that is not known here"):
        decode_packaged(spoil(packed(np.full(9, 8.5), np.full(9, 7.5))))


def test_a_cone_moves_to_the_epoch_and_joins(tmp_path: Path, catalogue: Catalogue) -> None:
    twin = catalogue.near(250.2, -48.8, 1.0).take(slice(0, 1))
    table = Table(
        {
            "ra": [twin.ra_deg[0], 250.21],
            "dec": [twin.dec_deg[0], -48.81],
            "pmra": [0.0, 1000.0],
            "pmdec": [0.0, -500.0],
            "phot_g_mean_mag": [twin.g[0], 13.2],
            "phot_bp_mean_mag": [twin.bp[0], 13.8],
            "phot_rp_mean_mag": [twin.rp[0], 12.5],
        }
    )
    path = tmp_path / "cone.fits"
    table.write(path)
    cone = read_cone(path, epoch_year=2026.0)
    # Ten years of one arcsecond a year; the cosine of the declination is in pmra.
    assert (cone.ra_deg[1] - 250.21) * np.cos(np.radians(48.81)) * 3600 == pytest.approx(10.0, abs=1e-3)
    assert (cone.dec_deg[1] + 48.81) * 3600 == pytest.approx(-5.0, abs=1e-3)
    joined = catalogue.with_cone(cone)
    assert len(joined.stars) == len(catalogue.stars) + 1
    assert joined.fingerprint != catalogue.fingerprint
    none = CatalogueStars(**{name: np.zeros(0) for name in ("ra_deg", "dec_deg", "g", "bp", "rp")})
    assert catalogue.with_cone(none) is catalogue


def test_a_table_without_places_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "cone.ecsv"
    Table({"x": [1.0]}).write(path, format="ascii.ecsv")
    with pytest.raises(FrameError, match="no column ra"):
        read_cone(path)
    path.write_text("nothing of the kind")
    with pytest.raises(FrameError, match="not a star table"):
        read_cone(path)


def test_the_tangent_plane_goes_there_and_back() -> None:
    rng = np.random.default_rng(3)
    for dec in (-90.0, -48.8, 0.0, 89.999, 90.0):
        centre = unit_vectors(250.2, dec)
        plane = rng.uniform(-0.1, 0.1, (50, 2))
        np.testing.assert_allclose(project(deproject(plane, centre), centre), plane, atol=1e-14)
    ra, dec_back = ra_dec_deg(unit_vectors([359.5, 0.25], [12.0, -80.0]))
    np.testing.assert_allclose(ra, [359.5, 0.25])
    np.testing.assert_allclose(dec_back, [12.0, -80.0])


def test_a_strip_and_the_tree_find_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(8)
    n = 4000
    stars = CatalogueStars(
        ra_deg=rng.uniform(0, 360, n), dec_deg=np.degrees(np.arcsin(rng.uniform(-1, 1, n))), g=rng.uniform(3, 10, n),
        bp=np.full(n, np.nan), rp=np.full(n, np.nan),
    )  # fmt: skip
    catalogue = Catalogue(stars, "invented")
    places = [(0.2, 12.0, 9.0), (359.5, -89.0, 5.0), (180.0, 90.0, 20.0), (77.0, -3.0, 180.0)]
    by_strip = [catalogue.indices_near(unit_vectors(ra, dec), radius) for ra, dec, radius in places]
    monkeypatch.setattr("nightfold.align.catalogue.ASKED_BEFORE_TREE", 0)
    for (ra, dec, radius), found in zip(places, by_strip):
        np.testing.assert_array_equal(found, catalogue.indices_near(unit_vectors(ra, dec), radius))
        assert len(found) > 3
