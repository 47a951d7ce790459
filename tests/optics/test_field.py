"""Tilt, curvature, astigmatism on frames drawn by rays: recovered with guiding, seeing and an obstruction in the way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from optics_runs import GEOMETRIES, HEIGHT, SLOPE, WIDTH, exposure, field_of, focus_frames, tilted

from nightfold.errors import FrameError
from nightfold.optics.field import FieldShape, elongation_map, measure_field, what_to_try
from nightfold.optics.field_cells import StarShapes
from nightfold.optics.focus_run import expected_slope_px


def measured(frames: list[StarShapes]) -> FieldShape:
    return measure_field(frames, width_px=WIDTH, height_px=HEIGHT, expected_slope_px_um=SLOPE)


def close(value: float, error: float, truth: float) -> bool:
    """Within 10 percent or 3 sigma, the issue's goal."""
    return abs(value - truth) <= max(0.1 * abs(truth), 3.0 * error)


CASES = [
    ((40.0, -30.0), 25.0, 30.0, 0.0, 1.5),
    ((-60.0, 20.0), -40.0, 0.0, 35.0, 1.0),
    ((0.0, 0.0), 0.0, 0.0, 0.0, 2.0),
]


def check_case(
    tilt: tuple[float, float], curve: float, astigmatism: float, hole: float, drawn: float, seed: int
) -> None:
    rig = tilted(tilt, focal_curve_um=curve, astigmatism_um=astigmatism, obstruction_mm=hole)
    found = measured(focus_frames(rig, np.linspace(-150.0, 150.0, 9) + 12.0, seed, drawn_px=drawn))
    assert found.measured, found.sentence
    assert close(found.tilt_x_um, found.tilt_x_uncertainty_um, tilt[0])
    assert close(found.tilt_y_um, found.tilt_y_uncertainty_um, tilt[1])
    assert close(found.curvature_um, found.curvature_uncertainty_um, curve)
    assert close(found.astigmatism_um, found.astigmatism_uncertainty_um, astigmatism)
    assert found.tilt_x_uncertainty_um < 15.0
    assert abs(found.best_z_um) < 8.0
    assert found.slope_ratio == pytest.approx(1.0, abs=0.25)


@pytest.mark.parametrize(("tilt", "curve", "astigmatism", "hole", "drawn"), CASES)
def test_tilt_curvature_astigmatism(
    tilt: tuple[float, float], curve: float, astigmatism: float, hole: float, drawn: float
) -> None:
    check_case(tilt, curve, astigmatism, hole, drawn, seed=1)


@pytest.mark.full
@pytest.mark.parametrize("seed", range(2, 22))
def test_tilt_full_sample(seed: int) -> None:
    random = np.random.default_rng(seed)
    tilt = (float(random.uniform(-80, 80)), float(random.uniform(-80, 80)))
    check_case(tilt, float(random.uniform(-50, 50)), 0.0, float(random.choice([0.0, 35.0])), 2.0, seed)


@pytest.mark.full
@pytest.mark.parametrize("seed", range(400, 405))
@pytest.mark.parametrize("name", GEOMETRIES)
def test_other_fields_full_sample(name: str, seed: int) -> None:
    check_geometry(name, seed)


@pytest.mark.slow
def test_a_wide_field_with_astigmatism() -> None:
    """The radius of a corner is that on the sensor, not that of a square."""
    check_geometry("wide sensor", 402)


def check_geometry(name: str, seed: int) -> None:
    """Tilt, curvature and astigmatism within 10 percent or 3 sigma, guiding of 0.5 to 2 px in every frame."""
    random = np.random.default_rng(seed)
    plain = GEOMETRIES[name]
    tilt = tuple(float(v) for v in random.uniform(-80, 80, 2))
    curve, astigmatism = float(random.uniform(-50, 50)), float(random.choice([-1, 1]) * random.uniform(25, 100))
    rig = replace(plain, tilt_um=tilt, focal_curve_um=curve, astigmatism_um=astigmatism)
    ratio = plain.focal_length_mm / plain.aperture_mm
    positions = np.linspace(-150.0, 150.0, int(random.choice([7, 9, 11]))) * ratio / 5.0
    frames = focus_frames(rig, positions, seed, drawn_px=float(random.uniform(0.5, 2.0)), scene=field_of(plain, seed))
    hole = plain.obstruction_mm / plain.aperture_mm
    slope = expected_slope_px(focal_ratio=ratio, pixel_um=plain.pixel_um, um_per_step=1.0, obstruction=hole)
    found = measure_field(frames, width_px=plain.width_px, height_px=plain.height_px, expected_slope_px_um=slope)
    assert found.measured, found.sentence
    assert close(found.tilt_x_um, found.tilt_x_uncertainty_um, tilt[0])
    assert close(found.tilt_y_um, found.tilt_y_uncertainty_um, tilt[1])
    assert close(found.curvature_um, found.curvature_uncertainty_um, curve)
    assert close(found.astigmatism_um, found.astigmatism_uncertainty_um, astigmatism)


