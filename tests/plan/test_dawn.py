"""Sky flats at dawn against their own definition: each gathers what is wanted under the light of its time."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from scipy.integrate import quad

from nightfold.plan.dawn import LEAST_FLAT_S, MOST_FLAT_S, WELL_SHARE, dawn_flats, flat_exposure_s, flat_sky_e_per_s
from nightfold.rig.photometry import Optics
from nightfold.sky.brightness import Band
from nightfold.sky.ephemeris import Place
from nightfold.sky.night import night_at

OPTICS = Optics(aperture_mm=106.0, focal_length_mm=530.0, pixel_um=4.63, efficiency=0.6)
NARROW, BROAD = Band("Ha", 656.3, 3.0), Band("L", 550.0, 300.0)
NIGHT = night_at(Place(-32.6, 147.2, 390.0), date(2026, 6, 5))
WELL = 16000.0


def test_exposure_under_rising_light() -> None:
    # Tyson & Gal 1993: the integral of an exponential. Here by quadrature.
    for rate, growth, wanted in ((200.0, 0.004, 6400.0), (800.0, -0.003, 6400.0), (100.0, 0.0, 500.0)):
        lasts = flat_exposure_s(rate, growth, wanted)
        gathered, _ = quad(lambda t, r=rate, g=growth: r * np.exp(g * t), 0.0, lasts)
        assert gathered == pytest.approx(wanted, rel=1e-9)
    assert flat_exposure_s(10.0, -0.01, 2000.0) == float("inf")  # fading light never gathers more than 1000


@pytest.mark.parametrize("band", [NARROW, BROAD])
def test_flats_of_a_morning(band: Band) -> None:
    window = dawn_flats(NIGHT, band, OPTICS, full_well_e=WELL, between_s=3.0, wanted=25)
    assert window is not None
    assert NIGHT.sunrise is not None
    assert 0 < window.count <= 25
    assert LEAST_FLAT_S <= window.last_s < window.first_s <= MOST_FLAT_S
    # The first flat, counted by the light itself.
    begin = window.start.timestamp()
    at = np.linspace(begin, begin + window.first_s, 400)
    rate = flat_sky_e_per_s(NIGHT.sun_track.altitude_deg(at), band, OPTICS)
    assert np.trapezoid(rate, at) == pytest.approx(WELL_SHARE * WELL, rel=0.03)


def test_broad_filters_go_first_in_the_morning() -> None:
    broad, narrow = (dawn_flats(NIGHT, b, OPTICS, full_well_e=WELL, between_s=3.0, wanted=25) for b in (BROAD, NARROW))
    assert broad is not None
    assert narrow is not None
    assert broad.end < narrow.start


def test_the_light_goes_on_without_a_step() -> None:
    sun = np.array([-5.001, -4.999, -4.0, -3.0])
    rate = flat_sky_e_per_s(sun, NARROW, OPTICS)
    assert rate[1] / rate[0] == pytest.approx(1.0, abs=0.01)
    # 0.094 in the logarithm a minute where the Sun sinks 0.217 degrees a minute: 1.08 mag a degree (value from memory).
    assert 2.5 * np.log10(rate[3] / rate[2]) == pytest.approx(0.094 * 2.5 / 0.217, abs=0.01)


def test_no_window_without_a_well_or_a_dawn() -> None:
    assert dawn_flats(NIGHT, NARROW, OPTICS, full_well_e=float("inf"), between_s=3.0, wanted=25) is None
    winter = night_at(Place(84.0, 15.0), date(2026, 12, 21))
    assert dawn_flats(winter, NARROW, OPTICS, full_well_e=WELL, between_s=3.0, wanted=25) is None
