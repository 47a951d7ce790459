"""Binned and whole subs of one sky give the same facts once they are told in one pixel."""

from __future__ import annotations

from dataclasses import replace

import pytest

from nightfold.judge.binned import in_one_pixel
from nightfold.judge.records import FieldShape, SubFacts
from nightfold.judge.value import weight_of

WHOLE = SubFacts(
    frame_id=1, exposure_s=300.0, star_count=200, sky_e_per_s=0.032, noise_e=3.5, fwhm_px=2.2, half_flux_radius_px=1.2,
    ellipticity=0.1, ellipticity_angle_deg=10.0, saturated_fraction=0.0, transparency=1.0, scale=0.95, placed=True,
    predicted_dark_e_per_s=0.03, read_noise_e=1.6, arcsec_per_px=1.8, row_pattern_e=0.3,
    shape=FieldShape(drawn_px2=0.4, turning_px2=0.1, turning_error_px2=0.02, width2_tilt_px2=(0.2, -0.1), width2_bowl_px2=0.3, error_px2=0.05),
)  # fmt: skip
BINNED = replace(
    WHOLE, frame_id=2, sky_e_per_s=0.128, noise_e=7.0, fwhm_px=1.1, half_flux_radius_px=0.6, arcsec_per_px=3.6, row_pattern_e=0.3 * 2**1.5,
    shape=FieldShape(drawn_px2=0.1, turning_px2=0.025, turning_error_px2=0.005, width2_tilt_px2=(0.05, -0.025), width2_bowl_px2=0.075, error_px2=0.0125),
)  # fmt: skip


def test_one_sky_gives_one_set_of_facts() -> None:
    first, second = in_one_pixel([WHOLE, BINNED], [1, 2])
    assert first is WHOLE
    for name in ("sky_e_per_s", "noise_e", "fwhm_px", "half_flux_radius_px", "arcsec_per_px", "row_pattern_e", "read_noise_e"):  # fmt: skip
        assert getattr(second, name) == pytest.approx(getattr(WHOLE, name)), name
    for name in ("drawn_px2", "turning_px2", "turning_error_px2", "width2_tilt_px2", "width2_bowl_px2", "error_px2"):
        assert getattr(second.shape, name) == pytest.approx(getattr(WHOLE.shape, name)), name
    weights = weight_of(scale=[0.95, 0.95], exposure_s=[300.0, 300.0], noise_e=[s.noise_e for s in (first, second)])
    assert weights[0] == pytest.approx(weights[1])


def test_subs_of_one_binning_stay_as_measured() -> None:
    assert in_one_pixel([BINNED, BINNED], [2, 2]) == [BINNED, BINNED]
    assert in_one_pixel([], []) == []
