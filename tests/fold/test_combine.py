"""Combination of a stack: median start, rejection, growth, mean and its variance, against plain NumPy."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from nightfold.kernels.combine import combine_tile, median_network, sorting_network, widening_of

K_SIGMA = 3.1748  # share 0.0015 of both tails


def combine(
    stack,
    *,
    sigma=1.0,
    weights=None,
    k_sigma=K_SIGMA,
    signal_term=0.0,
    gradient_px=0.0,
    sky=0.0,
    slope=0.0,
    leeway=None,
):
    """The kernel on a stack (n, h, w), w a multiple of 16, with the same noise for all; planes by name."""
    stack = np.ascontiguousarray(stack, np.float32)
    n, h, w = stack.shape
    noise = np.zeros((h // 8 + 1, w // 16, n, 3), np.float32)
    noise[..., 0] = np.broadcast_to(np.square(sigma), (n,))
    noise[..., 1] = slope
    traits = np.zeros((n, 4), np.float32)
    traits[:, 2] = 1.0 if leeway is None else leeway
    traits[:, 3] = 1.0 / n if weights is None else weights
    flags = np.zeros((n, h, w), np.uint8)
    planes = {name: np.empty((h, w), np.float32) for name in ("image", "variance", "covered")}
    counts = {name: np.empty((h, w), np.int32) for name in ("count", "used")}
    combine_tile(
        stack.reshape(n, -1),
        0,
        noise,
        traits,
        np.full(noise.shape[:2], sky, np.float32),
        sorting_network(n),
        median_network(n),
        widening_of(n),
        k_sigma,
        2.0,
        signal_term,
        gradient_px,
        np.array([1.0, 0.61, 0.14, 0.03]),
        flags.reshape(n, -1),
        flags.reshape(n, -1).view(np.uint64),
        np.empty((3, h, w), np.float32),
        planes["image"],
        planes["variance"],
        counts["count"],
        counts["used"],
        planes["covered"],
    )
    return {**planes, **counts, "flags": flags}


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 6, 7, 8, 9, 10])
def test_networks_sort_every_pattern_of_zeros_and_ones(n):
    """The zero-one principle (Knuth, volume 3): a network that sorts those sorts everything."""
    for pattern in itertools.product((0, 1), repeat=n):
        for pairs, wanted in ((sorting_network(n), range(n)), (median_network(n), {(n - 1) // 2, n // 2})):
            values = list(pattern)
            for a, b in pairs:
                values[a], values[b] = min(values[a], values[b]), max(values[a], values[b])
            assert all(values[i] == sorted(pattern)[i] for i in wanted)


@pytest.mark.parametrize("n", [17, 24, 100])
def test_large_networks_give_medians(n):
    x = np.random.default_rng(n).random((n, 300))
    for pairs in (sorting_network(n), median_network(n)):
        y = x.copy()
        for a, b in pairs:
            y[a], y[b] = np.minimum(y[a], y[b]), np.maximum(y[a], y[b])
        np.testing.assert_array_equal(0.5 * (y[(n - 1) // 2] + y[n // 2]), np.median(x, axis=0))


@pytest.mark.parametrize("n", [1, 2, 3, 12, 24, 60])
def test_without_rejection_it_is_the_weighted_mean(n):
    rng = np.random.default_rng(n)
    stack = rng.normal(5.0, 1.0, (n, 20, 80)).astype(np.float32)
    sigma = rng.uniform(0.5, 2.0, n)
    weights = sigma**-2 / (sigma**-2).sum()
    got = combine(stack, sigma=sigma, weights=weights, k_sigma=1e3)
    np.testing.assert_allclose(got["image"], np.tensordot(weights, stack, 1), rtol=2e-6)
    np.testing.assert_allclose(got["variance"], 1.0 / (sigma**-2).sum(), rtol=1e-5)
    assert (got["used"] == n).all()
    np.testing.assert_allclose(got["covered"], 1.0, rtol=1e-6)


@pytest.mark.parametrize("n", [2, 3, 5, 8, 15, 40])
def test_little_is_lost_and_the_noise_is_the_ideal(n):
    rng = np.random.default_rng(100 + n)
    stack = rng.normal(100.0, 1.0, (n, 128, 256)).astype(np.float32)
    got = combine(stack)
    lost = 1.0 - got["used"].sum() / stack.size
    assert lost < 0.005
    assert got["image"].std() * np.sqrt(n) == pytest.approx(1.0, abs=0.02)
    assert got["image"].mean() == pytest.approx(100.0, abs=5 / np.sqrt(stack.size) + (0.012 if n == 2 else 0.002))
    assert np.sqrt(got["variance"].mean() * n) == pytest.approx(1.0, abs=0.01)


def test_share_given_up_is_as_asked():
    stack = np.random.default_rng(1).normal(0.0, 1.0, (40, 128, 256)).astype(np.float32)
    got = combine(stack)
    beyond = ((got["flags"] & 1) == 1).mean()
    assert beyond == pytest.approx(0.0015, rel=0.1)  # those rejected for themselves, not those that follow


def test_samples_that_are_missing():
    rng = np.random.default_rng(2)
    stack = rng.normal(10.0, 1.0, (6, 24, 64)).astype(np.float32)
    stack[rng.random(stack.shape) < 0.3] = np.nan
    stack[:, 5, 7] = np.nan
    stack[1:, 6, 8] = np.nan
    got = combine(stack, k_sigma=1e3)
    there = np.isfinite(stack)
    np.testing.assert_array_equal(got["count"], there.sum(0))
    np.testing.assert_array_equal(got["used"], there.sum(0))
    assert np.isnan(got["image"][5, 7])
    assert np.isnan(got["variance"][5, 7])
    assert got["image"][6, 8] == pytest.approx(stack[0, 6, 8])
    assert got["variance"][6, 8] == pytest.approx(1.0)
    some = there.any(0)
    np.testing.assert_allclose(got["image"][some], np.nanmean(stack[:, some], axis=0), rtol=3e-6)
    np.testing.assert_allclose(got["covered"], there.mean(0), rtol=1e-5, atol=1e-7)


def test_two_that_disagree_give_the_lower():
    stack = np.full((2, 16, 32), 10.0, np.float32)
    stack[0, 8, 8] = 30.0
    stack[1, 3, 3] = 13.0  # within what two samples may differ
    got = combine(stack)
    assert got["image"][8, 8] == 10.0
    assert got["used"][8, 8] == 1
    assert got["image"][3, 3] == pytest.approx(11.5)


def test_one_sub_is_kept_as_it_is():
    stack = np.random.default_rng(3).normal(0.0, 50.0, (1, 16, 32)).astype(np.float32)
    got = combine(stack)
    np.testing.assert_array_equal(got["image"], stack[0])
    assert (got["used"] == 1).all()


def test_a_bright_sample_takes_its_surroundings_along():
    stack = np.zeros((10, 32, 64), np.float32)
    stack[4, 16, 20] = 500.0
    stack[4, 16, 40] = 3.8  # barely beyond: goes alone
    stack[4, 25, 50] = 3.8  # its bright neighbour follows, the dim one does not
    stack[4, 25, 51] = 2.8
    stack[4, 24, 50] = 1.0
    flags = combine(stack)["flags"]
    assert (flags[4, 13:20, 17:24] != 0).sum() >= 45
    assert (flags[4, 14:19, 38:43] != 0).sum() == 1
    assert flags[4, 25, 51] == 2
    assert flags[4, 24, 50] == 0
    assert (np.delete(flags, 4, axis=0) == 0).all()


def test_nothing_agrees_gives_the_median():
    stack = np.arange(5, dtype=np.float32)[:, None, None] * np.full((5, 16, 16), 100.0, np.float32)
    got = combine(stack, k_sigma=0.01)
    assert (got["image"] == 200.0).all()
    assert (got["used"] <= 1).all()
    assert np.isfinite(got["variance"]).all()


def test_light_that_changes_with_the_seeing_is_let_be():
    rng = np.random.default_rng(6)
    stack = rng.normal(0.0, 1.0, (12, 32, 64)).astype(np.float32)
    stack[:, 16, 32] += 1000.0 * rng.normal(1.0, 0.2, 12)
    assert combine(stack)["used"][16, 32] < 8
    assert combine(stack, signal_term=0.25)["used"][16, 32] == 12
    # One sub of a very different night is let be by its own leeway; the rest stay as strict as they were.
    one = rng.normal(0.0, 1.0, (12, 32, 64)).astype(np.float32)
    one[:, 16, 32] += 1000.0
    one[5, 16, 32] += 900.0
    leeway = np.where(np.arange(12) == 5, 16.0, 1.0)
    assert combine(one, signal_term=0.1)["used"][16, 32] == 11
    assert combine(one, signal_term=0.1, leeway=leeway)["used"][16, 32] == 12
    assert combine(one, signal_term=0.1, leeway=leeway[::-1])["used"][16, 32] == 11
    # A sky of that level is not a star: nothing is let be.
    trail = rng.normal(1000.0, 1.0, (12, 32, 64)).astype(np.float32)
    trail[3, 10] += 100.0
    assert (combine(trail, signal_term=0.25, sky=1000.0)["used"][10] <= 11).all()


def test_photon_noise_grows_with_the_level():
    rng = np.random.default_rng(7)
    level = np.linspace(0.0, 1e4, 64)[None, None, :]
    stack = (level + rng.normal(0.0, 1.0, (20, 64, 64)) * np.sqrt(1.0 + level)).astype(np.float32)
    got = combine(stack, slope=1.0)
    assert 1.0 - got["used"].mean() / 20 < 0.005
    np.testing.assert_allclose(got["variance"].mean(0)[1:] * 20, 1.0 + level[0, 0, 1:], rtol=0.02)
