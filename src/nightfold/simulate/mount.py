"""How a mount whose axis misses the pole turns and carries the camera: whole vectors on the observed sky, no small angles.

Observed places come from ERFA (precession, nutation, aberration and refraction as the IAU's routines have them), the rest is
rigid turning. Nothing of it is shared with what measures polar errors.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

import erfa
import numpy as np
import numpy.typing as npt

from nightfold.units import ARCSEC_PER_RADIAN

FloatArray = npt.NDArray[np.float64]

SIDEREAL_DAY_S = 86164.0905
"""One turn of the Earth (IERS Conventions 2010)."""
_STEP_RAD = 1e-3
_WAVELENGTH_UM = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Mount:
    """A site and the axis that stands there. Errors as seen at the elevated pole: + east in azimuth, + above in altitude."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float = 0.0
    azimuth_error_arcmin: float = 0.0
    altitude_error_arcmin: float = 0.0
    air_c: float = 10.0

    @property
    def axis(self) -> FloatArray:
        """North end of the axis as a unit vector (east, north, up)."""
        north = self.latitude_deg >= 0.0
        azimuth = math.radians((0.0 if north else 180.0) + self.azimuth_error_arcmin / 60.0 * (1.0 if north else -1.0))
        altitude = math.radians(abs(self.latitude_deg) + self.altitude_error_arcmin / 60.0)
        flat = math.cos(altitude)
        end = np.array([flat * math.sin(azimuth), flat * math.cos(azimuth), math.sin(altitude)])
        return end if north else -end

    def observed(self, vector: FloatArray, when: datetime) -> FloatArray:
        """Where a catalogue direction (unit vector, ICRS) is seen, (east, north, up)."""
        ra, dec = math.atan2(vector[1], vector[0]), math.asin(max(-1.0, min(1.0, vector[2])))
        seconds = when.second + 1e-6 * when.microsecond
        utc = erfa.dtf2d("UTC", when.year, when.month, when.day, when.hour, when.minute, seconds)
        pressure = 1013.25 * math.exp(-self.elevation_m / 8400.0)
        azimuth, zenith, *_ = erfa.atco13(
            ra, dec, 0.0, 0.0, 0.0, 0.0, *utc, 0.0, math.radians(self.longitude_deg), math.radians(self.latitude_deg),
            self.elevation_m, 0.0, 0.0, pressure, self.air_c, 0.5, _WAVELENGTH_UM,
        )  # fmt: skip
        flat = math.sin(zenith)
        return np.array([flat * math.sin(azimuth), flat * math.cos(azimuth), math.cos(zenith)])


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Of the camera in one sub, in the scene's tangent plane: angle of +y (north through east) and the middle, arcsec."""

    position_angle_deg: float
    offset_arcsec: tuple[float, float]


def carried(
    mount: Mount, scene_deg: tuple[float, float], when: datetime, *, angle_deg: float, offset_arcsec: tuple[float, float],
    left_alone_since: datetime | None = None,
) -> View:  # fmt: skip
    """What a camera, fixed at `angle_deg` against the mount's own pole, shows at a time.

    Guided, the mount points to `offset_arcsec` of the scene's plane at all times; with `left_alone_since` it pointed there
    then, and has turned about its axis at the sidereal rate since.
    """
    place = np.asarray(offset_arcsec, np.float64) / ARCSEC_PER_RADIAN
    axis = mount.axis
    look = mount.observed(_direction(scene_deg, place), left_alone_since or when)
    if left_alone_since is not None:
        turn = -2.0 * math.pi * (when - left_alone_since).total_seconds() / SIDEREAL_DAY_S  # westward
        look = _turned(look, axis, turn)
        for _ in range(6):
            frame = _frame(look, axis)
            jacobian = _jacobian(mount, scene_deg, place, when, frame)
            missing = frame @ (look - mount.observed(_direction(scene_deg, place), when))
            place = place + np.linalg.solve(jacobian, missing)
    jacobian = _jacobian(mount, scene_deg, place, when, _frame(look, axis))
    # The rotation of the polar decomposition: refraction's squeeze is applied elsewhere.
    turn = math.atan2(jacobian[1, 0] - jacobian[0, 1], jacobian[0, 0] + jacobian[1, 1])
    off = place * ARCSEC_PER_RADIAN
    return View(position_angle_deg=angle_deg + math.degrees(turn), offset_arcsec=(float(off[0]), float(off[1])))


def _direction(scene_deg: tuple[float, float], place: FloatArray) -> FloatArray:
    """Unit vector of a place (east, north, radians) in the tangent plane of the scene."""
    ra, dec = (math.radians(a) for a in scene_deg)
    centre = np.array([math.cos(dec) * math.cos(ra), math.cos(dec) * math.sin(ra), math.sin(dec)])
    east = np.array([-math.sin(ra), math.cos(ra), 0.0])
    vector = centre + place[0] * east + place[1] * np.cross(centre, east)
    return np.asarray(vector / np.linalg.norm(vector))


def _frame(look: FloatArray, axis: FloatArray) -> FloatArray:
    """Rows: east and north of the mount's own coordinates where it looks."""
    east = np.cross(axis, look)
    east /= np.linalg.norm(east)
    return np.array([east, np.cross(look, east)])


def _jacobian(
    mount: Mount, scene_deg: tuple[float, float], place: FloatArray, when: datetime, frame: FloatArray
) -> FloatArray:
    columns = []
    for step in (np.array([_STEP_RAD, 0.0]), np.array([0.0, _STEP_RAD])):
        ends = [mount.observed(_direction(scene_deg, place + s * step), when) for s in (1.0, -1.0)]
        columns.append(frame @ (ends[0] - ends[1]) / (2.0 * _STEP_RAD))
    return np.column_stack(columns)


def _turned(vector: FloatArray, axis: FloatArray, angle: float) -> FloatArray:
    """Rodrigues' rotation."""
    along = axis * (axis @ vector) * (1.0 - math.cos(angle))
    return np.asarray(vector * math.cos(angle) + np.cross(axis, vector) * math.sin(angle) + along)
