"""Rigs in numbers: what is given, what is taken for it, and what is told."""

from __future__ import annotations

import pytest
from plan_campaigns import SITE, campaign, rig_text

from nightfold.plan.equipment import equipment_of, limits_of, optics_for, refocus_s_of, shooting_of, sky_model_of
from nightfold.settings.models import Goal


def test_a_rig_with_all_its_numbers() -> None:
    rig = campaign(rig_text()).rig[0]
    gear = equipment_of(rig)
    assert gear.missing == ()
    assert gear.measured
    assert gear.optics.scale_arcsec_px == pytest.approx(206.264806 * 4.63 / 530)  # CHECKS O1's formula
    assert gear.dark_e_per_s == 0.002
    assert gear.bytes_per_sub == 4144 * 2822 * 2 + 5760
    assert set(gear.wheels) == {"Ha", "OIII", "SII"}
    assert gear.overhead_s(300.0) == pytest.approx(13.0)
    assert gear.overhead_s(60.0) == pytest.approx(3.0 + 2.0)


def test_lines_in_the_cone() -> None:
    """CHECKS O13's kind: 3 nm at f/5 pass 0.927 (index 2.0) to 0.868 (1.7) of H-alpha with an obstruction; open, a little more."""
    rig = campaign(rig_text()).rig[0]
    wheel = equipment_of(rig).wheels["Ha"]
    assert wheel.line_transmission is not None
    assert 0.868 < wheel.line_transmission / 0.9 < 0.96
    broad = equipment_of(campaign(rig_text(filters=("L",))).rig[0]).wheels["L"]
    assert broad.line_transmission is None
    assert not broad.narrow


def test_goals_in_rayleigh_and_magnitudes() -> None:
    gear = equipment_of(campaign(rig_text()).rig[0])
    wheel = gear.wheels["Ha"]
    line = shooting_of(gear, wheel, Goal(filter="Ha", surface_brightness_rayleigh=20.0), sub_s=300.0)
    twice = shooting_of(gear, wheel, Goal(filter="Ha", surface_brightness_rayleigh=40.0), sub_s=300.0)
    assert twice.signal_e_per_s == pytest.approx(2.0 * line.signal_e_per_s)
    faint = shooting_of(gear, wheel, Goal(filter="Ha", surface_brightness_mag_arcsec2=26.0), sub_s=300.0)
    fainter = shooting_of(gear, wheel, Goal(filter="Ha", surface_brightness_mag_arcsec2=27.0), sub_s=300.0)
    assert faint.signal_e_per_s / fainter.signal_e_per_s == pytest.approx(10**0.4)


def test_measured_light_replaces_the_promise() -> None:
    rig = campaign(rig_text()).rig[0]
    gear = equipment_of(rig, throughput={("Heron 106", "Ha"): 0.8, ("Wren 61", "OIII"): 0.5})
    plain = equipment_of(rig)
    for name, share in (("Ha", 0.8), ("OIII", 1.0)):
        ratio = optics_for(gear, gear.wheels[name]).efficiency / optics_for(plain, plain.wheels[name]).efficiency
        assert ratio == pytest.approx(share)


def test_an_empty_rig_says_what_it_lacks() -> None:
    bare = equipment_of(campaign('[[rig]]\nname = "Bare"\n').rig[0], ("Ha", "L", "Violet"))
    assert not bare.measured
    assert set(bare.wheels) == {"Ha", "L"}
    told = " ".join(bare.missing)
    for word in ("aperture_mm", "quantum_efficiency", "read_noise_e", "dark_e_per_s", "filter Violet"):
        assert word in told
    assert bare.bytes_per_sub is None


def test_limits_site_and_focus() -> None:
    text = SITE + "horizon_deg = [[0, 15], [180, 40]]\n"
    wanted = campaign(rig_text(), site=text)
    assert wanted.site is not None
    limits = limits_of(wanted.rig[0], wanted.site)
    assert limits.min_altitude_deg == 30.0
    assert list(limits.profile) == [(0.0, 15.0), (180.0, 40.0)]
    model, missing = sky_model_of(wanted.site)
    assert (model.zenith_v_mag, missing) == (21.2, ())
    interval, told = refocus_s_of(wanted.rig[0], wanted.site, 10 * 3600.0)
    # 23.6e-6 x 530 mm = 12.5 um/K, 0.8 K an hour; a quarter wave at f/5 is 27.5 um (CHECKS O5, O8), 5 % growth of 3.4 arcsec less.
    assert interval == pytest.approx(27.5 / 12.5 / 0.8 * 3600.0, rel=0.01)
    assert told is None
    dark = campaign(rig_text(), site=SITE.replace("sky_mag_arcsec2 = 21.2\n", ""))
    assert dark.site is not None
    assert "sky_mag_arcsec2 is not given" in sky_model_of(dark.site)[1][0]
