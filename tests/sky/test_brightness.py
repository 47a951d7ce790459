"""Sky by filter: order, limits, electrons, and the fit to measured backgrounds."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.rig.photometry import Optics, ab_from_photons
from nightfold.sky.brightness import (
    Band,
    SkyModel,
    SkyReading,
    filter_sky_e_per_s,
    fit_sky,
    natural_photons,
    sun_limit_deg,
    twilight_photons,
)

OIII, HA, SII = Band("OIII", 500.7, 4.0), Band("Ha", 656.3, 4.0), Band("SII", 672.4, 4.0)
VISUAL = Band("V", 550.0, 90.0)
RIG = Optics(aperture_mm=106.0, focal_length_mm=530.0, pixel_um=4.63, efficiency=0.6)
NO_MOON = {"moon_altitude_deg": -20.0, "separation_deg": 90.0, "phase_angle_deg": 170.0}


def test_dark_zenith_keeps_its_magnitude() -> None:
    photons = SkyModel(21.6).terms(Band("V", 550.0, 5.0), altitude_deg=90.0, sun_altitude_deg=-40.0, **NO_MOON).total
    # V = 0 is 3640 Jy, AB zero 3631 Jy: the scales differ by 0.003 mag at 550 nm.
    assert float(ab_from_photons(photons, 550.0)) == pytest.approx(21.6, abs=0.01)


def test_moonless_sky_brightens_towards_the_horizon() -> None:
    sky = SkyModel(21.6, 0.15).terms(HA, altitude_deg=[80.0, 45.0, 20.0], sun_altitude_deg=-40.0, **NO_MOON).total
    assert np.all(np.diff(sky) > 0)
    below = SkyModel(21.6).terms(HA, altitude_deg=-1.0, sun_altitude_deg=-40.0, **NO_MOON).total
    assert np.isnan(below)


def test_moon_hurts_oxygen_most() -> None:
    moon = {"moon_altitude_deg": 45.0, "separation_deg": 70.0, "phase_angle_deg": 20.0}
    ratio = {}
    for band in (OIII, HA, SII):
        terms = SkyModel(21.0).terms(band, altitude_deg=60.0, sun_altitude_deg=-40.0, **moon)
        ratio[band.name] = float(terms.moon / terms.site)
    assert ratio["OIII"] > 1.5 * ratio["Ha"]
    assert ratio["OIII"] > 1.2 * ratio["SII"]


def test_twilight_falls_steadily_and_meets_the_night() -> None:
    sun = np.linspace(-5.0, -20.0, 200)
    light = twilight_photons(sun, 550.0)
    assert np.all(np.diff(light) < 0)
    # Patat et al. 2006, V: a Sun at -10 gives 11.84 + 1.518*5 - 0.057*25 = 18.005 mag/arcsec2 with the night's sky.
    total = twilight_photons(-10.0, 550.0) + natural_photons(21.6, Band("V", 550.0, 5.0))
    assert float(ab_from_photons(total, 550.0)) == pytest.approx(18.005 + 0.02, abs=0.05)
    # At -15 the curve says 21.32; at -18 twilight must be gone beside a dark sky.
    total = twilight_photons(-15.0, 550.0) + natural_photons(21.6, Band("V", 550.0, 5.0))
    assert float(ab_from_photons(total, 550.0)) == pytest.approx(21.32, abs=0.2)
    assert float(twilight_photons(-18.0, 550.0)) < 0.06 * natural_photons(21.6, VISUAL)


def test_sun_limits() -> None:
    dark, town = SkyModel(21.6), SkyModel(18.0)
    for band in (OIII, HA, SII, VISUAL):
        limit = sun_limit_deg(dark, band)
        assert -16.0 < limit < -10.0
        twilight = float(twilight_photons(limit, band.centre_nm))
        assert twilight == pytest.approx(3.0 * natural_photons(21.6, band), rel=1e-3)
        assert sun_limit_deg(town, band) > limit
    assert sun_limit_deg(SkyModel(14.0), HA) == -6.0


def test_electrons_of_the_sky() -> None:
    terms = SkyModel(21.6).terms(HA, altitude_deg=90.0, sun_altitude_deg=-40.0, **NO_MOON)
    rate = float(filter_sky_e_per_s(terms, HA, RIG))
    # By hand: 999e5 photons/s/m2/nm at V = 0 x 10^(-0.4*21.6) x 1.34 x 4 nm x 88.2 cm2 x 1.802"^2 x 0.6
    by_hand = 999e5 * 10 ** (-0.4 * 21.6) * 1.34 * 4.0 * 88.25e-4 * 1.8019**2 * 0.6
    assert rate == pytest.approx(by_hand, rel=0.01)


def _readings(rng: np.random.Generator, count: int, site: float, moon: float, cloudy: int = 0) -> list[SkyReading]:
    rows = []
    for i in range(count):
        a, b = float(rng.uniform(0.8, 1.3)), float(rng.uniform(0.0, 5.0))
        measured = (site * a + moon * b) * float(rng.normal(1.0, 0.03)) * (2.5 if i < cloudy else 1.0)
        rows.append(SkyReading("Ha", measured, a, b))
    return rows


def test_fit_finds_site_and_moon_through_cloud() -> None:
    rng = np.random.default_rng(5)
    fitted = fit_sky(SkyModel(21.0), _readings(rng, 60, 1.7, 0.6, cloudy=8))
    assert fitted.site_factor["Ha"] == pytest.approx(1.7, rel=0.08)
    assert fitted.moon_factor["Ha"] == pytest.approx(0.6, rel=0.08)
    assert fitted.learnt_from == 60
    assert fitted.sigma_mag < 0.1
    plain = SkyModel(21.0).terms(HA, altitude_deg=60.0, sun_altitude_deg=-40.0, **NO_MOON)
    learnt = fitted.terms(HA, altitude_deg=60.0, sun_altitude_deg=-40.0, **NO_MOON)
    assert float(learnt.site / plain.site) == pytest.approx(fitted.site_factor["Ha"])


def test_bright_twilight_tells_nothing_of_the_site() -> None:
    """Subs of a summer night in the far north, or of a clock that is hours off: darker than twilight should be."""
    model = SkyModel(21.0)
    rng = np.random.default_rng(21)
    twilit = [SkyReading("Ha", r.measured, r.site, r.moon, 1e4 * r.site) for r in _readings(rng, 12, 1.5, 1.0)]
    assert fit_sky(model, twilit) is model
    dark = [SkyReading("Ha", 1.5 * r.site, r.site, 0.0, 0.0) for r in twilit]
    fitted = fit_sky(model, [*twilit, *dark])
    assert fitted.site_factor["Ha"] == pytest.approx(1.5, rel=1e-6)
    assert fitted.learnt_from == len(dark)


def test_a_sky_darker_than_its_moon_teaches_nothing() -> None:
    model = SkyModel(21.0)
    assert fit_sky(model, [SkyReading("Ha", 1.0, 1.0, 5.0) for _ in range(8)]) is model


def test_few_or_moonless_readings() -> None:
    model = SkyModel(21.0)
    rng = np.random.default_rng(6)
    assert fit_sky(model, _readings(rng, 4, 2.0, 1.0)) is model
    moonless = [SkyReading("Ha", 2.0 * r.site, r.site, 0.0) for r in _readings(rng, 12, 2.0, 0.0)]
    fitted = fit_sky(model, moonless)
    assert fitted.site_factor["Ha"] == pytest.approx(2.0, rel=1e-6)
    assert "Ha" not in fitted.moon_factor
