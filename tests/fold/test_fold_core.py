"""Whole folds of rendered subs against the truth they were rendered from."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from nightfold.align.records import Transform
from nightfold.calibrate.records import Calibration
from nightfold.engine.core import CancelToken
from nightfold.errors import CancelledError, FoldError
from nightfold.fold.core import fold_subs
from nightfold.fold.normalise import ideal_noise, noise_over_ideal, weights_inverse_variance
from nightfold.fold.records import FoldOptions, SkySurface
from nightfold.fold.tiles import plan_tiles, region_bytes
from nightfold.measure.blank import rate_variance

SHAPE = (256, 320)
EXPOSURE_S = 120.0
SKY = 2.0  # electrons a second and pixel
PLANES = ("image", "variance", "coverage", "rejected", "weight_map", "kernel_noise")
TURNS = (0.0, 0.7, 180.0, 180.7)
INSIDE = (slice(24, -24), slice(24, -24))


def scene(rng, stars=60, low=1e3, high=3e5, shape=SHAPE):
    """Positions on the grid and fluxes in electrons a second."""
    x, y = rng.uniform(8, shape[1] - 9, stars), rng.uniform(8, shape[0] - 9, stars)
    return x, y, np.exp(rng.uniform(math.log(low), math.log(high), stars)) / EXPOSURE_S


def expose(skies, rng, stars, transform, *, fwhm_px=3.0, scale=1.0, sky=SKY, shape=SHAPE, harm=None, **more):
    """One sub of the scene; `harm` changes the expected electrons or adds to them."""
    x, y, flux = stars
    at = transform.invert(np.stack([x, y], axis=1))
    light = skies.paint(shape, at[:, 0], at[:, 1], flux * EXPOSURE_S * scale, fwhm_px) + sky * EXPOSURE_S
    raw = skies.noisy(rng, light)
    if harm is not None:
        raw = harm(raw)
    calibration = Calibration(e_per_adu=1.0, read_noise_e=3.0, saturation_adu=1e9)
    return skies.sub_of(
        raw,
        transform,
        exposure_s=EXPOSURE_S,
        sky_e_per_s=sky,
        scale=scale,
        fwhm_px=fwhm_px,
        **{"calibration": calibration, **more},
    )


def exposures(skies, rng, n, stars, **more):
    return [
        expose(skies, rng, stars, skies.turned(SHAPE, TURNS[k % 4], rng.uniform(-4, 4, 2)), name=f"sub {k}", **more)
        for k in range(n)
    ]


def truth(skies, stars, fwhm_px=3.0):
    return skies.paint(SHAPE, *stars, fwhm_px) + SKY


def options(**more):
    return FoldOptions(**{"workers": 1, **more})


def test_noise_is_within_three_percent_of_the_ideal(skies):
    rng = np.random.default_rng(1)
    none = (np.empty(0), np.empty(0), np.empty(0))
    skies_e = rng.uniform(1.0, 6.0, 15)
    scales = rng.uniform(0.6, 1.1, 15)
    transforms = [skies.turned(SHAPE, TURNS[k % 4], rng.uniform(-4, 4, 2)) for k in range(15)]
    variances = rate_variance(skies_e, EXPOSURE_S, read_noise_e=3.0)
    weights = weights_inverse_variance(scales, variances)
    subs = [
        replace(expose(skies, rng, none, t, sky=e, scale=s, weight=float(w)), sky=SkySurface.flat(e / s - SKY))
        for t, e, s, w in zip(transforms, skies_e, scales, weights, strict=True)
    ]
    result = fold_subs(subs, SHAPE, options())
    image, variance = result.image[INSIDE], result.variance[INSIDE]
    assert image.mean() == pytest.approx(SKY, rel=2e-3)
    assert np.mean((image - image.mean()) ** 2 / variance) == pytest.approx(1.0, abs=0.03)
    sigmas = np.sqrt(variances) / scales
    ratio = noise_over_ideal(
        image.std(), weights=weights, sigmas_at_scale_1=sigmas, kernel_rms=np.sqrt(result.kernel_noise)
    )
    assert ratio == pytest.approx(1.0, abs=0.03)
    assert ideal_noise(sigmas) > 0.0
    assert result.rejected[INSIDE].sum() / result.coverage[INSIDE].sum() < 0.005


def draw_trail(rng, shape, peak, width_px=1.2):
    """A straight trail through the middle, expected electrons."""
    angle = rng.uniform(0.0, np.pi)
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    px, py = rng.uniform(0.3, 0.7) * shape[1], rng.uniform(0.3, 0.7) * shape[0]
    away = (x - px) * np.sin(angle) - (y - py) * np.cos(angle)
    return peak * np.exp(-0.5 * (away / width_px) ** 2)


@pytest.mark.parametrize("peak_sigma", [8.0, 40.0, 400.0])
def test_trails_leave_nothing(skies, peak_sigma):
    """DESIGN 6: nothing above 4 sigma beyond chance, mean along the trail below 0.3 sigma, good samples lost < 0.5 %."""
    n = 15
    clean = np.random.default_rng(7)
    rng = np.random.default_rng(8)
    stars = scene(clean, 0)
    sigma_e = math.sqrt(SKY * EXPOSURE_S + 9.0)
    trails = {k: draw_trail(rng, SHAPE, peak_sigma * sigma_e) for k in (2, 7, 9)}
    subs, marks = [], []
    for k in range(n):
        transform = skies.turned(SHAPE, TURNS[k % 4], clean.uniform(-4, 4, 2))
        trail = trails.get(k)
        harm = None if trail is None else (lambda raw, trail=trail: raw + rng.poisson(trail).astype(np.float32))
        subs.append(expose(skies, clean, stars, transform, harm=harm))
        if trail is not None:
            y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
            at = np.rint(transform.invert(np.stack([x.ravel(), y.ravel()], axis=1).astype(float))).astype(int)
            at = np.clip(at, 0, [SHAPE[1] - 1, SHAPE[0] - 1])
            marks.append((trail[at[:, 1], at[:, 0]] > 0.3 * peak_sigma * sigma_e).reshape(SHAPE))
    result = fold_subs(subs, SHAPE, options())
    pull = (result.image - SKY) / np.sqrt(result.variance)
    for mark in marks:
        along = mark.copy()
        along[:24] = along[-24:] = False
        along[:, :24] = along[:, -24:] = False
        assert along.sum() > 300
        assert abs(pull[along].mean()) < 0.3
    assert (pull[INSIDE] > 4.0).sum() <= 4  # chance: 2
    away = ~ndimage.binary_dilation(np.any(marks, axis=0), iterations=6)[INSIDE]
    assert result.rejected[INSIDE][away].sum() / result.coverage[INSIDE][away].sum() < 0.005


def test_cosmic_rays_and_hot_pixels_leave_nothing(skies):
    clean, rng = np.random.default_rng(11), np.random.default_rng(12)
    stars = scene(clean, 0)
    hot_y, hot_x = rng.integers(10, SHAPE[0] - 10, 60), rng.integers(10, SHAPE[1] - 10, 60)

    def harm(raw):
        raw = raw.copy()
        raw[hot_y, hot_x] += 2000.0  # of the camera: they wander over the grid with the dither
        for _ in range(60):
            y, x = rng.integers(5, SHAPE[0] - 9), rng.integers(5, SHAPE[1] - 9)
            step = rng.integers(-1, 2, 2)
            for k in range(rng.integers(1, 4)):
                raw[y + k * step[0], x + k * step[1]] += rng.uniform(100.0, 5000.0)
        return raw

    subs = exposures(skies, clean, 16, stars, harm=harm)
    result = fold_subs(subs, SHAPE, options())
    pull = (result.image[INSIDE] - SKY) / np.sqrt(result.variance[INSIDE])
    assert (np.abs(pull) > 4.0).sum() <= 10  # chance: 4 of 56,576
    assert pull.mean() < 0.05
    assert pull.std() == pytest.approx(1.0, abs=0.03)


def test_good_samples_lost_beside_stars_are_few(skies):
    rng = np.random.default_rng(13)
    result = fold_subs(exposures(skies, rng, 15, scene(rng)), SHAPE, options())
    assert result.rejected[INSIDE].sum() / result.coverage[INSIDE].sum() < 0.005


@pytest.mark.parametrize(("fwhm_px", "bias"), [(3.0, 0.003), (2.2, 0.003), (1.5, 0.005)])
def test_star_cores_survive_changing_seeing(skies, fwhm_px, bias):
    """DESIGN 6: flux bias < 0.3 %, also in cores, while the peak scatters by a quarter from sub to sub."""
    rng = np.random.default_rng(14)
    gx, gy = np.meshgrid(np.arange(40, SHAPE[1] - 30, 40.0), np.arange(40, SHAPE[0] - 30, 40.0))
    x = gx.ravel() + rng.uniform(-0.5, 0.5, gx.size)
    y = gy.ravel() + rng.uniform(-0.5, 0.5, gx.size)
    stars = (x, y, np.exp(np.linspace(math.log(3e4), math.log(1e6), x.size)) / EXPOSURE_S)
    subs = []
    for k in range(16):
        width = fwhm_px * math.exp(0.125 * rng.standard_normal())
        subs.append(expose(skies, rng, stars, skies.turned(SHAPE, TURNS[k % 4], rng.uniform(-4, 4, 2)), fwhm_px=width))
    result = fold_subs(subs, SHAPE, options())
    plain = fold_subs(subs, SHAPE, options(share_given_up=0.0))
    gy, gx = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    ratios, cores = [], []
    for px, py, flux in zip(*stars, strict=True):
        r = np.hypot(gx - px, gy - py)
        ratios.append((result.image[r < 12] - SKY).sum() / flux)
        cores.append((result.image[r < 2] - SKY).sum() / (plain.image[r < 2] - SKY).sum())
    ratios, cores = np.array(ratios), np.array(cores)
    bright = stars[2] * EXPOSURE_S > 1e5
    assert ratios[bright].mean() == pytest.approx(1.0, abs=bias)
    assert cores.mean() == pytest.approx(1.0, abs=bias)
    assert np.abs(cores - 1.0).max() < 0.02


@pytest.mark.parametrize("told", [4.0, 0.05])
def test_noise_that_was_told_wrong_is_seen(skies, told):
    """Frames in units of their own, said to be electrons: the samples tell their noise."""
    rng = np.random.default_rng(22)
    none = (np.empty(0), np.empty(0), np.empty(0))
    subs = exposures(skies, rng, 9, none)
    wrong = []
    for sub in subs:
        raw = sub.read_box(0, *SHAPE[:1], 0, SHAPE[1]) * told
        wrong.append(replace(sub, read_box=lambda y0, y1, x0, x1, raw=raw: raw[y0:y1, x0:x1], sky_e_per_s=SKY * told))
    result = fold_subs(wrong, SHAPE, options())
    image, variance = result.image[INSIDE], result.variance[INSIDE]
    assert np.mean((image - image.mean()) ** 2 / variance) == pytest.approx(1.0, abs=0.1)
    assert 0.0005 < result.rejected[INSIDE].mean() / 9 < 0.005


def test_copies_of_subs_are_not_turned_against_each_other(skies):
    rng = np.random.default_rng(23)
    none = (np.empty(0), np.empty(0), np.empty(0))
    subs = [replace(s, name=f"{s.name} {k}") for s in exposures(skies, rng, 4, none) for k in range(5)]
    result = fold_subs(subs, SHAPE, options())
    assert result.rejected[INSIDE].mean() / len(subs) < 0.005


@pytest.mark.parametrize("widths", [[2.4] + 15 * [3.4], 4 * [4.0] + 12 * [2.8], 4 * [2.2] + 12 * [3.6]])
def test_stars_survive_nights_of_very_different_seeing(skies, widths):
    """One night sharper, or wider, than the rest: neither its cores nor its wings are outliers (DESIGN 6: bias < 0.3 %)."""
    rng = np.random.default_rng(24)
    gx, gy = np.meshgrid(np.arange(40, SHAPE[1] - 30, 40.0), np.arange(40, SHAPE[0] - 30, 40.0))
    x = gx.ravel() + rng.uniform(-0.5, 0.5, gx.size)
    y = gy.ravel() + rng.uniform(-0.5, 0.5, gx.size)
    stars = (x, y, np.exp(np.linspace(math.log(3e4), math.log(1e6), x.size)) / EXPOSURE_S)
    subs = [
        expose(skies, rng, stars, skies.turned(SHAPE, TURNS[k % 4], rng.uniform(-4, 4, 2)), fwhm_px=width)
        for k, width in enumerate(widths)
    ]
    result = fold_subs(subs, SHAPE, options())
    plain = fold_subs(subs, SHAPE, options(share_given_up=0.0))
    gy, gx = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    for radius in (2.0, 5.0, 12.0):
        changed = [
            (result.image - plain.image)[np.hypot(gx - px, gy - py) < radius].sum() / flux
            for px, py, flux in zip(*stars, strict=True)
        ]
        assert abs(np.mean(changed)) < 0.002
        assert np.abs(changed).max() < 0.01


def test_the_result_does_not_depend_on_tiles_threads_or_order(skies):
    rng = np.random.default_rng(15)
    subs = exposures(skies, rng, 6, scene(rng))
    bent = Transform(
        matrix=subs[1].transform.matrix,
        distortion=np.full((2, 7), 0.8),
        centre=(160.0, 128.0),
        radius=900.0,
    )
    subs[1] = replace(subs[1], transform=bent)
    subs[2] = replace(subs[2], transform=skies.turned(SHAPE, 33.0, (1.3, 0.2)))
    subs[3] = replace(subs[3], transform=skies.turned(SHAPE, 90.3, (1.3, 0.2), mirror=True))
    subs[4] = replace(subs[4], transform=skies.turned(SHAPE, 5.0, (1.3, 0.2), scale=0.8))
    raw = subs[5].read_box(0, SHAPE[0], 0, SHAPE[1])
    raw[100:105, 100:130] = np.nan
    subs[5] = replace(subs[5], read_box=lambda y0, y1, x0, x1: raw[y0:y1, x0:x1])
    whole = fold_subs(subs, SHAPE, options(tile=(256, 320)))
    for other in (options(tile=(64, 64)), options(tile=(37, 50)), options(workers=3, tile=(64, 112)), options()):
        result = fold_subs(subs, SHAPE, other)
        for name in PLANES:
            np.testing.assert_array_equal(getattr(result, name), getattr(whole, name), err_msg=f"{name} {other.tile}")
    turned = fold_subs(subs[::-1], SHAPE, options())
    for name in PLANES[:-1]:
        np.testing.assert_array_equal(getattr(turned, name), getattr(whole, name), err_msg=name)
    np.testing.assert_array_equal(turned.kernel_noise[::-1], whole.kernel_noise)


def test_planes_left_in_the_files_order_give_the_same_bytes(skies):
    rng = np.random.default_rng(16)
    flat = np.linspace(0.7, 1.2, SHAPE[1], dtype=np.float32) * np.ones((SHAPE[0], 1), np.float32)
    flat[40:44, 50:60] = 0.01  # dead
    dark = rng.normal(100.0, 2.0, SHAPE).astype(np.float32)
    plain = Calibration(e_per_adu=1.0, read_noise_e=3.0, dark_adu=dark, flat=flat, saturation_adu=1e9)
    for change in ({}, {"flat": None}, {"dark_adu": None, "pedestal_adu": 100.0}):
        own = replace(plain, **change)
        stored = replace(
            own,
            **{k: v.astype(">f4") for k in ("dark_adu", "flat") if (v := getattr(own, k)) is not None},
        )
        subs = exposures(skies, np.random.default_rng(17), 6, scene(rng), calibration=own)
        whole = fold_subs(subs, SHAPE, options())
        other = fold_subs([replace(s, calibration=stored) for s in subs], SHAPE, options())
        for name in PLANES:
            np.testing.assert_array_equal(getattr(other, name), getattr(whole, name), err_msg=f"{name} {change}")


@pytest.mark.parametrize("n", [1, 2, 3])
def test_few_subs(skies, n):
    rng = np.random.default_rng(16)
    stars = scene(rng)
    subs = exposures(skies, rng, n, stars)
    if n > 1:
        raw = subs[0].read_box(0, SHAPE[0], 0, SHAPE[1])
        raw[120:122, 150:152] += 5000.0
        subs[0] = replace(subs[0], read_box=lambda y0, y1, x0, x1: raw[y0:y1, x0:x1])
    result = fold_subs(subs, SHAPE, options())
    assert result.coverage.max() == n
    pull = ((result.image - truth(skies, stars)) / np.sqrt(result.variance))[INSIDE]
    assert np.abs(np.median(pull)) < 0.05
    if n > 1:
        hit = np.rint(subs[0].transform.apply(np.array([[150.5, 120.5]]))[0]).astype(int)
        assert result.rejected[hit[1], hit[0]] == 1
        assert abs(pull[hit[1] - 24, hit[0] - 24]) < 5
    else:
        assert result.rejected.sum() == 0


def test_where_no_sub_covers_there_is_nothing(skies):
    rng = np.random.default_rng(17)
    none = (np.empty(0), np.empty(0), np.empty(0))
    subs = [expose(skies, rng, none, skies.turned(SHAPE, 0.0, (40.0, 0.0))) for _ in range(3)]
    subs.append(expose(skies, rng, none, skies.turned(SHAPE, 0.0, (5000.0, 0.0)), weight=2.0))
    result = fold_subs(subs, SHAPE, options())
    assert np.isnan(result.image[:, :41]).all()
    assert np.isnan(result.variance[:, :41]).all()
    assert (result.coverage[:, :41] == 0).all()
    assert (result.weight_map[:, :41] == 0).all()
    assert (result.coverage[10:-10, 50:] == 3).all()
    np.testing.assert_allclose(result.weight_map[10:-10, 50:], 3.0 / 5.0, rtol=1e-6)
    assert np.isnan(result.kernel_noise[3])
    assert np.isfinite(result.kernel_noise[:3]).all()


def test_other_statistics_and_a_rule_of_the_callers(skies):
    rng = np.random.default_rng(18)
    subs = exposures(skies, rng, 7, scene(rng))
    own = fold_subs(subs, SHAPE, options())
    for name in ("mean", "median", "huber", "esd"):
        result = fold_subs(subs, SHAPE, options(statistic=name))
        np.testing.assert_array_equal(result.coverage, own.coverage)
        difference = (result.image - own.image)[INSIDE] / np.sqrt(own.variance[INSIDE])
        assert abs(np.median(difference)) < 0.05

    def lowest(stack):
        return (
            np.nanmin(np.where(np.isfinite(stack), stack, np.inf), axis=0),
            np.ones(stack.shape[1]),
            np.ones(stack.shape[1], int),
        )

    result = fold_subs(subs, SHAPE, options(stack_statistic=lowest))
    assert (result.image[INSIDE] <= own.image[INSIDE]).mean() > 0.99
    assert (result.rejected[INSIDE] == result.coverage[INSIDE] - 1).all()


def test_a_second_rig_keeps_the_level(skies):
    """A coarser sub and a finer one of the same sky show the same electrons a grid pixel after their scales."""
    rng = np.random.default_rng(19)
    for scale in (0.75, 1.5):
        shape = tuple(int(s / scale) for s in SHAPE)
        transform = skies.turned(shape, 3.0, scale=scale, onto=SHAPE)
        x, y, flux = np.array([160.0]), np.array([130.0]), np.array([3e5 / EXPOSURE_S])
        at = transform.invert(np.stack([x, y], axis=1))
        light = skies.paint(shape, at[:, 0], at[:, 1], flux * EXPOSURE_S, 3.0 / scale) + 240.0 * scale**2
        sub = skies.sub_of(
            skies.noisy(rng, light), transform, exposure_s=EXPOSURE_S, sky_e_per_s=2.0 * scale**2, fwhm_px=3.0
        )
        result = fold_subs([sub], SHAPE, options())
        gy, gx = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
        r = np.hypot(gx - 160.0, gy - 130.0)
        blank = result.image[40:-40, 40:110]
        assert blank.mean() == pytest.approx(SKY, rel=0.01)
        assert blank.std() == pytest.approx(math.sqrt(result.variance[40:-40, 40:110].mean()), rel=0.06)
        assert (result.image[r < 14] - SKY).sum() == pytest.approx(flux[0], rel=0.01)
        raw_variance = rate_variance(2.0 * scale**2, EXPOSURE_S, read_noise_e=3.0) / scale**2
        assert blank.std() == pytest.approx(math.sqrt(raw_variance * result.kernel_noise[0]), rel=0.06)


def test_stop_on_request(skies):
    rng = np.random.default_rng(20)
    token = CancelToken()
    seen = []

    class Watch:
        def start(self, total, what, unit=""):
            seen.append(total)

        def advance(self, n=1):
            seen.append(n)
            token.cancel()

        def finish(self):
            seen.append("end")

        def say(self, text):
            raise AssertionError(text)

    with pytest.raises(CancelledError):
        fold_subs(
            exposures(skies, rng, 2, scene(rng)), SHAPE, options(tile=(64, 64)), progress=Watch(), cancelled=token
        )
    assert seen == [20, 1, "end"]


def test_what_cannot_be_folded_is_told(skies):
    rng = np.random.default_rng(21)
    (sub,) = exposures(skies, rng, 1, scene(rng))
    with pytest.raises(FoldError, match="nothing to fold"):
        fold_subs([], SHAPE, options())
    with pytest.raises(FoldError, match="no sub has a weight"):
        fold_subs([replace(sub, weight=0.0)], SHAPE, options())
    with pytest.raises(FoldError, match=r"unknown statistic.*allowed.*huber"):
        fold_subs([sub], SHAPE, options(statistic="mode"))
    with pytest.raises(FoldError, match="scale is impossible"):
        fold_subs([replace(sub, scale=0.0)], SHAPE, options())
    with pytest.raises(FoldError, match="dark has another size"):
        dark = Calibration(e_per_adu=1.0, read_noise_e=3.0, dark_adu=np.zeros((3, 3), np.float32))
        fold_subs([replace(sub, calibration=dark)], SHAPE, options())
    with pytest.raises(FoldError, match="line"):
        fold_subs([replace(sub, transform=Transform(matrix=np.ones((2, 3))))], SHAPE, options())


@pytest.mark.parametrize("subs", [1, 24, 100, 300])
def test_tiles_cover_the_grid_once_and_fit_the_memory(subs):
    shape = (4176, 6248)
    tiles = plan_tiles(shape, subs, workers=2, memory_bytes=800_000_000)
    seen = np.zeros(shape, np.uint8)
    for t in tiles:
        seen[t.y0 : t.y1, t.x0 : t.x1] += 1
        assert t.region_x0 % 16 == 0
        assert t.region_shape[1] % 16 == 0
        assert t.region_y0 <= max(t.y0 - 4, 0)
        assert t.region_y1 >= min(t.y1 + 4, shape[0])
        assert t.region_x0 <= max(t.x0 - 4, 0)
        assert t.region_x1 >= min(t.x1 + 4, shape[1])
    assert (seen == 1).all()
    largest = max((t.y1 - t.y0, t.x1 - t.x0) for t in tiles)
    assert 2 * region_bytes(*largest, subs) + 16 * seen.size <= 800_000_000
