"""Best focus from a run of half-flux radii over positions, and whether the run can be believed.

Model: radius = a sqrt(1 + ((x - c) / b)^2). A seeing disc and a defocused pupil add in squares, exactly so for rms
radii of any profile; for half-flux radii the knee of the curve is up to 6 percent lower than the model's. Positions are
in the focuser's own steps, radii in pixels.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares
from scipy.stats import f as f_distribution
from scipy.stats import t as t_distribution

from nightfold.errors import FrameError

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
Verdict = Literal["good", "shallow", "too few points", "constant", "one-sided", "noisy", "clouds"]

NORMAL_95 = 1.959964
LEAST_POSITIONS = 5
"""Three unknowns and two positions to check them by."""
OUTLIER_CHANCE = 0.005
"""Chance that a run without outliers loses a point."""
MOST_C = 80.0
LEAST_RISE = 0.2
"""Share by which the radius must rise to each side of the best focus for that side to count. Common practice, no source."""
MOST_ERROR_OF_WIDTH = 0.2
"""Largest 1 sigma of the best position in half widths b; there the star is 2 percent larger than at its best."""
MOST_SCATTER = 0.15
"""Largest scatter of the points, as a share of the smallest radius. Common practice, no source."""
SHALLOW_CHANCE = 0.005
"""Chance that radii which do not depend on the position look as if they had a least one, before anything is told of it."""
SHALLOW_REACH = 0.2
"""Largest 95 % interval of a shallow curve's best position, as a share of the range of positions."""
CLOUD_SHARE = 0.6
"""Flux or count of stars, as a share of the run's upper quartile, below which a point was taken through clouds."""
SLOPE_TOLERANCE = 0.12
"""How far the slope may lie from the expected one: the model's own error at the knee, and the step size's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunData:
    """Points of a run in the order taken, each array of shape (n,); temperatures and fluxes NaN where not known."""

    position: FloatArray
    half_flux_radius_px: FloatArray
    temperature_c: FloatArray
    flux: FloatArray  # summed flux or count of stars, any unit


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusRun:
    """What a focus run tells. Numbers are NaN where the verdict does not allow them; errors are 1 sigma."""

    verdict: Verdict
    sentence: str
    best_position: float  # with backlash: for moves towards larger positions
    best_error: float  # of the least squares; with few points its own scatter counts too, see `uncertainty`
    interval_95: float  # the best position is within this of the truth in 95 of 100 runs
    least_radius_px: float
    least_radius_error_px: float
    half_width: float  # b: there the radius is sqrt(2) times the least
    slope_px: float  # of the asymptotes, pixels per step
    slope_error_px: float
    expected_slope_px: float
    slope_as_expected: bool | None  # None where no slope is expected or measured
    backlash: float  # best position of upward moves less that of downward ones; slack is above 0
    backlash_error: float
    scatter_px: float
    used: BoolArray  # shape (n,); False for points set aside
    notes: tuple[str, ...]

    @property
    def uncertainty(self) -> float:
        """1 sigma of the best position as of normal errors: the 95 % interval over 1.96, the few points' own doubt included."""
        return self.interval_95 / NORMAL_95

    def radius_at(self, position: npt.ArrayLike) -> FloatArray:
        """The curve, pixels; NaN throughout if the run gave none."""
        x = np.asarray(position, np.float64)
        return np.asarray(self.least_radius_px * np.sqrt(1.0 + ((x - self.best_position) / self.half_width) ** 2))


