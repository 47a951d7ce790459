"""Finding stars: significance as theory has it, no false alarms, the same stars as `sep`."""

from __future__ import annotations

import numpy as np
import pytest
import sep
from scipy.ndimage import correlate, maximum_filter
from scipy.spatial import cKDTree

from nightfold.kernels.detect import PEAK_COLUMNS, filter_peaks
from nightfold.measure.background import bin_frame, sky_mesh
from nightfold.measure.detect import find_stars, highest_first, taps_of


@pytest.mark.parametrize("factor", [1, 2])
def test_significance_is_that_of_a_matched_filter(render, factor):
    # CHECKS G2: noise-equivalent area 4 pi sigma^2, so SNR = flux / (noise sqrt(4 pi) sigma); peaks between coarse pixels lose up to 20 %.
    rng = np.random.default_rng(1)
    x, y, flux = render.field(rng, 40, (400, 400), low=5000, high=5001, apart=40)
    image = render.draw((400, 400), x, y, flux, render.gaussian(3.5)) + 500.0
    image = (image + rng.normal(0, 20.0, image.shape)).astype(np.float32)
    binned, _ = bin_frame(image, factor)
    peaks = find_stars(binned, sky_mesh(image), fwhm_px=3.5, threshold_sigma=5.0)
    sigma = np.sqrt((3.5 / 2.35482) ** 2 + 1 / 12)
    expected = 5000 / (20.0 * np.sqrt(4 * np.pi) * sigma)
    assert len(peaks) == 40
    assert np.median(peaks.significance) == pytest.approx(expected, rel=0.06 if factor == 1 else 0.16)
    distance, _ = cKDTree(np.column_stack([x, y])).query(np.column_stack([peaks.x, peaks.y]))
    assert distance.max() < 1.0


def test_blank_sky_holds_no_stars():
    image = np.random.default_rng(2).normal(100.0, 10.0, (1000, 1000)).astype(np.float32)
    peaks = find_stars(bin_frame(image, 1)[0], sky_mesh(image), fwhm_px=3.0, threshold_sigma=5.0)
    assert len(peaks) <= 1  # 1e6 pixels of normal noise: 0.3 expected, fewer when filtered


def test_correlated_noise_is_noticed():
    rng = np.random.default_rng(3)
    white = rng.normal(0.0, 1.0, (602, 602))
    image = (100.0 + (white[1:-1, 1:-1] + white[:-2, 1:-1] + white[1:-1, :-2] + white[:-2, :-2])).astype(np.float32)
    peaks = find_stars(bin_frame(image, 1)[0], sky_mesh(image), fwhm_px=3.0, threshold_sigma=5.0)
    assert peaks.noise_scale > 1.5
    assert len(peaks) <= 1


def test_finds_the_stars_that_sep_finds(render):
    rng = np.random.default_rng(4)
    x, y, flux = render.field(rng, 150, (500, 500), low=300, high=5e4, apart=14)
    image = render.exposed(rng, render.draw((500, 500), x, y, flux, render.gaussian(3.0)), sky=100.0, read_noise=3.0)
    background = sep.Background(image, bw=64, bh=64)
    taps = taps_of(3.0, 1).astype(np.float64)
    theirs = sep.extract(
        image - background.back(), 5.0, err=np.full(image.shape, background.globalrms), minarea=1,
        filter_kernel=np.outer(taps, taps), filter_type="matched",
    )  # fmt: skip
    ours = find_stars(bin_frame(image, 1)[0], sky_mesh(image), fwhm_px=3.0, threshold_sigma=5.0)
    ours_tree = cKDTree(np.column_stack([ours.x, ours.y]))
    assert (ours_tree.query(np.column_stack([theirs["x"], theirs["y"]]))[0] < 2.0).mean() > 0.98
    assert len(theirs) > 100
    true_distance, _ = cKDTree(np.column_stack([x, y])).query(np.column_stack([ours.x, ours.y]))
    assert (true_distance < 2.0).all()
    assert len(ours) >= 145


