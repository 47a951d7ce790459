"""Depth of focus, expansion and filter thickness against rows O5 to O10 and O19."""

from __future__ import annotations

import math

import pytest

from nightfold.rig.focus import (
    EXPANSION_PER_K,
    defocus_fwhm_arcsec,
    depth_of_focus_um,
    drift_um_per_k,
    expansion_of,
    filter_focus_shift_mm,
    refocus_interval_s,
    seeing_tolerance_um,
    strehl_of_defocus,
)


@pytest.mark.parametrize(("nm", "um"), [(500.7, 16.0), (550.0, 17.6), (656.3, 21.0)])
def test_quarter_wave(nm: float, um: float) -> None:
    # CHECKS O5: Sacek, telescope-optics.net, eq. 23.
    assert depth_of_focus_um(nm, 4.0) == pytest.approx(um, rel=2e-3)
    assert strehl_of_defocus(depth_of_focus_um(nm, 4.0), nm, 4.0) == pytest.approx(0.8106, rel=1e-3)


@pytest.mark.parametrize(("tube", "drift", "kelvin"), [("aluminium", 18.9, 0.93), ("steel", 9.36, 1.88), ("stainless steel", 13.8, 1.28), ("carbon fibre", 0.8, 22.0)])  # fmt: skip
def test_drift_of_a_tube(tube: str, drift: float, kelvin: float) -> None:
    # CHECKS O7, O8.
    per_k = drift_um_per_k(EXPANSION_PER_K[tube], 800.0)
    assert per_k == pytest.approx(drift, rel=0.01)
    assert depth_of_focus_um(550.0, 4.0) / per_k == pytest.approx(kelvin, rel=0.01)


@pytest.mark.parametrize(("fwhm", "um"), [(2.0, 16.9), (2.5, 21.1), (3.0, 25.3), (4.0, 33.7)])
def test_seeing_limited_tolerance(fwhm: float, um: float) -> None:
    # CHECKS O9.
    tolerance = seeing_tolerance_um(fwhm, focal_ratio=4.0, focal_length_mm=800.0)
    assert tolerance == pytest.approx(um, rel=0.02)
    grown = defocus_fwhm_arcsec(fwhm, tolerance, focal_ratio=4.0, focal_length_mm=800.0)
    assert grown == pytest.approx(1.05 * fwhm, rel=1e-9)


@pytest.mark.parametrize(("um", "fwhm"), [(10, 2.529), (20, 2.613), (50, 3.138), (100, 4.544)])
def test_spacing_error(um: float, fwhm: float) -> None:
    # CHECKS O19.
    assert defocus_fwhm_arcsec(2.5, um, focal_ratio=4.0, focal_length_mm=800.0) == pytest.approx(fwhm, rel=0.03)


@pytest.mark.parametrize(("mm", "shift"), [(1.0, 0.342), (1.85, 0.633), (2.0, 0.684), (3.0, 1.026)])
def test_filter_moves_focus(mm: float, shift: float) -> None:
    assert filter_focus_shift_mm(mm) == pytest.approx(shift, rel=1e-3)  # CHECKS O10


def test_refocus_interval() -> None:
    # 106 mm f/5 in aluminium, 6 K over 8 h: 12.5 um/K * 0.75 K/h = 9.38 um/h; 27.5 um last 2.93 h.
    interval = refocus_interval_s(
        tolerance_um=depth_of_focus_um(550.0, 5.0), expansion_per_k=23.6e-6, focal_length_mm=530.0, cooling_k=6.0,
        night_s=8 * 3600.0,
    )  # fmt: skip
    assert interval / 3600.0 == pytest.approx(27.5 / (23.6e-3 * 530.0 * 0.75), rel=1e-9)
    still = refocus_interval_s(
        tolerance_um=20.0, expansion_per_k=23.6e-6, focal_length_mm=530.0, cooling_k=0.0, night_s=3600.0
    )
    assert math.isinf(still)


def test_stated_expansion_goes_first() -> None:
    assert expansion_of("aluminium", 5e-6) == 5e-6
    assert expansion_of("steel") == 11.7e-6
    assert expansion_of(None) is None
