"""Readings of real exposures; skipped where the open data is not beside the checkout."""

from __future__ import annotations

import numpy as np
import sep
from astropy.io import fits

from nightfold.measure.core import measure_sub


def test_drifting_frames_hold_hundreds_of_stars(real_frames):
    for path in sorted((real_frames / "drifting-6inch").iterdir())[::5]:
        image = fits.getdata(path).astype(np.float32)
        reading = measure_sub(image, read_noise_e=1.0, saturation_e=4090.0)
        background = sep.Background(image)
        # The same threshold in a matched filter: ours counts within 25 % of what sep extracts.
        theirs = sep.extract(image - background.back(), 2.0, err=background.globalrms, minarea=3)
        assert 0.75 < reading.star_count / len(theirs) < 1.25
        assert reading.star_count > 740  # the count told for these frames, at a higher threshold
        assert abs(reading.sky_e - background.globalback) < 0.5 * background.globalrms + 1.0
        assert abs(np.median(reading.sky.sigma_e) / background.globalrms - 1) < 0.12
        assert 1.0 < reading.fwhm_px < 3.5
        assert reading.streaks == ()


def test_centroids_on_a_real_frame_agree_with_sep(real_frames):
    image = fits.getdata(sorted((real_frames / "drifting-6inch").iterdir())[0]).astype(np.float32)
    reading = measure_sub(image, read_noise_e=1.0, saturation_e=4090.0)
    bright = reading.stars.take(reading.stars.clean & (reading.stars.snr > 40))
    residual = image - sep.Background(image).back()
    x, y, _ = sep.winpos(residual, bright.x, bright.y, np.full(len(bright), 1.1))
    assert np.median(np.hypot(x - bright.x, y - bright.y)) < 0.02


def test_focus_run_has_its_best_focus_inside(real_frames):
    curve: dict[float, list[float]] = {}
    for path in sorted((real_frames / "focus-run").iterdir()):
        image, header = fits.getdata(path, header=True)
        reading = measure_sub(image, read_noise_e=8.0)
        assert 6 <= reading.star_count <= 20
        curve.setdefault(float(header["FOCPOS"]), []).append(reading.half_flux_radius_px)
    positions = np.array(sorted(curve))
    radii = np.array([np.mean(curve[p]) for p in positions])
    bend, slope, _ = np.polyfit(positions, radii, 2)
    assert bend > 0
    assert 3850 < -slope / (2 * bend) < 4300  # the run spans 3723 to 4423
    assert radii.argmin() not in (0, radii.size - 1)


def test_a_star_or_two_is_no_failure(real_frames):
    for path in sorted((real_frames / "globular-5x5s").iterdir()):
        image = fits.getdata(path).astype(np.float32) - 500.0  # PEDESTAL -500
        reading = measure_sub(image, read_noise_e=10.0)
        assert reading.star_count < 20
        assert np.isfinite(reading.sky_e)
        assert reading.streaks == ()


def test_saturated_stars_and_frame_edges(real_frames):
    for path in sorted((real_frames / "two-dithered-clear-60s").glob("*.fit.gz")):
        image = fits.getdata(path).astype(np.float32)
        reading = measure_sub(image, read_noise_e=10.0, saturation_e=64000.0)
        assert reading.saturated_fraction > 0
        assert reading.streaks == ()
        assert 400 < reading.star_count < 700
