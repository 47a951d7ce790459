"""Apertures, centroids, half-flux radii and profile fits, against closed forms, `sep` and `photutils`."""

from __future__ import annotations

import numpy as np
import pytest
import sep
from photutils.aperture import CircularAperture, aperture_photometry

from nightfold.kernels.profiles import _add_moffat
from nightfold.measure.stars import (
    Frame,
    Shapes,
    aperture_flux,
    correction_surface,
    fit_profiles,
    half_flux_radii,
    measure_windows,
    moffat_energy,
    moment_shapes,
    neighbour_ratio,
)

SHAPE = (64, 64)


def one_star(render, profile, x=30.3, y=31.6, flux=1e5):
    image = render.draw(SHAPE, np.array([x]), np.array([y]), np.array([flux]), profile, reach=33, fine=9)
    return Frame(image=image.astype(np.float32)), np.array([x]), np.array([y])


def shape_of(fwhm, n=1):
    return Shapes(fwhm_px=np.full(n, fwhm), ellipticity=np.zeros(n), angle_deg=np.zeros(n))


def test_aperture_areas_and_sums_are_exact():
    image = np.random.default_rng(1).random((60, 60)).astype(np.float32)
    x, y = np.array([20.0, 30.37, 41.9, 25.5]), np.array([20.0, 28.8, 33.1, 40.5])
    for radius in (1.0, 2.5, 7.3):
        sums, areas = aperture_flux(Frame(image=image), x, y, radius_px=radius)
        np.testing.assert_allclose(areas, np.pi * radius**2, rtol=8e-3 if radius < 2 else 2e-3)
        outside, _, _ = sep.sum_circle(image, x, y, radius, subpix=0)  # exact overlap
        np.testing.assert_allclose(sums, outside, rtol=8e-3 if radius < 2 else 2e-3)
        table = aperture_photometry(image, CircularAperture(np.column_stack([x, y]), radius), method="exact")
        np.testing.assert_allclose(sums, table["aperture_sum"], rtol=8e-3 if radius < 2 else 2e-3)


def test_aperture_leaves_out_nan_and_what_is_off_the_frame():
    image = np.ones((20, 20), np.float32)
    image[10, 10] = np.nan
    sums, areas = aperture_flux(Frame(image=image), np.array([10.0, 0.0]), np.array([10.0, 0.0]), radius_px=3.0)
    assert sums[0] == pytest.approx(np.pi * 9 - 1, rel=1e-3)
    assert areas[1] == pytest.approx(0.25 * np.pi * 9 + 3.0 + 0.25, rel=2e-3)


def test_centroids_agree_with_sep(render):
    rng = np.random.default_rng(2)
    x, y, flux = render.field(rng, 60, (400, 400), low=3000, high=1e5, apart=25)
    image = render.exposed(rng, render.draw((400, 400), x, y, flux, render.moffat(3.2, 3.5)), sky=100.0, read_noise=3.0)
    image -= np.float32(100.0)
    n = x.size
    ours = measure_windows(
        Frame(image=image), np.rint(x), np.rint(y), background_e=np.zeros(n), sky_variance_e2=np.full(n, 109.0),
        width_px=1.4, radius_px=3.0,
    )  # fmt: skip
    xs, ys, _ = sep.winpos(image, np.rint(x), np.rint(y), np.full(n, 1.4))
    np.testing.assert_allclose(ours.x, xs, atol=2e-3)  # sep samples its window more finely
    np.testing.assert_allclose(ours.y, ys, atol=2e-3)
    sums, _, _ = sep.sum_circle(image, ours.x, ours.y, 3.0, subpix=0)
    np.testing.assert_allclose(ours.aperture_e, sums, rtol=1e-3)


