"""Focus runs from whole simulated frames, drawn by rays and measured as a person's would be."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from optics_runs import HERON

from nightfold.frames.records import FrameHeader
from nightfold.measure.core import measure_sub
from nightfold.optics.files import MeasuredFrame, OpticsFacts, focus_of_frames
from nightfold.optics.focus_run import FocusRun
from nightfold.optics.shapes import star_moments
from nightfold.simulate.frames import render_sub
from nightfold.simulate.scene import random_scene
from nightfold.simulate.truth import Conditions

RIG = replace(HERON, width_px=320, height_px=240)
SCENE = random_scene(8, size_arcmin=(12, 9), faintest_g=14.0, brightest_g=9.5, stars_per_deg2_to_10=60.0)
UM_PER_STEP = 1.2
FACTS = OpticsFacts(focal_ratio=5.0, focal_length_mm=530.0, pixel_um=4.63, um_per_step=UM_PER_STEP)


def run_of(seed: int) -> tuple[FocusRun, float]:
    """A run around an unknown best position, its seeing changing by 2 percent from frame to frame."""
    random = np.random.default_rng(seed)
    best = 12000.0 + float(random.uniform(-30, 30))
    count = int(random.integers(9, 13))
    usual = float(random.uniform(2.4, 3.6))
    frames = []
    for i, position in enumerate(np.linspace(11840, 12160, count)):
        conditions = Conditions(
            filter="L", exposure_s=8.0, seeing_arcsec=usual * float(random.normal(1.0, 0.02)), elongation_px=0.8,
            elongation_angle_deg=70.0, sensor_z_um=(position - best) * UM_PER_STEP, cosmic_rays=False,
        )  # fmt: skip
        adu, _ = render_sub(SCENE, RIG, conditions, 1000 * seed + i)
        image = (adu.astype(np.float32) - RIG.offset_adu) * RIG.e_per_adu
        reading = measure_sub(image, read_noise_e=RIG.read_noise_e, saturation_e=15000.0)
        stars = reading.stars.take(reading.stars.clean)
        header = FrameHeader(kind="sub", width_px=320, height_px=240, exposure_s=8.0, filter="L", focuser_position=float(position))  # fmt: skip
        moments = star_moments(
            image,
            stars.x,
            stars.y,
            sigma_px=reading.fwhm_px / 2.35,
            background=stars.background_e,
            noise=reading.noise_e,
        )
        frames.append(MeasuredFrame(Path(f"{i}.fits"), header, reading, moments, stars.snr))
    return focus_of_frames(frames, FACTS).run, best


def check(runs: list[tuple[FocusRun, float]], *, least: float) -> None:
    good = [(run, best) for run, best in runs if run.verdict == "good"]
    assert len(good) >= 0.95 * len(runs), [r.verdict for r, _ in runs]
    within = [abs(run.best_position - best) <= run.interval_95 for run, best in good]
    pull = np.array([(run.best_position - best) / run.uncertainty for run, best in good])
    assert np.mean(within) >= least, pull
    # A tenth of the sample knows its scatter to a sixth only.
    low, high = (0.8, 1.2) if len(good) >= 150 else (0.55, 1.5)
    assert low <= np.sqrt(np.mean(pull**2)) <= high
    assert all(run.slope_as_expected for run, _ in good if run.slope_as_expected is not None)


@pytest.mark.slow
def test_twenty_runs_of_frames() -> None:
    check([run_of(seed) for seed in range(20)], least=0.85)


@pytest.mark.full
def test_two_hundred_runs_of_frames() -> None:
    check([run_of(seed) for seed in range(200)], least=0.95)
