"""Whether a master is better without a sub, sharpness weights, and losses in hours."""

from __future__ import annotations

import math

import numpy as np
import pytest

from nightfold.judge.losses import losses
from nightfold.judge.records import Factors, SubFacts, Verdict
from nightfold.judge.value import LEAST_GAIN, gain_without, harmful, master_figures, sharpness_weights


def painted_figure(p: np.ndarray, long_px: np.ndarray, short_px: np.ndarray, detail_px: float) -> float:
    """Squared peak over noise of a blob in a weighted mean of painted Gaussians, the unit of the noise left open."""
    y, x = np.mgrid[-40:41, -40:41] * 0.5
    mean = np.zeros(x.shape)
    for weight, a, b in zip(p, long_px, short_px):
        sx2, sy2 = (detail_px**2 + a**2) / 5.545177, (detail_px**2 + b**2) / 5.545177
        profile = np.exp(-0.5 * (x**2 / sx2 + y**2 / sy2))
        mean += weight * profile / profile.sum()
    mean /= p.sum()
    return float(mean.max() ** 2 * p.sum())


def test_figures_are_those_of_painted_masters() -> None:
    rng = np.random.default_rng(8)
    p, short = rng.uniform(0.5, 2.0, 8), rng.uniform(2.5, 4.0, 8)
    long = short * rng.uniform(1.0, 1.6, 8)
    blob, star = master_figures(p, long, short, 5.0)
    half_blob, half_star = master_figures(p[:4], long[:4], short[:4], 5.0)
    assert half_blob / blob == pytest.approx(
        painted_figure(p[:4], long[:4], short[:4], 5.0) / painted_figure(p, long, short, 5.0), rel=2e-3
    )
    assert half_star / star == pytest.approx(
        painted_figure(p[:4], long[:4], short[:4], 0.0) / painted_figure(p, long, short, 0.0), rel=2e-3
    )


def test_gain_without_is_what_two_masters_differ_by() -> None:
    rng = np.random.default_rng(8)
    p, short = rng.uniform(0.5, 2.0, 12), rng.uniform(2.5, 6.0, 12)
    long = short * rng.uniform(1.0, 1.6, 12)
    used = np.ones(12, bool)
    gain = gain_without(p, long, short, used, 5.0)
    blob, star = master_figures(p, long, short, 5.0)
    for i in range(12):
        left = used.copy()
        left[i] = False
        blob_left, star_left = master_figures(p[left], long[left], short[left], 5.0)
        assert gain[i] == pytest.approx(0.5 * math.log(blob_left * star_left / blob / star), abs=1e-12)


@pytest.mark.parametrize(
    ("along", "across", "harms"),
    [(1.3, 1.3, False), (1.7, 1.7, False), (1.9, 1.9, True), (3.0, 3.0, True), (2.6, 1.0, False), (4.0, 1.0, True)],
)
def test_one_wide_sub_among_many_harms_past_1_8_times_the_width(along: float, across: float, harms: bool) -> None:
    p, long, short = np.ones(60), np.full(60, 3.0), np.full(60, 3.0)
    long[7] *= along
    short[7] *= across
    bad, gain = harmful(p, long, short, np.ones(60, bool), 6.0)
    assert bad[7] == harms
    assert bad.sum() == int(harms)
    assert (gain[7] > 0) == harms


def test_a_poor_half_stays_and_dim_subs_never_harm() -> None:
    axis = np.array([3.0] * 10 + [5.0] * 10)
    assert not harmful(np.ones(20), axis, axis, np.ones(20, bool), 6.0)[0].any()
    p, flat = np.ones(20), np.full(20, 3.0)
    p[3] = 0.01
    assert not harmful(p, flat, flat, np.ones(20, bool), 6.0)[0].any()
    assert not harmful(np.ones(1), np.array([30.0]), np.array([30.0]), np.ones(1, bool), 6.0)[0].any()


def test_a_gain_within_what_widths_are_known_to_is_no_gain() -> None:
    # One of twelve, just past where it starts to harm: better without by a hundredth of its own share.
    p, axis = np.ones(12), np.full(12, 3.0)
    axis[5] = 3.0 * 1.845
    bad, gain = harmful(p, axis, axis, np.ones(12, bool), 6.0)
    assert 0.0 < gain[5] < LEAST_GAIN / 12.0
    assert not bad.any()


def test_sharp_weights_are_the_best_of_point_sources() -> None:
    # The squared S/N of a star in sub i is p_i / area_i; the weighted mean of estimates wants weights in proportion to it.
    p, area = np.array([1.0, 1.0, 4.0]), np.array([9.0, 36.0, 9.0])
    np.testing.assert_allclose(sharpness_weights(p, area), np.array([4.0, 1.0, 16.0]) / 21.0)
    assert sharpness_weights(np.zeros(2), np.ones(2)).tolist() == [0.0, 0.0]


def sub(frame_id: int, night: str = "2026-05-14") -> SubFacts:
    return SubFacts(
        frame_id=frame_id, exposure_s=3600.0, star_count=300, sky_e_per_s=0.05, noise_e=4.0, fwhm_px=3.0, half_flux_radius_px=1.7,
        ellipticity=0.1, ellipticity_angle_deg=math.nan, saturated_fraction=0.0, transparency=1.0, scale=1.0, placed=True, night=night,
    )  # fmt: skip


def test_losses_add_up_to_what_is_missing_and_share_by_logarithms() -> None:
    factors = Factors(transparency=0.5, blur=0.5, sky=1.0, read_out=1.0)
    verdict = Verdict(frame_id=1, keep=True, worth=0.25, factors=factors, dim_cause="cloud", blur_cause="focus")
    told = {(x.cause, x.night): x.hours for x in losses([(sub(1), verdict, None)])}
    assert told[("cloud", "2026-05-14")] == pytest.approx(0.375)
    assert told[("focus", "2026-05-14")] == pytest.approx(0.375)
    assert sum(told.values()) == pytest.approx(0.75)


def test_a_dropped_sub_has_lost_all_and_a_better_one_nothing() -> None:
    dropped = Verdict(frame_id=1, keep=False, worth=0.0, causes=(("trailing", "…"),))
    better = Verdict(frame_id=2, keep=True, worth=1.2, factors=Factors(transparency=1.2))
    mine = Verdict(frame_id=3, keep=True, worth=1.0)
    told = losses([(sub(1), dropped, None), (sub(2), better, None), (sub(3, "2026-05-15"), mine, "drop")])
    assert [(x.cause, x.night, x.hours) for x in told] == [
        ("person", "2026-05-15", 1.0),
        ("trailing", "2026-05-14", 1.0),
    ]
