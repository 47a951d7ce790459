"""Subs through another filter than their header says, told by their nebula where stars look alike in both.

In two narrow filters of one width stars are the same and the sky nearly so; what differs is the nebula, its shape and how bright it
is. Each sub's sky on one canvas of the target's grid is

    L_i(x) = q_i(x) + t_i N(x),

q_i a polynomial of second order (sky, Moon, dawn, thin cloud across the frame), t_i the sub's transparency and N its filter's
nebula, the median over the filter's subs. With D = N_other - N_own, all of them less their own q,

    share_i = <L_i - t_i N_own, D> / (t_i <D, D>)

is 0 for a sub of its own filter and 1 for one of the other. Its scatter over the filter's subs is the noise that counts, gradients
and flats included; that of the canvas's cells is the least it can be.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

LEAST_SUBS, LEAST_OF_OTHER = 6, 4
"""So many subs of a filter tell what its nebula looks like and how much its subs differ; and so many the other's."""
MOST_SUBS = 60
LEAST_CELLS = 20
SIGMAS, CELL_SIGMAS = 8.0, 5.5
"""Over the scatter of the subs, known from few; and over that of a sub's own cells. Student's t of 14 degrees, the
fewest that `LEAST_CELLS` leave, exceeds 5.5 by chance four times in 100,000."""
NEAREST, FARTHEST = 0.6, 1.7
"""Shares and levels that pass for one whole nebula: the references of two filters need not be of one transparency."""
FITS_BETTER = 2.0
"""By this the other filter's nebula must leave less variance than the own one: a passing cloud fits neither."""


@dataclass(frozen=True, slots=True)
class Nebula:
    """What the subs of one filter share on the canvas, at transparency 1, and how their cells scatter about it."""

    light: FloatArray  # (cells,) less a polynomial of second order
    sigma: FloatArray  # (cells,)
    subs: int


@dataclass(frozen=True, slots=True)
class OtherLine:
    """A sub whose nebula is that of another filter; `times` as bright as in its own, infinite where that shows none."""

    filter: str
    share: float
    sigmas: float
    times: float
    better: float  # variance left by its own filter's nebula over that left by the other's

    def sentence(self, own: str | None) -> str:
        """What was found, with its number."""
        others = f"the other {own} subs" if own else "the other subs"
        if not 0.02 < self.times < 50.0:
            return f"its nebula is that of {self.filter}, {self.sigmas:.0f} σ from that of {others}: another filter than the header says"
        many = f"{self.times:.1f}" if self.times >= 0.95 else f"{self.times:.2f}"
        return f"its nebula is that of {self.filter}: {many} times as bright as in {others}"


def polynomial(canvas: FloatArray) -> FloatArray:
    """The six terms of second order at places (cells, 2), scaled to the canvas; shape (cells, 6)."""
    middle = canvas.mean(axis=0)
    u, v = (canvas - middle).T / max(float(np.abs(canvas - middle).max()), 1e-9)
    return np.column_stack([np.ones_like(u), u, v, u * u, u * v, v * v])


def less_polynomial(values: FloatArray, terms: FloatArray) -> FloatArray:
    """Values (subs, cells) less the least-squares polynomial of their known cells; NaN stays, all NaN for too few."""
    out = np.full(values.shape, np.nan)
    whole = np.isfinite(values)
    full = whole.all(axis=1)
    if full.any():
        basis = np.linalg.qr(terms)[0]
        out[full] = values[full] - (values[full] @ basis) @ basis.T
    for i in np.flatnonzero(~full & (whole.sum(axis=1) >= LEAST_CELLS)):
        basis = np.linalg.qr(terms[whole[i]])[0]
        out[i, whole[i]] = values[i, whole[i]] - basis @ (basis.T @ values[i, whole[i]])
    return out