@pytest.mark.parametrize("fwhm", [2.0, 3.0, 6.0])
def test_gaussian_half_flux_radius_is_half_the_fwhm(render, fwhm):
    # CHECKS G1 and G5: 1.1774 sigma, and not the mean radius of 1.2533 sigma.
    frame, x, y = one_star(render, render.gaussian(fwhm))
    radius = half_flux_radii(frame, x, y, flux_e=np.array([1e5]), background_e=np.zeros(1), most_px=4 * fwhm)
    assert radius[0] == pytest.approx(fwhm / 2, rel=0.03 if fwhm < 3 else 0.012)


@pytest.mark.parametrize(("beta", "ratio"), [(2.5, 0.6779), (3.0, 0.6312), (4.765, 0.5681)])
def test_moffat_half_flux_radius(render, beta, ratio):
    frame, x, y = one_star(render, render.moffat(4.0, beta))
    radius = half_flux_radii(frame, x, y, flux_e=np.array([1e5]), background_e=np.zeros(1), most_px=16.0)
    assert radius[0] == pytest.approx(4.0 * ratio, rel=0.012)  # CHECKS G4


def test_ring_has_the_half_flux_radius_of_its_area(render):
    # CHECKS J1: sqrt((1 + e^2) / 2) of the outer radius.
    frame, x, y = one_star(render, render.ring(9.0, 3.15))
    radius = half_flux_radii(frame, x, y, flux_e=np.array([1e5]), background_e=np.zeros(1), most_px=20.0)
    assert radius[0] == pytest.approx(9.0 * np.sqrt((1 + 0.35**2) / 2), rel=0.01)


@pytest.mark.parametrize(("radius", "beta", "share"), [(1.0, 2.5, 0.7092), (1.0, 3.0, 0.7596), (1.0, 4.765, 0.8397)])
def test_moffat_energy(radius, beta, share):
    assert moffat_energy(radius, beta) == pytest.approx(share, abs=1e-4)  # CHECKS G4


@pytest.mark.parametrize("beta", [2.5, 3.5, 5.0])
@pytest.mark.parametrize("fwhm", [1.5, 2.5, 5.0])
def test_moffat_fit_finds_what_was_drawn(render, fwhm, beta):
    frame, x, y = one_star(render, render.moffat(fwhm, beta, 0.8, 35.0))
    fit = fit_profiles(
        frame, x, y, peak_e=np.array([frame.image.max()], np.float64), shapes=shape_of(fwhm), background_e=np.zeros(1),
        sky_variance_e2=np.full(1, 100.0), fwhm_px=fwhm,
    )  # fmt: skip
    assert fit.fwhm_px[0] == pytest.approx(fwhm, rel=0.02)
    assert fit.beta[0] == pytest.approx(beta, rel=0.1)
    assert fit.ellipticity[0] == pytest.approx(0.2, abs=0.012)
    assert fit.angle_deg[0] == pytest.approx(35.0, abs=1.0)


def test_moffat_fit_agrees_with_least_squares_of_scipy(render):
    from scipy.optimize import least_squares

    rng = np.random.default_rng(3)
    frame, x, y = one_star(render, render.moffat(6.0, 3.0), flux=3e4)
    image = (frame.image + rng.normal(0.0, 5.0, SHAPE)).astype(np.float32)
    frame = Frame(image=image)
    fit = fit_profiles(
        frame, x, y, peak_e=np.array([frame.image.max()], np.float64), shapes=shape_of(6.0), background_e=np.zeros(1),
        sky_variance_e2=np.full(1, 1e9), fwhm_px=6.0, beta=3.0,
    )  # fmt: skip
    yy, xx = np.mgrid[:64, :64]
    near = np.hypot(xx - 30, yy - 32) <= 10.5  # the window of the fit: even weights, for the sky variance is huge

    def rest(p):
        u, v = xx - p[0], yy - p[1]
        return (p[2] * (1 + p[3] * u**2 + 2 * p[4] * u * v + p[5] * v**2) ** -3.0 - image)[near]

    p = least_squares(rest, [30.0, 32.0, image.max(), 0.03, 0.0, 0.03]).x
    raw = 2 * np.sqrt(2 ** (1 / 3) - 1) * (p[3] * p[5] - p[4] ** 2) ** -0.25
    assert fit.fwhm_px[0] == pytest.approx(np.sqrt(raw**2 - 8 * np.log(2) / 12), rel=1e-3)


