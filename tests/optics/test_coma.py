"""Coma from the skew of stars drawn by rays, with guiding that draws them out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from optics_runs import GEOMETRIES, HEIGHT, HERON, WIDTH, exposure, field_of, moments_of, tilted

from nightfold.frames.records import FrameHeader
from nightfold.optics.coma import Coma, direction_word, measure_coma, skew_of_coma
from nightfold.optics.files import MeasuredFrame, OpticsFacts, coma_of_frames, focus_of_frames
from nightfold.optics.shapes import star_moments


def found_in(coma: tuple[float, float], corner: float, *, drawn: float, seed: int = 3) -> Coma:
    rig = tilted((0.0, 0.0), coma_everywhere_px=coma, coma_corner_px=corner)
    columns = []
    for i in range(3):
        image, reading = exposure(rig, 0.0, 100 * seed + i, drawn_px=drawn)
        m, _ = moments_of(image, reading)
        flat = np.ones(m.x.size)
        columns.append([m.x, m.y, m.skew_x, m.skew_y, m.skew_error, m.sigma_px, flat * np.nanmedian(m.e_x), flat * np.nanmedian(m.e_y)])  # fmt: skip
    return measure_coma(*np.concatenate([np.array(c) for c in columns], axis=1), width_px=WIDTH, height_px=HEIGHT)


@pytest.mark.parametrize(
    ("coma", "corner", "drawn"), [((2.4, -1.8), 0.0, 1.5), ((-3.0, 2.0), 2.0, 2.0), ((0.0, 2.2), 4.0, 1.0)]
)
def test_coma_comes_back(coma: tuple[float, float], corner: float, drawn: float) -> None:
    """Size within 10 percent or 3 sigma, direction within 10 degrees."""
    found = found_in(coma, corner, drawn=drawn)
    size = float(np.hypot(*coma))
    assert found.size_px == pytest.approx(size, abs=max(0.1 * size, 3 * found.uncertainty_px))
    angle = float(np.degrees(np.arctan2(coma[1], coma[0])) % 360)
    assert abs((found.angle_deg - angle + 180) % 360 - 180) < 10.0
    assert direction_word(found.angle_deg) in found.sentence
    if corner:
        assert found.corner_px == pytest.approx(corner, abs=max(0.1 * corner, 3 * found.corner_uncertainty_px))


def test_guiding_alone_is_no_coma() -> None:
    found = found_in((0.0, 0.0), 0.0, drawn=3.0)
    assert "No coma" in found.sentence
    assert np.isnan(found.size_px)
    assert found.least_px < 2.0


def test_coma_of_the_corners_points_at_the_middle() -> None:
    found = found_in((0.0, 0.0), 5.0, drawn=1.0)
    assert found.corner_px == pytest.approx(5.0, rel=0.1)
    assert found.free_x_px == pytest.approx(WIDTH / 2, abs=25)
    assert found.free_y_px == pytest.approx(HEIGHT / 2, abs=25)


def test_too_few_stars() -> None:
    flat, x = np.zeros(5), 100.0 * np.arange(5.0)
    found = measure_coma(x, x, flat, flat, flat, flat + 2.0, flat, flat, width_px=WIDTH, height_px=HEIGHT)
    assert not found.measured
    assert "5 bright stars" in found.sentence
    # The same five in ten frames are five still.
    x, flat = np.tile(x, 10), np.tile(flat, 10)
    again = measure_coma(x, x, flat, flat, flat, flat + 2.0, flat, flat, width_px=WIDTH, height_px=HEIGHT)
    assert "5 bright stars" in again.sentence


def test_moments_of_a_gaussian() -> None:
    """sigma, ellipticity and no skew of a Gaussian drawn here: known in closed form."""
    y, x = np.mgrid[0:61, 0:61].astype(float)
    a2, b2 = 2.3**2, 2.0**2
    image = np.exp(-0.5 * ((x - 30.3) ** 2 / a2 + (y - 29.8) ** 2 / b2))
    m = star_moments(image, [30.0], [30.0], sigma_px=2.0, background=0.0, noise=0.0)
    assert (m.x[0], m.y[0]) == (pytest.approx(30.3, abs=0.003), pytest.approx(29.8, abs=0.003))
    assert m.sigma_px[0] == pytest.approx((0.5 * (a2 + b2)) ** 0.5, rel=0.01)
    assert m.e_x[0] == pytest.approx((a2 - b2) / (a2 + b2), rel=0.03)
    assert abs(m.e_y[0]) < 1e-3
    assert abs(m.skew_x[0]) < 1e-3


def test_moments_that_cannot_be_had_are_nan() -> None:
    image = np.zeros((61, 61))
    image[30, 30] = np.nan
    m = star_moments(image, [30.0, 2.0, 45.0], [30.0, 2.0, 20.0], sigma_px=1.5, background=0.0, noise=1.0)
    assert np.isnan(m.sigma_px).all()


def test_stated_skew_error_is_that_of_noise() -> None:
    """Repeated noise on one star scatters its skew as stated."""
    y, x = np.mgrid[0:41, 0:41].astype(float)
    star = 800.0 * np.exp(-0.5 * ((x - 20) ** 2 + (y - 20) ** 2) / 1.8**2)
    random = np.random.default_rng(2)
    found = [
        star_moments(random.poisson(star + 50.0) - 50.0, [20.0], [20.0], sigma_px=1.8, background=0.0, noise=50.0**0.5)
        for _ in range(200)
    ]
    spread = np.std([m.skew_x[0] for m in found])
    assert np.mean([m.skew_error[0] for m in found]) == pytest.approx(spread, rel=0.2)


def test_small_coma_hides_in_focus_and_shows_out_of_it() -> None:
    """Skew goes with the cube of small coma in focus, and with coma itself out of focus."""
    in_focus = skew_of_coma([0.35, 0.7], 0.0)
    assert in_focus[1] / in_focus[0] == pytest.approx(8.0, rel=0.12)
    outside = skew_of_coma([0.35, 0.7], 1.0)
    assert outside[1] / outside[0] == pytest.approx(2.0, rel=0.15)
    assert outside[0] > 20.0 * in_focus[0]


@pytest.mark.parametrize("coma", [(1.2, -0.9), (-2.0, 2.0)])
def test_coma_out_of_focus(coma: tuple[float, float]) -> None:
    """The same coma from frames at -40 to 40 um, whose defocus is known."""
    rig = tilted((0.0, 0.0), coma_everywhere_px=coma)
    columns = []
    for i, z in enumerate((-40.0, -20.0, 0.0, 20.0, 40.0)):
        image, reading = exposure(rig, z, 700 + i, drawn_px=1.0)
        m, _ = moments_of(image, reading)
        flat = np.ones(m.x.size)
        columns.append([m.x, m.y, m.skew_x, m.skew_y, m.skew_error, m.sigma_px, flat * np.nanmedian(m.e_x), flat * np.nanmedian(m.e_y), flat * abs(z) / 10 / 4.63])  # fmt: skip
    every = np.concatenate([np.array(c) for c in columns], axis=1)
    found = measure_coma(*every[:8], width_px=WIDTH, height_px=HEIGHT, defocus_px=every[8])
    size = float(np.hypot(*coma))
    assert found.size_px == pytest.approx(size, abs=max(0.1 * size, 3 * found.uncertainty_px))
    assert found.uncertainty_px < 0.12 * size


def test_coma_of_a_focus_run_on_a_tilted_sensor() -> None:
    """The run's own defocus, tilt and all, turns the skew of its frames into coma: 1.5 px, less than focus alone would show."""
    rig = tilted((50.0, -36.0), coma_everywhere_px=(1.5, 0.0))
    facts = OpticsFacts(focal_ratio=5.0, focal_length_mm=530.0, pixel_um=4.63, um_per_step=1.2)
    frames = []
    for i, position in enumerate(np.linspace(11920, 12160, 9)):
        image, reading = exposure(rig, (position - 12040) * 1.2, 300 + i, drawn_px=1.2)
        header = FrameHeader(
            kind="sub", width_px=WIDTH, height_px=HEIGHT, exposure_s=10.0, focuser_position=float(position)
        )
        frames.append(MeasuredFrame(Path(f"{i}.fits"), header, reading, *moments_of(image, reading)))
    found = focus_of_frames(frames, facts)
    assert found.field is not None
    assert found.field.tilt_x_um == pytest.approx(50.0, abs=5.0)
    assert found.coma is not None
    assert found.coma.x_px == pytest.approx(1.5, abs=max(0.15, 3 * found.coma.uncertainty_px))
    assert found.coma.y_px == pytest.approx(0.0, abs=0.3)


