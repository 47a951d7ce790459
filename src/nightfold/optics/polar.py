"""How far the mount's axis is from the pole, from where plate-solved subs of one target lie and how they are turned.

Small-angle rotation about a tilted axis (CHECKS K1 and K3; Hook 1989, J. Brit. Astron. Assoc. 99, 19, treats the same).
The north end of the axis is tilted by eps towards hour angle Hp (growing westward); with A = eps cos Hp and
B = eps sin Hp the declination of an unguided field drifts as -(A cos H + B sin H), and the position angle of a guided
one as (A sin H - B cos H) / cos Dec. Guiding takes the first away; the second remains about the guide star.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.errors import FrameError

FloatArray = npt.NDArray[np.float64]

SIDEREAL_RAD_PER_S = 7.2921159e-5
ARCMIN_PER_RAD = 3437.7467707849396
LEAST_SPAN_DEG = 15.0
"""Hour angle that the subs must span. Common practice, no source: over less, drift and its bend look alike."""
MOST_RELATIVE_ERROR = 0.33
LEAST_ERROR_ARCMIN = 0.5
"""Errors below this are fine for any tilt; above, they must be below a third of the tilt."""
MOST_DEC_DEG = 88.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PolarError:
    """Tilt of the polar axis, seen at the elevated pole. NaN where not separable; uncertainties are 1 sigma."""

    separable: bool
    sentence: str
    azimuth_error_arcmin: float  # + east; the turn about the vertical, so larger than its angle on the sky
    azimuth_error_arcmin_uncertainty: float
    altitude_error_arcmin: float  # + above the pole
    altitude_error_arcmin_uncertainty: float
    total_arcmin: float  # angle on the sky between axis and pole
    total_uncertainty_arcmin: float
    hour_angle_span_deg: float
    scatter_arcsec: float  # of declinations; NaN without them
    rotation_scatter_deg: float


def polar_error(
    hour_angle_deg: npt.ArrayLike,
    *,
    latitude_deg: float,
    declination_deg: float,
    field_declination_deg: npt.ArrayLike | None = None,
    position_angle_deg: npt.ArrayLike | None = None,
    group: npt.ArrayLike | None = None,
) -> PolarError:
    """Azimuth and altitude error of the polar axis from one night's subs of one target.

    Parameters
    ----------
    hour_angle_deg : array of shape (n,)
        Of the field at mid-exposure, growing westward; NaN leaves the sub out.
    latitude_deg, declination_deg : float
        Of the site (south negative) and of the target.
    field_declination_deg : array of shape (n,), optional
        Solved declination of one pixel, of **unguided** and undithered subs, degrees.
    position_angle_deg : array of shape (n,), optional
        Solved position angle of the frame's +y, north through east, degrees.
    group : array of shape (n,), optional
        Numbers of stretches between which the camera or the pier's side changed: each has its own zero.

    Notes
    -----
    Scatter is taken from the residuals, so at least two subs more than unknowns are needed. Where both kinds are given
    each is weighted by its own scatter.
    """
    hours = np.asarray(hour_angle_deg, np.float64)
    groups = np.zeros(hours.size, np.int64) if group is None else np.asarray(group, np.int64)
    _check(hours, groups, latitude_deg, declination_deg, field_declination_deg, position_angle_deg)
    around = np.nanmedian(hours) if np.isfinite(hours).any() else 0.0
    hours = around + (hours - around + 180.0) % 360.0 - 180.0
    information, moment = np.zeros((2, 2)), np.zeros(2)
    scatter = {"declination": float("nan"), "angle": float("nan")}
    span = 0.0
    for kind, values, factor in (
        ("declination", field_declination_deg, 1.0),
        ("angle", position_angle_deg, 1.0 / np.cos(np.radians(declination_deg))),
    ):
        if values is None:
            continue
        seen = np.asarray(values, np.float64)
        kept = np.isfinite(hours) & np.isfinite(seen)
        if kept.sum() < 2 + np.unique(groups[kept]).size + 2:
            continue
        h = np.radians(hours[kept])
        if kind == "angle":
            rows, data = np.column_stack([np.sin(h), -np.cos(h)]) * factor, _unwound(seen[kept], groups[kept])
        else:
            rows, data = -np.column_stack([np.cos(h), np.sin(h)]), seen[kept]
        add, add_moment, scatter[kind] = _normal_equations(rows, np.radians(data), groups[kept])
        information += add
        moment += add_moment
        span = max(span, float(np.ptp(hours[kept])))
    return _told(information, moment, span=span, latitude_deg=latitude_deg, scatter=scatter)


def corner_trail_arcsec(total_arcmin: float, *, exposure_s: float, declination_deg: float, field_deg: float) -> float:
    """Longest trail in one sub at `field_deg` from the guide star: eps omega t / cos Dec times that angle (CHECKS K4)."""
    turn = total_arcmin / ARCMIN_PER_RAD * SIDEREAL_RAD_PER_S * exposure_s / np.cos(np.radians(declination_deg))
    return float(turn * field_deg * 3600.0)


def tolerated_tilt_arcmin(
    trail_um: float, *, exposure_s: float, declination_deg: float, focal_length_mm: float, field_deg: float
) -> float:
    """Tilt that trails the star at `field_deg` from the guide star by `trail_um` in one sub (CHECKS K5)."""
    distance_um = np.radians(field_deg) * focal_length_mm * 1e3
    turn = trail_um / distance_um
    return float(turn * np.cos(np.radians(declination_deg)) / (SIDEREAL_RAD_PER_S * exposure_s) * ARCMIN_PER_RAD)


def refracted_pole_arcmin(latitude_deg: float) -> float:
    """By how much refraction raises the elevated pole: Saemundsson (1986) at 1010 mb and 10 C (CHECKS T14, K6)."""
    height = abs(latitude_deg)
    return float(1.02 / np.tan(np.radians(height + 10.3 / (height + 5.11))))


def field_rotation_deg_per_h(latitude_deg: float, *, azimuth_deg: float, altitude_deg: float) -> float:
    """How fast the field turns on an alt-azimuth mount: 15.041 cos(lat) cos(az) / cos(alt) (CHECKS K7)."""
    a, h = np.radians(azimuth_deg), np.radians(altitude_deg)
    return float(np.degrees(SIDEREAL_RAD_PER_S) * 3600.0 * np.cos(np.radians(latitude_deg)) * np.cos(a) / np.cos(h))


def _normal_equations(rows: FloatArray, data: FloatArray, groups: npt.NDArray[np.int64]) -> tuple[
    FloatArray, FloatArray, float
]:  # fmt: skip
    """Weighted sums for (A, B) with each group's zero taken out, radians; and the scatter in degrees."""
    inner, seen = rows.copy(), data.copy()
    for g in np.unique(groups):
        of_group = groups == g
        inner[of_group] -= inner[of_group].mean(axis=0)
        seen[of_group] -= seen[of_group].mean()
    values = np.linalg.lstsq(inner, seen, rcond=None)[0]
    freedom = seen.size - 2 - np.unique(groups).size
    scatter = float(np.sqrt(((seen - inner @ values) ** 2).sum() / freedom))
    weight = 1.0 / max(scatter, 1e-12) ** 2
    return inner.T @ inner * weight, inner.T @ seen * weight, float(np.degrees(scatter))


