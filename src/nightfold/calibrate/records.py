"""What turns raw counts into electrons: the planes and numbers of one calibration."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Plane = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Everything that ``electrons = (raw - dark) * e_per_adu / flat`` needs, and its noise.

    Planes have the sub's shape (height, width), float32, of either byte order where they are left in their files; None means "not at hand", a stated choice that `notes` tells.
    """

    e_per_adu: float
    read_noise_e: float
    pedestal_adu: float = 0.0  # taken off where there is no dark or bias plane
    dark_adu: Plane | None = None  # bias included; what the shutter closed would read
    dark_variance_adu2: float = 0.0  # typical variance of the master dark, ADU^2 (0 if none)
    flat: Plane | None = None  # mean 1 over the frame
    flat_relative_variance: float = 0.0  # typical relative variance of the master flat (0 if none)
    dark_e_per_s: float = 0.0  # dark current, for the photon noise of the dark signal
    bad: npt.NDArray[np.bool_] | None = None  # True: a known bad pixel
    saturation_adu: float = 65535.0
    noise_known: bool = (
        True  # gain, read noise and zero level are known, so that the noise can be reckoned, not only measured
    )
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterPlane:
    """What calibrating needs of a master frame: its mean, typical numbers, and the pixels it shows to be bad."""

    mean: Plane  # ADU; a flat has mean 1
    typical_variance: float  # of the mean, median over the frame, in the square of its unit
    noise: float  # of one frame at the typical level
    frames: int
    bad: npt.NDArray[np.bool_] | None = None
