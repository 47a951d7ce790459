"""Simulated frames for the optics tests: stars by rays through a refractor of our own, measured as a sub would be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from nightfold.measure.core import measure_sub
from nightfold.measure.records import Reading
from nightfold.optics.field_cells import StarShapes
from nightfold.optics.shapes import Moments, star_moments
from nightfold.simulate.frames import render_sub
from nightfold.simulate.rig import SimFilter, SimRig
from nightfold.simulate.scene import Scene, random_scene
from nightfold.simulate.truth import Conditions

WIDTH, HEIGHT = 900, 620
HERON = SimRig(
    name="Heron 106", aperture_mm=106, focal_length_mm=530, pixel_um=4.63, width_px=WIDTH, height_px=HEIGHT,
    filters=(SimFilter(name="L", centre_nm=550, width_nm=100),), vignetting=0.0, dust_shadows=0, ghost_share=0.0,
    amplifier_glow_e_per_s=0.0, hot_columns=0, hot_pixel_share=0.0,
)  # fmt: skip
SCENE = random_scene(5, size_arcmin=(32, 24), faintest_g=14.5, brightest_g=9)
GEOMETRIES = {
    "wide sensor": replace(HERON, width_px=1300, height_px=480),
    "small sensor": replace(HERON, width_px=520, height_px=400),
    "short refractor": replace(HERON, aperture_mm=61, focal_length_mm=275),
    "obstructed reflector": replace(HERON, aperture_mm=150, focal_length_mm=750, obstruction_mm=52),
}
"""Other fields than the usual one."""
SLOPE = 0.5**0.5 / (2 * 5.0) / 4.63
"""Half-flux radius per um of a full disc at f/5, pixels."""


def field_of(rig: SimRig, seed: int) -> Scene:
    """Stars enough for a rig's whole field."""
    width, height = (1.2 * n * rig.scale_arcsec_px / 60.0 for n in (rig.width_px, rig.height_px))
    small, thin = rig.width_px < 600, rig.focal_length_mm > 700
    return random_scene(
        1000 + seed, size_arcmin=(width, height), faintest_g=15.5 if small else 14.5, brightest_g=9,
        stars_per_deg2_to_10=50.0 if thin else 24.3,
    )  # fmt: skip


def exposure(
    rig: SimRig, z_um: float, seed: int, *, drawn_px: float, angle_deg: float = 30.0, scene: Scene = SCENE
) -> tuple[np.ndarray, Reading]:  # fmt: skip
    """A sub in electrons and its reading; its seeing is drawn by chance."""
    seeing = float(np.random.default_rng(seed).uniform(2.4, 3.2))
    conditions = Conditions(
        filter="L", exposure_s=10.0, seeing_arcsec=seeing, sensor_z_um=float(z_um), elongation_px=drawn_px,
        elongation_angle_deg=angle_deg,
    )  # fmt: skip
    adu, _ = render_sub(scene, rig, conditions, seed)
    image = (adu.astype(np.float32) - rig.offset_adu) * rig.e_per_adu
    return image, measure_sub(image, read_noise_e=rig.read_noise_e, saturation_e=15000.0)


def moments_of(image: np.ndarray, reading: Reading) -> tuple[Moments, np.ndarray]:
    stars = reading.stars.take(reading.stars.clean & (reading.stars.snr > 20))
    found = star_moments(
        image, stars.x, stars.y, sigma_px=reading.fwhm_px / 2.35, background=stars.background_e, noise=reading.noise_e
    )
    return found, stars.snr


def focus_frames(
    rig: SimRig, positions_um: np.ndarray, seed: int, *, drawn_px: float, scene: Scene = SCENE
) -> list[StarShapes]:  # fmt: skip
    """Whole frames of a focus run, guiding drawing out each by another amount."""
    random = np.random.default_rng(seed)
    frames = []
    for i, z in enumerate(positions_um):
        image, reading = exposure(
            rig, z, 100 * seed + i, drawn_px=drawn_px * float(random.uniform(0.5, 1.5)), scene=scene
        )
        found, snr = moments_of(image, reading)
        frames.append(StarShapes.from_moments(found, snr, z_um=float(z)))
    return frames


def tilted(tilt_um: tuple[float, float], **more: object) -> SimRig:
    return replace(HERON, tilt_um=tilt_um, **more)  # type: ignore[arg-type]
