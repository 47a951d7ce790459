"""How the best focus follows temperature and filter over a campaign, and what a missed focus costs.

position = filter's zero + slope x lagged temperature. The lag stands for what is slower than the air: a tube, or glass.
It is a first-order answer, dL/dt = (T - L) / lag, started at each night's first temperature. Positions in steps,
temperatures in degrees Celsius, times in seconds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.errors import FrameError
from nightfold.rig.focus import defocus_fwhm_arcsec
from nightfold.robust import biweight, mad_sigma

FloatArray = npt.NDArray[np.float64]

NIGHT_GAP_S = 6.0 * 3600.0
"""A gap in the temperatures after which the tube is taken to have come to the air's temperature."""
LAGS_S = np.concatenate([[0.0], np.geomspace(300.0, 4.0 * 3600.0, 30)])
"""Lags tried; the chi squared between them is smooth."""
LEAST_RANGE_C = 2.0
"""Range of temperature without which no slope is told. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusLaw:
    """Slope, lag and offsets with 1 sigma errors; NaN where not told."""

    told: bool
    sentence: str
    steps_per_c: float
    error_steps_per_c: float
    lag_s: float
    lag_low_s: float  # the lags that fit as well, at 1 sigma
    lag_high_s: float
    reference_filter: str
    zero_steps: float  # best position of the reference filter at 0 C
    offsets_steps: dict[str, tuple[float, float]]  # filter -> offset from the reference and its error
    scatter_steps: float
    used: npt.NDArray[np.bool_]  # shape (n,); False where a run hardly entered

    def position(self, lagged_c: npt.ArrayLike, filter_name: str) -> FloatArray:
        """Best position at a lagged temperature."""
        offset = self.offsets_steps[filter_name][0]
        return np.asarray(self.zero_steps + offset + self.steps_per_c * np.asarray(lagged_c, np.float64))


def lagged_temperature(
    time_s: npt.ArrayLike, trace_time_s: npt.ArrayLike, trace_c: npt.ArrayLike, *, lag_s: float
) -> FloatArray:
    """Temperature that a body with that lag has at `time_s`, from a trace of the air's, joined linearly.

    NaN before the trace and more than half an hour past its end. The trace may lack temperatures (NaN).
    """
    t, air = np.asarray(trace_time_s, np.float64), np.asarray(trace_c, np.float64)
    kept = np.isfinite(t) & np.isfinite(air)
    order = np.argsort(t[kept], kind="stable")
    t, air = t[kept][order], air[kept][order]
    times = np.asarray(time_s, np.float64)
    if t.size == 0:
        return np.full(times.shape, np.nan)
    body = air.copy()
    for i in range(1, t.size):
        step = t[i] - t[i - 1]
        if step > NIGHT_GAP_S or lag_s <= 0.0 or step <= 0.0:
            continue
        # Exact for air that changes evenly between two samples.
        rate = (air[i] - air[i - 1]) / step
        body[i] = air[i] - rate * lag_s + (body[i - 1] - air[i - 1] + rate * lag_s) * np.exp(-step / lag_s)
    outside = (times < t[0] - 1.0) | (times > t[-1] + 1800.0)
    return np.where(outside, np.nan, np.interp(times, t, body))


def fit_focus_law(
    time_s: npt.ArrayLike,
    position: npt.ArrayLike,
    filters: Sequence[str],
    *,
    trace_time_s: npt.ArrayLike,
    trace_c: npt.ArrayLike,
    position_error: npt.ArrayLike | None = None,
) -> FocusLaw:
    """The law from best positions of many focus runs, by robust regression (Tukey's biweight).

    Parameters
    ----------
    time_s, position : array of shape (n,)
        When each run was made and its best position; NaN leaves it out.
    filters : n names
    trace_time_s, trace_c : array of shape (m,)
        The air's temperature through the nights, from the runs and from the subs between them.
    position_error : array of shape (n,), optional
        1 sigma of each position, steps, for weights.
    """
    t, p = np.asarray(time_s, np.float64), np.asarray(position, np.float64)
    if t.shape != p.shape or t.size != len(filters):
        raise FrameError(
            "the focus runs for the law do not pair",
            seen=f"{t.size} times, {p.size} positions, {len(filters)} filters",
            allowed="lists of one length",
            next_step="give time, position and filter of each run",
        )
    error = np.ones(t.size) if position_error is None else np.asarray(position_error, np.float64)
    still = lagged_temperature(t, trace_time_s, trace_c, lag_s=0.0)
    kept = np.isfinite(p) & np.isfinite(still) & np.isfinite(error) & (error > 0.0)
    names = [str(f) for f in filters]
    known = sorted({n for n, k in zip(names, kept, strict=True) if k})
    reference = max(known, key=lambda n: sum(m == n and bool(k) for m, k in zip(names, kept, strict=True)), default="")
    unknowns = 1 + len(known)
    if kept.sum() < unknowns + 3:
        line = f"Focus law not told: {int(kept.sum())} runs with a temperature, at least {unknowns + 3} are needed."
        return _untold(line, reference, kept)
    if np.ptp(still[kept]) < LEAST_RANGE_C:
        line = f"Focus law not told: the runs span {np.ptp(still[kept]):.1f} °C, at least {LEAST_RANGE_C:g} are needed."
        return _untold(line, reference, kept)
    columns = [reference, *(n for n in known if n != reference)]
    design = np.array([[1.0] + [float(n == c) for c in columns[1:]] for n in names])
    fits = []
    for lag in LAGS_S:
        lagged = lagged_temperature(t, trace_time_s, trace_c, lag_s=float(lag))
        rows = np.column_stack([lagged, design])
        fits.append(_robust_line(rows[kept] / error[kept, None], p[kept] / error[kept]))
    # One scatter for all lags, that of the best, so that their costs can be compared.
    scale = min(f.scatter for f in fits)
    costs = np.array([_cost(f.residual / scale) for f in fits])
    best = int(np.argmin(costs))
    near = np.flatnonzero(costs <= costs[best] + 1.0)
    fit = fits[best]
    slopes = np.array([fits[i].values[0] for i in near])
    # The lag's own uncertainty moves the slope; the error holds both.
    slope_error = float(np.hypot(np.sqrt(fit.covariance[0, 0]), 0.5 * np.ptp(slopes)))
    used = np.zeros(t.size, np.bool_)
    used[kept] = fit.weights > 0.3
    slope, lag_s = float(fit.values[0]), float(LAGS_S[best])
    offsets = {reference: (0.0, 0.0)}
    for i, name in enumerate(columns[1:], 2):
        offsets[name] = (float(fit.values[i]), float(np.sqrt(fit.covariance[i, i])))
    return FocusLaw(
        told=True,
        sentence=f"Focus moves {slope:+.2f} ± {slope_error:.2f} steps per °C, {lag_s / 60.0:.0f} min behind the air.",
        steps_per_c=slope,
        error_steps_per_c=slope_error,
        lag_s=lag_s,
        lag_low_s=float(LAGS_S[near[0]]),
        lag_high_s=float(LAGS_S[near[-1]]),
        reference_filter=reference,
        zero_steps=float(fit.values[1]),
        offsets_steps=offsets,
        scatter_steps=float(fit.scatter * np.median(error[kept])),
        used=used,
    )


def refocus_interval_c(steps_per_c: float, *, um_per_step: float, tolerance_um: float) -> float:
    """Change of temperature that takes the focus from its best to the tolerance on one side; infinite without drift.

    The tolerance is `nightfold.rig.focus.depth_of_focus_um` or `seeing_tolerance_um`, whichever is larger.
    """
    per_c = abs(steps_per_c) * um_per_step
    return tolerance_um / per_c if per_c > 0.0 else float("inf")


def sharpness_cost(
    fwhm_arcsec: npt.ArrayLike, defocus_um: npt.ArrayLike, *, focal_ratio: float, focal_length_mm: float
) -> FloatArray:
    """Share by which defocus made each sub's stars larger than they would have been; NaN if it would explain more than all.

    The measured FWHM holds the defocus already, which is taken out in squares.
    """
    fwhm, defocus = np.broadcast_arrays(np.asarray(fwhm_arcsec, np.float64), np.asarray(defocus_um, np.float64))
    blur = np.array(
        [
            defocus_fwhm_arcsec(0.0, float(d), focal_ratio=focal_ratio, focal_length_mm=focal_length_mm)
            for d in defocus.ravel()
        ]
    ).reshape(defocus.shape)
    focused = fwhm**2 - blur**2
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(focused > 0.0, fwhm / np.sqrt(focused) - 1.0, np.nan))


@dataclass(frozen=True, slots=True)
class _Line:
    values: FloatArray
    covariance: FloatArray
    scatter: float
    weights: FloatArray
    residual: FloatArray


def _robust_line(rows: FloatArray, data: FloatArray) -> _Line:
    """Biweight regression from a start of least absolute deviations; rows and data already divided by their errors."""
    weights = np.ones(data.size)
    count = rows.shape[1]
    for turn in range(60):
        root = np.sqrt(weights)
        values = np.asarray(np.linalg.lstsq(rows * root[:, None], data * root, rcond=None)[0], np.float64)
        residual = data - rows @ values
        scale = max(float(mad_sigma(residual)), 1e-9 * float(np.abs(data).max()), 1e-12)
        scale *= float(np.sqrt(data.size / (data.size - count)))
        new = 1.0 / np.maximum(np.abs(residual), 0.1 * scale) if turn < 20 else biweight(residual / scale)
        if turn > 20 and np.abs(new - weights).max() < 1e-4:
            break
        weights = new
    inner = rows.T @ (rows * weights[:, None])
    freedom = max(float(weights.sum()) - count, 1.0)
    scatter = max(float(np.sqrt((weights * residual**2).sum() / freedom)), 1e-12)
    covariance = np.asarray(np.linalg.pinv(inner) * scatter**2, np.float64)
    return _Line(values, covariance, scatter, weights, residual)


def _cost(pull: FloatArray) -> float:
    """Sum of Tukey's rho, which is the square for small pulls."""
    share = np.minimum((pull / 4.685) ** 2, 1.0)
    return float((4.685**2 / 3.0 * (1.0 - (1.0 - share) ** 3)).sum())


def _untold(sentence: str, reference: str, kept: npt.NDArray[np.bool_]) -> FocusLaw:
    nan = float("nan")
    return FocusLaw(
        told=False, sentence=sentence, steps_per_c=nan, error_steps_per_c=nan, lag_s=nan, lag_low_s=nan,
        lag_high_s=nan, reference_filter=reference, zero_steps=nan, offsets_steps={}, scatter_steps=nan, used=kept,
    )  # fmt: skip
