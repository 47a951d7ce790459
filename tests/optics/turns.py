"""A camera on a tilted mount by full rotations, written apart from what is tested."""

from __future__ import annotations

import numpy as np


def turned(vector: np.ndarray, axis: np.ndarray, angle: float) -> np.ndarray:
    """Rodrigues' rotation."""
    along = axis * (axis @ vector) * (1 - np.cos(angle))
    return vector * np.cos(angle) + np.cross(axis, vector) * np.sin(angle) + along


def tilted_pole(latitude: float, east_azimuth: float, above: float) -> np.ndarray:
    """North end of an axis that is off in azimuth and altitude (arcmin at the elevated pole); x east, y north, z up."""
    side = 1.0 if latitude >= 0 else -1.0
    altitude = np.radians(abs(latitude) + above / 60)
    azimuth = np.radians((0.0 if side > 0 else 180.0) + east_azimuth / 60 * side)  # east is clockwise from north only
    end = np.array([np.cos(altitude) * np.sin(azimuth), np.cos(altitude) * np.cos(azimuth), np.sin(altitude)])
    return side * end


def night(
    latitude: float, dec: float, east: float, above: float, hours: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Hour angle, declination and position angle of an unguided camera that the tilted mount carries, degrees.

    `hours` are those of the mount's own circle, counted from where it stood at the first.
    """
    lat = np.radians(latitude)
    pole, west = np.array([0.0, np.cos(lat), np.sin(lat)]), np.array([-1.0, 0.0, 0.0])
    south = np.cross(pole, west)  # the equator's point on the meridian, or its opposite
    meridian = south if south @ np.array([0, -np.sin(lat), np.cos(lat)]) > 0 else -south
    axis = tilted_pole(latitude, east, above)
    h0 = np.radians(hours[0])
    look = np.cos(np.radians(dec)) * (np.cos(h0) * meridian + np.sin(h0) * west) + np.sin(np.radians(dec)) * pole
    up = pole - look * (pole @ look)
    up /= np.linalg.norm(up)
    seen, decs, angles = [], [], []
    for h in hours:
        # Westward about the north pole is clockwise: a negative turn.
        view, top = (turned(v, axis, -np.radians(h - hours[0])) for v in (look, up))
        decs.append(np.degrees(np.arcsin(view @ pole)))
        seen.append(np.degrees(np.arctan2(view @ west, view @ meridian)))
        north = pole - view * (pole @ view)
        north /= np.linalg.norm(north)
        eastward = np.cross(pole, view)
        eastward /= np.linalg.norm(eastward)
        angles.append(np.degrees(np.arctan2(top @ eastward, top @ north)) + 312.0)
    return np.array(seen), np.array(decs), np.array(angles) % 360.0
