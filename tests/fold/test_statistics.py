"""Rules of combining against astropy.stats, published samples and the textbook's efficiencies."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.stats import biweight_location, biweight_scale, sigma_clip
from scipy import stats

from nightfold.fold.statistics import (
    RULES,
    esd,
    esd_critical_values,
    esd_outliers,
    esd_statistics,
    huber,
    mean,
    median,
    median_efficiency,
)
from nightfold.kernels.frame_stack import combine_known_noise
from nightfold.robust import mad_sigma
from nightfold.units import SIGMA_PER_MAD

# NIST/SEMATECH e-Handbook 1.3.5.17.3: the sample of Rosner (1983).
ROSNER = np.array(
    """-0.25 0.68 0.94 1.15 1.20 1.26 1.26 1.34 1.38 1.43 1.49 1.49 1.55 1.56 1.58 1.65 1.69 1.70
    1.76 1.77 1.81 1.91 1.94 1.96 1.99 2.06 2.09 2.10 2.14 2.15 2.23 2.24 2.26 2.35 2.37 2.40
    2.47 2.54 2.62 2.64 2.90 2.92 2.92 2.93 3.21 3.26 3.30 3.59 3.68 4.30 4.64 5.34 5.42 6.01""".split(),
    dtype=np.float64,
)
BEERS = np.array([10.1, 9.8, 10.0, 10.3, 9.9, 10.2, 10.0, 15.0])  # CHECKS S8


def test_esd_of_the_published_sample() -> None:
    # CHECKS S9: the table of the e-Handbook.
    statistics, _ = esd_statistics(ROSNER[:, None], 10)
    expected = [3.118906, 2.942973, 3.179424, 2.810181, 2.815580, 2.848172, 2.279327, 2.310366, 2.101581, 2.067178]
    np.testing.assert_allclose(statistics[:, 0], expected, atol=1e-6)
    limits = [3.158794, 3.151430, 3.143890, 3.136165, 3.128247, 3.120128, 3.111796, 3.103243, 3.094456, 3.085425]
    np.testing.assert_allclose(esd_critical_values(54, 10), limits, atol=1e-6)
    found = esd_outliers(ROSNER[:, None], most_outliers=10)[:, 0]
    assert sorted(ROSNER[found]) == [5.34, 5.42, 6.01]  # although R1 and R2 fail
    result = esd(ROSNER[:, None], most_outliers=10)
    assert result.used[0] == 51
    assert result.value[0] == pytest.approx(ROSNER[:51].mean())


def test_esd_gives_up_the_stated_share_of_clean_stacks() -> None:
    stack = np.random.default_rng(1).normal(size=(54, 20000))
    # alpha is the chance that a clean pixel loses any sample; Rosner (1983) finds it kept well from n = 25 on (from memory). Testing
    # for several outliers adds to it a little: 4 sigma of 20000 trials, and 0.005 of our own allowance for that.
    share = esd_outliers(stack, most_outliers=3).any(axis=0).mean()
    assert share == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / 20000) + 0.005)


def test_esd_with_missing_samples_and_order() -> None:
    generator = np.random.default_rng(2)
    stack = generator.normal(size=(12, 200))
    stack[3] += 50.0
    stack[generator.random(stack.shape) < 0.2] = np.nan
    found = esd_outliers(stack)
    here = np.isfinite(stack[3]) & (np.isfinite(stack).sum(axis=0) >= 6)
    assert found[3, here].all()
    assert not found[np.isnan(stack)].any()
    turned = generator.permutation(12)
    np.testing.assert_array_equal(esd_outliers(stack[turned]), found[turned])


def test_constants_of_mad() -> None:
    # CHECKS S1.
    assert stats.norm.ppf(0.75) ** -1 == pytest.approx(SIGMA_PER_MAD, abs=1e-6)


@pytest.mark.parametrize(
    ("n", "expected", "tolerance"),
    [
        (3, 0.7429, 1e-4),
        (5, 0.6973, 1e-4),
        (7, 0.6788, 1e-4),
        (9, 0.6689, 1e-4),
        (11, 0.6628, 1e-4),
        (15, 0.6556, 1e-4),
        (21, 0.6500, 1e-4),
        (31, 0.6456, 1e-4),
        (51, 0.6420, 1e-4),
        (4, 0.840, 0.005),
        (10, 0.722, 0.005),
        (20, 0.682, 0.005),
        (30, 0.665, 0.005),
    ],
)
def test_efficiency_of_the_median(n: int, expected: float, tolerance: float) -> None:
    # CHECKS S2.
    assert median_efficiency(n) == pytest.approx(expected, abs=tolerance)


def test_efficiency_of_the_median_goes_on_smoothly() -> None:
    assert median_efficiency(101) == pytest.approx(median_efficiency(99), abs=2e-4)
    assert median_efficiency(102) == pytest.approx(median_efficiency(100), abs=4e-4)
    assert median_efficiency(10**6) == pytest.approx(2 / np.pi, abs=1e-6)


@pytest.mark.parametrize("k", [2.0, 2.5, 3.0, 3.5, 4.0])
def test_clip_with_known_sigma(k: float) -> None:
    # CHECKS S3: false rejects 1 - P and sd of survivors, against astropy's clipping with fixed limits.
    x = np.random.default_rng(3).normal(size=400_000)
    clipped = sigma_clip(x, sigma=k, maxiters=1, cenfunc=lambda a, axis: 0.0, stdfunc=lambda a, axis: 1.0)
    inside = 2 * stats.norm.cdf(k) - 1
    density = stats.norm.pdf(k)
    assert clipped.mask.mean() == pytest.approx(1 - inside, abs=5 * np.sqrt((1 - inside) / x.size))
    assert clipped.std() == pytest.approx(np.sqrt(1 - 2 * k * density / inside), abs=0.004)
    table = {
        2.0: (0.7385, 0.0455),
        2.5: (0.8999, 0.0124),
        3.0: (0.9707, 0.0027),
        3.5: (0.9934, 0.000465),
        4.0: (0.9989, 0.000063),
    }
    assert inside - 2 * k * density == pytest.approx(table[k][0], abs=1e-4)
    assert 1 - inside == pytest.approx(table[k][1], abs=5e-5)


@pytest.mark.parametrize(("n", "largest"), [(5, 1.789), (8, 2.475), (10, 2.846), (11, 3.015), (12, 3.175), (20, 4.249)])
def test_largest_deviation_bounds_the_first_statistic(n: int, largest: float) -> None:
    # CHECKS S5 (Shiffler 1988): one wild sample among n equal ones reaches (n - 1) / sqrt(n).
    stack = np.zeros((n, 1))
    stack[0] = 1e6
    statistics, _ = esd_statistics(stack, 1)
    assert statistics[0, 0] == pytest.approx((n - 1) / np.sqrt(n), rel=1e-9)
    assert statistics[0, 0] == pytest.approx(largest, abs=5e-4)
    # The test's limit lies below that bound, so that it can fire where a 3-sigma clip cannot.
    assert esd_critical_values(n, 1)[0] < largest


@pytest.mark.parametrize(("n", "efficiency", "share"), [(10, 0.825, 0.045), (20, 0.881, 0.021), (30, 0.905, 0.013)])
def test_known_noise_does_not_inherit_the_loss_of_an_estimated_one(n: int, efficiency: float, share: float) -> None:
    # CHECKS S4: 3-sigma clipping about the median with the MAD of the few samples, iterated.
    x = np.random.default_rng(n).normal(size=(n, 20000))
    clipped = sigma_clip(x, sigma=3.0, maxiters=None, cenfunc="median", stdfunc="mad_std", axis=0)
    assert clipped.mask.mean() == pytest.approx(share, abs=0.003)
    assert 1.0 / (n * clipped.mean(axis=0).var()) == pytest.approx(efficiency, abs=0.025)
    # The rule that calibration frames are combined by knows the noise: S3's .9707 is its floor.
    value, variance, used = np.empty(20000, np.float32), np.empty(20000, np.float32), np.empty(20000, np.int32)
    combine_known_noise(x.astype(np.float32), 1.0, 0.0, 0.0, 3.0, SIGMA_PER_MAD, value, variance, used)
    assert 1.0 / (n * value.var()) > 0.97 - 0.015
    assert 1 - used.mean() / n < 0.0035


def test_huber_efficiency_and_outside_reference() -> None:
    # CHECKS S6: 95 percent efficient for normal data; n 50 with the MAD as scale.
    stack = np.random.default_rng(5).normal(size=(51, 20000))
    result = huber(stack)
    assert 1 / (51 * result.value.var()) == pytest.approx(0.95, abs=0.02)
    assert result.variance.mean() == pytest.approx(result.value.var(), rel=0.05)
    # The estimating equation of Huber (1981, eq. 3.2.1): clipped deviations sum to zero.
    sigma = mad_sigma(stack, axis=0)
    score = np.clip((stack - result.value) / sigma, -1.345, 1.345).sum(axis=0)
    assert np.abs(score).max() < 1e-3


def test_scale_efficiency_of_the_mad() -> None:
    # CHECKS S7: 0.391 at n 20.
    x = np.random.default_rng(6).normal(size=(60000, 20))
    log_mad, log_sd = np.log(mad_sigma(x, axis=1)), np.log(x.std(axis=1, ddof=1))
    assert log_sd.var() / log_mad.var() == pytest.approx(0.391, abs=0.03)


def test_worked_sample() -> None:
    # CHECKS S8 (Beers, Flynn & Gebhardt 1990).
    assert mean(BEERS).value == pytest.approx(10.6625)
    assert median(BEERS).value == pytest.approx(10.05)
    assert np.sqrt(mean(BEERS).variance * 8) == pytest.approx(1.75982, abs=1e-5)
    assert mad_sigma(BEERS) == pytest.approx(0.222390, abs=1e-5)
    assert biweight_location(BEERS, c=6.0) == pytest.approx(10.042443, abs=1e-5)
    assert biweight_scale(BEERS, c=9.0) == pytest.approx(0.175426, abs=1e-5)
    assert huber(BEERS).value == pytest.approx(biweight_location(BEERS), abs=0.08)
    assert esd(BEERS).value == pytest.approx(BEERS[:7].mean())


def test_mean_and_median_are_numpys() -> None:
    generator = np.random.default_rng(7)
    stack = generator.normal(size=(9, 30, 7))
    stack[generator.random(stack.shape) < 0.3] = np.nan
    stack[:, 0, 0] = np.nan
    stack[:, 0, 1] = np.nan
    stack[4, 0, 1] = 3.0
    some = np.isfinite(stack).any(axis=0)
    np.testing.assert_allclose(mean(stack).value[some], np.nanmean(stack[:, some], axis=0))
    np.testing.assert_allclose(median(stack).value[some], np.nanmedian(stack[:, some], axis=0))
    for rule in RULES.values():
        result = rule(stack)
        assert np.isnan(result.value[0, 0])
        assert result.used[0, 0] == 0
        assert result.value[0, 1] == 3.0
        assert np.isnan(result.variance[0, 1])
        assert result.value.shape == result.variance.shape == result.used.shape == (30, 7)


def test_weighted_mean_is_the_textbooks() -> None:
    # CHECKS D12: sigma 1, 2 -> weights .8, .2, sigma .8944.
    generator = np.random.default_rng(8)
    sigma = np.array([1.0, 2.0] * 10)
    stack = generator.normal(size=(20, 30000)) * sigma[:, None]
    result = mean(stack, weights=sigma**-2)
    assert result.value.std() == pytest.approx(0.8944 / np.sqrt(10), rel=0.02)
    assert np.sqrt(result.variance.mean()) == pytest.approx(0.8944 / np.sqrt(10), rel=0.02)


@pytest.mark.parametrize("name", ["median", "huber", "esd"])
def test_one_trail_does_not_move_the_robust_rules(name: str) -> None:
    stack = np.random.default_rng(9).normal(size=(15, 5000))
    stack[4] += 200.0
    result = RULES[name](stack)
    assert abs(result.value.mean()) < 0.15
    assert abs(mean(stack).value.mean()) > 10


@pytest.mark.parametrize("name", sorted(RULES))
def test_awkward_stacks(name: str) -> None:
    rule = RULES[name]
    stack = np.random.default_rng(10).normal(size=(7, 40))
    plain = rule(stack)
    big_endian = stack.astype(">f8")
    big_endian.setflags(write=False)
    np.testing.assert_array_equal(rule(big_endian).value, plain.value)
    np.testing.assert_allclose(rule(stack[::-1]).value, plain.value, atol=1e-6)
    infinite = np.vstack([stack, np.full((1, 40), np.inf)])
    np.testing.assert_allclose(rule(infinite).value, plain.value, atol=1e-12)
    assert rule(np.full((5, 3), 2.5)).value.tolist() == [2.5] * 3
    assert rule(np.ones((1, 3))).value.tolist() == [1.0] * 3
    assert rule(np.zeros((4, 0))).value.shape == (0,)
    with pytest.raises(ValueError, match="at least one sample"):
        rule(np.zeros((0, 3)))
    with pytest.raises(ValueError, match="allowed: 7 numbers"):
        rule(stack, weights=np.ones(3))
