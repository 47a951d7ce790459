"""Frames with known truth: subs, biases, darks and flats in the units of a file.

The way of the light: stars, nebula and ghosts dimmed by air and cloud; plus sky and trails; times vignetting, dust and
pixel response; plus dark current and glow; photon noise; cosmic rays; full well; read noise; bias; rounding; ceiling.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from nightfold.errors import SettingsError
from nightfold.simulate import optics
from nightfold.simulate.place import REFRACTION_ARCSEC
from nightfold.simulate.rays import paint_by_rays
from nightfold.simulate.rig import SimRig
from nightfold.simulate.scene import Scene
from nightfold.simulate.sensor import light_path, sensor_of, unit_grid
from nightfold.simulate.truth import Conditions, SubTruth
from nightfold.units import ARCSEC_PER_RADIAN

FloatArray = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]
Adu = npt.NDArray[np.uint16]

_MARGIN_PX = 600.0  # stars this far outside still throw light in
_GHOST_BRIGHTER_THAN_E = 3e5


def sky_to_pixel(rig: SimRig, conditions: Conditions) -> FloatArray:
    """The matrix (2, 3) from the scene's tangent plane (east, north, arcsec) to undistorted pixels of one sub."""
    angle = math.radians(conditions.position_angle_deg)
    # North up and east to the left at angle 0; +y points to (sin, cos) in (east, north).
    turn = np.array([[-math.cos(angle), math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    if rig.mirrored:
        turn[0] *= -1.0
    if conditions.flipped:
        turn = -turn
    linear = turn @ _refraction(conditions) / rig.scale_arcsec_px
    centre = np.array(_centre(rig))
    return np.column_stack([linear, centre - linear @ np.asarray(conditions.offset_arcsec)])


def _centre(rig: SimRig) -> tuple[float, float]:
    return (rig.width_px - 1) / 2.0, (rig.height_px - 1) / 2.0


def _refraction(conditions: Conditions) -> FloatArray:
    """The field squeezed by differential refraction: by A sec² z towards the zenith and by A across, R = A tan z."""
    if conditions.zenith_angle_deg is None:
        return np.eye(2)
    amount = REFRACTION_ARCSEC / ARCSEC_PER_RADIAN
    secant = 1.0 / math.cos(math.radians(min(conditions.zenith_angle_deg, 82.0)))
    q = math.radians(conditions.parallactic_deg)
    up = np.array([math.sin(q), math.cos(q)])
    return np.asarray(np.eye(2) * (1.0 - amount) - amount * (secant**2 - 1.0) * np.outer(up, up))


def _alpha2_per_fwhm2(beta: float) -> float:
    """Square of a Moffat's alpha for FWHM 1 (Moffat 1969)."""
    return float(0.25 / (2.0 ** (1.0 / beta) - 1.0))


def _widths(rig: SimRig, conditions: Conditions, xy: FloatArray) -> FloatArray:
    """FWHM² matrices (n, 3: xx, xy, yy in px²) of star images at pixels `xy`."""
    seeing = conditions.seeing_arcsec / rig.scale_arcsec_px
    centre = np.array(_centre(rig))
    d = xy - centre
    u, v = d[:, 0] / (rig.width_px / 2.0), d[:, 1] / (rig.height_px / 2.0)
    rho = d / rig.half_diagonal_px
    rho2 = np.clip((rho * rho).sum(axis=1), 0.0, 4.0)
    defocus = conditions.defocus_px + rig.tilt_px[0] * u + rig.tilt_px[1] * v + rig.curvature_px * rho2
    round_ = seeing**2 + rig.optics_fwhm_px**2 + defocus**2
    angle = math.radians(conditions.elongation_angle_deg)
    drawn = conditions.elongation_px**2
    # Away from the axis, defocus is drawn out along the radius (astigmatism), a third as strong.
    radial = 0.3 * defocus**2
    return np.stack(
        [
            round_ + drawn * math.cos(angle) ** 2 + radial * rho[:, 0] ** 2,
            drawn * math.cos(angle) * math.sin(angle) + radial * rho[:, 0] * rho[:, 1],
            round_ + drawn * math.sin(angle) ** 2 + radial * rho[:, 1] ** 2,
        ],
        axis=-1,
    )


def _transparency(conditions: Conditions) -> float:
    return float(conditions.transparency * 10.0 ** (-0.4 * conditions.extinction_mag * conditions.airmass))


def _plane(rig: SimRig, gradient: tuple[float, float]) -> Image:
    u, v = unit_grid(rig.width_px, rig.height_px)
    return np.asarray(np.maximum(1.0 + gradient[0] * u + gradient[1] * v, 0.0), dtype=np.float32)


def _paint_stars(image: Image, rig: SimRig, conditions: Conditions, xy: FloatArray, flux_e: FloatArray) -> None:
    """Stars with aureole and coma."""
    if conditions.sensor_z_um is not None:
        bare = replace(rig, tilt_px=(0.0, 0.0), curvature_px=0.0)
        air = _widths(bare, replace(conditions, defocus_px=0.0), xy) * _alpha2_per_fwhm2(rig.moffat_beta)
        paint_by_rays(image, rig, xy, flux_e, air, z_um=conditions.sensor_z_um, centre=_centre(rig))
        return
    cov = _widths(rig, conditions, xy) * _alpha2_per_fwhm2(rig.moffat_beta)
    core = flux_e * (1.0 - conditions.halo_share)
    if rig.coma_px:
        radial = (xy - np.array(_centre(rig))) / rig.half_diagonal_px * rig.coma_px
        for place, share in zip(optics.COMA_PLACES, optics.COMA_SHARES):
            optics.paint_stars(image, xy + place * radial, core * share, cov, beta=rig.moffat_beta)
    else:
        optics.paint_stars(image, xy, core, cov, beta=rig.moffat_beta)
    if conditions.halo_share:
        optics.paint_stars(image, xy, flux_e * conditions.halo_share, 16.0 * cov, beta=rig.moffat_beta)


def sky_light(scene: Scene, rig: SimRig, conditions: Conditions) -> tuple[Image, SubTruth]:
    """Expected electrons of all light that reaches the optics in one exposure, and the truth of the sub.

    Returns
    -------
    light : array (height, width), float32
        Electrons a pixel of throughput 1 would collect; no dark current, no noise.
    truth : SubTruth
        Without cosmic rays.
    """
    if not conditions.exposure_s > 0:
        raise SettingsError(
            "the exposure of a sub is impossible", seen=f"{conditions.exposure_s:g} s", allowed="above 0"
        )
    image = np.zeros((rig.height_px, rig.width_px), dtype=np.float32)
    used = rig.filter_named(conditions.filter)
    through = _transparency(conditions)
    sky_e = conditions.exposure_s * _sky_rate(rig, conditions)
    truth = _truth(scene, rig, conditions, through, sky_e)
    if used.line and scene.nebula is not None and used.line in scene.nebula.textures:
        optics.paint_texture(
            image,
            scene.nebula.textures[used.line],
            extent_arcsec=scene.nebula.extent_arcsec,
            texture_centre_arcsec=scene.nebula.centre_arcsec,
            matrix=truth.matrix,
            centre_px=truth.centre_px,
            distortion_per_px2=truth.distortion_per_px2,
            factor=rig.rayleigh_e_per_s(conditions.filter) * conditions.exposure_s * through,
        )
    xy = truth.pixel_of_sky(scene.sky_arcsec)
    flux = scene.star_rates(rig, conditions.filter) * conditions.exposure_s * through
    size = np.array([rig.width_px, rig.height_px])
    near = ((xy > -_MARGIN_PX) & (xy < size + _MARGIN_PX)).all(axis=1)
    # A faint star outside the frame throws no light that counts onto it.
    near &= ((xy > -40.0) & (xy < size + 40.0)).all(axis=1) | (flux > 1e4)
    _paint_stars(image, rig, conditions, xy[near], flux[near])
    for n in np.flatnonzero(near & (flux > _GHOST_BRIGHTER_THAN_E)):
        if rig.ghost_share:
            # A reflection between sensor and filter comes back through the axis on the other side.
            at = np.array(truth.centre_px) - 0.9 * (xy[n] - np.array(truth.centre_px))
            optics.paint_ghost(
                image,
                (float(at[0]), float(at[1])),
                flux_e=float(rig.ghost_share * flux[n]),
                radius_px=rig.ghost_radius_px,
            )
    if conditions.transparency_gradient != (0.0, 0.0):
        image *= _plane(rig, conditions.transparency_gradient)
    image += np.float32(sky_e) * _plane(rig, conditions.sky_gradient)
    for trail in conditions.trails:
        optics.paint_trail(
            image, trail.start, trail.end, peak_e=trail.peak_e, fwhm_px=trail.fwhm_px, ripple=trail.ripple
        )
    return image, truth


def _sky_rate(rig: SimRig, conditions: Conditions) -> float:
    """Electrons per second and pixel of the night sky and the Moon's light."""
    rate = rig.sky_e_per_s(conditions.filter, conditions.sky_mag_arcsec2)
    if math.isfinite(conditions.moon_mag_arcsec2):
        rate += rig.sky_e_per_s(conditions.filter, conditions.moon_mag_arcsec2)
    return rate * conditions.sky_factor


def _truth(scene: Scene, rig: SimRig, conditions: Conditions, through: float, sky_e: float) -> SubTruth:
    centre = _centre(rig)
    widths = _widths(rig, conditions, np.array([centre]))[0]
    values, vectors = np.linalg.eigh(np.array([[widths[0], widths[1]], [widths[1], widths[2]]]))
    fwhm_px = float(np.prod(values) ** 0.25)
    bare = SubTruth(
        width_px=rig.width_px,
        height_px=rig.height_px,
        filter=conditions.filter,
        exposure_s=conditions.exposure_s,
        matrix=sky_to_pixel(rig, conditions),
        centre_px=centre,
        distortion_per_px2=rig.distortion / rig.half_diagonal_px**2,
        position_angle_deg=conditions.position_angle_deg,
        flipped=conditions.flipped,
        fwhm_px=fwhm_px,
        fwhm_arcsec=fwhm_px * rig.scale_arcsec_px,
        axis_ratio=float(math.sqrt(values[0] / values[1])),
        elongation_angle_deg=math.degrees(math.atan2(vectors[1, 1], vectors[0, 1])) % 180.0,
        throughput=through,
        transparency=conditions.transparency,
        transparency_gradient=conditions.transparency_gradient,
        airmass=conditions.airmass,
        sky_e=sky_e,
        sky_gradient=conditions.sky_gradient,
        star_index=np.zeros(0, dtype=np.int64),
        star_xy=np.zeros((0, 2)),
        star_flux_e=np.zeros(0),
        cosmic_xy=np.zeros((0, 2), dtype=np.int64),
        cosmic_e=np.zeros(0),
        trails=conditions.trails,
        faults=conditions.faults,
    )
    xy = bare.pixel_of_sky(scene.sky_arcsec)
    on = np.flatnonzero(((xy >= -0.5) & (xy < np.array([rig.width_px, rig.height_px]) - 0.5)).all(axis=1))
    u = (xy[on] - np.array(centre)) / (np.array([rig.width_px, rig.height_px]) / 2.0)
    local = np.maximum(1.0 + u @ np.asarray(conditions.transparency_gradient), 0.0)
    flux = scene.star_rates(rig, conditions.filter)[on] * conditions.exposure_s * through * local
    return _with(bare, star_index=on.astype(np.int64), star_xy=xy[on], star_flux_e=flux)


def _with(truth: SubTruth, **changes: object) -> SubTruth:

    return replace(truth, **changes)  # type: ignore[arg-type]


def _cosmic_rays(rig: SimRig, exposure_s: float, rng: np.random.Generator) -> tuple[npt.NDArray[np.int64], FloatArray]:
    """Pixels struck and electrons freed: straight tracks of about 80 electrons a µm through 5 µm of silicon or more."""
    area_cm2 = rig.width_px * rig.height_px * (rig.pixel_um * 1e-4) ** 2
    hits: dict[tuple[int, int], float] = {}
    for _ in range(int(rng.poisson(rig.cosmic_rays_per_cm2_min * area_cm2 * exposure_s / 60.0))):
        x, y = rng.random() * rig.width_px, rng.random() * rig.height_px
        direction = 2.0 * math.pi * rng.random()
        # A muon's zenith angle goes as cos²; the slant through the layer is what is seen.
        slant = math.tan(math.acos(max(rng.random() ** (1.0 / 3.0), 0.06)))
        length_px = 5.0 * slant / rig.pixel_um
        freed = 80.0 * 5.0 * math.hypot(1.0, slant) * rng.lognormal(0.0, 0.5)
        steps = max(1, math.ceil(length_px * 8))
        for t in (np.arange(steps) + 0.5) / steps:
            key = (
                math.floor(x + t * length_px * math.cos(direction)),
                math.floor(y + t * length_px * math.sin(direction)),
            )
            if 0 <= key[0] < rig.width_px and 0 <= key[1] < rig.height_px:
                hits[key] = hits.get(key, 0.0) + freed / steps
    places = np.array(sorted(hits), dtype=np.int64).reshape(-1, 2)
    return places, np.array([hits[x, y] for x, y in places.tolist()], dtype=np.float64)


def _dark_e(rig: SimRig, exposure_s: float, sensor_c: float, rng: np.random.Generator) -> Image:
    """Expected electrons of dark current and glow; telegraph pixels are on in every second frame by chance."""
    sensor = sensor_of(rig)
    dark = sensor.dark_e_per_s * np.float32(exposure_s * rig.dark_rate(sensor_c))
    dark += sensor.glow_e_per_s * np.float32(exposure_s)
    on = rng.random(len(sensor.telegraph)) < 0.5
    x, y = sensor.telegraph[on].T
    dark[y, x] += sensor.telegraph_e_per_s[on] * np.float32(exposure_s * rig.dark_rate(sensor_c))
    return np.asarray(dark, dtype=np.float32)


def _digitise(
    rig: SimRig, expected_e: Image, rng: np.random.Generator, struck: tuple[npt.NDArray[np.int64], FloatArray] | None
) -> Adu:
    """Electrons with all noise, as the file's values."""
    electrons = rng.poisson(expected_e).astype(np.float32)
    if struck is not None and len(struck[0]):
        electrons[struck[0][:, 1], struck[0][:, 0]] += struck[1].astype(np.float32)
    np.minimum(electrons, np.float32(rig.full_well_e), out=electrons)
    noise = rng.standard_normal(electrons.shape, dtype=np.float32)
    noise *= np.float32(rig.read_noise_e)
    electrons += noise
    if rig.row_noise_e:
        electrons += (rig.row_noise_e * rng.standard_normal((electrons.shape[0], 1))).astype(np.float32)
    step = np.float32(rig.adu_step)
    electrons *= np.float32(1.0 / rig.e_per_adu)
    electrons += sensor_of(rig).bias_adu
    electrons += np.float32(rig.offset_adu)
    electrons /= step
    np.rint(electrons, out=electrons)
    electrons *= step
    np.clip(electrons, 0.0, np.float32(rig.adu_ceiling), out=electrons)
    return electrons.astype(np.uint16)


def render_sub(scene: Scene, rig: SimRig, conditions: Conditions, seed: int) -> tuple[Adu, SubTruth]:
    """One sub as its file holds it, (height, width) uint16, and what is true of it; the same seed gives the same frame."""
    rng = np.random.default_rng([seed, 1])
    light, truth = sky_light(scene, rig, conditions)
    light *= light_path(rig, conditions.filter, angle_deg=conditions.position_angle_deg)
    light += _dark_e(rig, conditions.exposure_s, conditions.sensor_c, rng)
    struck = _cosmic_rays(rig, conditions.exposure_s, rng) if conditions.cosmic_rays else None
    adu = _digitise(rig, light, rng, struck)
    return adu, truth if struck is None else _with(truth, cosmic_xy=struck[0], cosmic_e=struck[1])


def render_bias(rig: SimRig, seed: int) -> Adu:
    """One bias frame."""
    rng = np.random.default_rng([seed, 2])
    return _digitise(rig, np.zeros((rig.height_px, rig.width_px), dtype=np.float32), rng, None)


def render_dark(rig: SimRig, seed: int, *, exposure_s: float, sensor_c: float, cosmic_rays: bool = True) -> Adu:
    """One dark frame; a dark for flats is one of their exposure."""
    rng = np.random.default_rng([seed, 3])
    struck = _cosmic_rays(rig, exposure_s, rng) if cosmic_rays else None
    return _digitise(rig, _dark_e(rig, exposure_s, sensor_c, rng), rng, struck)


def render_flat(
    rig: SimRig,
    filter_name: str,
    seed: int,
    *,
    exposure_s: float = 3.0,
    level: float = 0.45,
    sensor_c: float = -5.0,
    angle_deg: float = 0.0,
) -> Adu:
    """One flat, lit to `level` of what pixel and converter hold at the brightest."""
    rng = np.random.default_rng([seed, 4])
    rig.filter_named(filter_name)
    holds = min(rig.full_well_e, (rig.adu_ceiling - rig.offset_adu) * rig.e_per_adu)
    light = light_path(rig, filter_name, angle_deg=angle_deg, of_flat=True) * np.float32(level * holds)
    light += _dark_e(rig, exposure_s, sensor_c, rng)
    return _digitise(rig, light, rng, None)
