"""How a target lies on the sensor: field, sampling, mosaic panels on the sphere, and how far to turn the camera.

Orientation: +y of the file is up; a position angle runs from north through east and is that of up; a frame is mirrored when
its determinant is positive. A camera turned by half a turn frames the same field, so turns are told modulo 180 degrees.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from nightfold.errors import SettingsError
from nightfold.rig.core import field_deg, scale_arcsec_px

__all__ = [
    "Field",
    "PanelPlace",
    "Sampling",
    "area_lost",
    "field_of",
    "outline",
    "panels",
    "panels_needed",
    "sampling",
    "turn_by_deg",
]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Field:
    """What a rig sees at once."""

    width_deg: float
    height_deg: float
    scale_arcsec_px: float


@dataclass(frozen=True)
class PanelPlace:
    """A panel of a mosaic: number from 1, row by row from the top, its centre and the position angle of its up."""

    panel: int
    ra_deg: float
    dec_deg: float
    position_angle_deg: float


@dataclass(frozen=True)
class Sampling:
    """Pixels across a star's FWHM, and what that means."""

    px_per_fwhm: float
    verdict: Literal["coarse", "good", "fine"]
    sentence: str


def field_of(width_px: int, height_px: int, *, pixel_um: float, focal_length_mm: float) -> Field:
    """The field of a sensor behind a telescope."""
    return Field(
        width_deg=field_deg(width_px, pixel_um, focal_length_mm),
        height_deg=field_deg(height_px, pixel_um, focal_length_mm),
        scale_arcsec_px=scale_arcsec_px(pixel_um, focal_length_mm),
    )


def sampling(scale: float, fwhm_arcsec: float) -> Sampling:
    """Sampling against seeing: under 2 px a FWHM is coarse (Nyquist for a Gaussian), 2 to 3.3 usual, above it fine."""
    across = fwhm_arcsec / scale
    if across < 2.0:
        return Sampling(across, "coarse", f"{across:.1f} px across a star: dithered subs and drizzle win detail back")
    if across <= 3.3:
        return Sampling(across, "good", f"{across:.1f} px across a star: well sampled")
    return Sampling(across, "fine", f"{across:.1f} px across a star: binning costs no detail and saves read noise")


def turn_by_deg(now_deg: float, wanted_deg: float, *, mirrored: bool = False) -> float:
    """How far to turn the camera, degrees in (-90, 90], positive clockwise as seen from behind it.

    Position angles of up, now and as wanted; on a mirrored frame the sign is reversed.
    """
    turn = (now_deg - wanted_deg) if not mirrored else (wanted_deg - now_deg)
    return float(90.0 - (90.0 - turn) % 180.0)


def _clip(polygon: FloatArray, half_width: float, half_height: float) -> FloatArray:
    """A convex polygon clipped to a centred box (Sutherland & Hodgman 1974)."""
    for axis, sign, limit in ((0, 1, half_width), (0, -1, half_width), (1, 1, half_height), (1, -1, half_height)):
        kept: list[FloatArray] = []
        inside = limit - sign * polygon[:, axis]
        for i in range(len(polygon)):
            j = (i + 1) % len(polygon)
            if inside[i] >= 0:
                kept.append(polygon[i])
            if inside[i] * inside[j] < 0:
                kept.append(polygon[i] + (polygon[j] - polygon[i]) * inside[i] / (inside[i] - inside[j]))
        if not kept:
            return np.empty((0, 2))
        polygon = np.array(kept)
    return polygon


def area_lost(turn_deg: float, width: float, height: float, *, offset: tuple[float, float] = (0.0, 0.0)) -> float:
    """Share of the wanted frame that a frame turned by `turn_deg` and shifted by `offset` does not cover, 0 to 1.

    Width, height and offset in the same unit.
    """
    corners = np.array([[-width, -height], [width, -height], [width, height], [-width, height]]) / 2.0
    a = np.radians(turn_deg)
    turned = corners @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]) + np.asarray(offset)
    common = _clip(turned, width / 2.0, height / 2.0)
    if len(common) < 3:
        return 1.0
    x, y = common[:, 0], common[:, 1]
    area = 0.5 * abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))
    return float(np.clip(1.0 - area / (width * height), 0.0, 1.0))