def read_focus_csv(text: str, *, name: str = "focus run") -> RunData:
    """A run from lines of `position,half_flux_radius_px[,temperature_c][,flux]` with that header line.

    Semicolons or tabs may stand between the values, as spreadsheets write them where the decimal sign is a comma.
    """
    first = text.lstrip().partition("\n")[0]
    between = next((sign for sign in ";\t" if sign in first), ",")
    try:
        rows = list(csv.DictReader(io.StringIO(text.lstrip()), skipinitialspace=between != "\t", delimiter=between))
    except csv.Error as error:
        raise FrameError(
            f"{name} is not a table", seen=str(error), allowed="lines of values with commas between"
        ) from None
    if not rows:
        raise FrameError(
            f"{name} holds no points", seen="a first line alone" if first else "nothing",
            allowed="a line that names the columns and a line for each position", next_step="take the run anew",
        )  # fmt: skip
    columns = {c.strip().lower() for c in rows[0] if c}
    needed = {"position", "half_flux_radius_px"}
    if not needed <= columns:
        raise FrameError(
            f"{name} lacks columns",
            seen=", ".join(c.strip() for c in rows[0] if c),
            allowed="position, half_flux_radius_px and, if known, temperature_c and flux",
            next_step="name the columns in the first line",
        )
    for i, row in enumerate(rows, 2):
        if any(v.strip() for v in row.get(None) or ()):
            raise FrameError(
                f"{name}, line {i}: more values than columns", seen=between.join([*(v or "" for k, v in row.items() if k), *row[None]]),
                allowed=f"{len(columns)} values", next_step="write decimals with points, or put semicolons between the values",
            )  # fmt: skip
    comma = between != ","
    values = {c: np.array([_number(r, c, i, name, comma=comma) for i, r in enumerate(rows, 2)]) for c in sorted(needed)}
    extra = {
        c: np.array([_number(r, c, i, name, may_lack=True, comma=comma) for i, r in enumerate(rows, 2)])
        for c in ("temperature_c", "flux")
    }
    beyond = np.flatnonzero(np.abs(extra["temperature_c"]) > MOST_C)
    if beyond.size:
        raise FrameError(
            f"{name}, line {beyond[0] + 2}: no telescope stands at this temperature", seen=f"{extra['temperature_c'][beyond[0]]:g} °C",
            allowed=f"-{MOST_C:g} to {MOST_C:g} °C", next_step="write decimals with points, or put semicolons between the values",
        )  # fmt: skip
    return RunData(**values, **extra)


def expected_slope_px(*, focal_ratio: float, pixel_um: float, um_per_step: float, obstruction: float = 0.0) -> float:
    """Pixels of half-flux radius per step far from focus: sqrt((1 + e^2) / 2) / (2 N), e the diameters' ratio."""
    return float(np.sqrt((1.0 + obstruction**2) / 2.0) / (2.0 * focal_ratio) * um_per_step / pixel_um)


def fit_focus_run(
    position: npt.ArrayLike,
    half_flux_radius_px: npt.ArrayLike,
    *,
    flux: npt.ArrayLike | None = None,
    slope_px: float = float("nan"),
) -> FocusRun:
    """The best focus of a run, or why it has none.

    Parameters
    ----------
    position, half_flux_radius_px : array of shape (n,)
        Steps and pixels, in the order taken; points that are not finite or not above 0 are left out.
    flux : array of shape (n,), optional
        Summed flux or count of stars, to tell clouds; NaN where not known.
    slope_px : float
        Slope to expect, from `expected_slope_px`.

    Notes
    -----
    Points are set aside where the rest contradicts them (externally studentised residuals, generalised over up to a
    fifth of the points). The interval is Student's, for the points there are.
    """
    x = np.asarray(position, np.float64)
    r = np.asarray(half_flux_radius_px, np.float64)
    if x.ndim != 1 or x.shape != r.shape:
        raise FrameError(
            "positions and radii of the focus run do not pair",
            seen=f"{x.shape} and {r.shape}",
            allowed="two lists of one length",
            next_step="give one radius for each position",
        )
    valid = np.isfinite(x) & np.isfinite(r) & (r > 0.0)
    notes = [f"{int((~valid).sum())} points without a radius left out"] if not valid.all() else []
    light = np.full(x.size, np.nan) if flux is None else np.asarray(flux, np.float64)
    clouded = _clouded(light) & valid
    valid &= ~clouded
    distinct = np.unique(x[valid]).size
    if clouded.sum() >= max(2, 0.25 * x.size):
        seen = f"{int(clouded.sum())} of {x.size} points have less than {100 * CLOUD_SHARE:.0f} % of the light"
        return _failed("clouds", f"Clouds came in: {seen}; run again.", valid, slope_px, notes)
    if distinct < LEAST_POSITIONS:
        line = f"Too few points: {distinct} position{'s' if distinct != 1 else ''} with a radius, at least {LEAST_POSITIONS} are needed."
        return _failed("too few points", line, valid, slope_px, notes)
    side, turns = _directions(x)
    if not _changes(x[valid], r[valid]):
        shallow = _shallow(x, r, valid, turns, slope_px, notes)
        if shallow is not None:
            return shallow
        line = "The radius does not follow the position: is the focuser moving, and the range wide enough?"
        return _failed("constant", line, valid, slope_px, notes)
    two_way = turns <= 3 and min(int((side[valid] > 0).sum()), int((side[valid] < 0).sum())) >= 4
    if turns > 3:
        notes.append("positions are out of order, so backlash is not told")
    direction = np.where(side > 0, 0.0, -1.0) if two_way else np.zeros(x.size)
    run = _judged(x, r, direction, valid, two_way=two_way, slope_px=slope_px, notes=notes)
    shallow = _shallow(x, r, run.used, turns, slope_px, notes) if run.verdict == "one-sided" else None
    return run if shallow is None else shallow


