"""The last step: mirror, turn, scale and crop; and where the turned picture lies on the sky."""

from __future__ import annotations

import math
import warnings
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from nightfold.errors import PictureError
from nightfold.picture.metadata import sky_facts
from nightfold.picture.steps import Turn

Picture = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]


def turned(picture: Picture, step: Turn) -> Picture:
    """The picture after a `Turn`; float32, shape (height, width, 3), first row at the bottom.

    Mirror first (left and right change places), then quarter turns, then the free angle (counter-clockwise as shown,
    cut to the largest upright rectangle that holds no empty corner), then the scale, then the crop. Only the free angle
    and the scale resample: cubic splines, behind a Gaussian of half the reduction where the picture shrinks.
    """
    if step.mirror:
        picture = picture[:, ::-1]
    picture = np.rot90(picture, -step.quarter_turns)
    if step.angle_deg or step.scale != 1.0:
        picture = _resampled(picture, step)
    if step.crop_px is not None:
        x0, y0, x1, y1 = step.crop_px
        if not (0 <= x0 <= x1 < picture.shape[1] and 0 <= y0 <= y1 < picture.shape[0]):
            raise PictureError(
                "the final crop does not lie inside the picture",
                seen=f"{step.crop_px}",
                allowed=f"0, 0 to {picture.shape[1] - 1}, {picture.shape[0] - 1}",
            )
        picture = picture[y0 : y1 + 1, x0 : x1 + 1]
    return np.ascontiguousarray(picture)


def _resampled(picture: Picture, step: Turn) -> Picture:
    matrix, offset, shape = _free_turn(picture.shape[0], picture.shape[1], step)
    shrink = 0.5 * max(0.0, 1.0 / step.scale - 1.0)
    channels = []
    for channel in range(3):
        plane = picture[..., channel]
        if shrink > 0.0:
            plane = ndimage.gaussian_filter(plane, shrink, mode="nearest")
        channels.append(
            ndimage.affine_transform(plane, matrix, offset, output_shape=shape, order=3, mode="nearest", prefilter=True)
        )
    return np.clip(np.stack(channels, axis=-1), 0.0, 1.0).astype(np.float32)


def _free_turn(height: int, width: int, step: Turn) -> tuple[FloatArray, FloatArray, tuple[int, int]]:
    """Matrix and offset, in (y, x), from pixels of the turned picture to those before, and the turned picture's shape."""
    inner_width, inner_height = inner_rectangle(width, height, step.angle_deg)
    shape = (max(1, math.floor(inner_height * step.scale)), max(1, math.floor(inner_width * step.scale)))
    angle = math.radians(step.angle_deg)
    # Counter-clockwise with y upward: a pixel at (x, y) after was at R(-angle) (x, y) before.
    cosine, sine = math.cos(angle) / step.scale, math.sin(angle) / step.scale
    matrix = np.array([[cosine, -sine], [sine, cosine]])
    middle_before = np.array([(height - 1) / 2.0, (width - 1) / 2.0])
    middle_after = np.array([(shape[0] - 1) / 2.0, (shape[1] - 1) / 2.0])
    return matrix, middle_before - matrix @ middle_after, shape


def inner_rectangle(width: float, height: float, angle_deg: float) -> tuple[float, float]:
    """Width and height of the largest upright rectangle inside a rectangle that was turned by an angle.

    Where the short side decides, its corners touch both long sides; else the four sides each hold a corner. Plane geometry.
    """
    sine, cosine = abs(math.sin(math.radians(angle_deg))), abs(math.cos(math.radians(angle_deg)))
    if sine < 1e-12:
        return width, height
    if cosine < 1e-12:
        return height, width
    long_side, short_side = max(width, height), min(width, height)
    if short_side <= 2.0 * sine * cosine * long_side or abs(sine - cosine) < 1e-10:
        half = 0.5 * short_side
        return (half / sine, half / cosine) if width >= height else (half / cosine, half / sine)
    double = cosine * cosine - sine * sine
    return (width * cosine - height * sine) / double, (height * cosine - width * sine) / double


def before_turn(step: Turn | None, shape: tuple[int, int], xy: FloatArray) -> FloatArray:
    """Pixels (n, 2) of the turned picture as pixels of the picture before, whose shape is (height, width)."""
    if step is None:
        return xy
    height, width = shape
    sides = (width, height) if step.quarter_turns % 2 else (height, width)
    point = np.array(xy, np.float64)
    if step.crop_px is not None:
        point = point + np.array(step.crop_px[:2], np.float64)
    if step.angle_deg or step.scale != 1.0:
        matrix, offset, _ = _free_turn(sides[0], sides[1], step)
        point = (point[:, ::-1] @ matrix.T + offset)[:, ::-1]
    for _ in range(step.quarter_turns % 4):
        # One quarter counter-clockwise put (x, y) of a frame of `width` columns at (height - 1 - y, x).
        sides = (sides[1], sides[0])
        point = np.column_stack([point[:, 1], sides[0] - 1.0 - point[:, 0]])
    if step.mirror:
        point = np.column_stack([width - 1.0 - point[:, 0], point[:, 1]])
    return point


def turned_wcs(wcs: Any, step: Turn | None, shape_before: tuple[int, int], shape_after: tuple[int, int]) -> Any:
    """The celestial coordinates of a turned picture, as a plain tangent projection fitted to a net of points.

    Distortion is not carried: over a degree it is worth a few pixels at most, and names and compass need no more.
    """
    from astropy.coordinates import SkyCoord
    from astropy.wcs import FITSFixedWarning
    from astropy.wcs.utils import fit_wcs_from_points

    height, width = shape_after
    x, y = np.meshgrid(np.linspace(0, width - 1, 7), np.linspace(0, height - 1, 7))
    before = before_turn(step, shape_before, np.column_stack([x.ravel(), y.ravel()]))
    ra, dec = wcs.all_pix2world(before[:, 0], before[:, 1], 0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FITSFixedWarning)
        middle = SkyCoord(ra[24], dec[24], unit="deg")
        return fit_wcs_from_points((x.ravel(), y.ravel()), SkyCoord(ra, dec, unit="deg"), proj_point=middle)


def north_up(wcs: Any, shape: tuple[int, int]) -> Turn:
    """The turn that brings north up and east to the left, for a picture of `shape` (height, width) with these coordinates."""
    facts = sky_facts(wcs, shape)
    mirrored = float(facts["scale_deg"][0]) > 0
    # The position angle of up is how far north lies clockwise of it once east is on the left.
    angle = float(facts["rotation_deg"])
    quarters = round(angle / 90.0)
    rest = angle - 90.0 * quarters
    return Turn(mirror=mirrored, quarter_turns=quarters % 4, angle_deg=round(rest, 4))