@pytest.mark.parametrize("length", [0.5, 1.0, 2.0])
def test_trail_changes_the_axis_ratio_as_moments_say(render, length):
    # CHECKS G6, FWHM_long = sqrt(FWHM^2 + 0.46210 L^2) for a star of 2.5: axis ratios .9909, .9650, .8785
    scale = 1.6
    frame, x, y = one_star(render, render.trailed(2.5 * scale, length * scale))
    w = measure_windows(frame, x, y, background_e=np.zeros(1), sky_variance_e2=np.ones(1), width_px=1.9, radius_px=4.0)
    shape = moment_shapes(w, 1.9)
    expected = {0.5: 0.9909, 1.0: 0.9650, 2.0: 0.8785}[length]
    assert 1 - shape.ellipticity[0] == pytest.approx(
        expected, abs=0.01
    )  # under a window, a trail counts for a little more
    if length > 0.5:
        assert min(shape.angle_deg[0], 180 - shape.angle_deg[0]) < 1.5


def test_moments_of_an_elliptical_gaussian_are_exact(render):
    frame, x, y = one_star(render, render.gaussian(4.0, 0.7, 60.0))
    w = measure_windows(frame, x, y, background_e=np.zeros(1), sky_variance_e2=np.ones(1), width_px=1.6, radius_px=4.0)
    shape = moment_shapes(w, 1.6)
    assert shape.fwhm_px[0] == pytest.approx(4.0, rel=2e-3)
    assert shape.ellipticity[0] == pytest.approx(0.3, abs=3e-3)
    assert shape.angle_deg[0] == pytest.approx(60.0, abs=0.3)


def test_neighbour_ratio_is_what_is_drawn(render):
    for fwhm, x in ((1.4, 30.0), (2.5, 30.4), (4.0, 30.1)):
        image = one_star(render, render.gaussian(fwhm), x=x, y=31.0)[0].image
        seen = image[30:33, 29:32].sum() / image[31, 30] - 1.0
        assert neighbour_ratio(np.array([x]), np.array([31.0]), fwhm)[0] == pytest.approx(seen, rel=0.01)


def test_correction_surface_follows_a_parabola_and_ignores_wild_ratios():
    rng = np.random.default_rng(4)
    x, y = rng.uniform(0, 1000, 200), rng.uniform(0, 800, 200)

    def true(u, v):
        return 1.1 + 2e-7 * ((u - 500) ** 2 + (v - 400) ** 2)

    ratio = true(x, y) + rng.normal(0, 0.002, 200)
    ratio[::20] = 1.6
    inner = (np.array([200.0, 700.0]), np.array([300.0, 500.0]))
    np.testing.assert_allclose(correction_surface(x, y, ratio, np.ones(200), *inner, 1000.0), true(*inner), atol=2e-3)
    none = np.zeros(0)
    np.testing.assert_array_equal(correction_surface(none, none, none, none, *inner, 1000.0), 1.0)


def test_listed_saturated_pixels_count_as_marked_ones(render):
    rng = np.random.default_rng(12)
    x, y, flux = render.field(rng, 40, (200, 240), low=3000, high=1e5, apart=12)
    x[:3], y[:3] = [1.2, 238.6, 100.0], [50.0, 120.0, 0.8]
    image = render.exposed(rng, render.draw((200, 240), x, y, flux, render.moffat(3.2, 3.5)), sky=100.0, read_noise=3.0)
    high = image > 900.0
    given = {"background_e": np.full(x.size, 100.0), "sky_variance_e2": np.full(x.size, 109.0)}
    marked = measure_windows(
        Frame(image=image, bits=np.where(high, 2, 0).astype(np.uint8)), x, y, **given, width_px=1.6, radius_px=3.4
    )
    listed = measure_windows(
        Frame(image=image, saturated_at=np.flatnonzero(high)), x, y, **given, width_px=1.6, radius_px=3.4
    )
    assert np.nansum(marked.saturated) > 50
    np.testing.assert_array_equal(listed.saturated, marked.saturated)
    np.testing.assert_array_equal(listed.holes, marked.holes)
    np.testing.assert_allclose(listed.aperture_e, marked.aperture_e, rtol=1e-12)


