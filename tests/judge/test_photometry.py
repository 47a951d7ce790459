"""Zero points: star colours against the Sun, arithmetic against the check values, the whole way against the simulator's truth."""

from __future__ import annotations

import itertools
import shutil
from pathlib import Path

import numpy as np
import pytest

import nightfold
from nightfold.align.catalogue import Catalogue, load_catalogue
from nightfold.align.places import stage
from nightfold.judge.photometry.core import (
    limiting_mag,
    nominal_zero_point,
    rayleigh_rate,
    star_rates,
    surface_mag,
    zero_point,
)
from nightfold.rig.photometry import Optics
from nightfold.rig.star_colours import SYSTEMATIC_MAG, ab_at, usable_colours
from nightfold.simulate.plan import STARS, load_truth
from nightfold.simulate.rig import SimFilter, SimRig
from nightfold.simulate.sensor import light_path


def test_the_sun_in_ab() -> None:
    # The Sun has G -26.90 and BP - RP 0.82 (Casagrande & VandenBerg 2018); AB: g -26.47, r -26.93, i -27.05 (Willmer 2018,
    # ApJS 236, 47); all values from memory.
    for wavelength, expected in ((470.0, -26.47), (616.5, -26.93), (748.0, -27.05)):
        mag, sigma = ab_at(wavelength, [-26.90], [0.82])
        assert mag[0] == pytest.approx(expected, abs=0.05)
        assert 0.03 < sigma[0] < 0.08
    # Between the bands it is a smooth curve: brighter to the red for a star of 5800 K.
    mags = [float(ab_at(w, [-26.90], [0.82])[0][0]) for w in (500.7, 550.0, 600.0, 656.3, 700.0)]
    assert all(a > b for a, b in itertools.pairwise(mags))
    assert np.isnan(ab_at(656.3, [10.0, 10.0], [-0.3, 3.5])[0]).all()
    with pytest.raises(ValueError, match="380 to 950"):
        ab_at(1200.0, [10.0], [1.0])


def test_hot_stars_do_not_speak_on_balmer_lines() -> None:
    assert usable_colours(656.3, 3.0)[0] > usable_colours(500.7, 3.0)[0]
    assert usable_colours(656.3, 80.0) == usable_colours(500.7, 3.0)


def test_a_zero_point_of_known_stars() -> None:
    rng = np.random.default_rng(5)
    mag = rng.uniform(8.0, 13.0, 60)
    rate = 10.0 ** (-0.4 * (mag - 19.3)) * np.exp(rng.normal(0.0, 0.02, 60))
    rate[:6] *= 4.0  # variables and doubles
    found = zero_point(mag, rate, np.full(60, 0.01), np.full(60, 0.02))
    assert found is not None
    assert found.mag == pytest.approx(19.3, abs=0.01)
    assert found.statistical_mag < 0.01
    assert found.uncertainty_mag == pytest.approx(np.hypot(found.statistical_mag, SYSTEMATIC_MAG))
    assert found.stars <= 54
    assert zero_point(mag[:2], rate[:2], np.full(2, 0.01), np.full(2, 0.02)) is None
    mag[10] = np.nan
    assert zero_point(mag, rate, np.full(60, 0.01), np.full(60, 0.02)) is not None


def test_every_star_speaks_once() -> None:
    members = [np.array([4, 7, -1]), np.array([7, 4]), np.array([4])]
    rates = [np.array([10.0, 2.0, 9.0]), np.array([1.0, 5.0]), np.array([2.5])]
    errors = [np.full(3, 0.1), np.full(2, 0.1), np.full(1, 0.1)]
    number, rate, relative = star_rates(members, rates, errors, np.array([1.0, 0.5, 0.25]))
    assert number.tolist() == [4, 7]
    assert rate == pytest.approx([10.0, 2.0])
    assert np.all(relative < 0.1)


def test_check_values_of_lines_and_sky() -> None:
    # CHECKS L9: 1 R of H-alpha on 275.7 cm2, 0.969 arcsec px, efficiency 0.5 -> 2.42e-4 e/s/px (1 %).
    f = 206.264806 * 3.76 / 0.969445
    diameter = 2.0 * np.sqrt(275.7 * 100.0 / np.pi)
    optics = Optics(aperture_mm=diameter, focal_length_mm=f, pixel_um=3.76, efficiency=0.5)
    zp = nominal_zero_point(optics, 656.3, 3.0)
    assert rayleigh_rate(zp, 656.3, 3.0) * 0.969445**2 == pytest.approx(2.42e-4, rel=0.01)
    # CHECKS L10: AB 20 star -> 0.0345 e/s in 3 nm at H-alpha, 0.0453 at 500.7 nm; sky 21.5 -> 0.00815 e/s/px.
    assert 10.0 ** (-0.4 * (20.0 - zp)) == pytest.approx(0.0345, rel=0.01)
    assert 10.0 ** (-0.4 * (20.0 - nominal_zero_point(optics, 500.7, 3.0))) == pytest.approx(0.0453, rel=0.01)
    assert surface_mag(0.00815 / 0.969445**2, zp) == pytest.approx(21.5, abs=0.01)
    assert surface_mag(0.0, zp) == float("inf")
    # CHECKS D16: NEA = 2.266 FWHM^2, FWHM 2.5 px -> 14.16 px.
    assert limiting_mag(20.0, 1.0, 2.5, sigmas=1.0) == pytest.approx(20.0 - 1.25 * np.log10(14.16), abs=1e-3)


