"""Whole frames: photon transfer, noise, patterns, ceilings, calibration that fits, cosmic rays and trails."""

from __future__ import annotations

import math
import time
from dataclasses import replace

import numpy as np
import pytest

from nightfold.errors import SettingsError
from nightfold.simulate.frames import render_bias, render_dark, render_flat, render_sub, sky_light
from nightfold.simulate.rig import SimFilter, SimRig
from nightfold.simulate.scene import random_scene, star_scene
from nightfold.simulate.sensor import light_path, sensor_of
from nightfold.simulate.truth import Conditions, Trail

RIG = SimRig(
    name="test rig",
    aperture_mm=61.0,
    focal_length_mm=275.0,
    pixel_um=4.63,
    width_px=400,
    height_px=300,
    filters=(SimFilter(name="Ha", centre_nm=656.28, width_nm=5.0, line="Ha"),),
    seed=4,
)
PLAIN = replace(
    RIG,
    pixel_response_sigma=0.0,
    vignetting=0.0,
    dust_shadows=0,
    hot_pixel_share=0.0,
    hot_columns=0,
    amplifier_glow_e_per_s=0.0,
    bias_column_adu=0.0,
    row_noise_e=0.0,
    dark_e_per_s=0.0,
)
STATE = Conditions(filter="Ha", exposure_s=120.0, seeing_arcsec=4.0, sky_mag_arcsec2=20.0)
EMPTY = star_scene([], [], [])


@pytest.mark.parametrize(("e_per_adu", "bits"), [(0.25, 16), (1.3, 16), (0.25, 14)])
def test_photon_transfer_of_flat_pairs_gives_gain_and_read_noise(e_per_adu: float, bits: int) -> None:
    """Gain and read noise from pairs of flats and biases: (F1+F2-B1-B2) / (var(F1-F2) - var(B1-B2)), Janesick 2001.

    A 14-bit converter written to 16 bits has steps of 4 ADU, whose rounding adds step²/12 to the read noise.
    """
    rig = replace(RIG, e_per_adu=e_per_adu, bits=bits, read_noise_e=2.2)
    f1, f2 = (render_flat(rig, "Ha", s).astype(float) for s in (1, 2))
    b1, b2 = (render_bias(replace(rig, row_noise_e=0.0), s).astype(float) for s in (3, 4))
    gain = (f1 + f2 - b1 - b2).mean() / ((f1 - f2).var() - (b1 - b2).var())
    assert gain == pytest.approx(e_per_adu, rel=5 * math.sqrt(2.0 / f1.size))
    rounding = rig.adu_step * e_per_adu / math.sqrt(12.0)
    assert gain * (b1 - b2).std() / math.sqrt(2.0) == pytest.approx(math.hypot(2.2, rounding), rel=0.02)
    assert np.unique(f1 % rig.adu_step).tolist() == [0.0]
    assert b1.mean() == pytest.approx(rig.offset_adu, abs=1.5)


def test_the_mean_frame_is_the_expected_light_through_the_light_path() -> None:
    rig = replace(PLAIN, vignetting=0.3, dust_shadows=4, pixel_response_sigma=0.01)
    scene = random_scene(2, size_arcmin=(30, 30), faintest_g=13.0)
    light, truth = sky_light(scene, rig, STATE)
    path = light_path(rig, "Ha")
    assert path[0, 0] == pytest.approx(0.7, abs=0.06)
    frames = [render_sub(scene, rig, replace(STATE, cosmic_rays=False), s)[0] for s in range(12)]
    mean = (np.mean(frames, axis=0) - rig.offset_adu) * rig.e_per_adu
    expected = light * path
    calm = expected < 3000.0  # below the full well by many sigma
    z = (mean - expected)[calm] / np.sqrt((expected[calm] + rig.read_noise_e**2) / 12.0)
    assert abs(z.mean()) < 5.0 / math.sqrt(z.size)
    assert z.std() == pytest.approx(1.0, abs=0.02)
    assert truth.sky_e == pytest.approx(float(np.median(light)), rel=0.05)


def test_the_same_seed_gives_the_same_frame_and_another_does_not() -> None:
    scene = random_scene(2, size_arcmin=(30, 30), faintest_g=13.0)
    one, again, other = (render_sub(scene, RIG, STATE, s)[0] for s in (5, 5, 6))
    assert one.dtype == np.uint16
    assert one.shape == (300, 400)
    assert np.array_equal(one, again)
    assert not np.array_equal(one, other)


