"""Findings over many subs, each on made-up data with known truth."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from nightfold.judge.findings.comparing import compare_nights, sharper_or_deeper
from nightfold.judge.findings.creep import creep_of, streak_ratio
from nightfold.judge.findings.folder import apart_deg, clock_off_h, in_daylight, overlapping_exposures, two_targets
from nightfold.judge.findings.halos import bright_places, gap_mm, ring_around
from nightfold.judge.findings.misfit import camera_fixed, flat_misfit, glow_left, moved_dust, stuck_places
from nightfold.judge.findings.stage import creep_words
from nightfold.judge.records import SubFacts

RNG = np.random.default_rng


# -- creep ------------------------------------------------------------------------------------------------------------


def test_a_steady_drift_is_told_after_ten_subs() -> None:
    n = np.arange(12)
    positions = np.column_stack([0.48 * n, 0.36 * n]) + RNG(1).normal(0, 0.2, (12, 2))
    creep = creep_of(positions)
    assert creep is not None
    assert creep.steady
    assert creep.step_px == pytest.approx(0.6, abs=0.06)
    assert creep.angle_deg == pytest.approx(36.9, abs=5)
    assert creep_words(creep, "Wren 61").startswith("Wren 61: 0.6 px a sub in one direction over 12 subs")
    assert creep_of(positions[:9]) is None


def test_random_steps_hide_a_drift_and_no_steps_at_all_are_told() -> None:
    n = np.arange(15)
    drift = np.column_stack([0.6 * n, 0.0 * n])
    dithered = creep_of(drift + RNG(2).normal(0, 8, (15, 2)))
    assert dithered is not None
    assert not dithered.steady
    assert not dithered.still
    still = creep_of(RNG(3).normal(0, 0.1, (15, 2)))
    assert still is not None
    assert still.still
    assert "adds up" in creep_words(still, None)


def test_false_alarms_of_creep_are_rare() -> None:
    alarms = [creep_of(RNG(s).normal(0, 2.0, (20, 2))) for s in range(300)]
    assert sum(c is not None and c.steady for c in alarms) <= 1


def test_streaks_stand_out_in_their_direction_only() -> None:
    rng = RNG(5)
    blank = rng.normal(0, 1, (400, 500))
    assert streak_ratio(blank, 25.0) == pytest.approx(1.0, abs=0.1)
    # A fixed pattern of hot columns of grain, drawn along 25 degrees by 0.7 px a sub.
    grain, streaked = rng.normal(0, 1, (400, 500)), np.zeros((400, 500))
    for k in range(60):
        dx, dy = round(0.7 * k * math.cos(math.radians(25))), round(0.7 * k * math.sin(math.radians(25)))
        streaked += np.roll(grain, (dy, dx), (0, 1))
    noisy = rng.normal(0, 1, (400, 500)) + 0.12 * streaked
    assert streak_ratio(noisy, 25.0) > 1.3
    assert streak_ratio(noisy, 115.0) < 0.8
    assert math.isnan(streak_ratio(np.full((400, 500), np.nan), 25.0))


# -- calibration ------------------------------------------------------------------------------------------------------


def flat_of(ny: int = 24, nx: int = 32, depth: float = 0.25) -> np.ndarray:
    v, u = np.meshgrid(np.linspace(-1, 1, ny), np.linspace(-1, 1, nx), indexing="ij")
    return 1.0 - depth * (u**2 + v**2) / 2.0


def skies(levels: np.ndarray, pattern: np.ndarray, seed: int = 6) -> np.ndarray:
    """Meshes of these levels with a gradient of their own, noise, and the pattern added (electrons, by sub)."""
    rng, (ny, nx) = RNG(seed), pattern.shape[1:]
    v, u = np.meshgrid(np.linspace(-1, 1, ny), np.linspace(-1, 1, nx), indexing="ij")
    return (
        np.array(
            [
                s * (1 + rng.normal(0, 0.02) * u + rng.normal(0, 0.02) * v) + 0.1 * rng.normal(size=(ny, nx))
                for s in levels
            ]
        )
        + pattern
    )


def test_a_wrong_zero_level_is_told_from_a_wrong_flat() -> None:
    flat, levels = flat_of(), np.linspace(60.0, 160.0, 12)
    shape = 1.0 / flat - 1.0
    offset = flat_misfit(skies(levels, np.repeat((5.0 * shape)[None], 12, axis=0)), flat)
    assert offset is not None
    assert offset.significant
    assert offset.constant_e == pytest.approx(5.0, abs=0.5)
    assert "zero level is off by +5" in offset.sentence()
    share = flat_misfit(skies(levels, 0.05 * levels[:, None, None] * shape), flat)
    assert share is not None
    assert share.corner == pytest.approx(0.05 * shape[0, 0], rel=0.1)
    assert "in proportion to the sky" in share.sentence()
    one_level = flat_misfit(skies(np.full(12, 100.0), np.repeat((5.0 * shape)[None], 12, axis=0)), flat)
    assert one_level is not None
    assert one_level.sentence().endswith("wrong offset, missing flat-dark or stray light")


def test_a_nebula_on_part_of_the_frame_does_not_hide_a_misfit() -> None:
    flat = flat_of()
    y, x = np.mgrid[:24, :32]
    nebula = 60.0 * np.exp(-0.5 * ((x - 20) ** 2 + (y - 9) ** 2) / 3.0**2)
    pattern = np.repeat((8.0 * (1.0 / flat - 1.0) + nebula)[None], 12, axis=0)
    misfit = flat_misfit(skies(np.full(12, 100.0), pattern), flat)
    assert misfit is not None
    assert misfit.significant
    assert misfit.corner == pytest.approx(0.08 * (1.0 / flat[0, 0] - 1.0), rel=0.3)  # its wings


def test_a_flat_that_fits_is_not_blamed() -> None:
    flat = flat_of()
    for seed in range(20):
        misfit = flat_misfit(skies(np.linspace(60, 160, 12), np.zeros((12, 24, 32)), seed), flat)
        assert misfit is not None
        assert not misfit.significant
    assert flat_misfit(skies(np.full(4, 60.0), np.zeros((4, 24, 32))), flat) is None


def test_moved_dust_is_a_pair_of_spots_that_stays_with_the_camera() -> None:
    rng = RNG(7)
    y, x = np.mgrid[:40, :60]
    spot = lambda cx, cy, r: np.exp(-0.5 * ((x - cx) ** 2 + (y - cy) ** 2) / r**2)  # noqa: E731
    dust = -0.02 * spot(20, 15, 1.5) + 0.02 * spot(27, 18, 1.5)
    nebula = 0.05 * spot(40, 30, 2.0)
    one = dust + nebula + rng.normal(0, 0.0008, dust.shape)
    other = dust + nebula[::-1, ::-1] + rng.normal(0, 0.0008, dust.shape)
    found = moved_dust(camera_fixed(one, other))
    assert len(found) == 1
    np.testing.assert_allclose(found[0].now, (20, 15), atol=0.6)
    np.testing.assert_allclose(found[0].then, (27, 18), atol=0.6)
    assert found[0].depth == pytest.approx(0.02, rel=0.35)
    assert moved_dust(camera_fixed(nebula + rng.normal(0, 8e-4, dust.shape), nebula[::-1, ::-1])) == []


def test_glow_is_told_with_its_place() -> None:
    residual = RNG(8).normal(0, 0.001, (24, 32))
    residual[:, -4:] += 0.03
    where, excess, sigma = glow_left(residual)
    assert where == "right edge"
    assert excess == pytest.approx(0.03, rel=0.1)
    assert sigma > 10


def test_hot_pixels_that_stay_are_counted_and_cosmic_rays_are_not() -> None:
    rng = RNG(9)
    hot = rng.uniform(0, 2000, (40, 2))
    offsets = rng.normal(0, 8, (12, 2))
    sharp = [np.vstack([hot + rng.normal(0, 0.1, hot.shape), rng.uniform(0, 2000, (15, 2))]) for _ in range(12)]
    found = stuck_places(sharp, offsets)
    assert found is not None
    assert found[0] == 40
    assert stuck_places(sharp, 0.1 * offsets) is None
    assert stuck_places([np.zeros((0, 2))] * 6, offsets[:6]) == (
        0,
        pytest.approx(float(np.sqrt(offsets[:6].var(axis=0).mean()))),
    )


# -- nights -----------------------------------------------------------------------------------------------------------


def test_nights_compared_are_the_masters_without_each() -> None:
    nights, p = ["a"] * 4 + ["b"] * 2, np.array([1.0, 1.0, 1.0, 1.0, 2.0, 2.0])
    axis = np.array([3.0, 3.0, 3.0, 3.0, 6.0, 6.0])
    rows = {r[0]: r for r in compare_nights(nights, np.full(6, 600.0), p, axis)}
    assert rows["a"][1:4] == (4, pytest.approx(4 / 6), pytest.approx(0.5))
    assert rows["a"][5] == pytest.approx(math.sqrt(0.5) - 1.0)
    assert rows["b"][6] == pytest.approx(3.0 / math.sqrt((9 + 36) / 2) - 1.0)
    (lone,) = compare_nights(["a"] * 3, np.ones(3), np.ones(3), np.ones(3))
    assert math.isnan(lone[5])


def test_sharper_or_deeper_goes_from_all_to_the_sharpest() -> None:
    rng = RNG(10)
    p, axis = rng.uniform(0.5, 1.5, 40), rng.uniform(2.5, 5.0, 40)
    curve = sharper_or_deeper(p, axis)
    assert curve[0][:3] == (1.0, 40, pytest.approx(1.0))
    assert all(a[2] > b[2] and a[3] > b[3] for a, b in itertools.pairwise(curve))
    half = next(c for c in curve if c[0] == 0.5)
    best = np.argsort(axis)[:20]
    assert half[2] == pytest.approx(math.sqrt(p[best].sum() / p.sum()))
    assert [c[1] for c in sharper_or_deeper(np.ones(2), np.array([2.0, 3.0]))] == [2, 1]


# -- halos ------------------------------------------------------------------------------------------------------------


def test_a_reflections_ring_tells_its_gap() -> None:
    rng = RNG(11)
    y, x = np.mgrid[:500, :600]
    r = np.hypot(x - 310.4, y - 240.8)
    image = rng.normal(0, 0.02, (500, 600)) + 900.0 / (1 + (r / 2.0) ** 2) ** 2.5
    image += np.where(r < 42.0, 0.15, 0.0)
    (place,) = bright_places(image, most=1)
    np.testing.assert_allclose(place, (310.4, 240.8), atol=0.5)
    ring = ring_around(image, *place, fwhm_px=3.0)
    assert ring is not None
    assert ring.diameter_px == pytest.approx(84.0, abs=3.0)
    assert ring.step == pytest.approx(0.15, rel=0.25)
    # 84 px of 4.63 um at f/5: the detour is diameter x focal ratio, the gap half of it (geometry).
    assert gap_mm(84.0, pixel_um=4.63, focal_ratio=5.0) == pytest.approx(84 * 4.63e-3 * 5 / 2)


def test_a_star_without_a_ring_has_none() -> None:
    y, x = np.mgrid[:300, :300]
    for seed in range(8):
        image = RNG(seed).normal(0, 0.02, (300, 300)) + 900.0 / (1 + (np.hypot(x - 150, y - 150) / 2.0) ** 2) ** 2.5
        assert ring_around(image, 150.0, 150.0, fwhm_px=3.0) is None


# -- the folder and the clock -----------------------------------------------------------------------------------------


def fact(frame_id: int, **changes: object) -> SubFacts:
    whole = SubFacts(
        frame_id=frame_id, exposure_s=300.0, star_count=300, sky_e_per_s=0.05, noise_e=4.0, fwhm_px=3.0, half_flux_radius_px=1.7,
        ellipticity=0.1, ellipticity_angle_deg=math.nan, saturated_fraction=0.0, transparency=1.0, scale=1.0, placed=True, rig="Heron 106",
        start_s=1000.0 + 320.0 * frame_id, ra_deg=250.2, dec_deg=-48.8, sun_altitude_deg=-40.0,
    )  # fmt: skip
    return replace(whole, **changes)  # type: ignore[arg-type]


def test_two_targets_in_one_folder_are_told_apart() -> None:
    facts = [fact(i) for i in range(20)] + [fact(30 + i, placed=False, ra_deg=161.3, dec_deg=-59.7) for i in range(6)]
    (other,) = two_targets(facts, field_deg=1.5)
    assert other.subs == 6
    assert other.degrees == pytest.approx(apart_deg(250.2, -48.8, 161.3, -59.7), rel=1e-6)
    assert two_targets(facts[:20], field_deg=1.5) == []


def test_copies_of_one_exposure_are_found() -> None:
    facts = [fact(i) for i in range(5)] + [fact(99, start_s=1000.0 + 320.0 * 2 + 1.0)]
    assert overlapping_exposures(facts) == [(2, 99)]


def test_a_clock_an_hour_off_is_told_by_the_headers_air_mass() -> None:
    shifts = [-2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0]
    at = lambda h: 1.0 + 0.05 * (h - 1.0) ** 2  # noqa: E731
    true = np.linspace(-2.0, 0.5, 12)
    table = [[at(t + 1.0 + s) for t in true] for s in shifts]  # the file says an hour later than it was
    assert clock_off_h(shifts, [at(t) for t in true], table) == -1.0
    right = [[at(t + s) for t in true] for s in shifts]
    assert clock_off_h(shifts, [at(t) for t in true], right) is None
    assert [f.frame_id for f in in_daylight([fact(1), fact(2, sun_altitude_deg=20.0)])] == [2]
