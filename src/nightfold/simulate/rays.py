"""Star images by rays: every point of the pupil sends its light to its own place on the sensor, blurred by the air.

Defocus, tilt, curvature of the focal surface, third-order coma and astigmatism, and a central shadow that may lie off
the middle of the pupil: geometrical optics, good where the aberrations are large against the wavelength.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from nightfold.simulate import optics
from nightfold.simulate.rig import SimRig

FloatArray = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]


def pupil_points(count: int, *, hole: float, hole_offset: tuple[float, float] = (0.0, 0.0)) -> FloatArray:
    """Evenly spread points of the open pupil of radius 1, shape (about count, 2): a sunflower without the shadow.

    `hole` is the shadow's radius, `hole_offset` its centre.
    """
    whole = max(8, round(count / max(1.0 - hole**2, 0.05)))
    k = np.arange(whole) + 0.5
    radius, turn = np.sqrt(k / whole), k * math.pi * (3.0 - math.sqrt(5.0))
    points = np.column_stack([radius * np.cos(turn), radius * np.sin(turn)])
    return np.asarray(points[np.hypot(*(points - np.asarray(hole_offset)).T) >= hole])


def paint_by_rays(
    image: Image,
    rig: SimRig,
    xy: FloatArray,
    flux_e: FloatArray,
    cov_px2: FloatArray,
    *,
    z_um: float,
    centre: tuple[float, float],
) -> None:
    """Add stars as the rays form them.

    Parameters
    ----------
    image : array (height, width), float32, electrons
        Written in place.
    xy, flux_e : arrays (n, 2) and (n,)
        Places of the chief rays and electrons.
    cov_px2 : array (n, 3)
        Moffat matrix of the air and guiding, as in `optics.paint_stars`.
    z_um : float
        Where the sensor's middle stands from the focus on the axis; + farther from the objective.
    centre : tuple
        Where the axis meets the frame.
    """
    per_um = rig.aperture_mm / rig.focal_length_mm / 2.0 / rig.pixel_um
    d = xy - np.asarray(centre)
    u, v = d[:, 0] / (rig.width_px / 2.0), d[:, 1] / (rig.height_px / 2.0)
    rho = d / rig.half_diagonal_px
    rho2 = (rho * rho).sum(axis=1)
    sensor = z_um + 0.5 * (rig.tilt_um[0] * u + rig.tilt_um[1] * v)
    focus = rig.focal_curve_um * rho2
    defocus = (sensor - focus) * per_um
    # Half of the astigmatic difference to each side: rays in the plane of the radius focus astigmatism_um behind the others.
    astigmatic = -0.5 * rig.astigmatism_um * rho2 * per_um
    radial = np.divide(rho, np.sqrt(np.maximum(rho2, 1e-30))[:, None])
    coma = rig.coma_corner_px * rho + np.asarray(rig.coma_everywhere_px)
    widest = float(np.max(np.abs(defocus) + np.abs(astigmatic) + np.hypot(*coma.T), initial=0.0))
    fwhm = math.sqrt(float(np.median(np.sqrt(cov_px2[:, 0] * cov_px2[:, 2])))) if len(xy) else 1.0
    points = pupil_points(
        max(40, math.ceil(math.pi * (widest / (0.6 * fwhm)) ** 2)),
        hole=rig.obstruction_mm / rig.aperture_mm,
        hole_offset=rig.shadow_offset,
    )
    share = flux_e / len(points)
    for p in points:
        along = (radial @ p)[:, None] * radial
        shift = defocus[:, None] * p + astigmatic[:, None] * (2.0 * along - p)
        # Third-order coma of tangential length C: C/3 (p.p c + 2 (p.c) p), c the unit vector from apex to tail.
        shift += (coma * (p @ p) + 2.0 * (coma @ p)[:, None] * p) / 3.0
        optics.paint_stars(image, xy + shift, share, cov_px2, beta=rig.moffat_beta)
