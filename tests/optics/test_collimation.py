"""The shadow in the disc, on stars drawn by rays with a secondary that is off the middle by a known share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from optics_runs import HERON

from nightfold.errors import FrameError
from nightfold.optics.collimation import measure_collimation
from nightfold.simulate.frames import render_sub
from nightfold.simulate.scene import star_scene
from nightfold.simulate.truth import Conditions


def donut(
    offset: tuple[float, float], *, hole_mm: float = 35.0, z_um: float = 1800.0, g_mag: float = 6.0, seed: int = 1,
    stars: tuple[tuple[float, float], ...] = ((0.0, 0.0),), size: tuple[int, int] = (180, 170),
) -> np.ndarray:  # fmt: skip
    rig = replace(HERON, width_px=size[0], height_px=size[1], obstruction_mm=hole_mm, shadow_offset=offset)
    scale = rig.scale_arcsec_px
    scene = star_scene([-x * scale for x, _ in stars], [y * scale for _, y in stars], [g_mag] * len(stars))
    adu, _ = render_sub(scene, rig, Conditions(filter="L", exposure_s=2.0, sensor_z_um=z_um, seeing_arcsec=3.0), seed)
    return adu.astype(np.float64)


@pytest.mark.parametrize("offset", [(0.05, 0.0), (0.0, -0.1), (0.15, 0.1)])
def test_the_offset_comes_back(offset: tuple[float, float]) -> None:
    found = measure_collimation(donut(offset))
    assert found.offset_x == pytest.approx(offset[0], abs=max(0.005, 3 * found.offset_uncertainty))
    assert found.offset_y == pytest.approx(offset[1], abs=max(0.005, 3 * found.offset_uncertainty))
    assert found.offset_uncertainty < 0.01
    assert found.obstruction == pytest.approx(35 / 106, abs=0.01)
    # Outer radius dz / 2N (CHECKS J1).
    assert found.disc_radius_px == pytest.approx(1800 / 10 / 4.63, rel=0.02)
    assert not found.good
    assert "off, towards" in found.sentence


@pytest.mark.slow
def test_uncertainty_is_that_of_repeats() -> None:
    """Ten faint stars scatter as they say, within the wide margin of ten."""
    found = [measure_collimation(donut((0.08, 0.0), g_mag=7.4, seed=s)) for s in range(10)]
    off = [np.hypot(f.offset_x - 0.08, f.offset_y) for f in found]
    stated = np.sqrt(2.0) * np.mean([f.offset_uncertainty for f in found])
    assert 0.4 < np.sqrt(np.mean(np.square(off))) / stated < 2.0


def test_collimated_is_said() -> None:
    found = measure_collimation(donut((0.0, 0.0)))
    assert found.good
    assert "in the middle" in found.sentence


def test_a_bright_star_that_fills_no_well_is_measured() -> None:
    """Light to four fifths of the well scatters as light does and is not taken for full."""
    image = donut((0.1, 0.05), g_mag=0.35)
    assert 45000 < np.percentile(image, 99.5) < 60000
    found = measure_collimation(image)
    assert found.offset_x == pytest.approx(0.1, abs=max(0.005, 3 * found.offset_uncertainty))


def test_direction_and_axis() -> None:
    found = measure_collimation(donut((0.0, 0.12)))
    assert found.direction_deg == pytest.approx(90.0, abs=5.0)
    assert found.sentence.endswith("the top.")
    assert found.notes == ()
    off = measure_collimation(donut((0.1, 0.0), size=(420, 400), stars=((110.0, 90.0),)))
    assert off.off_axis > 0.4
    assert "put the star in the middle" in off.notes[0]


def refusal(image: np.ndarray, **options: float) -> str:
    with pytest.raises(FrameError) as error:
        measure_collimation(image, **options)
    assert "\n" not in error.value.line
    return error.value.line


def test_what_is_refused() -> None:
    assert "saturated" in refusal(donut((0.1, 0.0), g_mag=-4.0), saturation=60000.0)
    # Wells that are full at 64000 ADU, a level that nobody told: full pixels are too even.
    assert "full pixels do" in refusal(donut((0.1, 0.0), g_mag=-0.2))
    assert "shows no shadow" in refusal(donut((0.0, 0.0), hole_mm=0.0))
    assert "not far enough" in refusal(donut((0.1, 0.0), z_um=150.0))
    assert "more than one" in refusal(donut((0.1, 0.0), size=(300, 200), stars=((-70.0, 0.0), (70.0, 0.0))))
    assert "not one" in refusal(donut((0.1, 0.0), size=(260, 200), stars=((-25.0, 0.0), (25.0, 0.0))))
    assert "border" in refusal(donut((0.1, 0.0), stars=((70.0, 0.0),)))
    assert "stands out" in refusal(donut((0.1, 0.0), g_mag=15.0))
    assert "too small" in refusal(np.zeros((10, 10)))