@dataclass(frozen=True, slots=True)
class _Curve:
    """A least-squares hyperbola: c, ln a, ln b and, for two-way runs, the backlash."""

    values: FloatArray
    covariance: FloatArray
    scatter: float
    freedom: int

    def at(self, x: FloatArray, direction: FloatArray) -> FloatArray:
        return _model(self.values, x, direction)


def _judged(
    x: FloatArray, r: FloatArray, direction: FloatArray, valid: BoolArray, *, two_way: bool, slope_px: float,
    notes: list[str],
) -> FocusRun:  # fmt: skip
    """The curve through the valid points, and the verdict on it."""
    used, curve = _set_outliers_aside(x, r, direction, valid, two_way=two_way)
    aside = valid & ~used
    if aside.any():
        notes.append(f"{int(aside.sum())} points that the others contradict were set aside")
    c, a, b = float(curve.values[0]), float(np.exp(curve.values[1])), float(np.exp(curve.values[2]))
    error = float(np.sqrt(curve.covariance[0, 0]))
    shifted = x - direction * (curve.values[3] if two_way else 0.0)
    if _in_a_row(valid, aside) >= 3:
        line = f"Clouds or wind: {int(aside.sum())} points in a row do not lie on the curve of the others; run again."
        return _failed("clouds", line, used, slope_px, notes, scatter=curve.scatter)
    left, right = _rises(shifted[used], c, b, scatter=curve.scatter, a=a)
    if not (left and right):
        where = "larger" if left else "smaller"
        both = "both sides" if not left and not right else f"{where} positions"
        line = f"One-sided: the radius does not rise enough towards {both}; add points there."
        return _failed("one-sided", line, used, slope_px, notes, scatter=curve.scatter)
    if error > MOST_ERROR_OF_WIDTH * b or curve.scatter > MOST_SCATTER * a:
        line = (
            f"Noisy: points scatter by {curve.scatter:.2f} px around a least radius of {a:.2f} px; "
            "expose longer or measure each position more often."
        )
        return _failed("noisy", line, used, slope_px, notes, scatter=curve.scatter)
    slope, slope_error = a / b, _slope_error(curve, a / b)
    as_expected = None
    if np.isfinite(slope_px):
        ratio, ratio_error = slope / slope_px, slope_error / slope_px
        as_expected = bool(abs(ratio - 1.0) <= max(SLOPE_TOLERANCE, 3.0 * ratio_error))
        if not as_expected:
            notes.append(
                f"the slope is {ratio:.2f} ± {ratio_error:.2f} of the expected: check step size, focal ratio, coupling"
            )
    interval = error * float(t_distribution.ppf(0.975, curve.freedom))
    backlash = float(curve.values[3]) if two_way else float("nan")
    backlash_error = float(np.sqrt(curve.covariance[3, 3])) if two_way else float("nan")
    if two_way and backlash < -3.0 * backlash_error:
        notes.append("upward moves focus at smaller positions: not slack, focus drifted during the run")
    return FocusRun(
        verdict="good",
        sentence=f"Best focus at {c:.1f} ± {interval / NORMAL_95:.1f} with a half-flux radius of {a:.2f} px.",
        best_position=c,
        best_error=error,
        interval_95=interval,
        least_radius_px=a,
        least_radius_error_px=a * float(np.sqrt(curve.covariance[1, 1])),
        half_width=b,
        slope_px=slope,
        slope_error_px=slope_error,
        expected_slope_px=slope_px,
        slope_as_expected=as_expected,
        backlash=backlash,
        backlash_error=backlash_error,
        scatter_px=curve.scatter,
        used=used,
        notes=tuple(notes),
    )


