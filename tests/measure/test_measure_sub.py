"""The whole reading on drawn stars of known truth: errors that are true, and frames of every kind."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from nightfold.errors import FrameError
from nightfold.flags import StarFlag
from nightfold.measure.core import measure_sub
from nightfold.measure.summary import typical_elongation


def scene(render, profile, *, seed=1, n=160, shape=(800, 800), low=600, high=2e5, apart=30.0, sky=150.0, reach=24):
    rng = np.random.default_rng(seed)
    x, y, flux = render.field(rng, n, shape, low=low, high=high, apart=apart)
    light = render.draw(shape, x, y, flux, profile, reach=reach)
    return render.exposed(rng, light, sky=sky, read_noise=3.0), light, (x, y, flux)


def matched(reading, truth):
    """Clean measured stars and their true values: index of stars, index of truth."""
    distance, j = cKDTree(np.column_stack(truth[:2])).query(reading.stars.xy)
    good = (distance < 1.5) & reading.stars.clean
    return np.flatnonzero(good), j[good]


PROFILES = {
    "gaussian 3": (lambda r: r.gaussian(3.0), 3.0, 1.5, 0.0),
    "moffat 3": (lambda r: r.moffat(3.0, 3.5), 3.0, 1.8136, 0.0),
    "narrow 1.3": (lambda r: r.gaussian(1.3), 1.3, 0.65, 0.0),
    "elliptical 2.2": (lambda r: r.moffat(2.2, 3.5, 0.8, 30.0), 2.2, None, 0.2),
    "wide 6": (lambda r: r.gaussian(6.0, 0.9, 120.0), 6.0, None, 0.1),
}


@pytest.mark.parametrize("name", PROFILES)
def test_errors_are_true(render, name):
    profile, fwhm, radius, ellipticity = PROFILES[name]
    image, _, truth = scene(render, profile(render), low=600 if fwhm < 5 else 2500)
    reading = measure_sub(image, read_noise_e=3.0)
    i, j = matched(reading, truth)
    s = reading.stars
    assert i.size > 130
    for measured, true in ((s.x, truth[0]), (s.y, truth[1])):
        pull = (measured[i] - true[j]) / s.position_error_px[i]
        assert 0.8 < pull.std() < 1.2
        assert abs(pull.mean()) < 0.35
    pull = (s.flux_e[i] - truth[2][j]) / s.flux_error_e[i]
    assert 0.8 < pull.std() < 1.25
    bright = s.snr[i] > 60
    assert np.median(s.flux_e[i][bright] / truth[2][j][bright]) == pytest.approx(1.0, abs=0.003)
    assert reading.fwhm_px == pytest.approx(fwhm, rel=0.02)
    assert reading.ellipticity == pytest.approx(ellipticity, abs=0.01)
    assert reading.sky_e == pytest.approx(150.0, abs=0.4)
    assert reading.noise_e == pytest.approx(np.sqrt(159.0), rel=0.03)
    if radius is not None:
        assert reading.half_flux_radius_px == pytest.approx(radius, rel=0.012)
    assert reading.streaks == ()
    assert np.all(np.diff(s.flux_e) <= 0)


def test_centroid_error_follows_the_limits(render):
    # CHECKS D15 (King 1983; Mighell 2003): sigma / SNR where photons limit, sqrt 2 sigma / SNR where the sky does.
    sigma = np.sqrt((2.5 / 2.35482) ** 2 + 1 / 12)
    for flux, sky, factor in ((2e6, 5.0, 1.0), (1200.0, 400.0, np.sqrt(2.0))):
        image, _, truth = scene(render, render.gaussian(2.5), low=flux, high=flux * 1.001, sky=sky, n=100)
        reading = measure_sub(image, read_noise_e=3.0)
        i, j = matched(reading, truth)
        s = reading.stars
        told = np.median(s.position_error_px[i] * s.snr[i]) / sigma
        found = np.sqrt(0.5 * np.mean((s.x[i] - truth[0][j]) ** 2 + (s.y[i] - truth[1][j]) ** 2))
        # A Gaussian window is the best one against sky noise; against photon noise alone it costs 1/sqrt(0.75).
        assert told == pytest.approx(factor, rel=0.2)
        assert found * np.median(s.snr[i]) / sigma == pytest.approx(told, rel=0.2)


def test_variance_plane_in_place_of_the_model(render):
    image, light, truth = scene(render, render.gaussian(3.0))
    reading = measure_sub(image, read_noise_e=3.0, e_variance=(light + 159.0).astype(np.float32))
    i, j = matched(reading, truth)
    pull = (reading.stars.flux_e[i] - truth[2][j]) / reading.stars.flux_error_e[i]
    assert 0.8 < pull.std() < 1.2


def test_defocused_ring(render):
    image, _, truth = scene(render, render.ring(9.0, 3.15), low=2e4, n=50, shape=(1000, 1000), apart=70)
    reading = measure_sub(image, read_noise_e=3.0)
    i, j = matched(reading, truth)
    assert i.size > 35
    assert reading.half_flux_radius_px == pytest.approx(9.0 * np.sqrt((1 + 0.35**2) / 2), rel=0.03)
    assert np.median(reading.stars.flux_e[i] / truth[2][j]) == pytest.approx(1.0, abs=0.02)


def test_strongly_trailed(render):
    image, _, truth = scene(render, render.trailed(3.0, 10.0), low=3000)
    reading = measure_sub(image, read_noise_e=3.0)
    i, _ = matched(reading, truth)
    assert i.size > 120  # elongated like all the rest is no reason to be flagged
    assert reading.ellipticity == pytest.approx(1 - 3.0 / np.sqrt(9 + 0.4621 * 100), abs=0.06)  # CHECKS G6 by moments
    assert min(reading.ellipticity_angle_deg, 180 - reading.ellipticity_angle_deg) < 2.0


def test_round_stars_have_no_ellipticity_and_no_angle(render):
    image, _, _ = scene(render, render.gaussian(3.0), low=400, high=3000)
    reading = measure_sub(image, read_noise_e=3.0)
    assert reading.ellipticity < 3 * reading.ellipticity_error + 0.01
    assert np.isnan(reading.ellipticity_angle_deg)


def test_six_stars_only(render):
    image, _, truth = scene(render, render.gaussian(2.6), n=6, low=4000, high=3e4, shape=(500, 650))
    reading = measure_sub(image, read_noise_e=3.0)
    assert reading.star_count == 6
    assert matched(reading, truth)[0].size == 6
    assert reading.fwhm_px == pytest.approx(2.6, rel=0.04)


@pytest.mark.parametrize(
    "image",
    [
        np.random.default_rng(1).normal(100, 5, (300, 300)),
        np.full((200, 200), np.nan),
        np.full((200, 200), np.inf),
        np.full((200, 200), 7.0),
        np.random.default_rng(2).normal(100, 5, (5, 4)),
        np.zeros((1, 1)),
    ],
    ids=["blank", "nan", "inf", "constant", "tiny", "one pixel"],
)
def test_no_stars_at_all(image):
    reading = measure_sub(image, read_noise_e=3.0)
    assert len(reading.stars) == reading.star_count == 0
    assert np.isnan(reading.fwhm_px)
    assert np.isnan(reading.half_flux_radius_px)
    assert np.isnan(reading.ellipticity)
    assert reading.streaks == ()


def test_tiny_frame_with_stars(render):
    image, _, truth = scene(render, render.gaussian(3.0), n=3, shape=(56, 48), low=5000, high=2e4, apart=14)
    reading = measure_sub(image, read_noise_e=3.0)
    assert reading.star_count == 3
    distance, _ = cKDTree(np.column_stack(truth[:2])).query(reading.stars.xy)
    assert distance.max() < 0.2


def test_saturated_stars_are_flagged_and_counted(render):
    image, light, truth = scene(render, render.gaussian(3.0), high=2e6)
    capped = np.minimum(image, 20000.0).astype(np.float32)
    reading = measure_sub(capped, read_noise_e=3.0, saturation_e=20000.0)
    peak = light[np.rint(truth[1]).astype(int), np.rint(truth[0]).astype(int)] + 150
    flagged = reading.stars.flags & int(StarFlag.SATURATED) != 0
    assert abs(np.count_nonzero(flagged) - np.count_nonzero(peak > 20000)) <= 3
    assert reading.saturated_fraction == pytest.approx(np.mean(capped >= 20000.0))
    assert reading.fwhm_px == pytest.approx(3.0, rel=0.02)
    by_mask = measure_sub(capped, read_noise_e=3.0, saturated=capped >= 20000.0)
    np.testing.assert_array_equal(by_mask.stars.flags, reading.stars.flags)
    assert by_mask.saturated_fraction == reading.saturated_fraction
    assert measure_sub(np.full((99, 99), 20000.0), read_noise_e=3.0, saturation_e=20000.0).saturated_fraction == 1.0


def test_hot_pixels_and_cosmic_rays_are_no_stars(render):
    image, _, truth = scene(render, render.gaussian(2.8))
    before = measure_sub(image, read_noise_e=3.0)
    rng = np.random.default_rng(9)
    hot = image.copy()
    hot[rng.integers(5, 795, 400), rng.integers(5, 795, 400)] += rng.uniform(200, 8000, 400).astype(np.float32)
    for _ in range(60):
        angle, start = rng.uniform(0, np.pi), rng.uniform(20, 780, 2)
        for step in range(rng.integers(2, 12)):
            hot[int(start[0] + step * np.sin(angle)) % 800, int(start[1] + step * np.cos(angle)) % 800] += 1500
    reading = measure_sub(hot, read_noise_e=3.0)
    assert abs(reading.star_count - before.star_count) <= 6
    assert reading.fwhm_px == pytest.approx(2.8, rel=0.02)
    distance, _ = cKDTree(np.column_stack(truth[:2])).query(reading.stars.xy[reading.stars.clean])
    assert np.count_nonzero(distance > 3) <= 2


def test_masked_hot_pixels_do_not_harm(render):
    image, _, truth = scene(render, render.gaussian(2.8))
    rng = np.random.default_rng(10)
    bad = rng.random(image.shape) < 0.002
    image[bad] += 5000
    reading = measure_sub(image, read_noise_e=3.0, bad=bad)
    assert np.any(reading.stars.flags & int(StarFlag.BAD_PIXELS))
    i, j = matched(reading, truth)
    pull = (reading.stars.flux_e[i] - truth[2][j]) / reading.stars.flux_error_e[i]
    assert 0.8 < pull.std() < 1.25


def test_blended_pair_and_edge(render):
    x, y = np.array([100.0, 106.0, 200.0, 298.5]), np.array([100.0, 101.0, 200.0, 150.0])
    light = render.draw((300, 300), x, y, np.full(4, 3e4), render.gaussian(3.0))
    image = render.exposed(np.random.default_rng(3), light, sky=100.0, read_noise=3.0)
    stars = measure_sub(image, read_noise_e=3.0).stars
    flags = {round(px / 10) * 10: StarFlag(int(f)) for px, f in zip(stars.x, stars.flags)}
    assert StarFlag.BLENDED in flags[100]
    assert StarFlag.BLENDED in flags[110]
    assert flags[200] == StarFlag(0)
    assert StarFlag.EDGE in flags[300]


def test_nebula_filled_frame(render):
    rng = np.random.default_rng(4)
    x, y, flux = render.field(rng, 120, (700, 700), low=3000, high=1e5, apart=30)
    yy, xx = np.mgrid[:700, :700]
    nebula = (
        500
        * np.exp(-0.5 * ((xx - 350) ** 2 + (yy - 300) ** 2) / 170**2)
        * (1 + 0.3 * np.sin(xx / 41) * np.cos(yy / 33))
    )
    light = render.draw((700, 700), x, y, flux, render.gaussian(3.0))
    reading = measure_sub(render.exposed(rng, light + nebula, sky=100.0, read_noise=3.0), read_noise_e=3.0)
    i, j = matched(reading, (x, y, flux))
    assert i.size > 105
    assert reading.star_count <= 125
    assert reading.fwhm_px == pytest.approx(3.0, rel=0.02)
    bright = flux[j] > 2e4
    assert np.median(reading.stars.flux_e[i][bright] / flux[j][bright]) == pytest.approx(1.0, abs=0.01)


def test_nan_borders(render):
    image, _, truth = scene(render, render.gaussian(3.0))
    image[:70], image[:, -90:] = np.nan, np.nan
    reading = measure_sub(image, read_noise_e=3.0)
    i, j = matched(reading, truth)
    inside = np.count_nonzero((truth[1] > 75) & (truth[0] < 705))
    assert i.size > 0.93 * inside
    pull = (reading.stars.flux_e[i] - truth[2][j]) / reading.stars.flux_error_e[i]
    assert 0.8 < pull.std() < 1.25


def test_eight_bit_frame(render):
    rng = np.random.default_rng(5)
    x, y, flux = render.field(rng, 80, (500, 650), low=100, high=4000, apart=25)
    light = render.draw((500, 650), x, y, flux, render.gaussian(2.5))
    image = np.clip(np.rint(render.exposed(rng, light, sky=8.0, read_noise=0.5)), 0, 255).astype(np.uint8)
    reading = measure_sub(image, read_noise_e=0.5, saturation_e=255)
    assert reading.sky_e == pytest.approx(8.0, abs=0.15)
    assert reading.fwhm_px == pytest.approx(2.5, rel=0.04)
    assert reading.star_count >= 70


def test_only_the_brightest_are_kept_but_all_are_counted(render):
    image, _, _ = scene(render, render.gaussian(3.0))
    whole, part = measure_sub(image, read_noise_e=3.0), measure_sub(image, read_noise_e=3.0, max_stars=50)
    assert len(part.stars) == 50
    assert part.star_count == whole.star_count > 140
    np.testing.assert_array_equal(part.stars.x, whole.stars.x[:50])


def test_large_frames_are_searched_binned_and_measured_in_full(render, monkeypatch):
    image, _, truth = scene(render, render.gaussian(3.0))
    small = measure_sub(image, read_noise_e=3.0)
    monkeypatch.setattr("nightfold.measure.core.LARGE_FRAME_PX", 100_000)
    large = measure_sub(image, read_noise_e=3.0)
    assert abs(large.star_count - small.star_count) <= 3
    i, j = matched(large, truth)
    pull = (large.stars.x[i] - truth[0][j]) / large.stars.position_error_px[i]
    assert 0.8 < pull.std() < 1.2
    assert large.fwhm_px == pytest.approx(small.fwhm_px, rel=0.005)


def test_argument_is_not_written_and_byte_order_does_not_matter(render):
    image, _, _ = scene(render, render.gaussian(3.0), n=20, shape=(300, 300))
    image.setflags(write=False)
    one = measure_sub(image, read_noise_e=3.0)
    other = measure_sub(np.asfortranarray(image).astype(">f8"), read_noise_e=3.0)
    np.testing.assert_array_equal(one.stars.flux_e, other.stars.flux_e)


def test_wrong_shapes_are_told():
    with pytest.raises(FrameError, match=r"two dimensions; seen: shape \(3, 4, 4\)"):
        measure_sub(np.zeros((3, 4, 4)), read_noise_e=3.0)
    with pytest.raises(FrameError, match=r"mask of bad pixels does not fit the sub; seen: \(4, 5\); allowed: \(4, 4\)"):
        measure_sub(np.zeros((4, 4)), read_noise_e=3.0, bad=np.zeros((4, 5), bool))


@pytest.mark.parametrize("elongation", [0.0, 0.04, 0.08, 0.3])
def test_noise_neither_feigns_nor_hides_elongation(elongation: float) -> None:
    rng = np.random.default_rng(11)
    found = []
    for _ in range(40):
        angle = np.radians(30.0)
        e_x = elongation * np.cos(2 * angle) + rng.normal(0, 0.06, 300)
        e_y = elongation * np.sin(2 * angle) + rng.normal(0, 0.06, 300)
        found.append(typical_elongation(e_x, e_y, np.full(300, 0.06))[0])
    truth = 1 - np.sqrt((1 - elongation) / (1 + elongation))
    assert np.mean(found) == pytest.approx(truth, abs=0.012)