def test_a_few_stars_with_faults_of_their_own_make_no_coma() -> None:
    """Wide stars of a thin field, the same ones in six dithered frames; a tenth of them are doubles."""
    claims = 0
    for seed in range(3000, 3030):
        rng = np.random.default_rng(seed)
        count = int(rng.integers(12, 26))
        x, y = rng.uniform(20, 880, count), rng.uniform(20, 680, count)
        error = rng.uniform(0.005, 0.09, count)
        own = rng.normal(0.0, 0.02, (count, 2))
        double = rng.uniform(size=count) < 0.1
        own[double] += rng.normal(0.0, 0.12, (np.count_nonzero(double), 2))
        frames = []
        for _ in range(6):
            dx, dy = rng.normal(0.0, 9.0, 2)
            skew = own + rng.normal(0.0, 1.0, (count, 2)) * error[:, None]
            sigma = np.abs(rng.normal(3.3, 0.2, count))
            frames.append([x + dx, y + dy, skew[:, 0], skew[:, 1], error, sigma, np.full(count, 0.01), np.zeros(count)])
        found = measure_coma(*np.concatenate([np.array(f) for f in frames], axis=1), width_px=900, height_px=700)
        claims += bool(np.isfinite(found.size_px) or np.isfinite(found.corner_px))
    assert claims <= 3