def test_only_asked_rows_are_searched():
    image = np.full((300, 200), 10.0, np.float32)
    image += np.random.default_rng(5).normal(0, 1, image.shape).astype(np.float32)
    for py in (50, 150, 250):
        image[py - 1 : py + 2, 99:102] += 60.0
    binned = bin_frame(image, 1)[0]
    peaks = find_stars(binned, sky_mesh(image), fwhm_px=3.0, rows=slice(100, 200))
    assert len(peaks) == 1
    assert (peaks.x[0], peaks.y[0]) == pytest.approx((100.0, 150.0), abs=0.3)


def test_frame_without_sky_gives_nothing():
    image = np.full((100, 100), np.nan, np.float32)
    assert len(find_stars(bin_frame(image, 1)[0], sky_mesh(image), fwhm_px=3.0)) == 0


def test_kernel_does_what_its_slow_twin_does():
    rng = np.random.default_rng(6)
    image = np.round(rng.normal(50.0, 4.0, (61, 77))).astype(np.float32)  # whole numbers, so that there are equals
    image[rng.random(image.shape) < 0.02] = np.nan
    taps = taps_of(4.0, 1)
    level = np.full((1, 77), 50.0, np.float32).repeat(4, axis=0)
    blend = np.tile(np.array([0.1, 0.4, 0.3, 0.2], np.float32), (61, 1))
    filtered = np.empty(image.shape, np.float32)
    xs, ys, values = np.empty(4000, np.int64), np.empty(4000, np.int64), np.empty((4000, PEAK_COLUMNS), np.float32)
    n = filter_peaks(
        image, level, level / 100.0, np.zeros(61, np.int64), blend, taps, np.float32(0.5), 1, filtered, xs, ys, values
    )
    unit = np.where(np.isfinite(image), (image - 50.0) * 0.5, 0.0)
    twin = correlate(unit, np.outer(taps, taps), mode="constant")
    np.testing.assert_allclose(filtered, twin, atol=2e-4)
    highest = (filtered >= 0.5) & (filtered == maximum_filter(filtered, size=3, mode="constant", cval=-np.inf))
    y, x = np.nonzero(highest)
    assert n == len(x) > 50
    np.testing.assert_array_equal(np.column_stack([xs[:n], ys[:n]]), np.column_stack([x, y]))
    wide = np.pad(filtered, 1, constant_values=np.nan)
    around = [wide[y + 1, x], wide[y, x + 1], wide[y + 1, x + 1], wide[y + 1, x + 2], wide[y + 2, x + 1]]
    np.testing.assert_array_equal(values[:n], np.column_stack(around))


def test_of_equal_neighbours_the_last_is_the_peak():
    image = np.zeros((20, 20), np.float32)
    image[5, 5:7] = image[11:13, 10] = image[0, 0] = image[19, 19] = 100.0
    mesh_rows = np.zeros((4, 20), np.float32)
    blend = np.full((20, 4), 0.25, np.float32)
    sample, values = np.empty((20, 20), np.float32), np.empty((50, PEAK_COLUMNS), np.float32)
    xs, ys = np.empty(50, np.int64), np.empty(50, np.int64)
    one = np.array([0.0, 1.0, 0.0], np.float32)
    n = filter_peaks(
        image,
        mesh_rows,
        mesh_rows + 1.0,
        np.zeros(20, np.int64),
        blend,
        one,
        np.float32(5.0),
        1,
        sample,
        xs,
        ys,
        values,
    )
    assert sorted(zip(xs[:n].tolist(), ys[:n].tolist())) == [(0, 0), (6, 5), (10, 12), (19, 19)]


def test_highest_first_keeps_the_order_of_equals():
    rng = np.random.default_rng(11)
    heights = rng.integers(1, 40, 3000).astype(np.float32) / np.float32(7.0)
    np.testing.assert_array_equal(highest_first(heights), np.argsort(-heights, kind="stable"))
    assert highest_first(np.zeros(0, np.float32)).size == 0