def test_the_sentence_names_the_corner_that_is_too_far() -> None:
    found = measured(focus_frames(tilted((-50.0, 40.0)), np.linspace(-150.0, 150.0, 7), 3, drawn_px=1.0))
    far = max(found.corners, key=lambda c: c.offset_um)
    assert far.corner == "upper left"
    assert far.offset_um == pytest.approx(45.0, abs=max(4.5, 3 * far.uncertainty_um))
    assert found.sentence.startswith(f"The upper left corner is {far.offset_um:.0f} ±")
    tried = what_to_try(found, depth_um=27.0)
    assert "upper left" in tried[0]
    assert what_to_try(found, depth_um=200.0) == ()


def test_one_position_tells_no_tilt() -> None:
    rig = tilted((60.0, 0.0))
    frames = focus_frames(rig, np.full(5, 20.0), 4, drawn_px=1.0)
    found = measured(frames)
    assert not found.measured
    assert "not measurable" in found.sentence
    assert np.isnan(found.tilt_x_um)
    assert found.corners == ()


def test_focus_not_passed_tells_no_tilt() -> None:
    found = measured(focus_frames(tilted((30.0, 0.0)), np.linspace(120.0, 300.0, 6), 5, drawn_px=0.5))
    assert not found.measured
    assert "outside" in found.sentence


def shapes(size: np.ndarray, x: np.ndarray, y: np.ndarray, z: float) -> StarShapes:
    flat = np.zeros(x.size)
    return StarShapes(x=x, y=y, size_px2=size, e_x_px2=flat, e_y_px2=flat, snr=np.full(x.size, 50.0), z_um=z)


def test_large_errors_are_called_not_measurable() -> None:
    """Sizes that scatter by a half tell nothing within 15 um."""
    random = np.random.default_rng(6)
    frames = []
    for z in np.linspace(-100, 100, 7):
        x, y = random.uniform(0, WIDTH, 40), random.uniform(0, HEIGHT, 40)
        frames.append(shapes((4.0 + 2e-4 * z**2) * random.lognormal(0.0, 0.9, 40), x, y, float(z)))
    found = measured(frames)
    assert not found.measured
    assert "15 µm" in found.sentence or "do not change" in found.sentence


def test_stars_in_one_half_tell_no_tilt() -> None:
    random = np.random.default_rng(7)
    x, y = random.uniform(0, WIDTH / 3, 60), random.uniform(0, HEIGHT, 60)
    frames = [shapes(np.full(60, 4.0 + 2e-4 * z**2), x, y, float(z)) for z in np.linspace(-90, 90, 7)]
    assert not measured(frames).measured


def test_known_parabolas_exactly() -> None:
    """Sizes A (z - c)^2 with c in the plane 10 u - 5 v + 8 rho^2: closed form, no noise."""
    random = np.random.default_rng(8)
    x, y = random.uniform(0, WIDTH, 400), random.uniform(0, HEIGHT, 400)
    u, v = 2 * x / (WIDTH - 1) - 1, 2 * y / (HEIGHT - 1) - 1
    rho2 = ((u * WIDTH) ** 2 + (v * HEIGHT) ** 2) / (WIDTH**2 + HEIGHT**2)
    frames = [
        shapes(3.0 + seeing + SLOPE**2 * (z - (10 * u - 5 * v + 8 * rho2)) ** 2, x, y, float(z))
        for z, seeing in zip(np.linspace(-100, 100, 9), random.uniform(0, 0.02, 9), strict=True)
    ]
    found = measured(frames)
    assert found.tilt_x_um == pytest.approx(-20.0, abs=0.5)
    assert found.tilt_y_um == pytest.approx(10.0, abs=0.5)
    assert found.curvature_um == pytest.approx(8.0, abs=0.8)
    assert found.slope_ratio == pytest.approx(1.0, abs=0.02)


def test_guiding_is_common_and_the_field_has_its_own() -> None:
    """Guiding at 30 degrees is found as common; astigmatism out of focus as radial."""
    rig = tilted((0.0, 0.0), astigmatism_um=120.0)
    random = np.random.default_rng(9)
    frames = []
    for i in range(4):
        _, reading = exposure(rig, 60.0, 900 + i, drawn_px=float(random.uniform(1.5, 2.5)))
        s = reading.stars.take(reading.stars.clean)
        frames.append(
            StarShapes.from_radii(
                s.x, s.y, s.half_flux_radius_px, ellipticity=s.ellipticity, angle_deg=s.angle_deg, snr=s.snr
            )
        )
    found = elongation_map(frames, width_px=WIDTH, height_px=HEIGHT)
    assert found.common_angle_deg == pytest.approx(30.0, abs=8.0)
    assert abs(found.radial_px2) > 4.0 * found.radial_uncertainty_px2
    assert found.radial_px2 < 0.0  # beyond its focus the light in the plane of the radius is the sharper here
    assert len(found.whiskers) == 20
    assert all(0 <= w.x_px <= WIDTH and 0 <= w.y_px <= HEIGHT for w in found.whiskers)


def test_columns_that_do_not_pair() -> None:
    x = np.arange(10.0)
    bad = StarShapes(x=x, y=x[:9], size_px2=x, e_x_px2=x, e_y_px2=x, snr=x, z_um=0.0)
    with pytest.raises(FrameError, match="do not pair"):
        measured([bad] + [shapes(x, x, x, float(z)) for z in range(1, 6)])
