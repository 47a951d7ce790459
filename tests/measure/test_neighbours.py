"""Neighbours and votes, against SciPy's trees and plain sums."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from nightfold.measure.neighbours import Sorted, nearest_point, pairs_within
from nightfold.measure.streaks import BIN_PX, _Voting


@pytest.mark.parametrize(("n", "reach"), [(0, 5.0), (1, 5.0), (400, 3.0), (300, 80.0)])
def test_pairs_are_those_of_a_tree(n, reach):
    points = np.random.default_rng(n).uniform(0, 100, (n, 2))
    i, j = pairs_within(points[:, 0].copy(), points[:, 1].copy(), reach)
    theirs = cKDTree(points).query_pairs(reach, output_type="ndarray") if n else np.zeros((0, 2), np.int64)
    np.testing.assert_array_equal(np.column_stack([i, j]), theirs[np.lexsort(theirs.T[::-1])])


def test_nearest_is_that_of_a_tree():
    rng = np.random.default_rng(2)
    points, places = rng.uniform(0, 50, (200, 2)), rng.uniform(-5, 55, (300, 2))
    index, distance = nearest_point(points, places, 2.0)
    theirs, which = cKDTree(points).query(places, distance_upper_bound=2.0)
    np.testing.assert_array_equal(index, np.where(np.isfinite(theirs), which, -1))
    np.testing.assert_allclose(distance, theirs)
    assert 30 < np.count_nonzero(index >= 0) < 300
    assert nearest_point(np.zeros((0, 2)), places, 2.0)[0].max() == -1


def test_votes_are_counted_line_by_line():
    voting = _Voting.over((90, 140))
    points = np.random.default_rng(3).uniform(0, 90, (50, 2))
    votes = voting.votes(points)
    assert votes.sum() == 50 * voting.angles.size
    for a in (0, 77, 200):
        offset = points[:, 1] * np.cos(voting.angles[a]) - points[:, 0] * np.sin(voting.angles[a])
        where = np.floor((offset + voting.reach) / BIN_PX).astype(int)
        twin = np.bincount(where, minlength=voting.bins)
        assert np.abs(votes[a] - twin).sum() <= 2  # rounding may push a vote over an edge


@pytest.mark.parametrize("dimensions", [2, 4])
def test_members_are_those_of_a_tree(dimensions):
    rng = np.random.default_rng(dimensions)
    points, places = rng.uniform(0, 1, (500, dimensions)), rng.uniform(0, 1, (200, dimensions))
    place, point = Sorted(points).within(places, 0.3)
    theirs = cKDTree(points).query_ball_point(places, 0.3)
    for k in range(200):
        assert sorted(point[place == k].tolist()) == sorted(theirs[k])
    np.testing.assert_array_equal(Sorted(points).count(places, 0.3), [len(t) for t in theirs])
    assert len(place) > 1600  # more than the first guess of room