def _shallow(
    x: FloatArray, r: FloatArray, used: BoolArray, turns: int, slope_px: float, notes: list[str]
) -> FocusRun | None:
    """The best position of a curve too flat for a hyperbola, where it surely has one inside the range; else None.

    The squared radii as a parabola (exact for the hyperbola), its bend sure at `SHALLOW_CHANCE`, its vertex with Fieller's
    interval (1954, J. R. Stat. Soc. B 16, 175; exact for a ratio) and three points to each side of that. Where the positions
    were gone through both ways a steady change of the seeing is fitted with it; else its chance widens the interval.
    """
    px, pr = x[used], r[used]
    both_ways = turns >= 1 and px.size >= 9
    middle, span = 0.5 * float(px.max() + px.min()), float(np.ptp(px))
    u = (px - middle) / (0.5 * span)
    order = np.linspace(-1.0, 1.0, px.size)
    rows = np.column_stack([np.ones_like(u), u, u**2, *([order] if both_ways else [])])
    freedom = px.size - rows.shape[1]
    if freedom < 4 or np.linalg.matrix_rank(rows) < rows.shape[1]:
        return None
    inverse = np.linalg.inv(rows.T @ rows)
    value = inverse @ rows.T @ pr**2
    left = pr**2 - rows @ value
    covariance = inverse * float((left**2).sum()) / freedom
    if not both_ways:
        # Seeing may have changed steadily with the positions, by as much as it did from point to point.
        covariance[1, 1] += float((left**2).sum()) / freedom
    slope, bend = float(value[1]), float(value[2])
    if bend <= float(t_distribution.ppf(1.0 - SHALLOW_CHANCE, freedom)) * np.sqrt(covariance[2, 2]):
        return None
    t2 = float(t_distribution.ppf(0.975, freedom)) ** 2
    two = 4.0 * (bend**2 - t2 * covariance[2, 2])
    one = 4.0 * (slope * bend - t2 * covariance[1, 2])
    root = one**2 - 4.0 * two * (slope**2 - t2 * covariance[1, 1])
    if two <= 0.0 or root <= 0.0:
        return None
    low, high = (middle + 0.5 * span * (-one + sign * np.sqrt(root)) / (2.0 * two) for sign in (-1.0, 1.0))
    centre = middle - 0.25 * span * slope / bend
    interval = max(high - centre, centre - low)
    least2 = float(value[0]) - slope**2 / (4.0 * bend)
    sides = min(int((px < low).sum()), int((px > high).sum()))
    scatter = float(np.sqrt((left**2).sum() / freedom) / (2.0 * np.median(pr)))
    if sides < 3 or interval > SHALLOW_REACH * span or least2 <= 0.0 or scatter > MOST_SCATTER * np.sqrt(least2):
        return None
    least, half_width = float(np.sqrt(least2)), 0.5 * span * float(np.sqrt(least2 / bend))
    rise = min(float(np.sqrt(1.0 + ((e - centre) / half_width) ** 2)) - 1.0 for e in (px.min(), px.max()))
    nan = float("nan")
    if not both_ways:
        notes = [*notes, "taken in one sense: seeing that changed steadily would shift the best position"]
    return FocusRun(
        verdict="shallow",
        sentence=(
            f"Best focus near {centre:.0f} ± {interval / NORMAL_95:.0f}, from a shallow curve: the radius rises by only "
            f"{100.0 * rise:.0f} % to one side; a wider range would tell it better."
        ),
        best_position=centre, best_error=interval / NORMAL_95, interval_95=interval, least_radius_px=least,
        least_radius_error_px=scatter / np.sqrt(px.size / 3.0), half_width=half_width, slope_px=nan, slope_error_px=nan,
        expected_slope_px=slope_px, slope_as_expected=None, backlash=nan, backlash_error=nan, scatter_px=scatter, used=used,
        notes=tuple(notes),
    )  # fmt: skip


