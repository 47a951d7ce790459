"""Largest rectangles against exhaustive search."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.fold.boxes import box_slices, common_box, intersection, largest_box
from nightfold.fold.records import FoldResult


def exhaustive_area(mask: np.ndarray) -> int:
    best = 0
    height, width = mask.shape
    for y0 in range(height):
        for y1 in range(y0, height):
            full = mask[y0 : y1 + 1].all(axis=0)
            run = 0
            for x in range(width):
                run = run + 1 if full[x] else 0
                best = max(best, run * (y1 - y0 + 1))
    return best


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9, 0.99])
def test_area_equals_exhaustive_search(share: float) -> None:
    generator = np.random.default_rng(int(100 * share))
    for _ in range(30):
        mask = generator.random(generator.integers(1, 14, 2)) < share
        box = largest_box(mask)
        if box is None:
            assert not mask.any()
            continue
        inside = mask[box_slices(box)]
        assert inside.all()
        assert inside.size == exhaustive_area(mask)


@pytest.mark.parametrize("shape", [(1, 1), (1, 7), (7, 1)])
def test_narrow_masks(shape: tuple[int, int]) -> None:
    assert largest_box(np.ones(shape, bool)) == (0, 0, shape[1] - 1, shape[0] - 1)
    assert largest_box(np.zeros(shape, bool)) is None


def test_common_box_of_two_shifted_frames() -> None:
    coverage = np.zeros((50, 80), np.int16)
    coverage[0:45, 0:70] += 1
    coverage[5:50, 8:80] += 1
    assert common_box(coverage, 2) == (8, 5, 69, 44)
    assert common_box(coverage, 3) is None
    assert common_box(coverage, 0) is None


def covered(weight: np.ndarray, partial: np.ndarray, subs: int = 3) -> FoldResult:
    """A result whose weights are 1 but where `partial` says so."""
    plane = np.zeros(weight.shape, np.float32)
    rows, columns = (i.astype(np.int32) for i in np.nonzero(partial))
    half = len(rows) // 2
    parts = [(rows[p], columns[p], weight[partial][p]) for p in (slice(half), slice(half, None))]
    return FoldResult(
        image=plane,
        variance=plane,
        coverage=np.where(partial, subs - 1, subs).astype(np.int16),
        rejected=np.zeros(weight.shape, np.int16),
        partial_weights=tuple(parts),
        whole_weight=np.float32(1.0),
        kernel_noise=np.ones(subs),
        rejected_fraction=0.0,
        seconds=0.0,
    )


def test_one_bad_night_does_not_ruin_the_cut() -> None:
    weight = np.full((60, 90), 0.9, np.float32)
    weight[10:50, 20:60] += np.float32(0.1)  # one sub covers a small part only
    weight[:, :4] = 0.2
    weight[0] = 0.0
    for partial in (weight < 1.0, np.ones(weight.shape, bool)):
        result = covered(weight, partial)
        np.testing.assert_array_equal(result.weight_map, weight)
        assert largest_box(result.well_covered(0.85)) == (4, 1, 89, 59)
    assert not covered(np.zeros((5, 5), np.float32), np.ones((5, 5), bool)).well_covered(0.85).any()


def test_read_only_and_strided_masks() -> None:
    mask = np.zeros((20, 40), bool)
    mask[::2, ::2] = True
    view = mask[::2, ::2]
    view.setflags(write=False)
    assert largest_box(view) == (0, 0, 19, 9)


def test_intersection_of_filters() -> None:
    assert intersection([(0, 0, 9, 9), (5, 2, 20, 7)]) == (5, 2, 9, 7)
    assert intersection([(0, 0, 4, 4), (5, 0, 9, 4)]) is None
    assert intersection([(0, 0, 4, 4), None]) is None
    assert intersection([]) is None


@pytest.mark.slow
def test_full_frame_takes_well_under_a_second() -> None:
    import time

    y, x = np.mgrid[:5000, :5200]
    mask = np.abs(x - 2600) + np.abs(y - 2500) < 3400
    largest_box(mask[:10])
    start = time.perf_counter()
    box = largest_box(mask)
    assert time.perf_counter() - start < 2.0
    assert box is not None
