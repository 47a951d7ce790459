"""Moonlight: rows M1 to M7 of the outside values, the paper's claims, measured extinction, and how colours must behave."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from nightfold.sky.moonlight import (
    brightening_mag,
    dark_sky_nl,
    extinction_mag_at,
    moon_colour,
    moon_sky_nl,
    moon_v_mag,
    nanolamberts,
    v_mag_arcsec2,
)


@pytest.mark.parametrize(
    ("v", "nl"), [(22.5, 34.08), (22.0, 54.01), (21.587, 79.01), (21.0, 135.66), (20.0, 340.8), (18.0, 2150.0)]
)
def test_nanolamberts(v: float, nl: float) -> None:
    # CHECKS M1 (Garstang 1986); 79.0 is the paper's dark zenith.
    assert float(nanolamberts(v)) == pytest.approx(nl, rel=1e-3)
    assert float(v_mag_arcsec2(nl)) == pytest.approx(v, abs=1e-3)


def test_two_routes_to_candela() -> None:
    # CHECKS M2: 1 nL = 1e-5/pi cd/m2 against 108000 x 10^(-0.4 V) cd/m2.
    assert float(nanolamberts(22.0)) * 1e-5 / np.pi == pytest.approx(108000.0 * 10 ** (-0.4 * 22.0), rel=0.006)


def test_worked_example() -> None:
    # CHECKS M3, an example printed in an open spectrograph simulator's manual.
    light = moon_sky_nl(
        phase_angle_deg=45.0, moon_zenith_deg=70.0, zenith_deg=20.0, separation_deg=50.0, extinction_mag=0.15
    )
    assert float(light) == pytest.approx(389.5, rel=1e-3)
    assert float(v_mag_arcsec2(light)) == pytest.approx(19.855, abs=1e-3)


@pytest.mark.parametrize(
    ("alpha", "total", "v", "dv"),
    [
        (0, 1338.6, 18.445, -3.018),
        (45, 448.8, 19.505, -1.958),
        (90, 121.8, 20.524, -0.940),
        (120, 35.2, 21.100, -0.364),
    ],
)
def test_sky_under_four_moons(alpha: float, total: float, v: float, dv: float) -> None:
    # CHECKS M4: Bzen 79.0, k 0.172, Z 30, Zm 45, rho 60; its first column is the Moon's part alone.
    light = moon_sky_nl(
        phase_angle_deg=alpha, moon_zenith_deg=45.0, zenith_deg=30.0, separation_deg=60.0, extinction_mag=0.172
    )
    dark = dark_sky_nl(79.0, 30.0, 0.172)
    assert float(light) == pytest.approx(total, rel=2e-3)
    assert float(v_mag_arcsec2(light + dark)) == pytest.approx(v, abs=0.01)
    assert float(brightening_mag(light, dark)) == pytest.approx(dv, abs=0.01)


def test_least_moonlight_is_square_to_the_moon() -> None:
    # CHECKS M5: full Moon, Z = Zm = 60.
    rho = np.array([30.0, 60.0, 90.0, 100.0, 120.0])
    light = moon_sky_nl(
        phase_angle_deg=0.0, moon_zenith_deg=60.0, zenith_deg=60.0, separation_deg=rho, extinction_mag=0.172
    )
    assert light == pytest.approx([3717, 1925, 1400, 1419, 1683], rel=1e-3)
    dark = dark_sky_nl(79.0, 60.0, 0.172)
    assert brightening_mag(light, dark) == pytest.approx([-3.681, -3.000, -2.679, -2.693, -2.864], abs=0.01)


def test_moon_magnitude() -> None:
    # CHECKS M7.
    assert float(moon_v_mag(90.0)) == pytest.approx(-10.128, abs=0.001)
    assert float(moon_v_mag(-90.0)) == float(moon_v_mag(90.0))


def test_no_light_from_below_the_horizon() -> None:
    light = moon_sky_nl(
        phase_angle_deg=0.0, moon_zenith_deg=[89.0, 91.0], zenith_deg=30.0, separation_deg=90.0, extinction_mag=0.2
    )
    assert light[0] > 0
    assert light[1] == 0


def test_extinction_against_a_measured_curve() -> None:
    # Patat et al. 2011, A&A 527, A91 (Paranal, 2635 m), its printed curve at 400, 486, 501, 656 and 672 nm.
    measured = {400.0: 0.3375, 486.1: 0.17096, 500.7: 0.15636, 656.3: 0.08148, 672.4: 0.06808}
    for nm, k in measured.items():
        assert extinction_mag_at(nm, 0.130, 2635.0) == pytest.approx(k, abs=0.055)
    assert extinction_mag_at(550.0, 0.130, 2635.0) == pytest.approx(0.130, abs=1e-12)


def test_oxygen_suffers_more_than_hydrogen() -> None:
    light = {
        nm: float(
            moon_sky_nl(
                phase_angle_deg=20.0, moon_zenith_deg=50.0, zenith_deg=30.0, separation_deg=80.0,
                extinction_mag=0.2, wavelength_nm=nm,
            )
        )
        for nm in (500.7, 550.0, 656.3)
    }  # fmt: skip
    assert light[500.7] > light[550.0] > light[656.3]
    # Molecules alone would give (656.3/500.7)^4 = 2.95 before the Moon's redder light; aerosol and colour take their part.
    assert 1.2 < light[500.7] / light[656.3] < 2.5


def test_wavelength_of_v_changes_nothing() -> None:
    at = {"phase_angle_deg": 45.0, "moon_zenith_deg": 70.0, "zenith_deg": 20.0, "separation_deg": 50.0}
    plain = moon_sky_nl(**at, extinction_mag=0.15)
    near = moon_sky_nl(**at, extinction_mag=0.15, wavelength_nm=550.0001)
    assert float(near) == pytest.approx(float(plain), rel=1e-5)


def test_solar_spectrum_against_the_reference_file() -> None:
    folder = Path(__file__).parents[3] / "shared" / "data" / "references" / "spectra"
    if not folder.is_dir():
        pytest.skip("the folder of open reference data is not beside this checkout")
    import warnings

    from astropy.io import fits

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        table = fits.getdata(folder / "sun_reference_stis_001.fits", 1)
    wave, flux = np.asarray(table["WAVELENGTH"], float) / 10.0, np.asarray(table["FLUX"], float)

    def photons(nm: float) -> float:
        near = np.abs(wave - nm) < 7.5
        return float(np.mean(flux[near] * wave[near]))

    for nm in (400.0, 500.7, 656.3, 750.0):
        assert moon_colour(nm) / (nm / 550.0) ** 1.1 == pytest.approx(photons(nm) / photons(550.0), rel=0.01)