def _failed(
    verdict: Verdict, sentence: str, used: BoolArray, slope_px: float, notes: list[str], scatter: float = float("nan")
) -> FocusRun:
    nan = float("nan")
    return FocusRun(
        verdict=verdict, sentence=sentence, best_position=nan, best_error=nan, interval_95=nan, least_radius_px=nan,
        least_radius_error_px=nan, half_width=nan, slope_px=nan, slope_error_px=nan, expected_slope_px=slope_px,
        slope_as_expected=None, backlash=nan, backlash_error=nan, scatter_px=scatter, used=used, notes=tuple(notes),
    )  # fmt: skip


def _model(values: FloatArray, x: FloatArray, direction: FloatArray) -> FloatArray:
    centre = values[0] + (direction * values[3] if values.size > 3 else 0.0)
    return np.asarray(np.exp(values[1]) * np.sqrt(1.0 + ((x - centre) / np.exp(values[2])) ** 2))


def _fit(
    x: FloatArray, r: FloatArray, direction: FloatArray, *, two_way: bool, loss: Literal["linear", "soft_l1"] = "linear"
) -> _Curve:
    """Least squares of the hyperbola in scaled positions, from the parabola of the squared radii."""
    middle, span = float(np.median(x)), max(float(np.ptp(x)), np.finfo(float).tiny)
    u = (x - middle) / span
    noise = max(float(np.median(r)) * 0.03, 1e-6)

    def pulls(values: FloatArray) -> FloatArray:
        return (_model(values, u, direction) - r) / noise

    best = None
    for start in _starts(u, r, two_way=two_way):
        found = least_squares(
            pulls,
            start,
            loss=loss,
            bounds=([-5.0, -20.0, -9.0, -2.0][: start.size], [5.0, 20.0, 5.0, 2.0][: start.size]),
            x_scale="jac",
        )
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None
    residual = (_model(best.x, u, direction) - r).astype(np.float64)
    freedom = max(x.size - best.x.size, 1)
    scatter = float(np.sqrt((residual**2).sum() / freedom))
    jacobian = np.asarray(best.jac, dtype=np.float64)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * (scatter / noise) ** 2
    scale = np.ones(best.x.size)
    scale[0] = span
    scale[3:] = span
    values = best.x * scale
    values[0] += middle
    values[2] = best.x[2] + np.log(span)
    return _Curve(values, covariance * np.outer(scale, scale), scatter, freedom)


def _starts(u: FloatArray, r: FloatArray, *, two_way: bool) -> list[FloatArray]:
    """r^2 is a parabola of the position; where that opens downwards, the smallest radius must do."""
    tail = [0.0] if two_way else []
    starts = [np.array([u[np.argmin(r)], np.log(r.min()), np.log(0.2), *tail])]
    c2, c1, c0 = np.polynomial.polynomial.polyfit(u, r**2, 2, w=1.0 / r)[::-1]
    if c2 > 0.0:
        centre = float(np.clip(-c1 / (2.0 * c2), -2.0, 2.0))
        least = max(c0 - c1**2 / (4.0 * c2), 0.25 * float(r.min()) ** 2)
        half_width = float(np.clip(0.5 * np.log(least / c2), -8.0, 4.0))
        starts.append(np.array([centre, 0.5 * np.log(least), half_width, *tail]))
    return starts