@pytest.fixture(scope="module")
def judged(small_frames: Path, small_settings: str, tmp_path_factory: pytest.TempPathFactory) -> nightfold.Campaign:
    folder = tmp_path_factory.mktemp("photometry") / "c"
    campaign = nightfold.Campaign.create(folder, text=small_settings)
    (folder / "catalogue").mkdir()
    shutil.copy(small_frames / STARS, folder / "catalogue")
    campaign.take_in([small_frames])
    campaign.judge()
    return campaign


def _rig() -> SimRig:
    from nightfold.simulate.demo import demo_plan

    made = {k: v for k, v in demo_plan()["rig"][0].items() if k != "filter"} | {"width_px": 520, "height_px": 400}
    filters = tuple(
        SimFilter(name=f["name"], centre_nm=f["centre_nm"], width_nm=f["width_nm"], transmission=f["transmission"])
        for f in demo_plan()["rig"][0]["filter"]
    )
    known = {k: v for k, v in made.items() if k in SimRig.__dataclass_fields__}
    return SimRig(**{**known, "filters": filters, "tilt_px": tuple(known["tilt_px"])})


def test_every_sub_has_its_place_and_its_zero_point(judged: nightfold.Campaign, small_frames: Path) -> None:
    truths = {Path(name).name: truth for name, truth in load_truth(small_frames / "truth.json").items()}
    rig = _rig()
    report = judged.verdicts()
    assert len(report.subs) == 10
    for sub in report.subs:
        truth = truths[Path(sub.file).name]
        # Flats of mean 1 bring light to the field's mean illumination; truth counts electrons on the axis.
        mean_light = float(light_path(rig, sub.filter or "").mean())
        expected = 2.5 * np.log10(rig.zero_point_e_per_s(sub.filter or "") * truth.throughput * mean_light)
        assert sub.zero_point_mag is not None
        assert sub.zero_point_uncertainty_mag is not None
        cloudy = truth.transparency < 0.5
        # A cloud's edge over the field is part of its own scatter.
        within = 0.15 if cloudy else 2.0 * sub.zero_point_uncertainty_mag
        assert sub.zero_point_mag == pytest.approx(expected, abs=within)
        assert sub.zero_point_uncertainty_mag < 0.1
        assert sub.transparency_absolute == pytest.approx(truth.throughput * mean_light, rel=0.15)
        assert sub.limiting_mag is not None
        assert (14.0 if cloudy else 15.0) < sub.limiting_mag < 18.0


def test_the_places_are_true(judged: nightfold.Campaign, small_frames: Path) -> None:
    from nightfold.align.wcs import wcs_of
    from nightfold.simulate.catalogue import gnomonic

    truths = {Path(name).name: truth for name, truth in load_truth(small_frames / "truth.json").items()}
    ledger = judged._ws.ledger
    for row in ledger.frames(kind="sub"):
        place = ledger.solutions([row.id])[row.id]
        assert place.solved
        xy = np.array([[0.0, 0.0], [519.0, 0.0], [0.0, 399.0], [519.0, 399.0], [260.0, 200.0]])
        ra, dec = wcs_of(place.document["cards"]).all_pix2world(xy[:, 0], xy[:, 1], 0)
        east, north = gnomonic(ra, dec, 250.2, -48.8)
        there = truths[row.name].pixel_of_sky(np.column_stack([east, north]))
        assert np.abs(there - xy).max() < 0.25


def test_where_the_list_is_too_thin_nothing_is_claimed(
    small_frames: Path, small_settings: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    elsewhere = load_catalogue().near(20.0, 60.0, 5.0)
    monkeypatch.setattr(stage, "catalogue_for", lambda *_, **__: Catalogue(elsewhere, "a thin list"))
    with nightfold.Campaign.create(tmp_path / "c", text=small_settings) as campaign:
        campaign.take_in(sorted(small_frames.rglob("*Ha_300s*.fits")))
        report = campaign.judge()
        places = campaign._ws.ledger.solutions()
    assert all(s.zero_point_mag is None and s.sky_mag_arcsec2 is None for s in report.subs)
    assert len(places) == len(report.subs) == 5
    assert all("too few catalogue stars" in p.document["reason"] for p in places.values() if not p.solved)
    assert not any(p.solved for p in places.values())
