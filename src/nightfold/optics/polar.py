"""How far the mount's axis is from the pole, from where plate-solved subs of one target lie and how they are turned.

Small-angle rotation about a tilted axis (CHECKS K1 and K3; Hook 1989, J. Brit. Astron. Assoc. 99, 19, treats the same).
The north end of the axis is tilted by eps towards hour angle Hp (growing westward); with A = eps cos Hp and
B = eps sin Hp the declination of an unguided field drifts as -(A cos H + B sin H), and the position angle of a guided
one as (A sin H - B cos H) / cos Dec. Guiding takes the first away; the second remains about the guide star. The fit itself
uses whole vectors (`polar_fit`): at a degree of tilt the small-angle forms are wrong by 2 percent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.errors import FrameError
from nightfold.optics.polar_fit import Series, Tilt, fit_tilt

FloatArray = npt.NDArray[np.float64]

SIDEREAL_RAD_PER_S = 7.2921159e-5
ARCMIN_PER_RAD = 3437.7467707849396
LEAST_SPAN_DEG = 15.0
"""Hour angle that the subs must span. Common practice, no source: over less, drift and its bend look alike."""
MOST_RELATIVE_ERROR = 0.33
LEAST_ERROR_ARCMIN = 0.5
"""Errors below this are fine for any tilt; above, they must be below a third of the tilt."""
MOST_DEC_DEG = 88.0
MODEL_ARCMIN = 0.01
"""What refraction (a percent of 60 arcsec a radian), the shorter terms of nutation and daily aberration leave unknown."""
DISAGREE_CHI2 = 13.8
"""Of two degrees of freedom: once in a thousand by chance."""
ROUGH_SHARE = 0.05
ROUGH_ARCSEC = 1.5
"""A drift that nothing but the axis makes is smooth: rougher than either of these about a parabola is dithers or a guider."""


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
    axis_hour_angle_deg: float  # towards which the axis' north end leans, growing westward
    chi2: float  # of the residuals over the errors as given
    freedom: int


def polar_error(
    hour_angle_deg: npt.ArrayLike,
    *,
    latitude_deg: float,
    declination_deg: npt.ArrayLike,
    field_declination_deg: npt.ArrayLike | None = None,
    position_angle_deg: npt.ArrayLike | None = None,
    declination_error_deg: npt.ArrayLike | None = None,
    angle_error_deg: npt.ArrayLike | None = None,
    group: npt.ArrayLike | None = None,
) -> PolarError:
    """Azimuth and altitude error of the polar axis from subs of one setting of the mount: any targets, any nights.

    Parameters
    ----------
    hour_angle_deg : array of shape (n,)
        Of the field at mid-exposure, growing westward; NaN leaves the sub out.
    latitude_deg : float
        Of the site, south negative.
    declination_deg : float or array of shape (n,)
        Apparent, of the target or of each sub.
    field_declination_deg : array of shape (n,), optional
        Solved declination of one pixel, of **unguided** and undithered subs, degrees.
    position_angle_deg : array of shape (n,), optional
        Solved position angle of the frame's +y, north through east, degrees.
    declination_error_deg, angle_error_deg : array of shape (n,), optional
        1 sigma of each against the others; all alike by default.
    group : array of shape (n,), optional
        Numbers of stretches between which the camera or the pier's side changed: each has its own zero.

    Notes
    -----
    Scatter is taken from the residuals, so at least two subs more than unknowns are needed. Where both kinds are given
    each is weighted by its own scatter. See `polar_fit` for the mathematics.
    """
    hours = np.asarray(hour_angle_deg, np.float64)
    decs = np.broadcast_to(np.asarray(declination_deg, np.float64), hours.shape)
    groups = np.zeros(hours.size, np.int64) if group is None else np.asarray(group, np.int64)
    _check(hours, groups, latitude_deg, decs, field_declination_deg, position_angle_deg)
    given = _series(
        hours, decs, groups, field=field_declination_deg, angle=position_angle_deg, field_error=declination_error_deg,
        angle_error=angle_error_deg,
    )  # fmt: skip
    fit = fit_tilt(list(given.values()))
    scatter = {"declination": float("nan"), "angle": float("nan")}
    scatter.update({k: float(np.degrees(v)) for k, v in zip(given, fit.scatter, strict=True)})
    span = max((float(np.degrees(np.ptp(s.hour_rad))) for s in given.values()), default=0.0)
    return _told(fit, span=span, latitude_deg=latitude_deg, scatter=scatter)


def _series(
    hours: FloatArray, decs: FloatArray, groups: npt.NDArray[np.int64], *, field: npt.ArrayLike | None,
    angle: npt.ArrayLike | None, field_error: npt.ArrayLike | None, angle_error: npt.ArrayLike | None,
) -> dict[str, Series]:  # fmt: skip
    """The witnesses that have subs enough, by kind."""
    around = np.nanmedian(hours) if np.isfinite(hours).any() else 0.0
    hours = around + (hours - around + 180.0) % 360.0 - 180.0
    given: dict[str, Series] = {}
    for kind, values, errors, rigid in (
        ("declination", field, field_error, False),
        ("angle", angle, angle_error, True),
    ):
        if values is None:
            continue
        seen = np.asarray(values, np.float64)
        error = np.ones(hours.size) if errors is None else np.asarray(errors, np.float64)
        kept = np.isfinite(hours) & np.isfinite(decs) & np.isfinite(seen) & (error > 0.0)
        # A group of one sub has only its own zero to tell.
        names, counts = np.unique(groups[kept], return_counts=True)
        kept &= np.isin(groups, names[counts >= 2])
        if kept.sum() < 2 + np.unique(groups[kept]).size + 2:
            continue
        scale = 1.0 if errors is not None else 1e-9
        whole = Series(
            hour_rad=np.radians(hours), dec_rad=np.radians(decs if rigid else seen), values=np.radians(seen),
            error=np.radians(error) * scale, group=groups, rigid=rigid,
        )  # fmt: skip
        given[kind] = whole.take(kept)
    return given


def drifts_by_the_axis(
    hour_angle_deg: npt.ArrayLike, field_declination_deg: npt.ArrayLike, position_angle_deg: npt.ArrayLike, *,
    angle_error_deg: npt.ArrayLike, group: npt.ArrayLike,
) -> bool:  # fmt: skip
    """True if a field's drift in declination is smooth and of the tilt that its turn tells: nobody guided, nothing bent.

    Dithers are rough; a guided field that creeps by flexure drifts smoothly, but by another tilt than it turns by.
    """
    hours, dec = np.asarray(hour_angle_deg, np.float64), np.asarray(field_declination_deg, np.float64)
    groups = np.asarray(group, np.int64)
    given = _series(
        hours, dec, groups, field=dec, angle=position_angle_deg, field_error=None, angle_error=angle_error_deg
    )
    if "declination" not in given:
        return False
    drift = given["declination"]
    zeros = (drift.group[:, None] == np.unique(drift.group)[None, :]).astype(np.float64)
    h = drift.hour_rad - drift.hour_rad.mean()
    rows = np.column_stack([zeros, h, h**2])
    left = drift.values - rows @ np.linalg.lstsq(rows, drift.values, rcond=None)[0]
    freedom = max(left.size - rows.shape[1], 1)
    rough = float(np.degrees(np.sqrt((left**2).sum() / freedom))) * 3600.0
    if rough > max(ROUGH_ARCSEC, ROUGH_SHARE * float(np.degrees(np.ptp(drift.values))) * 3600.0):
        return False
    by_drift = fit_tilt([drift])
    by_turn = fit_tilt([given["angle"]]) if "angle" in given else by_drift
    if not (np.isfinite(by_drift.tilt).all() and np.isfinite(by_turn.tilt).all()):
        return True
    apart = by_drift.tilt - by_turn.tilt
    slack = (MODEL_ARCMIN / ARCMIN_PER_RAD) ** 2 + (0.05 * float(np.hypot(*by_turn.tilt))) ** 2
    covariance = by_drift.covariance + by_turn.covariance + slack * np.eye(2)
    return bool(apart @ np.linalg.solve(covariance, apart) < DISAGREE_CHI2)


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


def _told(fit: Tilt, *, span: float, latitude_deg: float, scatter: dict[str, float]) -> PolarError:
    """The two components as the person at the mount sees them, or that they cannot be told apart."""
    nan = float("nan")
    if not np.isfinite(fit.tilt).all():
        line = "Polar error not separable: too few subs with a place or an angle."
        return _unseparable(line, span, scatter, fit)
    at_mount, covariance = _at_the_mount(fit, latitude_deg)
    azimuth, altitude = (float(v) for v in at_mount)
    azimuth_error, altitude_error = (float(v) for v in np.sqrt(np.diag(covariance)))
    total = float(np.hypot(*fit.tilt)) * ARCMIN_PER_RAD
    direction = fit.tilt / max(float(np.hypot(*fit.tilt)), 1e-12)
    on_sky = fit.covariance * ARCMIN_PER_RAD**2 + MODEL_ARCMIN**2 * np.eye(2)
    allowed = max(LEAST_ERROR_ARCMIN, MOST_RELATIVE_ERROR * total)
    known_to = float(np.sqrt(np.diag(on_sky).max()))
    if span >= LEAST_SPAN_DEG and known_to > allowed:
        line = (
            f"Polar error not separable: over the {span / 15:.1f} h of hour angle of these subs azimuth and altitude are known "
            f"to ±{known_to:.1f}′ only, and ±{allowed:.1f}′ is wanted; more subs in between tell more."
        )
        return _unseparable(line, span, scatter, fit)
    if span < LEAST_SPAN_DEG:
        line = f"Polar error not separable: azimuth and altitude need hours of hour angle, these subs span {span / 15:.1f} h."
        return _unseparable(line, span, scatter, fit)
    sentence = (
        f"The axis points {abs(altitude):.1f} ± {max(altitude_error, 0.05):.1f}′ too {'high' if altitude > 0 else 'low'} and "
        f"{abs(azimuth):.1f} ± {max(azimuth_error, 0.05):.1f}′ of azimuth too far {'east' if azimuth > 0 else 'west'}."
    )
    return PolarError(
        separable=True,
        sentence=sentence,
        azimuth_error_arcmin=azimuth,
        azimuth_error_arcmin_uncertainty=azimuth_error,
        altitude_error_arcmin=altitude,
        altitude_error_arcmin_uncertainty=altitude_error,
        total_arcmin=total,
        total_uncertainty_arcmin=float(np.sqrt(direction @ on_sky @ direction)) if total > 0 else nan,
        hour_angle_span_deg=span,
        scatter_arcsec=scatter["declination"] * 3600.0,
        rotation_scatter_deg=scatter["angle"],
        axis_hour_angle_deg=float(np.degrees(np.arctan2(fit.tilt[1], fit.tilt[0]))),
        chi2=fit.chi2,
        freedom=fit.freedom,
    )


def _at_the_mount(fit: Tilt, latitude_deg: float) -> tuple[FloatArray, FloatArray]:
    """Azimuth (+ east) and altitude (+ above the elevated pole) of the axis' elevated end, arcmin, with their covariance."""
    sine, cosine = float(np.sin(np.radians(abs(latitude_deg)))), float(np.cos(np.radians(latitude_deg)))
    north = 1.0 if latitude_deg >= 0.0 else -1.0

    def told(tilt: FloatArray) -> FloatArray:
        eps = float(np.hypot(*tilt))
        x, y = tilt * np.sinc(eps / np.pi)
        # The south end of the axis goes the other way: what tilts the north end up and west takes it down and east.
        meridian, west, pole = north * x, north * y, np.cos(eps)
        up, along = meridian * cosine + pole * sine, pole * cosine - meridian * sine
        altitude = np.arctan2(up, np.hypot(along, west)) - np.radians(abs(latitude_deg))
        return np.array([np.arctan2(-west, along), altitude]) * ARCMIN_PER_RAD

    step = 1e-6
    columns = [(told(fit.tilt + d) - told(fit.tilt - d)) / (2.0 * step) for d in np.eye(2) * step]
    jacobian = np.column_stack(columns)
    covariance = fit.covariance + (MODEL_ARCMIN / ARCMIN_PER_RAD) ** 2 * np.eye(2)
    return told(fit.tilt), np.asarray(jacobian @ covariance @ jacobian.T)


