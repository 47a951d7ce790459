"""Gains, hours and floors against the check values, closed forms and made-up stacks."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from nightfold.depth.core import (
    Noise,
    Subs,
    fit_floor,
    gain_of_next_hour,
    hours_from_scratch,
    hours_to,
    nested_parts,
)
from nightfold.depth.forecast import NightsAhead, Wish, nights_ahead
from nightfold.depth.goals import faintness_warning, goal_words, wanted_of
from nightfold.depth.windows import choose_windows
from nightfold.errors import SettingsError
from nightfold.judge.photometry.core import MAG_PER_RELATIVE
from nightfold.rig.core import stack_snr
from nightfold.settings.files import parse_settings
from nightfold.settings.models import Goal
from nightfold.sky.usable_hours import NightHours


def test_the_next_hour_by_the_check_values() -> None:
    # CHECKS D10: SNR times sqrt(1 + 1/T): T 1, 2, 4, 10, 40 h -> +41.4, 22.5, 11.8, 4.88, 1.24 percent.
    for hours, gain in ((1, 0.414), (2, 0.225), (4, 0.118), (10, 0.0488), (40, 0.0124)):
        noise = Noise(variance=1.0, floor_variance=0.0, information=3.0 * hours, effective_exposure_s=3600.0 * hours)
        assert gain_of_next_hour(noise, None, 3.0) == pytest.approx(gain, abs=6e-4)
        assert gain_of_next_hour(noise, 2.0, 3.0) == pytest.approx(gain, abs=6e-4)


def test_hours_to_a_goal_come_true() -> None:
    noise = Noise(variance=4.0, floor_variance=0.5, information=100.0, effective_exposure_s=7200.0)
    left = hours_to(noise, 12.0, 9.0, 20.0)
    assert left is not None
    assert noise.snr(12.0, 100.0 + 20.0 * left) == pytest.approx(9.0, rel=1e-9)
    assert hours_to(noise, 12.0, 1.0, 20.0) == 0.0
    assert hours_to(noise, 12.0, 17.5, 20.0) is None, "the floor alone is 12 / sqrt(0.5) = 17.0"
    # Twice the SNR takes four times the time where nothing but the sky makes noise (CHECKS D10).
    plain = Noise(variance=1.0, floor_variance=0.0, information=10.0, effective_exposure_s=1e12)
    assert hours_to(plain, 5.0, 10.0, 10.0) == pytest.approx(3.0, rel=1e-6)


def test_hours_from_scratch_by_the_check_values() -> None:
    # CHECKS D9: s .05, b .3, d .002 e/s/px, NR 3.5: 120 x 300 s -> SNR 15.136 in one pixel.
    kind = {"sky_e_per_s": 0.3, "dark_e_per_s": 0.002, "read_noise_e": 3.5, "exposure_s": 300.0}
    assert stack_snr(signal_e_per_s=0.05, subs=120, **kind) == pytest.approx(15.136, abs=1e-3)  # type: ignore[arg-type]
    assert hours_from_scratch(signal_e_per_s=0.05, box_px2=1.0, snr=15.136, **kind) == pytest.approx(10.0, rel=1e-3)


def test_information_and_effective_exposure() -> None:
    n = 5
    subs = Subs(exposure_s=np.full(n, 100.0), scale=np.ones(n), sigma=np.full(n, 2.0), weight=np.full(n, 0.2))
    assert subs.effective_exposure_s == pytest.approx(500.0)
    assert subs.information.sum() == pytest.approx(n / 4.0)
    assert subs.information_per_hour == pytest.approx(36.0 / 4.0)
    # Photon noise of a signal in a weighted mean, by simulation.
    rng = np.random.default_rng(6)
    w, scale, time = np.array([0.5, 0.3, 0.2]), np.array([1.0, 0.7, 0.4]), np.array([300.0, 120.0, 200.0])
    mixed = Subs(exposure_s=time, scale=scale, sigma=np.ones(3), weight=w)
    draws = (w * rng.poisson(3.0 * scale * time, (40_000, 3)) / (scale * time)).sum(axis=1)
    assert draws.var() == pytest.approx(3.0 / mixed.effective_exposure_s, rel=0.03)


def test_a_floor_is_found_and_not_invented() -> None:
    information = [2.0, 4.0, 8.0, 16.0]
    for floor in (0.0, 0.02):
        variance = [0.4 / i + floor for i in information]
        a, found, error = fit_floor(information, variance, [0.02 * v for v in variance])
        assert a == pytest.approx(0.4, rel=1e-6)
        assert found == pytest.approx(floor, abs=1e-9)
        assert error > 0.0
    a, found, _ = fit_floor(information, [0.4 / i * (1.05 - 0.01 * i) for i in information], [0.01] * 4)
    assert found == 0.0
    assert a > 0.0


def test_a_master_dark_that_does_not_average_down() -> None:
    # CHECKS D14: s 5, n 60, d 3, m 20 -> 0.931 against 0.645 ideal; the master dark's 9/20 is the floor.
    subs = [7.5, 15.0, 30.0, 60.0]
    variance = [25.0 / n + 9.0 / 20.0 for n in subs]
    a, floor, _ = fit_floor(subs, variance, [0.01 * v for v in variance])
    assert np.sqrt(variance[-1]) == pytest.approx(0.931, abs=1e-3)
    assert np.sqrt(a / 60.0) == pytest.approx(0.645, abs=1e-3)
    assert floor == pytest.approx(0.45, rel=1e-6)


def test_signal_to_noise_of_the_ccd_equation() -> None:
    # CHECKS D1 (Merline & Howell 1995; Howell, Handbook of CCD Astronomy 4.4): 24013 ADU at 5 e/ADU, sky 620 ADU/px, dark 22 e/px/h
    # for 300 s, read noise 5 e, one pixel -> 342. Here in electrons a second over the exposure.
    time = 300.0
    sky = (620.0 * 5.0 + 22.0 / 12.0 + 25.0) / time**2
    noise = Noise(variance=sky, floor_variance=0.0, information=1.0, effective_exposure_s=time)
    assert noise.snr(24013.0 * 5.0 / time) == pytest.approx(342.0, abs=0.5)
    # CHECKS D2: SNR 342 -> 0.00317 mag.
    assert pytest.approx(0.00317, abs=1e-5) == MAG_PER_RELATIVE / 342.0


def test_parts_double_and_share_the_nights() -> None:
    parts = nested_parts(40)
    assert [len(p[0]) for p in parts] == [5, 10, 20, 40]
    assert [len(p) for p in parts] == [4, 4, 2, 1]
    assert np.array_equal(np.sort(np.concatenate(parts[2])), np.arange(40))
    assert [len(p[0]) for p in nested_parts(3)] == [3]


def test_windows_are_chosen_where_the_sky_is_blank() -> None:
    blank = np.zeros((1200, 1600), bool)
    blank[:, :400] = True
    windows = choose_windows(blank, (10, 20, 1609, 1219), size_px=384, most=3)
    assert len(windows) == 3
    assert all(x0 == 10 and x1 - x0 == 383 for x0, _, x1, _ in windows)
    assert choose_windows(blank[:300, :300], (0, 0, 299, 299)) == [(0, 0, 299, 299)]


def _goal(**keys: object) -> Goal:
    return Goal.model_validate({"filter": "Ha", **keys})


def test_goals_of_every_kind() -> None:
    known = {"zero_point_mag": 20.0, "rayleigh_e_per_s_arcsec2": 0.002}
    assert wanted_of(_goal(surface_brightness_rayleigh=5.0), **known).rate_e_per_s_arcsec2 == pytest.approx(0.01)
    assert wanted_of(_goal(surface_brightness_mag_arcsec2=25.0), **known).rate_e_per_s_arcsec2 == pytest.approx(0.01)
    assert wanted_of(_goal(hours=4.0), **known).rate_e_per_s_arcsec2 is None
    like = wanted_of(_goal(like_master="old.fits", snr=8.0), **known, like_sigma_e_per_s_arcsec2=0.003)
    assert (like.rate_e_per_s_arcsec2, like.photons) == (pytest.approx(0.024), False)
    assert wanted_of(_goal(spot_px=[10, 20]), **known, spot_e_per_s_arcsec2=0.2).rate_e_per_s_arcsec2 == 0.2
    assert "spot" in wanted_of(_goal(spot_px=[10, 20]), **known, spot_e_per_s_arcsec2=-0.1).lacks
    lost = wanted_of(_goal(surface_brightness_rayleigh=5.0), zero_point_mag=None, rayleigh_e_per_s_arcsec2=None)
    assert lost.rate_e_per_s_arcsec2 is None
    assert lost.lacks
    assert "5 rayleigh" in goal_words(_goal(surface_brightness_rayleigh=5.0))
    with pytest.raises(SettingsError, match="exactly one"):
        parse_settings(
            'name = "x"\n[[target]]\nname = "t"\n[[target.goal]]\nfilter = "Ha"\nhours = 2\nspot_px = [1, 2]\n',
            "campaign.toml",
        )


def test_a_goal_far_below_the_sky_is_warned_of() -> None:
    assert faintness_warning("Ha", 0.03, 1.0) is None
    told = faintness_warning("Ha", 0.01, 1.0)
    assert told is not None
    assert "1.0 %" in told
    assert faintness_warning("Ha", None, 1.0) is None


def _nights(count: int, hours: float) -> list[NightHours]:
    first = date(2026, 5, 1)
    return [
        NightHours(first + timedelta(days=i), hours, hours, {"Ha": hours, "OIII": hours / 2}, 0.5) for i in range(count)
    ]


def test_nights_ahead_in_certain_weather() -> None:
    def sure(month: int) -> float:
        return 1.0

    one = Wish(name="Ha", rig="Heron 106", hours=11.0, nights=_nights(30, 4.0))
    assert nights_ahead([one], first=date(2026, 5, 1), clear_probability=sure) == NightsAhead(median=3, p10=3, p90=3)
    other = Wish(name="OIII", rig="Wren 61", hours=9.0, nights=_nights(30, 4.0), moon_free_of="OIII")
    side_by_side = nights_ahead([one, other], first=date(2026, 5, 1), clear_probability=sure)
    assert side_by_side.median == 5, "9 h at 2 h a night, while the other rig does its own"
    assert nights_ahead([], first=date(2026, 5, 1), clear_probability=sure) == NightsAhead(median=0, p10=0, p90=0)
    never = nights_ahead([one], first=date(2026, 5, 1), clear_probability=lambda month: 0.0)
    assert never == NightsAhead(median=None, p10=None, p90=None)


def test_nights_ahead_follow_the_geometric_law() -> None:
    # One clear night wanted, each clear with p = 0.25, no persistence: 1 - 0.75^n passes 0.1, 0.5, 0.9 at n = 1, 3, 9.
    wish = Wish(name="Ha", rig="Heron 106", hours=1.0, nights=_nights(80, 4.0))
    found = nights_ahead(
        [wish], first=date(2026, 5, 1), clear_probability=lambda month: 0.25, persistence=0.0, draws=20_000
    )
    assert (found.p10, found.median) == (1, 3)
    assert found.p90 in (8, 9)