def _told(
    information: FloatArray, moment: FloatArray, *, span: float, latitude_deg: float, scatter: dict[str, float]
) -> PolarError:
    """The two components as the person at the mount sees them, or that they cannot be told apart."""
    nan = float("nan")
    if np.linalg.matrix_rank(information) < 2:
        line = "Polar error not separable: too few subs with a place or an angle."
        return _unseparable(line, span, scatter)
    covariance = np.linalg.inv(information) * ARCMIN_PER_RAD**2
    a, b = covariance @ moment / ARCMIN_PER_RAD
    north = 1.0 if latitude_deg >= 0.0 else -1.0
    # The south end of the axis goes the other way: what tilts the north end up and west takes it down and east.
    altitude, east = north * float(a), -north * float(b)
    total = float(np.hypot(a, b))
    direction = np.array([a, b]) / max(total, 1e-12)
    errors = np.sqrt(np.diag(covariance))
    allowed = max(LEAST_ERROR_ARCMIN, MOST_RELATIVE_ERROR * total)
    if span < LEAST_SPAN_DEG or max(errors) > allowed:
        line = f"Polar error not separable: azimuth and altitude need hours of hour angle, these subs span {span / 15:.1f} h."
        return _unseparable(line, span, scatter)
    per_cos = 1.0 / float(np.cos(np.radians(latitude_deg)))
    azimuth, azimuth_error = east * per_cos, float(errors[1]) * per_cos
    sentence = (
        f"The axis points {abs(altitude):.1f} ± {errors[0]:.1f}′ too {'high' if altitude > 0 else 'low'} and "
        f"{abs(azimuth):.1f} ± {azimuth_error:.1f}′ of azimuth too far {'east' if azimuth > 0 else 'west'}."
    )
    return PolarError(
        separable=True,
        sentence=sentence,
        azimuth_error_arcmin=azimuth,
        azimuth_error_arcmin_uncertainty=azimuth_error,
        altitude_error_arcmin=altitude,
        altitude_error_arcmin_uncertainty=float(errors[0]),
        total_arcmin=total,
        total_uncertainty_arcmin=float(np.sqrt(direction @ covariance @ direction)) if total > 0 else nan,
        hour_angle_span_deg=span,
        scatter_arcsec=scatter["declination"] * 3600.0,
        rotation_scatter_deg=scatter["angle"],
    )


