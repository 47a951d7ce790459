"""The simulated telescope and camera: plain numbers, and how many electrons light makes of them.

Independent of `nightfold.rig` on purpose: what is checked against these frames must not share their formulas.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from nightfold.errors import SettingsError
from nightfold.units import ARCSEC_PER_RADIAN

PLANCK_J_S = 6.62607015e-34
"""Exact in the SI of 2019."""

AB_ZERO_W_M2_HZ = 3631e-26
"""Flux density of AB magnitude 0: 3631 Jy (Oke & Gunn 1983)."""

PHOTONS_PER_RAYLEIGH = 1e10 / (4.0 * math.pi) / ARCSEC_PER_RADIAN**2
"""Photons per s, m² and arcsec² of one rayleigh, by its definition of 10^6/4π photons per s, cm² and sr: 0.0187."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SimFilter:
    """A filter; `line` names the nebular line that it passes (a key of `Scene.nebula`), "" for none."""

    name: str
    centre_nm: float
    width_nm: float
    transmission: float = 0.9
    line: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SimRig:
    """One telescope with its camera. Every fault of optics and sensor is a number here, zero where it is absent.

    `e_per_adu` is per unit of the file; a converter of `bits` < 16 is written left-justified to 16 bits when
    `left_justified`, so its steps are 2^(16-bits) ADU. `flat_mismatch` is the peak deviation of the light path of the
    subs from that of the flats, as a share. Lengths on the frame count from its centre, in half diagonals.
    """

    name: str
    aperture_mm: float
    focal_length_mm: float
    pixel_um: float
    width_px: int
    height_px: int
    filters: tuple[SimFilter, ...]
    camera: str = ""
    obstruction_mm: float = 0.0
    e_per_adu: float = 0.25
    gain_setting: float = 100.0
    offset_setting: float = 20.0
    read_noise_e: float = 1.6
    full_well_e: float = 16000.0
    offset_adu: float = 200.0
    bits: int = 16
    left_justified: bool = True
    quantum_efficiency: tuple[tuple[float, float], ...] = ((500.0, 0.80), (656.0, 0.65), (672.0, 0.62))
    dark_e_per_s: float = 0.004  # per pixel at dark_reference_c
    dark_reference_c: float = -5.0
    dark_doubling_k: float = 6.0
    hot_pixel_share: float = 4e-4
    hot_pixel_e_per_s: float = 0.5  # mean of their exponential spread, at dark_reference_c
    telegraph_share: float = 0.1  # of the hot pixels, those that are on in half of the frames only
    hot_columns: int = 1
    amplifier_glow_e_per_s: float = 0.03  # in its corner
    bias_column_adu: float = 0.8  # sigma of the fixed pattern of columns
    row_noise_e: float = 0.15  # sigma of a random offset of each row of each frame
    pixel_response_sigma: float = 0.006
    vignetting: float = 0.15  # loss in the corners
    dust_shadows: int = 6
    dust_depth: float = 0.05
    flat_mismatch: float = 0.0
    ghost_share: float = 1.0e-4  # of a star's light, in its ghost disc
    ghost_radius_px: float = 28.0
    moffat_beta: float = 3.0
    optics_fwhm_px: float = 1.0  # diffraction and aberrations on axis, in quadrature with the seeing
    tilt_px: tuple[float, float] = (0.0, 0.0)  # blur at the right and upper border from a tilted sensor
    curvature_px: float = 0.0  # blur in the corners
    coma_px: float = 0.0  # length of the tail in the corners
    # Of stars painted by rays (where the conditions say at which z the sensor stands), in place of the three above:
    tilt_um: tuple[float, float] = (0.0, 0.0)  # right side and top farther from the objective than left and bottom
    focal_curve_um: float = 0.0  # focus of the corners behind that of the middle
    astigmatism_um: float = (
        0.0  # in the corners: focus of the rays in the plane of the radius behind that of the others
    )
    coma_corner_px: float = 0.0  # tangential coma in the corners, tail outwards
    coma_everywhere_px: tuple[float, float] = (0.0, 0.0)  # tangential coma of decentred optics, from apex to tail
    shadow_offset: tuple[float, float] = (0.0, 0.0)  # of the obstruction's centre, in radii of the pupil
    distortion: float = 0.0  # third order, share of the half diagonal in the corners
    mirrored: bool = False
    flips: bool = True
    cosmic_rays_per_cm2_min: float = 1.5
    cfa: str = ""
    seed: int = 1

    def __post_init__(self) -> None:
        for name in ("aperture_mm", "focal_length_mm", "pixel_um", "width_px", "height_px", "e_per_adu", "full_well_e"):
            value = getattr(self, name)
            if not value > 0:
                raise SettingsError(f"rig {self.name!r}: {name} is impossible", seen=f"{value:g}", allowed="above 0")
        if not 8 <= self.bits <= 16:
            raise SettingsError(f"rig {self.name!r}: bits is impossible", seen=str(self.bits), allowed="8 to 16")

    @property
    def scale_arcsec_px(self) -> float:
        """Angle of one pixel on the axis."""
        return ARCSEC_PER_RADIAN * self.pixel_um * 1e-3 / self.focal_length_mm

    @property
    def area_m2(self) -> float:
        """Light-gathering area."""
        return math.pi / 4.0 * (self.aperture_mm**2 - self.obstruction_mm**2) * 1e-6

    @property
    def half_diagonal_px(self) -> float:
        """From the frame's centre to a corner."""
        return 0.5 * math.hypot(self.width_px, self.height_px)

    @property
    def adu_step(self) -> int:
        """Step of the file's values."""
        return 1 << (16 - self.bits) if self.left_justified else 1

    @property
    def adu_ceiling(self) -> int:
        """Greatest value of a file."""
        return ((1 << self.bits) - 1) * self.adu_step

    def filter_named(self, name: str) -> SimFilter:
        """The filter of that name."""
        for one in self.filters:
            if one.name == name:
                return one
        raise SettingsError(
            f"rig {self.name!r} has no filter {name!r}", allowed=", ".join(f.name for f in self.filters) or "none"
        )

    def efficiency(self, wavelength_nm: float) -> float:
        """Electrons per photon on the sensor, linear between the points given."""
        points = sorted(self.quantum_efficiency)
        if wavelength_nm <= points[0][0]:
            return points[0][1]
        for (w0, q0), (w1, q1) in pairwise(points):
            if wavelength_nm <= w1:
                return q0 + (q1 - q0) * (wavelength_nm - w0) / (w1 - w0)
        return points[-1][1]

    def zero_point_e_per_s(self, name: str) -> float:
        """Electrons per second of a source of AB magnitude 0 above the atmosphere through a filter."""
        one = self.filter_named(name)
        photons = AB_ZERO_W_M2_HZ / PLANCK_J_S * one.width_nm / one.centre_nm
        return photons * self.area_m2 * one.transmission * self.efficiency(one.centre_nm)

    def rayleigh_e_per_s(self, name: str) -> float:
        """Electrons per second and pixel of one rayleigh in the filter's line above the atmosphere."""
        one = self.filter_named(name)
        rate = PHOTONS_PER_RAYLEIGH * self.area_m2 * one.transmission * self.efficiency(one.centre_nm)
        return rate * self.scale_arcsec_px**2

    def sky_e_per_s(self, name: str, mag_arcsec2: float) -> float:
        """Electrons per second and pixel of a sky of that AB surface brightness."""
        return float(self.zero_point_e_per_s(name) * self.scale_arcsec_px**2 * 10.0 ** (-0.4 * mag_arcsec2))

    def dark_rate(self, sensor_c: float) -> float:
        """Factor of all dark current at a sensor temperature against that at `dark_reference_c`."""
        return float(2.0 ** ((sensor_c - self.dark_reference_c) / self.dark_doubling_k))
