"""The reading of one sub: numbers with errors, no opinions. Plain records that later stages and the ledger share."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

READING_VERSION = 2
"""Raised whenever the meaning of a reading changes, so that old ones are known and remade."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stars:
    """Measured stars, brightest first; every array has shape (n,). Positions in pixels of the frame as stored.

    Lengths are pixels, fluxes electrons, angles degrees from +x towards +y. NaN where a quantity could not be measured.
    """

    x: FloatArray
    y: FloatArray
    position_error_px: FloatArray  # 1 sigma per axis
    flux_e: FloatArray  # background-subtracted, total as the profile or aperture tells
    flux_error_e: FloatArray
    peak_e: FloatArray  # above background
    background_e: FloatArray
    snr: FloatArray
    fwhm_px: FloatArray  # Moffat sqrt(a b) where fitted, else from moments
    half_flux_radius_px: FloatArray  # the true one: half the flux lies inside (1.1774 sigma for a Gaussian)
    ellipticity: FloatArray  # 1 - b/a
    angle_deg: FloatArray  # of the long axis
    flags: IntArray  # nightfold.flags.StarFlag bits

    def __len__(self) -> int:
        return int(self.x.size)

    def take(self, index: npt.NDArray[np.int64] | npt.NDArray[np.bool_] | slice) -> Stars:
        """The stars at `index`, in that order."""
        return Stars(**{f.name: getattr(self, f.name)[index] for f in fields(self)})

    @property
    def xy(self) -> FloatArray:
        """Positions, shape (n, 2)."""
        return np.column_stack([self.x, self.y])

    @property
    def clean(self) -> npt.NDArray[np.bool_]:
        """True for stars with nothing against them."""
        return np.asarray(self.flags == 0, dtype=np.bool_)

    @classmethod
    def empty(cls) -> Stars:
        """No stars."""
        none = {f.name: np.zeros(0) for f in fields(cls) if f.name != "flags"}
        return cls(**none, flags=np.zeros(0, np.int64))


@dataclass(frozen=True, slots=True, kw_only=True)
class Streak:
    """A straight trail across the frame: two end points in pixels, width and height above the sky."""

    x0: float
    y0: float
    x1: float
    y1: float
    width_px: float
    brightness_e: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SkyMesh:
    """The sky of one sub on a coarse mesh: `level_e` and `sigma_e` of shape (ny, nx), electrons per pixel.

    Cell [j, i] is centred on pixel (x_px[i], y_px[j]). NaN where no clean sky was found.
    """

    x_px: FloatArray
    y_px: FloatArray
    level_e: FloatArray
    sigma_e: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """Everything measured on one sub. Medians over clean stars, each with its 1 sigma error; NaN for none."""

    width_px: int
    height_px: int
    stars: Stars
    sky: SkyMesh
    star_count: int  # detections of at least 5 sigma that are stars, also beyond the kept 2,000
    sky_e: float  # median level, electrons per pixel of this exposure
    sky_error_e: float
    noise_e: float  # robust pixel noise of blank sky
    fwhm_px: float
    fwhm_error_px: float
    half_flux_radius_px: float
    half_flux_radius_error_px: float
    ellipticity: float
    ellipticity_error: float
    ellipticity_angle_deg: float  # of the mean elongation vector; NaN if it is not significant
    streaks: tuple[Streak, ...]
    saturated_fraction: float  # of all pixels
    row_pattern_e: float = math.nan  # 1 sigma of an offset of each row; NaN in readings made before it was measured
    column_pattern_e: float = math.nan
    blank_noise_e: float = math.nan  # of blank sky, reckoned where it can be; NaN in readings made before it was
    version: int = READING_VERSION
