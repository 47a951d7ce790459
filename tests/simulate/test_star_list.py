"""The scene's stars: their magnitudes in a filter against the Sun's, their places there and back, their list as a table."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from astropy.table import Table

from nightfold.simulate.catalogue import gnomonic, sky_of_plane
from nightfold.simulate.plan import STARS, load_truth
from nightfold.simulate.scene import star_scene


def test_a_star_like_the_sun() -> None:
    # The Sun: G -26.90, BP - RP 0.82 (Casagrande & VandenBerg 2018); V -26.76, R_C -27.15 (Vega; Willmer 2018), which is
    # -26.74 and -26.94 in AB; values from memory.
    sun = star_scene(0.0, 0.0, -26.90, colour_bp_rp=0.82)
    assert sun.ab_mag(550.0)[0] == pytest.approx(-26.74, abs=0.05)
    assert sun.ab_mag(647.0)[0] == pytest.approx(-26.94, abs=0.06)
    assert sun.ab_mag(500.7)[0] > sun.ab_mag(656.3)[0] > sun.ab_mag(790.0)[0]


def test_places_there_and_back() -> None:
    rng = np.random.default_rng(3)
    for ra0, dec0 in ((250.2, -48.8), (0.1, 89.5), (359.9, -5.0)):
        east, north = rng.uniform(-7200, 7200, 50), rng.uniform(-7200, 7200, 50)
        there = gnomonic(*sky_of_plane(east, north, ra0, dec0), ra0, dec0)
        assert np.allclose(there, (east, north), atol=1e-6)


def test_the_list_holds_the_stars_of_the_frames(small_frames: Path) -> None:
    table = Table.read(small_frames / STARS, format="ascii.ecsv")
    assert table.colnames == ["ra", "dec", "phot_g_mean_mag", "phot_bp_mean_mag", "phot_rp_mean_mag"]
    assert np.all(np.diff(table["phot_g_mean_mag"]) >= 0)
    assert dict(table.meta)["ra_deg"] == 250.2
    truth = next(iter(load_truth(small_frames / "truth.json").values()))
    brightest = truth.star_xy[np.argmax(truth.star_flux_e)]
    east, north = gnomonic(table["ra"], table["dec"], 250.2, -48.8)
    xy = truth.pixel_of_sky(np.column_stack([east, north]))
    assert np.hypot(*(xy - brightest).T).min() < 0.01
