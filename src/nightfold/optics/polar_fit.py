"""The tilt of a mount's axis by least squares, with whole vectors: nothing in it asks the tilt to be small.

Coordinates turn with no sky: x points to the equator on the meridian, y to the west point, z to the north pole. The axis' north
end stands at (A, B) of the x-y plane, eps = hypot(A, B) from the pole, towards hour angle atan2(B, A). A mount keeps two things
while it turns: the angle between where the camera looks and its axis, and the angle at the camera between its +y and the axis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import t as t_distribution

from nightfold.robust import biweight, mad_sigma

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

STEADY_SHARE = 0.5
"""A sub's stars are not spread evenly, so that the changing squeeze of refraction leaks into its turn: over the hours, alike from
sub to sub, by about half of a sub's own error. Measured on simulated frames."""
CLIP_SIGMA = 4.0
ONE_SIGMA = 0.8413447
"""Share of a normal distribution below + 1 sigma."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One kind of witness: `values` in radians that the mount keeps, but for the tilt; each group with a zero of its own.

    `rigid` True: position angles of +y, north through east; False: declinations of a field that nobody guided.
    """

    hour_rad: FloatArray
    dec_rad: FloatArray
    values: FloatArray
    error: FloatArray  # 1 sigma against each other; their common scale is taken from the residuals
    group: IntArray
    rigid: bool

    def take(self, kept: npt.NDArray[np.bool_]) -> Series:
        """The same of some subs."""
        return Series(
            hour_rad=self.hour_rad[kept], dec_rad=self.dec_rad[kept], values=self.values[kept], error=self.error[kept],
            group=self.group[kept], rigid=self.rigid,
        )  # fmt: skip

    def kept_by(self, tilt: FloatArray) -> FloatArray:
        """What the mount would keep if its axis stood at `tilt`: alike within a group at the true one."""
        eps = float(np.hypot(*tilt))
        axis = np.array([*(np.asarray(tilt) * np.sinc(eps / np.pi)), np.cos(eps)])
        h, d = self.hour_rad, self.dec_rad
        look = np.stack([np.cos(d) * np.cos(h), np.cos(d) * np.sin(h), np.sin(d)])
        if not self.rigid:
            return np.asarray(np.arcsin(np.clip(axis @ look, -1.0, 1.0)))
        east = np.stack([np.sin(h), -np.cos(h), np.zeros_like(h)])
        north = np.stack([-np.sin(d) * np.cos(h), -np.sin(d) * np.sin(h), np.cos(d)])
        angle = self.values - np.arctan2(axis @ east, axis @ north)
        # Within half a turn of the group's first.
        for g in np.unique(self.group):
            of_group = self.group == g
            first = angle[of_group][0]
            angle[of_group] = first + (angle[of_group] - first + np.pi) % (2.0 * np.pi) - np.pi
        return np.asarray(angle)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tilt:
    """A fit: (A, B) and covariance, radians; NaN where the subs do not tell. `scatter` of each series, radians."""

    tilt: FloatArray
    covariance: FloatArray
    chi2: float  # of residuals over the errors as given
    freedom: int
    scatter: tuple[float, ...]


def fit_tilt(series: Sequence[Series], *, rounds: int = 12) -> Tilt:
    """The tilt that the series agree on.

    Notes
    -----
    Gauss-Newton, with biweight weights at first and subs beyond 4 sigma left out at the end. Errors as given are joined by a common scatter of each series (flexure, wind), found
    from the residuals; the covariance is scaled by what is left, and widened by Student's t for the few subs there are and by
    (1 + r)/(1 - r) where neighbours' residuals agree by a correlation r.
    """
    nothing = Tilt(
        tilt=np.full(2, np.nan), covariance=np.full((2, 2), np.nan), chi2=np.nan, freedom=0,
        scatter=tuple(np.nan for _ in series),
    )  # fmt: skip
    series_freedom = [s.values.size - np.unique(s.group).size for s in series]
    freedom = sum(series_freedom) - 2
    if freedom < 2:
        return nothing
    tilt = np.zeros(2)
    extra = [0.0 for _ in series]
    weights = [np.ones(s.values.size) for s in series]
    information = np.zeros((2, 2))
    residuals: list[FloatArray] = []
    steps: list[tuple[FloatArray, FloatArray]] = []
    for k_round in range(rounds):
        information, moment, residuals = np.zeros((2, 2)), np.zeros(2), []
        steps = []
        for s, e, w in zip(series, extra, weights, strict=True):
            each = w / (s.error**2 + e**2)
            here = s.kept_by(tilt)
            h = 1e-6
            rows = np.column_stack(
                [
                    (s.kept_by(tilt + d) - s.kept_by(tilt - d)) / (2 * h)
                    for d in (np.array([h, 0.0]), np.array([0.0, h]))
                ]
            )
            rows, here = _centred(rows, each, s.group), _centred(here[:, None], each, s.group)[:, 0]
            information += (rows * each[:, None]).T @ rows
            moment -= rows.T @ (each * here)
            steps.append((rows, here))
        if np.linalg.matrix_rank(information, tol=1e-9 * np.abs(information).max()) < 2:
            return nothing
        step = np.linalg.solve(information, moment)
        tilt = tilt + step
        for k, (s, (rows, here)) in enumerate(zip(series, steps, strict=True)):
            left = here + rows @ step
            residuals.append(left)
            extra[k] = _common_scatter(left, s.error, weights[k], max(series_freedom[k] - 2, 1))
            pull = left / np.sqrt(s.error**2 + extra[k] ** 2)
            cut = CLIP_SIGMA * (1.0 + 8.0 / max(freedom, 1))  # a few subs know their own scatter badly
            pull /= max(float(mad_sigma(pull)) * np.sqrt(pull.size / max(series_freedom[k] - 2, 1)), 0.3)
            # To the end whole subs count or do not: the residuals of halves would not tell the scatter.
            weights[k] = (
                biweight(pull * CLIP_SIGMA / cut) if k_round < rounds - 4 else (np.abs(pull) < cut).astype(np.float64)
            )
    chi2 = sum(
        float((w * r**2 / (s.error**2 + e**2)).sum())
        for s, r, e, w in zip(series, residuals, extra, weights, strict=True)
    )
    counted = max(sum(float(w.sum()) for w in weights) - sum(np.unique(s.group).size for s in series) - 2, 1.0)
    widened = float(t_distribution.ppf(ONE_SIGMA, counted)) ** 2 * _likeness(series, residuals)
    plain = sum(float((w * (r / s.error) ** 2).sum()) for s, r, w in zip(series, residuals, weights, strict=True))
    inverse = np.asarray(np.linalg.inv(information), np.float64)
    covariance = inverse * chi2 / counted * widened
    for s, r, e, w, (rows, _) in zip(series, residuals, extra, weights, steps, strict=True):
        if s.rigid:
            hours = s.hour_rad - 0.5 * float(s.hour_rad.max() + s.hour_rad.min())
            along = hours / max(float(np.abs(hours).max()), 1e-12)
            own = min(float(np.median(s.error)), float(np.sqrt((w * r**2).sum() / max(float(w.sum()), 1.0))))
            leak = inverse @ rows.T @ (w / (s.error**2 + e**2) * along) * STEADY_SHARE * own
            covariance = covariance + np.outer(leak, leak)
    return Tilt(
        tilt=tilt, covariance=covariance, chi2=plain, freedom=round(counted),
        scatter=tuple(float(np.sqrt((w * r**2).sum() / max(w.sum() * counted / max(counted + 2, 1), 1.0))) for r, w in zip(residuals, weights, strict=True)),
    )  # fmt: skip