def test_bright_stars_end_at_full_well_and_at_the_ceiling() -> None:
    bright = star_scene([0.0], [0.0], [3.0])
    full = replace(PLAIN, read_noise_e=0.0, full_well_e=9000.0, e_per_adu=0.5)
    assert render_sub(bright, full, STATE, 1)[0].max() == 200 + 18000
    short = replace(PLAIN, full_well_e=1e5, e_per_adu=0.5, bits=12)
    assert render_sub(bright, short, STATE, 1)[0].max() == 4095 * 16
    bare = replace(short, left_justified=False)
    assert render_sub(bright, bare, STATE, 1)[0].max() == 4095


def test_dark_current_doubles_and_hot_pixels_come_back() -> None:
    rig = replace(RIG, dark_e_per_s=0.05, hot_pixel_share=1e-3, telegraph_share=0.0, dark_doubling_k=6.0)
    warm = [render_dark(rig, s, exposure_s=200.0, sensor_c=1.0, cosmic_rays=False).astype(float) for s in range(4)]
    cold = [render_dark(rig, s, exposure_s=200.0, sensor_c=-5.0, cosmic_rays=False).astype(float) for s in range(4)]
    bias = np.mean([render_bias(rig, s) for s in range(4)], axis=0)
    quiet = np.s_[150:, :200]  # away from the amplifier
    rise = [np.median(np.mean(f, axis=0)[quiet] - bias[quiet]) * rig.e_per_adu for f in (warm, cold)]
    assert rise[0] / rise[1] == pytest.approx(2.0, abs=0.1)
    hot = sensor_of(rig).hot_pixels
    assert len(hot) == 120
    excess = (np.mean(warm, axis=0) - bias)[hot[:, 1], hot[:, 0]] * rig.e_per_adu
    rates = sensor_of(rig).dark_e_per_s[hot[:, 1], hot[:, 0]] + sensor_of(rig).glow_e_per_s[hot[:, 1], hot[:, 0]] / 2
    noise = np.sqrt((rates * 400.0 + 2 * rig.read_noise_e**2) / 4.0)
    assert np.abs((excess - rates * 400.0) / noise).max() < 5.0


def test_amplifier_glow_grows_towards_its_corner_with_time() -> None:
    rig = replace(PLAIN, amplifier_glow_e_per_s=0.5)
    frame = render_dark(rig, 1, exposure_s=300.0, sensor_c=-5.0, cosmic_rays=False).astype(float) - rig.offset_adu
    corner, far = frame[-12:, -12:].mean() * rig.e_per_adu, frame[:50, :50].mean() * rig.e_per_adu
    assert corner == pytest.approx(0.5 * 300.0, rel=0.2)
    assert abs(far) < 0.5


def test_telegraph_pixels_are_on_in_some_frames_only() -> None:
    rig = replace(PLAIN, hot_pixel_share=1e-3, hot_pixel_e_per_s=20.0, telegraph_share=1.0)
    at = sensor_of(rig).telegraph
    frames = np.stack([render_dark(rig, s, exposure_s=60.0, sensor_c=-5.0, cosmic_rays=False) for s in range(16)])
    on = frames[:, at[:, 1], at[:, 0]] > rig.offset_adu + 60
    share = on.mean(axis=0)[sensor_of(rig).telegraph_e_per_s > 1.0]
    assert share.mean() == pytest.approx(0.5, abs=0.06)
    assert ((share > 0.0) & (share < 1.0)).mean() > 0.95


def test_flats_fit_but_for_the_stated_mismatch() -> None:
    rig = replace(RIG, flat_mismatch=0.02)
    ratio = light_path(rig, "Ha") / light_path(rig, "Ha", of_flat=True)
    assert np.abs(ratio - 1.0).max() == pytest.approx(0.02, rel=0.02)
    exact = replace(RIG, flat_mismatch=0.0)
    assert np.array_equal(light_path(exact, "Ha"), light_path(exact, "Ha", of_flat=True))
    assert not np.array_equal(light_path(exact, "Ha"), light_path(exact, "Ha", angle_deg=20.0))


