"""The sky mesh, its surface and the pixel noise, against known skies, `sep` and published formulas."""

from __future__ import annotations

import numpy as np
import pytest
import sep

from nightfold.measure.background import bin_frame, evaluate, pixel_noise_e, sky_at, sky_mesh


def tilted(rng, shape=(800, 800), sigma=5.0):
    """The frame of CHECKS C9 and C10: a tilted plane with Gaussian noise."""
    plane = 1000.0 + np.add.outer(0.02 * np.arange(shape[0]), -0.01 * np.arange(shape[1]))
    return plane, (plane + rng.normal(0.0, sigma, shape)).astype(np.float32)


def test_plane_comes_back_everywhere():
    plane, image = tilted(np.random.default_rng(1))
    surface = evaluate(sky_mesh(image), image.shape)
    assert surface.dtype == np.float32
    assert np.abs(surface - plane).max() < 0.15 * 5.0  # also in the corners, where the mesh is extrapolated
    assert np.abs(np.mean(surface - plane)) < 0.01 * 5.0


def test_scatter_is_the_noise():
    _, image = tilted(np.random.default_rng(2))
    mesh = sky_mesh(image, mesh_px=64)
    assert np.median(mesh.sigma_e) == pytest.approx(5.0, rel=0.02)
    assert evaluate(mesh, image.shape, scatter=True).mean() == pytest.approx(5.0, rel=0.02)


def test_rows_and_points_are_parts_of_the_surface():
    _, image = tilted(np.random.default_rng(3), (200, 260))
    mesh = sky_mesh(image)
    whole = evaluate(mesh, image.shape)
    np.testing.assert_allclose(evaluate(mesh, image.shape, rows=slice(50, 75)), whole[50:75], rtol=1e-6)
    x, y = np.array([0, 17, 259, 100]), np.array([0, 3, 199, 101])
    np.testing.assert_allclose(sky_at(mesh, x, y), whole[y, x], rtol=1e-6)


def test_photon_noise_does_not_pull_the_level():
    # The mode estimate of skewed photon noise would lie 0.4 electrons low.
    image = np.random.default_rng(4).poisson(40.0, (512, 512)).astype(np.float32)
    assert np.mean(sky_mesh(image).level_e) == pytest.approx(40.0, abs=0.2)


def test_whole_numbers_do_not_make_the_level_jump():
    rng = np.random.default_rng(5)
    for true in (10.0, 10.2, 10.4, 10.5, 10.7):
        image = np.round(true + rng.normal(0.0, 1.0, (256, 256))).astype(np.float32)
        mesh = sky_mesh(image)
        assert np.mean(mesh.level_e) == pytest.approx(true, abs=0.08)
        assert np.mean(mesh.sigma_e) == pytest.approx(
            np.sqrt(1.0 + 1.0 / 12.0), rel=0.04
        )  # steps add a variance of 1/12


def test_level_agrees_with_sep_among_stars(render):
    rng = np.random.default_rng(6)
    x, y, flux = render.field(rng, 300, (512, 512), low=500, high=1e5)
    image = render.exposed(rng, render.draw((512, 512), x, y, flux, render.gaussian(3.0)), sky=200.0, read_noise=3.0)
    ours = evaluate(sky_mesh(image), image.shape)
    theirs = sep.Background(image, bw=64, bh=64).back()
    assert abs(np.median(ours) - 200.0) < 0.6
    assert np.sqrt(np.mean((ours - theirs) ** 2)) < 0.1 * np.sqrt(209.0)


def test_nebula_and_bright_star_leave_the_surface_usable(render):
    rng = np.random.default_rng(7)
    yy, xx = np.mgrid[:600, :600]
    nebula = 400.0 * np.exp(-0.5 * ((xx - 300) ** 2 + (yy - 250) ** 2) / 130.0**2)
    star = render.draw(
        (600, 600), np.array([420.0]), np.array([430.0]), np.array([3e6]), render.moffat(4.0, 3.0), reach=80
    )
    image = render.exposed(rng, nebula + star, sky=100.0, read_noise=3.0)
    residual = evaluate(sky_mesh(image), image.shape) - (100.0 + nebula)
    away = np.hypot(xx - 420, yy - 430) > 90
    assert np.abs(residual[away]).max() < 20.0  # the noise there is 20
    assert residual[~away].max() < 25.0


def test_nan_and_bad_pixels_are_left_out():
    _, image = tilted(np.random.default_rng(8), (256, 256))
    bad = np.random.default_rng(9).random(image.shape) < 0.3
    spoilt = image.copy()
    spoilt[bad] = 1e6
    clean = sky_mesh(image)
    np.testing.assert_allclose(sky_mesh(spoilt, bad=bad).level_e, clean.level_e, atol=1.5)
    spoilt[bad] = np.nan
    np.testing.assert_allclose(sky_mesh(spoilt).level_e, clean.level_e, atol=1.5)
    spoilt[:, :128] = np.nan
    mesh = sky_mesh(spoilt)
    assert np.isnan(mesh.level_e[:, :2]).all()
    assert np.isfinite(evaluate(mesh, image.shape)).all()  # bridged


def test_binned_means_and_saturated_pixels():
    image = np.arange(48, dtype=np.float32).reshape(6, 8)
    image[0, 0] = np.nan
    binned, count = bin_frame(image, 2, saturation_e=45.0)
    assert count == 3
    assert binned.pixels[0, 0] == pytest.approx((1 + 8 + 9) / 3)
    np.testing.assert_allclose(binned.pixels[1:], image.reshape(3, 2, 4, 2).mean(axis=(1, 3))[1:])
    bits = np.zeros(image.shape, np.uint8)
    bits[2, 2], bits[5, 7] = 1, 2
    binned, count = bin_frame(image, 2, bits=bits)
    assert count == 1
    assert binned.pixels[1, 1] == pytest.approx((19 + 26 + 27) / 3)
    assert binned.to_full(0.0) == 0.5


def test_pixel_noise_on_the_tilted_plane():
    _, image = tilted(np.random.default_rng(10))
    # CHECKS C9: Immerkaer 1996, the outside estimate of the same noise.
    laplacian = (
        image[:-2, :-2] - 2 * image[:-2, 1:-1] + image[:-2, 2:]
        - 2 * image[1:-1, :-2] + 4 * image[1:-1, 1:-1] - 2 * image[1:-1, 2:]
        + image[2:, :-2] - 2 * image[2:, 1:-1] + image[2:, 2:]
    )  # fmt: skip
    immerkaer = np.sqrt(np.pi / 2) / 6.0 * np.mean(np.abs(laplacian.astype(np.float64)))
    assert immerkaer == pytest.approx(5.0, rel=0.006)
    assert pixel_noise_e(image) == pytest.approx(5.0, rel=0.01)  # CHECKS C10: Stoehr et al. 2008
    assert pixel_noise_e(image) == pytest.approx(immerkaer, rel=0.012)


def test_pixel_noise_of_whole_numbers_and_of_nothing():
    rng = np.random.default_rng(11)
    image = np.round(rng.normal(20.0, 0.7, (400, 400)))
    assert pixel_noise_e(image) == pytest.approx(np.sqrt(0.49 + 1 / 12), rel=0.03)
    assert np.isnan(pixel_noise_e(np.full((50, 50), np.nan)))
    assert np.isnan(pixel_noise_e(np.zeros((3, 3))))
    assert pixel_noise_e(np.zeros((30, 30))) == 0.0