def check_geometry(name: str, seed: int, *, run: bool) -> None:
    """Coma of middle and corners within 10 percent or 3 sigma, direction within 10 degrees, guiding of 0.25 to 3 px in every frame.

    `run`: a focus run on a tilted sensor, coma from 1 px; else subs in focus, coma from 2 px.
    """
    random = np.random.default_rng([seed, run])
    plain = {"normal": HERON, **GEOMETRIES}[name]
    size, turn = (
        float(random.uniform(1.0, 3.5) if run else random.uniform(2.0, 4.0)),
        float(random.uniform(0.0, 2.0 * np.pi)),
    )
    coma = size * np.cos(turn), size * np.sin(turn)
    corner = float(random.uniform(2.0, 5.0) * random.choice([-1, 1])) if seed % 2 else 0.0
    tilt = tuple(float(v) for v in random.uniform(-60, 60, 2)) if run else (0.0, 0.0)
    rig = replace(plain, tilt_um=tilt, coma_everywhere_px=coma, coma_corner_px=corner)
    ratio = plain.focal_length_mm / plain.aperture_mm
    facts = OpticsFacts(
        focal_ratio=ratio, focal_length_mm=plain.focal_length_mm, pixel_um=plain.pixel_um, um_per_step=1.2,
        obstruction=plain.obstruction_mm / plain.aperture_mm,
    )  # fmt: skip
    scene, drawn, angle = field_of(plain, seed), float(random.uniform(0.5, 2.0)), float(random.uniform(0.0, 180.0))
    frames = []
    for i, z in enumerate(np.linspace(-150.0, 150.0, 9) * ratio / 5.0 if run else np.zeros(5)):
        image, reading = exposure(rig, float(z), 100 * seed + i, drawn_px=drawn * float(random.uniform(0.5, 1.5)), angle_deg=angle, scene=scene)  # fmt: skip
        header = FrameHeader(kind="sub", width_px=plain.width_px, height_px=plain.height_px, exposure_s=10.0, focuser_position=12000 + z / 1.2)  # fmt: skip
        frames.append(MeasuredFrame(Path(f"{i}.fits"), header, reading, *moments_of(image, reading)))
    found = focus_of_frames(frames, facts).coma if run else coma_of_frames(frames)
    assert found is not None
    assert found.size_px == pytest.approx(size, abs=max(0.1 * size, 3 * found.uncertainty_px)), found.sentence
    assert abs((found.angle_deg - np.degrees(turn) + 180) % 360 - 180) < 10.0
    if corner:
        assert found.corner_px == pytest.approx(corner, abs=max(0.1 * abs(corner), 3 * found.corner_uncertainty_px))
    else:
        assert np.isnan(found.corner_px)


@pytest.mark.full
@pytest.mark.parametrize("seed", range(9300, 9306))
@pytest.mark.parametrize("run", [False, True])
@pytest.mark.parametrize("name", ["normal", *GEOMETRIES])
def test_coma_of_other_fields_full_sample(name: str, run: bool, seed: int) -> None:
    check_geometry(name, seed, run=run)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "run"), [("wide sensor", True), ("obstructed reflector", False)])
def test_coma_of_other_fields(name: str, run: bool) -> None:
    check_geometry(name, 9401, run=run)