def test_a_flat_has_its_level() -> None:
    flat = render_flat(PLAIN, "Ha", 1, level=0.5)
    assert (flat.mean() - PLAIN.offset_adu) * PLAIN.e_per_adu == pytest.approx(8000.0, rel=1e-3)


def test_cosmic_rays_are_in_the_frame_and_in_the_truth() -> None:
    rig = replace(PLAIN, cosmic_rays_per_cm2_min=1500.0, read_noise_e=1.0)
    frame, truth = render_sub(EMPTY, rig, replace(STATE, sky_mag_arcsec2=25.0), 3)
    assert len(truth.cosmic_xy) > 30
    x, y = truth.cosmic_xy.T
    signal = (frame.astype(float) - rig.offset_adu) * rig.e_per_adu
    expected = np.minimum(truth.cosmic_e + truth.sky_e, rig.full_well_e)
    assert signal[y, x] == pytest.approx(expected, abs=6.0 + 6 * math.sqrt(truth.sky_e))
    signal[y, x] = 0.0
    assert signal.max() < 8.0 + 8 * math.sqrt(truth.sky_e)
    clean, none = render_sub(EMPTY, rig, replace(STATE, sky_mag_arcsec2=25.0, cosmic_rays=False), 3)
    assert len(none.cosmic_xy) == 0
    assert clean.max() < frame.max()


def test_a_trail_has_its_width_brightness_and_place() -> None:
    trail = Trail(start=(-50.0, 40.0), end=(450.0, 240.0), peak_e=300.0, fwhm_px=3.0)
    image, truth = sky_light(EMPTY, PLAIN, replace(STATE, sky_mag_arcsec2=60.0, trails=(trail,)))
    assert truth.trails == (trail,)
    slope = math.atan2(200.0, 500.0)
    column = image[:, 200].astype(float)
    # A column cuts the trail at an angle: its sum is the closed Gaussian integral over cos(slope).
    assert column.sum() == pytest.approx(300.0 * 3.0 * math.sqrt(math.pi / 4 / math.log(2)) / math.cos(slope), rel=1e-3)
    assert column @ np.arange(300) / column.sum() == pytest.approx(140.0, abs=1e-3)


def test_dew_spreads_light_and_keeps_it() -> None:
    big = replace(PLAIN, width_px=801, height_px=801)
    scene = star_scene([0.0], [0.0], [10.0])
    state = replace(STATE, sky_mag_arcsec2=60.0)
    sharp, _ = sky_light(scene, big, state)
    dewed, truth = sky_light(scene, big, replace(state, halo_share=0.5))
    assert dewed.sum(dtype=np.float64) == pytest.approx(truth.star_flux_e[0], rel=2e-3)
    assert dewed.max() < 0.6 * sharp.max()


def test_a_colour_array_shows_its_cells() -> None:
    rig = replace(PLAIN, cfa="RGGB")
    flat = light_path(rig, "Ha")
    assert flat[0, 0] > 5 * flat[0, 1]
    assert flat[0, 1] == flat[1, 0]
    assert flat[2, 2] == pytest.approx(flat[0, 0], rel=0.02)


@pytest.mark.parametrize("change", [{"width_px": 0}, {"e_per_adu": -1.0}, {"bits": 20}])
def test_impossible_rigs_are_refused(change: dict[str, float]) -> None:
    with pytest.raises(SettingsError, match="is impossible"):
        replace(RIG, **change)  # type: ignore[arg-type]


def test_a_filter_that_is_not_there_is_named() -> None:
    with pytest.raises(SettingsError, match=r"'OIII'.*allowed: Ha"):
        render_sub(EMPTY, RIG, replace(STATE, filter="OIII"), 1)
    with pytest.raises(SettingsError, match="exposure"):
        render_sub(EMPTY, RIG, replace(STATE, exposure_s=0.0), 1)


def test_a_large_frame_takes_about_a_second() -> None:
    rig = replace(RIG, width_px=1600, height_px=1100, coma_px=0.5, distortion=1e-3)
    scene = random_scene(5, size_arcmin=(100, 70), faintest_g=16.5)
    render_sub(scene, rig, STATE, 1)
    best = math.inf
    for seed in (2, 3, 4):
        begun = time.process_time()
        render_sub(scene, rig, STATE, seed)
        best = min(best, time.process_time() - begun)
    assert best < 1.2