def test_windows_against_sums_over_plain_arrays(render):
    rng = np.random.default_rng(13)
    frame, x, y = one_star(render, render.gaussian(3.1, 0.8, 20.0), x=29.7, y=33.2)
    image = frame.image + rng.normal(0.0, 2.0, SHAPE).astype(np.float32)
    width, radius, sky = 1.4, 3.3, 4.0
    w = measure_windows(
        Frame(image=image), x, y, background_e=np.zeros(1), sky_variance_e2=np.full(1, sky), width_px=width,
        radius_px=radius,
    )  # fmt: skip
    v, u = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float) - np.array([w.y[0], w.x[0]])[:, None, None]
    light = image.astype(float)
    variance = sky + np.maximum(light, 0.0)
    g = np.exp(-0.5 * (u * u + v * v) / width**2)
    g[np.maximum(abs(np.rint(u + w.x[0]) - 30), abs(np.rint(v + w.y[0]) - 33)) > 7] = 0.0
    total = np.sum(g * light)
    assert w.xx[0] == pytest.approx(np.sum(g * light * u * u) / total, rel=1e-3)
    assert w.yy[0] == pytest.approx(np.sum(g * light * v * v) / total, rel=1e-3)
    assert w.xy[0] == pytest.approx(np.sum(g * light * u * v) / total, rel=2e-3, abs=1e-4)
    assert w.snr[0] == pytest.approx(total / np.sqrt(np.sum(g * g * variance)), rel=1e-3)
    inner = u * u + v * v <= 9.0 * width**2 + 2.0
    h = np.where(inner, g - np.mean(g[inner]), 0.0)
    assert w.contrast_snr[0] == pytest.approx(np.sum(h * light) / np.sqrt(np.sum(h * h * variance)), rel=1e-3)
    fine = (np.arange(20) + 0.5) / 20.0 - 0.5
    share = np.mean(
        (u[..., None, None] + fine) ** 2 + (v[..., None, None] + fine[:, None]) ** 2 <= radius**2, axis=(2, 3)
    )
    assert w.aperture_e[0] == pytest.approx(np.sum(share * light), rel=2e-3)
    assert w.aperture_variance_e2[0] == pytest.approx(np.sum(share**2 * variance), rel=5e-3)


@pytest.mark.parametrize("beta", [1.5, 3.0, 40.0])
def test_profiles_written_out_are_powers(beta):
    rng = np.random.default_rng(14)
    us, vs = rng.uniform(-9.0, 9.0, (2, 301))
    p = np.array([0.0, 0.0, 700.0, 0.31, 0.04, 0.22, 1.0 / beta])
    model, d = np.zeros(301), np.zeros((7, 301))
    _add_moffat(us, vs, p, 0.25, model, d)
    s = p[3] * us**2 + 2.0 * p[4] * us * vs + p[5] * vs**2

    def exact(q):
        s = q[3] * (us - q[0]) ** 2 + 2.0 * q[4] * (us - q[0]) * (vs - q[1]) + q[5] * (vs - q[1]) ** 2
        return 0.25 * q[2] * (1.0 + q[6] * s) ** (-1.0 / q[6])

    np.testing.assert_allclose(model, exact(p), rtol=1e-11 * beta)
    for k in range(7):
        step = np.zeros(7)
        step[k] = 1e-6 * max(abs(p[k]), 1.0 if k < 2 else 0.02)
        slope = (exact(p + step) - exact(p - step)) / (2.0 * step[k])
        np.testing.assert_allclose(d[k], slope, rtol=2e-5, atol=1e-5 * np.abs(slope).max())
    assert s.max() > 20.0