def _unseparable(sentence: str, span: float, scatter: dict[str, float], fit: Tilt) -> PolarError:
    nan = float("nan")
    return PolarError(
        separable=False, sentence=sentence, azimuth_error_arcmin=nan, azimuth_error_arcmin_uncertainty=nan,
        altitude_error_arcmin=nan, altitude_error_arcmin_uncertainty=nan, total_arcmin=nan,
        total_uncertainty_arcmin=nan, hour_angle_span_deg=span, scatter_arcsec=scatter["declination"] * 3600.0,
        rotation_scatter_deg=scatter["angle"], axis_hour_angle_deg=nan, chi2=fit.chi2, freedom=fit.freedom,
    )  # fmt: skip


def _check(
    hours: FloatArray, groups: npt.NDArray[np.int64], latitude_deg: float, declination_deg: FloatArray,
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
    farthest = float(np.nanmax(np.abs(declination_deg), initial=0.0))
    if not (abs(latitude_deg) < 89.0 and farthest < MOST_DEC_DEG):
        raise FrameError(
            "the polar error cannot be told so near to a pole",
            seen=f"latitude {latitude_deg:.2f}, declination {farthest:.2f} degrees from the equator",
            allowed=f"latitude within 89, declination within {MOST_DEC_DEG:.0f} degrees",
            next_step="use subs of a target farther from the pole",
        )