def _basis(ra_deg: float, dec_deg: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Unit vectors towards a place, and towards east and north there."""
    a, d = np.radians(ra_deg), np.radians(dec_deg)
    centre = np.array([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)])
    east = np.array([-np.sin(a), np.cos(a), 0.0])
    return centre, east, np.cross(centre, east)


def _sky_vector(
    ra_deg: float, dec_deg: float, position_angle_deg: float, right: npt.ArrayLike, up: npt.ArrayLike
) -> FloatArray:
    """Unit vectors of offsets in the tangent plane at a place; `right` is to the west when up is north."""
    centre, east, north = _basis(ra_deg, dec_deg)
    p = np.radians(position_angle_deg)
    upward = np.cos(p) * north + np.sin(p) * east
    rightward = np.sin(p) * north - np.cos(p) * east
    vector = centre + np.multiply.outer(np.asarray(right), rightward) + np.multiply.outer(np.asarray(up), upward)
    return np.asarray(vector / np.linalg.norm(vector, axis=-1, keepdims=True))


def _ra_dec(vector: FloatArray) -> tuple[FloatArray, FloatArray]:
    ra = np.degrees(np.arctan2(vector[..., 1], vector[..., 0])) % 360.0
    return ra, np.degrees(np.arctan2(vector[..., 2], np.hypot(vector[..., 0], vector[..., 1])))


def outline(
    ra_deg: float, dec_deg: float, position_angle_deg: float, *, width_deg: float, height_deg: float
) -> FloatArray:
    """Corners of a frame on the sky, (4, 2) of RA and Dec, counted from bottom left as the file shows it."""
    w, h = np.tan(np.radians(width_deg / 2.0)), np.tan(np.radians(height_deg / 2.0))
    vectors = _sky_vector(ra_deg, dec_deg, position_angle_deg, np.array([-w, w, w, -w]), np.array([-h, -h, h, h]))
    return np.stack(_ra_dec(vectors), axis=-1)


def panels(
    ra_deg: float,
    dec_deg: float,
    *,
    position_angle_deg: float = 0.0,
    columns: int,
    rows: int,
    width_deg: float,
    height_deg: float,
    overlap: float = 0.15,
) -> tuple[PanelPlace, ...]:
    """Centres of a mosaic on the sphere.

    The grid is laid in the tangent plane at the mosaic's centre, where a frame off the centre looks larger than it is from
    its own: neighbours overlap by at least the share `overlap` of a frame. Every panel keeps its sides along the grid, so
    its own position angle follows the meridians.
    """
    if not (columns >= 1 and rows >= 1):
        raise SettingsError(
            "a mosaic has at least one panel", seen=f"{columns} by {rows}", allowed="1 or more each way"
        )
    if not 0.0 <= overlap < 0.9:
        raise SettingsError("the overlap of the panels is impossible", seen=f"{overlap:g}", allowed="0 to below 0.9")
    step_x = 2.0 * np.tan(np.radians(width_deg / 2.0)) * (1.0 - overlap)
    step_y = 2.0 * np.tan(np.radians(height_deg / 2.0)) * (1.0 - overlap)
    if max(step_x * (columns - 1), step_y * (rows - 1)) / 2.0 > np.tan(np.radians(60.0)):
        raise SettingsError(
            "the mosaic is wider than 120 degrees", seen=f"{columns} by {rows} panels", next_step="ask for fewer panels"
        )
    found: list[PanelPlace] = []
    for row in range(rows):
        for column in range(columns):
            x, y = (column - (columns - 1) / 2.0) * step_x, ((rows - 1) / 2.0 - row) * step_y
            here, beyond = _sky_vector(ra_deg, dec_deg, position_angle_deg, np.array([x, x]), np.array([y, y + 1e-4]))
            ra, dec = (float(v) for v in _ra_dec(here))
            _, east, north = _basis(ra, dec)
            angle = float(np.degrees(np.arctan2(beyond @ east, beyond @ north))) % 360.0
            found.append(PanelPlace(len(found) + 1, ra, dec, angle))
    return tuple(found)


def panels_needed(size_deg: tuple[float, float], field: Field, *, overlap: float = 0.15) -> tuple[int, int]:
    """Columns and rows that cover a target of a size along the frame's sides."""

    def count(size: float, side: float) -> int:
        return 1 if size <= side else 1 + int(np.ceil((size - side) / (side * (1.0 - overlap)) - 1e-9))

    return count(size_deg[0], field.width_deg), count(size_deg[1], field.height_deg)
