"""Scales against injected truth, with outliers, missing stars, and stars matched across shifted lists."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.judge.transparency import cross_match, rate_table, solve_scales


def table(rng: np.random.Generator, truth: np.ndarray, n_stars: int = 300) -> tuple[np.ndarray, np.ndarray]:
    brightness = 50.0 * rng.pareto(1.0, n_stars) + 50.0
    model = truth[:, None] * brightness[None, :]
    error = np.sqrt(model) * 0.3
    return model + error * rng.standard_normal(model.shape), error


def test_scales_come_back_within_their_errors() -> None:
    rng = np.random.default_rng(11)
    truth = np.array([1.0, 0.9, 0.63, 1.08, 0.3, 0.95])
    pulls = []
    for _ in range(20):
        rate, error = table(rng, truth)
        scales = solve_scales(rate, error, 0)
        np.testing.assert_allclose(scales.scale, truth, rtol=0.01)
        # The reference's own error is part of each ratio.
        pulls.append((scales.scale - truth)[1:] / np.hypot(scales.error[1:], scales.error[0] * truth[1:]))
    assert 0.5 < np.std(pulls) < 1.3


def test_a_tenth_of_wrong_stars_does_not_pull() -> None:
    rng = np.random.default_rng(12)
    truth = np.array([1.0, 0.8, 0.8, 0.5])
    rate, error = table(rng, truth)
    rate[1, rng.random(rate.shape[1]) < 0.1] *= 3.0
    np.testing.assert_allclose(solve_scales(rate, error, 0).scale, truth, rtol=0.01)


def test_missing_stars_and_a_sub_without_any() -> None:
    rng = np.random.default_rng(13)
    truth = np.array([1.0, 0.8, 0.7])
    rate, error = table(rng, truth)
    rate[rng.random(rate.shape) < 0.5] = np.nan
    rate[2] = np.nan
    scales = solve_scales(rate, error, 0)
    assert scales.scale[1] == pytest.approx(0.8, rel=0.01)
    assert np.isnan(scales.scale[2])
    assert scales.stars[2] == 0


def test_choice_of_reference_only_rescales() -> None:
    rng = np.random.default_rng(14)
    rate, error = table(rng, np.array([1.0, 0.8, 0.7]))
    a, b = solve_scales(rate, error, 0).scale, solve_scales(rate, error, 2).scale
    np.testing.assert_allclose(a / a[2], b, rtol=1e-5)


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