def _centred(rows: FloatArray, weight: FloatArray, group: IntArray) -> FloatArray:
    """Rows less the weighted mean of their group: its zero taken out."""
    index = np.unique(group, return_inverse=True)[1]
    total = np.maximum(np.bincount(index, weight), 1e-300)
    means = np.stack([np.bincount(index, weight * column) for column in rows.T], axis=1) / total[:, None]
    return np.asarray(rows - means[index])


def _common_scatter(residual: FloatArray, error: FloatArray, weight: FloatArray, freedom: int) -> float:
    """What must be added in squares to the errors for the residuals to be as they are; 0 where the errors suffice."""
    share = max(float(weight.sum()), 1.0) * freedom / residual.size
    return float(np.sqrt(max(0.0, (weight * residual**2).sum() / share - (weight * error**2).sum() / weight.sum())))


def _likeness(series: Sequence[Series], residuals: Sequence[FloatArray]) -> float:
    """By how much neighbours' agreement widens the variance: (1 + r)/(1 - r), 1 where r is within chance."""
    products, squares, pairs = 0.0, 0.0, 0
    for s, r in zip(series, residuals, strict=True):
        unit = r / max(float(np.sqrt((r**2).mean())), 1e-30)
        order = np.lexsort((s.hour_rad, s.group))
        same = s.group[order][1:] == s.group[order][:-1]
        products += float((unit[order][1:] * unit[order][:-1])[same].sum())
        squares += float((unit**2).sum())
        pairs += int(same.sum())
    if pairs < 8:
        return 1.0
    alike = min(products / pairs / (squares / sum(len(x) for x in residuals)), 0.8)
    return (1.0 + alike) / (1.0 - alike) if alike > 2.5 / np.sqrt(pairs) else 1.0


LEAST_STEP_DEG = 0.05
NEW_ANGLE_DEG = 3.0


def turn_groups(angle_deg: npt.ArrayLike, time_s: npt.ArrayLike) -> IntArray:
    """Numbers of stretches within which a camera kept its angle: a hand, a rotator, a flip or a slip begins a new one.

    A step counts that exceeds 3 degrees, or ten times the usual step and 0.05 degrees beside the steady turn of the subs.
    """
    angle, times = np.asarray(angle_deg, np.float64), np.asarray(time_s, np.float64)
    if angle.size < 2:
        return np.zeros(angle.size, np.int64)
    known = np.flatnonzero(np.isfinite(angle))
    groups = np.zeros(angle.size, np.int64)
    if known.size < 2:
        return groups
    step = (np.diff(angle[known]) + 180.0) % 360.0 - 180.0
    apart = np.maximum(np.diff(times[known]), 1.0)
    beside = step - float(np.median(step / apart)) * apart
    # The steady turn itself changes with the hour angle: no faster than a degree of tilt turns a field, 0.3 degrees an hour.
    allowed = LEAST_STEP_DEG + 10.0 * float(mad_sigma(beside)) + 0.3 / 3600.0 * np.maximum(apart - 900.0, 0.0)
    new = np.abs(beside) > np.minimum(allowed, NEW_ANGLE_DEG)
    groups[known[1:]] = np.cumsum(new)
    # Subs without an angle go with the one before them.
    return np.asarray(np.maximum.accumulate(groups))
