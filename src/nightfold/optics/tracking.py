"""How the field wandered from sub to sub: dither steps, drift in right ascension and declination, and trailing.

Offsets are arcseconds on the sky, east (right ascension times cos Dec) and north. Dithering moves the field in steps
and comes back to where it was; drift goes on. Both are in the offsets, and the step between two subs tells them apart.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from nightfold.errors import FrameError
from nightfold.robust import biweight, mad_sigma

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

LEAST_SUBS = 6
LEAST_DITHER_ARCSEC = 0.8
"""Steps below this are guiding or seeing. Common practice, no source."""
JUMP = 6.0
"""A step of so many usual ones (or dithers) is a new pointing, not a dither. Common practice, no source."""
LEAST_JUMP_ARCSEC = 60.0
ALONG_DEG = 20.0
"""Within this of an axis an elongation is said to be along it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Axes:
    """What the two axes of the places are called, each way, and the unit."""

    drifted: str
    plus: tuple[str, str]
    minus: tuple[str, str]
    unit: str
    tail: str = ""


SKY = Axes(
    drifted="The field drifted", plus=("in right ascension", "in declination"), minus=("in right ascension", "in declination"), unit="″"
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Tracking:
    """Of one night's subs of one target. Uncertainties are 1 sigma; NaN where not told.

    Where the frames' place on the sky is not known, drift is told along the frame, in pixels, and in arcsec where the scale is known.
    """

    told: bool
    sentence: str
    ra_arcsec_per_h: float  # drift towards the east on the sky
    ra_uncertainty: float
    dec_arcsec_per_h: float
    dec_uncertainty: float
    dithered: bool
    dither_arcsec: float  # usual step
    dither_every: float  # subs between steps
    dithers: int
    pointings: int  # stretches between new pointings
    wander_arcsec: float  # scatter between steps, per axis, with the drift taken out
    flexure_arcsec_per_h2: float  # how the drift changes over the night
    flexure_uncertainty: float
    step: BoolArray  # shape (n - 1,): True where the field was moved on purpose between two subs
    elongation_sentence: str
    elongation_angle_deg: float  # position angle on the sky, north through east; NaN where there is none
    elongation_from_ra_deg: float  # 0: along right ascension, 90: along declination
    along: Literal["sky", "frame"] = "sky"
    x_px_per_h: float = float("nan")  # how the stars moved on the frame, + to the right; NaN where the sky is known
    x_uncertainty_px: float = float("nan")
    y_px_per_h: float = float("nan")  # + upwards
    y_uncertainty_px: float = float("nan")
    dither_px: float = float("nan")


def measure_tracking(
    time_s: npt.ArrayLike,
    east_arcsec: npt.ArrayLike,
    north_arcsec: npt.ArrayLike,
    *,
    error_arcsec: float = 0.1,
    elongation_x: npt.ArrayLike | None = None,
    elongation_y: npt.ArrayLike | None = None,
    up_deg: float = float("nan"),
    mirrored: bool = False,
    axes: Axes = SKY,
) -> Tracking:
    """Drift, dithers and trailing of one night.

    Parameters
    ----------
    time_s, east_arcsec, north_arcsec : arrays of shape (n,)
        Middle of each sub and where its field lay; NaN leaves a sub out.
    error_arcsec : float
        1 sigma of one place, per axis.
    elongation_x, elongation_y : arrays of shape (n,), optional
        e cos 2a and e sin 2a of each sub's stars, a from +x towards +y of the frame.
    up_deg, mirrored : float, bool
        Position angle of the frame's +y, north through east, and whether the frame is a mirror image (det CD > 0).
    axes : Axes
        How the two are spoken of, where the places are not arcseconds east and north.
    """
    t, east, north = (np.asarray(v, np.float64) for v in (time_s, east_arcsec, north_arcsec))
    if not t.shape == east.shape == north.shape or t.ndim != 1:
        raise FrameError(
            "times and places of the subs do not pair", seen=f"{t.shape}, {east.shape}, {north.shape}",
            allowed="lists of one length", next_step="give one place a sub, NaN where it is not known",
        )  # fmt: skip
    kept = np.isfinite(t) & np.isfinite(east) & np.isfinite(north)
    order = np.flatnonzero(kept)[np.argsort(t[kept], kind="stable")]
    t, xy = t[order], np.column_stack([east[order], north[order]])
    words, angle, from_ra = _elongation(elongation_x, elongation_y, up_deg, mirrored)
    if t.size < LEAST_SUBS or np.ptp(t) < 600.0:
        line = f"Tracking is not told: {t.size} subs with a place over {np.ptp(t) / 60 if t.size else 0:.0f} min, at least {LEAST_SUBS} over 10 min are needed."
        return _untold(line, words, angle, from_ra)
    hours = (t - t[0]) / 3600.0
    moved, jumped = _moves(_steps(hours, xy), error_arcsec)
    step = np.hypot(*np.diff(xy, axis=0).T)
    pointing = np.concatenate([[0], np.cumsum(jumped)])
    found = _drift(hours, xy, moved, pointing, error_arcsec)
    dithers = moved & ~jumped
    size = float(np.median(step[dithers])) if dithers.any() else float("nan")
    dithered = bool(dithers.sum() >= 3)
    parts = []
    for axis, (rate, error) in enumerate(zip(found.rate, found.error, strict=True)):
        if abs(rate) > 3.0 * error:
            way = (axes.plus if rate > 0.0 else axes.minus)[axis]
            parts.append(f"{abs(rate):.1f} ± {error:.1f}{axes.unit} an hour {way}")
    sentence = (
        f"{axes.drifted} " + " and ".join(parts) + "."
        if parts
        else f"No drift beyond {3 * max(found.error):.1f}{axes.unit} an hour."
    )
    if dithered:
        sentence += f" {int(dithers.sum())} dithers of about {size:.1f}{axes.unit}."
    if jumped.any():
        sentence += f" {int(jumped.sum())} new pointings in between."
    if abs(found.bend) > 3.0 * found.bend_error:
        sentence += " The drift changed over the night, as it does when guider and camera flex against each other."
    sentence += axes.tail
    return Tracking(
        told=True, sentence=sentence, ra_arcsec_per_h=found.rate[0], ra_uncertainty=found.error[0],
        dec_arcsec_per_h=found.rate[1], dec_uncertainty=found.error[1], dithered=dithered, dither_arcsec=size,
        dither_every=float((t.size - 1) / dithers.sum()) if dithered else float("nan"), dithers=int(dithers.sum()),
        pointings=int(pointing[-1]) + 1, wander_arcsec=found.wander, flexure_arcsec_per_h2=found.bend,
        flexure_uncertainty=found.bend_error, step=moved, elongation_sentence=words, elongation_angle_deg=angle,
        elongation_from_ra_deg=from_ra,
    )  # fmt: skip


def measure_on_frame(
    time_s: npt.ArrayLike,
    x_px: npt.ArrayLike,
    y_px: npt.ArrayLike,
    *,
    arcsec_px: float = float("nan"),
    elongation_x: npt.ArrayLike | None = None,
    elongation_y: npt.ArrayLike | None = None,
) -> Tracking:
    """The same from where the stars lay on the frame, pixels, when nobody knows how it lies on the sky.

    Without a scale, a step counts as a dither from 0.8 px, as a new pointing from 60 px.
    """
    known = bool(np.isfinite(arcsec_px))
    scale = arcsec_px if known else 1.0
    axes = Axes(
        drifted="On the frame the stars drifted", plus=("to the right", "upwards"), minus=("to the left", "downwards"),
        unit="″" if known else " px", tail=" How the frame lies on the sky is not known.",
    )  # fmt: skip
    found = measure_tracking(
        time_s, np.asarray(x_px, np.float64) * scale, np.asarray(y_px, np.float64) * scale, error_arcsec=0.1 * scale,
        elongation_x=elongation_x, elongation_y=elongation_y, axes=axes,
    )  # fmt: skip
    nan = float("nan")
    on_frame = replace(
        found, along="frame", ra_arcsec_per_h=nan, ra_uncertainty=nan, dec_arcsec_per_h=nan, dec_uncertainty=nan,
        x_px_per_h=found.ra_arcsec_per_h / scale, x_uncertainty_px=found.ra_uncertainty / scale,
        y_px_per_h=found.dec_arcsec_per_h / scale, y_uncertainty_px=found.dec_uncertainty / scale,
        dither_px=found.dither_arcsec / scale,
    )  # fmt: skip
    if known:
        return on_frame
    return replace(on_frame, dither_arcsec=nan, wander_arcsec=nan, flexure_arcsec_per_h2=nan, flexure_uncertainty=nan)


def _moves(step: FloatArray, error: float) -> tuple[BoolArray, BoolArray]:
    """Steps that were made on purpose, and those of them that are new pointings.

    Where some steps are small and some large, the gap between them parts the two; where all are large, all are moves.
    """
    floor = max(LEAST_DITHER_ARCSEC, 6.0 * error)
    large = step > floor
    if large.any() and not large.all():
        quiet = step[~large]
        floor = max(floor, float(np.median(quiet) + 6.0 * float(mad_sigma(quiet))))
        large = step > floor
    small = step[large & (step < LEAST_JUMP_ARCSEC)]
    usual = float(np.median(small if small.size else step))
    jumped = large & (step > max(JUMP * usual, LEAST_JUMP_ARCSEC))
    return large, jumped


def _steps(hours: FloatArray, xy: FloatArray) -> FloatArray:
    """Lengths of the steps from sub to sub, less the drift where most of a usual step is drift."""
    dt, d = np.diff(hours), np.diff(xy, axis=0)
    rate = np.median(d / np.maximum(dt, 1e-6)[:, None], axis=0)
    length = np.hypot(*d.T)
    drift = np.hypot(*rate) * float(np.median(dt))
    if drift > 0.7 * float(np.median(length)):
        return np.asarray(np.hypot(*(d - dt[:, None] * rate).T))
    return np.asarray(length)


@dataclass(frozen=True, slots=True)
class _Line:
    rate: tuple[float, float]
    error: tuple[float, float]
    wander: float
    bend: float
    bend_error: float


def _drift(hours: FloatArray, xy: FloatArray, moved: BoolArray, pointing: npt.NDArray[np.int64], error: float) -> _Line:
    """Straight line through each pointing's places with one slope: dithers come back, so they scatter about it."""
    count = int(pointing[-1]) + 1
    rows = np.zeros((hours.size, count + 2))
    rows[np.arange(hours.size), pointing] = 1.0
    middle = hours - hours.mean()
    rows[:, count] = middle
    rows[:, count + 1] = middle**2
    straight = _robust(rows[:, : count + 1], xy, error)
    bent = _robust(rows, xy, error)
    # Between moves the field rests: there the drift is seen without the dithers.
    rest = ~moved
    slopes = [straight]
    if rest.sum() >= LEAST_SUBS:
        dt, d = np.diff(hours)[rest], np.diff(xy, axis=0)[rest]
        slopes.append(_robust(dt[:, None], d, error * 1.41))
    rate, sigma = zip(*[min(((s[0][-1, axis], s[1][-1, axis]) for s in slopes), key=lambda p: p[1]) for axis in (0, 1)], strict=True)  # fmt: skip
    wander = float(np.sqrt(np.mean(straight[2] ** 2)))
    bend, bend_error = 2.0 * bent[0][-1], 2.0 * bent[1][-1]
    worst = int(np.argmax(np.abs(bend) / bend_error))
    return _Line(
        (float(rate[0]), float(rate[1])), (float(sigma[0]), float(sigma[1])), wander, float(bend[worst]),
        float(bend_error[worst]),
    )  # fmt: skip


def _robust(rows: FloatArray, data: FloatArray, floor: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Biweight least squares of each column of `data`; values, errors, scatter of each."""
    values, errors, scatters = [], [], []
    for column in data.T:
        weight = np.ones(column.size)
        for _ in range(15):
            root = np.sqrt(weight)
            value = np.linalg.lstsq(rows * root[:, None], column * root, rcond=None)[0]
            residual = column - rows @ value
            scale = max(float(mad_sigma(residual)), floor)
            weight = np.maximum(biweight(residual / scale), 1e-6)
        freedom = max(float(weight.sum()) - rows.shape[1], 1.0)
        scatter = max(float(np.sqrt((weight * residual**2).sum() / freedom)), floor)
        covariance = np.linalg.pinv((rows * weight[:, None]).T @ rows) * scatter**2
        values.append(value)
        errors.append(np.sqrt(np.diag(covariance)))
        scatters.append(scatter)
    return np.array(values).T, np.array(errors).T, np.array(scatters)


def _elongation(
    e_x: npt.ArrayLike | None, e_y: npt.ArrayLike | None, up_deg: float, mirrored: bool
) -> tuple[str, float, float]:
    """Mean direction of the subs' elongations, as an angle on the sky and from right ascension."""
    nan = float("nan")
    if e_x is None or e_y is None:
        return "", nan, nan
    x, y = np.asarray(e_x, np.float64), np.asarray(e_y, np.float64)
    kept = np.isfinite(x) & np.isfinite(y)
    if kept.sum() < 3:
        return "", nan, nan
    mean = np.array([np.median(x[kept]), np.median(y[kept])])
    error = np.hypot(float(mad_sigma(x[kept])), float(mad_sigma(y[kept]))) / np.sqrt(kept.sum()) + 0.005
    size = float(np.hypot(*mean))
    if size < 3.0 * error:
        return f"Stars are drawn out in no one direction (mean {100 * size:.0f} %).", nan, nan
    on_frame = float(np.degrees(0.5 * np.arctan2(mean[1], mean[0])))
    if not np.isfinite(up_deg):
        return f"Stars are drawn out by {100 * size:.0f} % at {on_frame % 180.0:.0f}° to the frame's width; how the frame lies on the sky is not known.", nan, nan  # fmt: skip
    # From +x towards +y, +y at 90: away from up towards -x is towards the east on an unmirrored frame.
    turned = on_frame - 90.0
    angle = (up_deg + (turned if not mirrored else -turned)) % 180.0
    from_ra = abs(angle - 90.0)
    if from_ra < ALONG_DEG:
        cause = "along right ascension: the drive's periodic error, its guiding, or a polar axis that is off"
    elif from_ra > 90.0 - ALONG_DEG:
        cause = "along declination: drift by the polar axis, flexure, or guiding in declination"
    else:
        cause = "across both axes: wind, flexure or the optics rather than the drive"
    return f"Stars are drawn out by {100 * size:.0f} % {cause}.", angle, from_ra


def _untold(sentence: str, words: str, angle: float, from_ra: float) -> Tracking:
    nan = float("nan")
    return Tracking(
        told=False, sentence=sentence, ra_arcsec_per_h=nan, ra_uncertainty=nan, dec_arcsec_per_h=nan, dec_uncertainty=nan,
        dithered=False, dither_arcsec=nan, dither_every=nan, dithers=0, pointings=0, wander_arcsec=nan,
        flexure_arcsec_per_h2=nan, flexure_uncertainty=nan, step=np.zeros(0, np.bool_), elongation_sentence=words,
        elongation_angle_deg=angle, elongation_from_ra_deg=from_ra,
    )  # fmt: skip