def nebula_of(rates: FloatArray, transparency: FloatArray) -> Nebula | None:
    """The nebula of a filter from its subs (subs, cells) less their polynomials; None for too few.

    Median over subs of rate over transparency, and its robust scatter from cell to cell, floored at half of the usual.
    """
    known = np.isfinite(transparency) & (transparency > 0.2) & (np.isfinite(rates).sum(axis=1) >= LEAST_CELLS)
    if np.count_nonzero(known) < LEAST_OF_OTHER:
        return None
    mine = np.flatnonzero(known)
    mine = mine[:: -(-len(mine) // MOST_SUBS)]
    own = rates[mine] / transparency[mine, None]
    enough = np.isfinite(own).sum(axis=0) >= max(LEAST_OF_OTHER, 0.6 * len(own))
    light = np.full(rates.shape[1], np.nan)
    sigma = light.copy()
    if np.count_nonzero(enough) < LEAST_CELLS:
        return None
    light[enough] = np.nanmedian(own[:, enough], axis=0)
    sigma[enough] = 1.4826 * np.nanmedian(np.abs(own[:, enough] - light[enough]), axis=0)
    usual = float(np.nanmedian(sigma[enough]))
    sigma[enough] = np.maximum(sigma[enough], max(0.5 * usual, 1e-12))
    return Nebula(light, sigma, len(mine))


def of_other_lines(
    rates: FloatArray,
    transparency: FloatArray,
    own: Nebula,
    others: Mapping[str, Nebula],
    terms: FloatArray,
) -> list[OtherLine | None]:
    """For each sub of a filter the other filter whose nebula it has, None for nearly all.

    Parameters
    ----------
    rates : (n_subs, cells)
        Skies on the canvas, electrons per second; NaN where a sub does not reach.
    transparency : (n_subs,)
        Star-flux ratios within the filter.
    own, others
        Nebulae of this filter and of the rig's other filters by name.
    terms : (cells, 6)
        From `polynomial`.

    Notes
    -----
    Cells count by 1/sigma² of the own filter. A sub is of the other filter where the share (see the module) is 0.6 to 1.7, at least
    8 times its scatter over the filter's subs and 5.5 times what its own cells' scatter leaves, and the other's nebula at a level of its own
    between 0.6 and 1.7 leaves at most half of the variance. Where nebulae are alike or faint the scatter is large and nothing is said.
    """
    found: list[OtherLine | None] = [None] * len(rates)
    if own.subs < LEAST_SUBS:
        return found
    for name, other in others.items():
        both = np.isfinite(own.light) & np.isfinite(other.light)
        if np.count_nonzero(both) < LEAST_CELLS:
            continue
        rows = [_against(rates[i], float(transparency[i]), own, other, both, terms) for i in range(len(rates))]
        shares = np.array([r[0] for r in rows])
        known = shares[np.isfinite(shares)]
        if len(known) < LEAST_SUBS:
            continue
        # Few subs tell their scatter badly: widened by what a median of so few may be short of.
        scatter = 1.4826 * float(np.median(np.abs(known - np.median(known)))) * (1.0 + 4.0 / len(known))
        for i, (share, white, level, better, times) in enumerate(rows):
            sigmas = share / max(scatter, white, 1e-9)
            sure = share > SIGMAS * scatter and share > CELL_SIGMAS * white
            if not (NEAREST < share < FARTHEST and NEAREST < level < FARTHEST):
                continue
            if sure and better > FITS_BETTER:
                before = found[i]
                if before is None or better > before.better:
                    found[i] = OtherLine(name, share, sigmas, times, better)
    return found


def _against(
    rate: FloatArray, transparency: float, own: Nebula, other: Nebula, both: npt.NDArray[np.bool_], terms: FloatArray
) -> tuple[float, float, float, float, float]:
    """Share of the other's nebula, its 1 sigma from the cells, level of the other's, how much better it fits, times as bright."""
    nan = float("nan")
    good = both & np.isfinite(rate)
    if np.count_nonzero(good) < max(LEAST_CELLS, 0.6 * np.count_nonzero(both)) or not transparency > 0.2:
        return nan, nan, nan, nan, nan
    weight = 1.0 / own.sigma[good]
    basis = np.linalg.qr(terms[good] * weight[:, None])[0]
    columns = np.stack([rate[good] / transparency, own.light[good], other.light[good]]) * weight
    y, mine, theirs = columns - (columns @ basis) @ basis.T
    apart = theirs - mine
    size, theirs2 = float(apart @ apart), float(theirs @ theirs)
    if not (size > 0.0 and theirs2 > 0.0):
        return nan, nan, nan, nan, nan
    share = float((y - mine) @ apart) / size
    level = float(y @ theirs) / theirs2
    left = float(np.sum((y - level * theirs) ** 2))
    freedom = max(int(np.count_nonzero(good)) - 7, 1)
    before = float(np.sum((y - mine) ** 2))
    shown = float(mine @ theirs)
    times = float(y @ theirs) / shown if shown > 0.0 else float("inf")
    return share, float(np.sqrt(left / freedom / size)), level, before / max(left, 1e-30), times


def on_canvas(
    level_e: FloatArray, x_px: FloatArray, y_px: FloatArray, places_px: FloatArray, width_px: float
) -> FloatArray:
    """A sky mesh at places (cells, 2) of its frame, as means over about `width_px`; NaN outside and beside unknown cells.

    Bilinear between means over as many cells of the mesh as the width holds, straight on for half a cell beyond the outer centres.
    """
    pitch = float(np.median(np.diff(x_px))) if len(x_px) > 1 else 1.0
    half = max(0, round((width_px / max(pitch, 1e-9) - 1.0) / 2.0))
    smooth = _box(_box(level_e, half, 0), half, 1)
    fx, fy = _cell_of(places_px[:, 0], x_px), _cell_of(places_px[:, 1], y_px)
    inside = np.isfinite(fx) & np.isfinite(fy)
    out = np.full(len(places_px), np.nan)
    i, j = (np.clip(f[inside].astype(np.int64), 0, n - 2) for f, n in ((fx, len(x_px)), (fy, len(y_px))))
    a, b = fx[inside] - i, fy[inside] - j
    out[inside] = (1 - b) * ((1 - a) * smooth[j, i] + a * smooth[j, i + 1]) + b * (
        (1 - a) * smooth[j + 1, i] + a * smooth[j + 1, i + 1]
    )
    return out


def _cell_of(at: FloatArray, centres: FloatArray) -> FloatArray:
    """Places along one axis as numbers of cells, up to half a cell beyond the outer centres; NaN farther out."""
    n = len(centres)
    inner = np.interp(at, centres, np.arange(n))
    before = np.minimum(at - centres[0], 0.0) / (centres[1] - centres[0])
    beyond = np.maximum(at - centres[-1], 0.0) / (centres[-1] - centres[-2])
    number = inner + before + beyond
    return np.where((number >= -0.5) & (number <= n - 0.5), number, np.nan)


def _box(values: FloatArray, half: int, axis: int) -> FloatArray:
    """Running mean over 2 half + 1 cells along an axis, fewer to both sides at the ends; NaN spreads."""
    if half == 0:
        return values
    moved = np.moveaxis(values, axis, 0)
    n = len(moved)
    out = np.empty_like(moved)
    if n > 2 * half:
        out[half : n - half] = sum(moved[k : n - 2 * half + k] for k in range(2 * half + 1)) / (2 * half + 1)
    for k in {*range(min(half, n)), *range(max(n - half, 0), n)}:
        reach = min(half, k, n - 1 - k)
        out[k] = moved[k - reach : k + reach + 1].mean(axis=0)
    return np.moveaxis(out, 0, axis)


def canvas_of(place: FloatArray, most: int = 18) -> tuple[FloatArray, float]:
    """Places on the grid (cells, 2) that fill a frame, and their pitch in its pixels, from where its mesh lies (ny, nx, 2)."""
    step = max(1, -(-max(place.shape[:2]) // most))
    cut = place[step // 2 :: step, step // 2 :: step]
    pitch = float(np.median(np.hypot(*(cut[:, 1:] - cut[:, :-1]).reshape(-1, 2).T))) if cut.shape[1] > 1 else 1.0
    return cut.reshape(-1, 2), pitch
