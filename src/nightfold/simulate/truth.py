"""The state of the night for one sub, and everything that is known of the frame it made."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trail:
    """A satellite's trail: its ends in pixels, electrons at the middle of its profile, full width at half maximum."""

    start: tuple[float, float]
    end: tuple[float, float]
    peak_e: float
    fwhm_px: float
    ripple: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What one sub meets. `position_angle_deg` is that of the frame's +y, east of north, before a flip.

    `transparency` is a factor beside the extinction of `extinction_mag` per airmass. Gradients are shares at the right
    `zenith_angle_deg` None leaves differential refraction away; else it works along `parallactic_deg`.
    """

    filter: str
    exposure_s: float
    sensor_c: float = -5.0
    seeing_arcsec: float = 2.5
    sensor_z_um: float | None = None  # where the sensor stands behind the focus; stars are then painted by rays
    defocus_px: float = 0.0
    elongation_px: float = 0.0
    elongation_angle_deg: float = 0.0
    halo_share: float = 0.0  # of a star's light in an aureole four times as wide, as dew makes
    airmass: float = 1.0
    extinction_mag: float = 0.15
    transparency: float = 1.0
    transparency_gradient: tuple[float, float] = (0.0, 0.0)
    sky_mag_arcsec2: float = 20.8
    moon_mag_arcsec2: float = math.inf
    sky_factor: float = 1.0  # cloud lit from below, dawn
    sky_gradient: tuple[float, float] = (0.0, 0.0)
    position_angle_deg: float = 0.0
    flipped: bool = False
    offset_arcsec: tuple[float, float] = (0.0, 0.0)  # of the frame's centre, east and north of the scene's
    zenith_angle_deg: float | None = None
    parallactic_deg: float = 0.0
    trails: tuple[Trail, ...] = ()
    cosmic_rays: bool = True
    faults: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SubTruth:
    """What is true of one sub. Places are 0-based pixels of the file, electrons those of the whole exposure.

    `matrix` (2, 3) maps the scene's tangent plane (east, north, arcsec) to undistorted pixels; `pixel_of_sky` adds the
    third-order distortion about `centre_px`: the distance ρ becomes ρ (1 + distortion_per_px2 ρ²).
    """

    width_px: int
    height_px: int
    filter: str
    exposure_s: float
    matrix: FloatArray
    centre_px: tuple[float, float]
    distortion_per_px2: float
    position_angle_deg: float
    flipped: bool
    fwhm_px: float  # geometric mean at the frame's centre, pixel not included
    fwhm_arcsec: float
    axis_ratio: float  # b/a of the profile at the frame's centre
    elongation_angle_deg: float
    throughput: float  # star electrons over those above the atmosphere, at the frame's centre
    transparency: float
    transparency_gradient: tuple[float, float]
    airmass: float
    sky_e: float  # a pixel at the centre, before vignetting
    sky_gradient: tuple[float, float]
    star_index: npt.NDArray[np.int64]  # (n,) in the scene; stars whose place is on the frame
    star_xy: FloatArray  # (n, 2)
    star_flux_e: FloatArray  # (n,) expected, before vignetting and pixel response
    cosmic_xy: npt.NDArray[np.int64]  # (m, 2) pixels that cosmic rays struck
    cosmic_e: FloatArray  # (m,)
    trails: tuple[Trail, ...] = ()
    faults: tuple[str, ...] = field(default=())

    def pixel_of_sky(self, sky_arcsec: npt.ArrayLike) -> FloatArray:
        """Pixels of tangent-plane places (n, 2)."""
        sky = np.asarray(sky_arcsec, dtype=np.float64)
        centre = np.asarray(self.centre_px)
        d = sky @ self.matrix[:, :2].T + self.matrix[:, 2] - centre
        rho2 = (d * d).sum(axis=-1, keepdims=True)
        return np.asarray(centre + d * (1.0 + self.distortion_per_px2 * rho2))

    def sky_of_pixel(self, xy: npt.ArrayLike) -> FloatArray:
        """Tangent-plane places (arcsec) of pixels (n, 2), to 1e-9 px."""
        centre = np.asarray(self.centre_px)
        d = np.asarray(xy, dtype=np.float64) - centre
        shrink = np.ones((*d.shape[:-1], 1))
        rho2 = self.distortion_per_px2 * (d * d).sum(axis=-1, keepdims=True)
        for _ in range(40):
            shrink = 1.0 / (1.0 + rho2 * shrink * shrink)
        return np.asarray((centre + d * shrink - self.matrix[:, 2]) @ np.linalg.inv(self.matrix[:, :2]).T)

    def map_to(self, other: SubTruth, xy: npt.ArrayLike) -> FloatArray:
        """Where pixels (n, 2) of this sub lie on `other`, exactly, distortion included."""
        return other.pixel_of_sky(self.sky_of_pixel(xy))

    def affine_to(self, other: SubTruth) -> FloatArray:
        """The 2x3 matrix from this sub's pixels to `other`'s; exact where neither is distorted, else a best fit."""
        x = np.linspace(0.0, self.width_px - 1.0, 25)
        y = np.linspace(0.0, self.height_px - 1.0, 17)
        xy = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
        design = np.column_stack([xy, np.ones(len(xy))])
        return np.asarray(np.linalg.lstsq(design, self.map_to(other, xy), rcond=None)[0].T)

    def summary(self) -> dict[str, Any]:
        """All but the long arrays, for JSON."""
        return {
            "width_px": self.width_px,
            "height_px": self.height_px,
            "filter": self.filter,
            "exposure_s": self.exposure_s,
            "matrix": self.matrix.tolist(),
            "centre_px": list(self.centre_px),
            "distortion_per_px2": self.distortion_per_px2,
            "position_angle_deg": self.position_angle_deg,
            "flipped": self.flipped,
            "fwhm_px": self.fwhm_px,
            "fwhm_arcsec": self.fwhm_arcsec,
            "axis_ratio": self.axis_ratio,
            "elongation_angle_deg": self.elongation_angle_deg,
            "throughput": self.throughput,
            "transparency": self.transparency,
            "transparency_gradient": list(self.transparency_gradient),
            "airmass": self.airmass,
            "sky_e": self.sky_e,
            "sky_gradient": list(self.sky_gradient),
            "trails": [
                {
                    "start": list(t.start),
                    "end": list(t.end),
                    "peak_e": t.peak_e,
                    "fwhm_px": t.fwhm_px,
                    "ripple": t.ripple,
                }
                for t in self.trails
            ],
            "faults": list(self.faults),
        }

    @classmethod
    def from_summary(cls, summary: dict[str, Any], arrays: dict[str, npt.NDArray[Any]]) -> SubTruth:
        """The truth again, from `summary` and the arrays `star_index`, `star_xy`, `star_flux_e`, `cosmic_xy`, `cosmic_e`."""
        values = dict(summary)
        values["matrix"] = np.array(values["matrix"], dtype=np.float64)
        for name in ("centre_px", "transparency_gradient", "sky_gradient", "faults"):
            values[name] = tuple(values[name])
        values["trails"] = tuple(
            Trail(**{**t, "start": tuple(t["start"]), "end": tuple(t["end"])}) for t in values["trails"]
        )
        values.update(arrays)
        return cls(**values)