def _set_outliers_aside(
    x: FloatArray, r: FloatArray, direction: FloatArray, valid: BoolArray, *, two_way: bool
) -> tuple[BoolArray, _Curve]:
    """The points that go together, and their curve: as many are set aside as each contradict the rest."""
    index = np.flatnonzero(valid)
    parameters = 4 if two_way else 3
    first = _fit(x[index], r[index], direction[index], two_way=two_way, loss="soft_l1")
    order = index[np.argsort(-np.abs(first.at(x[index], direction[index]) - r[index]))]
    for count in range(min(max(index.size // 5, 3 * (index.size >= 12)), index.size - parameters - 2), 0, -1):
        out, kept = order[:count], np.setdiff1d(order, order[:count])
        if np.unique(x[kept]).size < LEAST_POSITIONS:
            continue
        curve = _fit(x[kept], r[kept], direction[kept], two_way=two_way)
        off = np.abs(curve.at(x[out], direction[out]) - r[out])
        limit = float(t_distribution.ppf(1.0 - OUTLIER_CHANCE / (2.0 * index.size), curve.freedom))
        if np.all(off > limit * np.sqrt(curve.scatter**2 + _variance_at(curve, x[out], direction[out]))):
            used = np.zeros(x.size, np.bool_)
            used[kept] = True
            return used, curve
    return valid.copy(), _fit(x[index], r[index], direction[index], two_way=two_way)


def _variance_at(curve: _Curve, x: FloatArray, direction: FloatArray) -> FloatArray:
    """Variance of the fitted curve itself, by differences."""
    steps = 1e-4 * np.sqrt(np.diag(curve.covariance)) + 1e-12
    slopes = np.array(
        [
            (_model(curve.values + d, x, direction) - _model(curve.values - d, x, direction)) / (2.0 * s)
            for d, s in zip(np.diag(steps), steps, strict=True)
        ]
    )
    return np.asarray(np.einsum("in,ij,jn->n", slopes, curve.covariance, slopes))


def _slope_error(curve: _Curve, slope: float) -> float:
    """Of a / b, whose logarithm is ln a - ln b."""
    v = curve.covariance
    return slope * float(np.sqrt(max(v[1, 1] + v[2, 2] - 2.0 * v[1, 2], 0.0)))


def _changes(x: FloatArray, r: FloatArray) -> bool:
    """True where the squared radii follow a parabola of the position rather than a constant (F test at 1 percent)."""
    if np.ptp(r) <= 0.05 * float(np.median(r)):
        return False
    u = (x - x.mean()) / np.ptp(x)
    fit = np.polynomial.polynomial.polyval(u, np.polynomial.polynomial.polyfit(u, r, 2))
    left, whole = float(((r - fit) ** 2).sum()), float(((r - r.mean()) ** 2).sum())
    if left <= 1e-12 * whole:
        return True
    ratio = (whole - left) / 2.0 / (left / (x.size - 3))
    return bool(ratio > f_distribution.ppf(0.99, 2, x.size - 3) or _median_changes(r))


def _median_changes(r: FloatArray) -> bool:
    """True where most points, not a single wild one, spread by more than a third of their median."""
    low, high = np.percentile(r, [20.0, 80.0])
    return bool(high - low > 0.33 * np.median(r))


def _directions(x: FloatArray) -> tuple[FloatArray, int]:
    """+1 or -1 for the way each position was approached from (the first as the second), and how often it turned."""
    step = np.sign(np.diff(x))
    for i in range(step.size):
        if step[i] == 0 and i:
            step[i] = step[i - 1]
    side = np.concatenate([step[:1], step]) if step.size else np.ones(x.size)
    moves = step[step != 0]
    return side, int((np.diff(moves) != 0).sum())


def _rises(x: FloatArray, c: float, b: float, *, scatter: float, a: float) -> tuple[bool, bool]:
    """Whether each side has two points past the best focus, the farther of them well up the curve."""
    found = []
    for side in (-1.0, 1.0):
        far = np.sort(side * (x - c))[::-1]
        rise = a * (np.sqrt(1.0 + (max(float(far[0]), 0.0) / b) ** 2) - 1.0)
        found.append(bool(far.size > 1 and far[1] > 0.0 and rise > max(LEAST_RISE * a, 2.0 * scatter)))
    return found[0], found[1]


def _clouded(flux: FloatArray) -> BoolArray:
    if np.isfinite(flux).sum() < 3:
        return np.zeros(flux.size, np.bool_)
    with np.errstate(invalid="ignore"):
        return np.asarray(flux < CLOUD_SHARE * np.nanpercentile(flux, 75.0))


def _in_a_row(valid: BoolArray, aside: BoolArray) -> int:
    """Longest stretch of neighbouring points that were set aside."""
    longest = now = 0
    for out in aside[valid]:
        now = now + 1 if out else 0
        longest = max(longest, now)
    return longest


def _number(
    row: Mapping[str | None, str | None],
    column: str,
    line: int,
    name: str,
    *,
    may_lack: bool = False,
    comma: bool = False,
) -> float:
    text = next((v for k, v in row.items() if k is not None and k.strip().lower() == column), None)
    if text is None or not text.strip():
        if may_lack or text is not None:
            return float("nan")
        text = ""
    try:
        return float(text.replace(",", ".") if comma else text)
    except ValueError:
        raise FrameError(
            f"{name}, line {line}: {column} is not a number",
            seen=repr(text),
            allowed="a number, or nothing where it is not known",
            next_step="correct the line",
        ) from None