def _unseparable(sentence: str, span: float, scatter: dict[str, float]) -> PolarError:
    nan = float("nan")
    return PolarError(
        separable=False, sentence=sentence, azimuth_error_arcmin=nan, azimuth_error_arcmin_uncertainty=nan,
        altitude_error_arcmin=nan, altitude_error_arcmin_uncertainty=nan, total_arcmin=nan,
        total_uncertainty_arcmin=nan, hour_angle_span_deg=span, scatter_arcsec=scatter["declination"] * 3600.0,
        rotation_scatter_deg=scatter["angle"],
    )  # fmt: skip


def _unwound(angle_deg: FloatArray, groups: npt.NDArray[np.int64]) -> FloatArray:
    """Angles within 180 degrees of their group's first, so that 359.9 and 0.1 are neighbours."""
    result = angle_deg.copy()
    for g in np.unique(groups):
        of_group = groups == g
        first = angle_deg[of_group][0]
        result[of_group] = first + (angle_deg[of_group] - first + 180.0) % 360.0 - 180.0
    return result


def _check(
    hours: FloatArray, groups: npt.NDArray[np.int64], latitude_deg: float, declination_deg: float,
    *series: npt.ArrayLike | None,
) -> None:  # fmt: skip
    sizes = [groups.size, *(np.asarray(s).size for s in series if s is not None)]
    if len(sizes) == 1 or any(s != hours.size for s in sizes):
        raise FrameError(
            "the subs for the polar error do not pair",
            seen=f"{hours.size} hour angles, series of {sizes[1:]}, {sizes[0]} groups",
            allowed="declinations, position angles or both, one for each hour angle",
            next_step="give one value for each sub, NaN where it is not known",
        )
    if not (abs(latitude_deg) < 89.0 and abs(declination_deg) < MOST_DEC_DEG):
        raise FrameError(
            "the polar error cannot be told so near to a pole",
            seen=f"latitude {latitude_deg:.2f}, declination {declination_deg:.2f} degrees",
            allowed=f"latitude within 89, declination within {MOST_DEC_DEG:.0f} degrees",
            next_step="use subs of a target farther from the pole",
        )
