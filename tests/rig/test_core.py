"""Scale, field and noise against CHECKS sections 4 and 5 (definitions, Merline & Howell 1995, algebra)."""

from __future__ import annotations

import pytest

from nightfold.rig import core


def test_scale_and_field_of_the_reference_rig() -> None:
    # CHECKS O1, O2.
    assert core.scale_arcsec_px(3.76, 800.0) == pytest.approx(0.969445, abs=1e-5)
    assert core.field_deg(6248, 3.76, 800.0) == pytest.approx(1.6824, abs=1e-4)
    assert core.field_deg(4176, 3.76, 800.0) == pytest.approx(1.1245, abs=1e-4)


@pytest.mark.parametrize(
    ("penalty", "multiple"), [(0.01, 49.75), (0.02, 24.75), (0.05, 9.756), (0.10, 4.762), (0.20, 2.273)]
)
def test_sub_length_for_a_noise_penalty(penalty: float, multiple: float) -> None:
    # CHECKS D6: sky electrons per pixel in multiples of the squared read noise.
    t = core.exposure_for_penalty_s(penalty, sky_e_per_s=0.1, read_noise_e=1.5)
    assert 0.1 * t / 1.5**2 == pytest.approx(multiple, rel=1e-3)
    assert core.read_noise_penalty(sky_e_per_s=0.1, exposure_s=t, read_noise_e=1.5) == pytest.approx(penalty, rel=1e-9)


@pytest.mark.parametrize(("read_noise", "seconds"), [(1.5, (1098, 220, 43.9)), (3.5, (5976, 1195, 239))])
def test_sub_length_in_seconds(read_noise: float, seconds: tuple[float, ...]) -> None:
    # CHECKS D7, at 5 percent.
    found = [core.exposure_for_penalty_s(0.05, sky_e_per_s=sky, read_noise_e=read_noise) for sky in (0.02, 0.1, 0.5)]
    assert found == pytest.approx(seconds, rel=3e-3)  # printed to the whole second


@pytest.mark.parametrize(("subs", "seconds", "snr"), [(60, 60, 4.023), (12, 300, 4.786), (120, 300, 15.136)])
def test_stack_of_equal_subs(subs: int, seconds: float, snr: float) -> None:
    # CHECKS D9.
    found = core.stack_snr(
        signal_e_per_s=0.05, sky_e_per_s=0.3, dark_e_per_s=0.002, read_noise_e=3.5, exposure_s=seconds, subs=subs
    )
    assert found == pytest.approx(snr, rel=1e-3)


def test_no_light_never_reaches_the_penalty() -> None:
    assert core.exposure_for_penalty_s(0.05, sky_e_per_s=0.0, read_noise_e=1.0) == float("inf")


def test_pixel_noise_adds_in_quadrature() -> None:
    found = core.pixel_noise_e(sky_e_per_s=[0.05], exposure_s=[180.0], read_noise_e=4.0, dark_e_per_s=0.0)
    assert found[0] == pytest.approx((9.0 + 16.0) ** 0.5)
