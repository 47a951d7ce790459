"""Scales against injected truth, with outliers, missing stars, and stars matched across shifted lists."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.judge.transparency import cross_match, fit_extinction, rate_table, solve_scales


def star_table(scales: np.ndarray, stars: int, *, seed: int) -> tuple[np.ndarray, np.ndarray]:
    generator = np.random.default_rng(seed)
    truth = 10 ** generator.uniform(1.5, 4.0, stars)
    errors = np.sqrt(scales[:, None] * truth / 300.0 + 2.0)
    return scales[:, None] * truth + generator.normal(0, 1, errors.shape) * errors, errors


def test_scales_come_back_to_a_thousandth() -> None:
    truth = np.array([1.0, 0.93, 0.41, 1.12, 0.77, 1.0])
    fluxes, errors = star_table(truth, 800, seed=1)
    scales, sigma = solve_scales(fluxes, errors, 0)
    np.testing.assert_allclose(scales, truth, rtol=1e-3)
    assert scales[0] == 1.0
    assert sigma[0] == 0.0
    assert (sigma[1:] < 1e-3).all()


def test_stated_errors_of_scales_are_honest() -> None:
    truth = np.array([1.0, 0.6, 1.3])
    pulls = []
    for seed in range(120):
        scales, sigma = solve_scales(*star_table(truth, 60, seed=seed), 0)
        pulls.append((scales[1:] - truth[1:]) / sigma[1:])
    assert np.std(pulls) == pytest.approx(1.0, abs=0.15)
    assert abs(np.mean(pulls)) < 0.25


@pytest.mark.parametrize(("snr", "tolerance"), [(3, 5.8e-3), (5, 3.5e-3), (8, 2.2e-3), (20, 9e-4)])
def test_faint_stars_do_not_bend_the_scale(snr: float, tolerance: float) -> None:
    truth = np.array([1.0, 0.3, 0.25])
    bias = []  # tolerances: 4 sigma of the mean of 12 trials
    for seed in range(12):
        errors = np.repeat(truth[:, None] * 1000.0 / np.array([[200.0], [snr], [snr]]), 2000, axis=1)
        fluxes = truth[:, None] * 1000.0 + errors * np.random.default_rng(seed).normal(size=errors.shape)
        bias.append(solve_scales(fluxes, errors, 0)[0] / truth - 1.0)
    assert np.abs(np.mean(bias, axis=0)).max() < tolerance


def test_variables_missing_stars_and_trails_do_no_harm() -> None:
    truth = np.array([1.0, 0.9, 0.5, 1.1, 0.8])
    fluxes, errors = star_table(truth, 500, seed=2)
    generator = np.random.default_rng(3)
    fluxes[:, :25] *= generator.uniform(0.5, 2.0, (5, 25))
    fluxes[2, 100:140] += 4000.0
    fluxes[generator.random(fluxes.shape) < 0.2] = np.nan
    scales, _ = solve_scales(fluxes, errors, 0)
    np.testing.assert_allclose(scales, truth, rtol=2e-3)


def test_chain_of_overlaps_and_an_unlinked_sub() -> None:
    truth = np.array([1.0, 0.9, 0.5, 0.7])
    fluxes, errors = star_table(truth, 400, seed=4)
    fluxes[0, 150:] = np.nan
    fluxes[1, :50], fluxes[1, 300:] = np.nan, np.nan
    fluxes[2, :200] = np.nan
    fluxes[3] = np.nan
    scales, sigma = solve_scales(fluxes, errors, 0)
    np.testing.assert_allclose(scales[:3], truth[:3], rtol=5e-3)
    assert np.isnan(scales[3])
    assert np.isnan(sigma[3])


def test_scale_does_not_depend_on_which_sub_is_the_reference() -> None:
    truth = np.array([1.0, 0.8, 0.6])
    fluxes, errors = star_table(truth, 300, seed=5)
    first, _ = solve_scales(fluxes, errors, 0)
    last, _ = solve_scales(fluxes, errors, 2)
    np.testing.assert_allclose(last / last[0], first, rtol=1e-5)


def test_one_sub_is_its_own_reference() -> None:
    scales, errors = solve_scales(np.array([[5.0, 9.0]]), np.array([[0.1, 0.1]]), 0)
    assert scales.tolist() == [1.0]
    assert errors.tolist() == [0.0]
    with pytest.raises(ValueError, match=r"fluxes is \(2,\)"):
        solve_scales(np.ones(2), np.ones(2), 0)


def test_stars_are_recognised_across_subs() -> None:
    rng = np.random.default_rng(15)
    sky = rng.uniform(0, 1000, (200, 2))
    lists = []
    for i in range(3):
        order = rng.permutation(200)[: 150 + 10 * i]
        lists.append((order, sky[order] + rng.normal(0, 0.05, (len(order), 2))))
    members = cross_match([xy for _, xy in lists])
    owner: dict[int, set[int]] = {}
    for (order, _), member in zip(lists, members):
        assert (member >= 0).all()
        for true, common in zip(order, member):
            owner.setdefault(int(common), set()).add(int(true))
    assert all(len(stars) == 1 for stars in owner.values())
    rate, _ = rate_table(members, [np.ones(len(m)) for m in members], [np.ones(len(m)) for m in members])
    assert np.isfinite(rate).sum() == sum(len(m) for m in members)


def test_two_close_stars_do_not_share_a_name() -> None:
    members = cross_match([np.array([[10.0, 10.0]]), np.array([[10.1, 10.0], [10.9, 10.0]])])
    assert members[1].tolist() == [0, -1]


@pytest.mark.parametrize("truth", [0.09, 0.2, 0.32])
def test_extinction_is_told_from_cloud_and_nights(truth: float) -> None:
    rng = np.random.default_rng(16)
    night = np.repeat(np.arange(4), 25)
    airmass = np.concatenate([np.linspace(2.0, 1.05, 25) + 0.01 * rng.normal(size=25) for _ in range(4)])
    clear = np.repeat([1.0, 0.93, 0.97, 0.88], 25) * 10 ** (-0.4 * truth * airmass)
    cloud = np.where(rng.random(100) < 0.3, rng.uniform(0.2, 0.9, 100), 1.0)
    k, sigma = fit_extinction(clear * cloud * np.exp(rng.normal(0, 0.01, 100)), airmass, night, 0.2)
    assert k == pytest.approx(truth, abs=max(0.03, 3 * sigma))
    assert sigma < 0.02


def test_extinction_of_a_short_run_stays_the_sites() -> None:
    k, sigma = fit_extinction(np.array([1.0, 0.97, 0.99, 0.9]), np.full(4, 1.3), np.zeros(4, np.int64), 0.17)
    assert k == pytest.approx(0.17, abs=1e-6)
    assert sigma == pytest.approx(0.05)
