"""Star shapes gathered over cells of the field, and what is left of them beside constants of frames and of cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from nightfold.errors import FrameError
from nightfold.optics.shapes import Moments
from nightfold.robust import biweight, mad_sigma
from nightfold.units import HALF_FLUX_RADIUS_PER_SIGMA

FloatArray = npt.NDArray[np.float64]

LEAST_CELLS = 6
LEAST_SNR = 15.0
COLUMNS, ROWS = 5, 4
LEAST_CHI2 = 0.25
"""Errors of cells are not believed to be less than half of what stars scatter by on the whole."""
OWN_SCATTER = 0.04
"""Scatter of a bright star's squared radius that more light does not lessen, as a share. Measured on simulated frames."""
WINDOW = (
    (1.02, 0.78), (1.09, 0.80), (1.18, 0.82), (1.31, 0.855), (1.46, 0.89), (1.63, 0.92), (1.99, 0.98), (2.38, 1.04), (2.79, 1.07),
)  # fmt: skip
"""What a round window shows of the axes' difference, against what it shows of their mean's growth, by the size over that in
focus: adaptive moments of Moffat stars (beta 3 to 3.5) spread over discs (design/window_response.py)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StarShapes:
    """Clean stars of one exposure, arrays of shape (n,); `z_um` is where the sensor stood, NaN where not known."""

    x: FloatArray
    y: FloatArray
    size_px2: FloatArray  # mean of the squared axes, in half-flux radii
    e_x_px2: FloatArray  # difference of the squared axes times the cosine of twice the long one's angle
    e_y_px2: FloatArray  # and times the sine
    snr: FloatArray
    z_um: float = float("nan")
    by_window: bool = False  # whether the elongation is that under a round window

    @classmethod
    def from_radii(
        cls, x: FloatArray, y: FloatArray, half_flux_radius_px: FloatArray, *, ellipticity: FloatArray,
        angle_deg: FloatArray, snr: FloatArray, z_um: float = float("nan"),
    ) -> StarShapes:  # fmt: skip
        """From half-flux radii (the root of the axes' product), ellipticity 1 - b/a and the long axis' angle."""
        flat = np.clip(1.0 - ellipticity, 0.2, 1.0)
        long, short = half_flux_radius_px**2 / flat, half_flux_radius_px**2 * flat
        turn = 2.0 * np.radians(angle_deg)
        drawn = long - short
        return cls(
            x=x, y=y, size_px2=0.5 * (long + short), e_x_px2=drawn * np.cos(turn), e_y_px2=drawn * np.sin(turn), snr=snr,
            z_um=z_um,
        )  # fmt: skip

    @classmethod
    def from_moments(cls, moments: Moments, snr: FloatArray, *, z_um: float = float("nan")) -> StarShapes:
        """From adaptive moments, which follow a star far out of focus best."""
        size = (HALF_FLUX_RADIUS_PER_SIGMA * moments.sigma_px) ** 2
        return cls(
            x=moments.x, y=moments.y, size_px2=size, e_x_px2=2.0 * size * moments.e_x, e_y_px2=2.0 * size * moments.e_y,
            snr=snr, z_um=z_um, by_window=True,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Cells:
    """Means over cells, shape (frames, cells): squared radius, the two components of elongation, their errors."""

    u: FloatArray
    v: FloatArray
    rho2: FloatArray
    size: FloatArray
    e_x: FloatArray
    e_y: FloatArray
    error: FloatArray


@dataclass(frozen=True, slots=True)
class TwoWay:
    """A constant for each frame and each cell (these sum to 0), and further terms with their covariance."""

    of_frame: FloatArray
    of_cell: FloatArray
    cell_error: FloatArray
    values: FloatArray
    covariance: FloatArray


def two_way(data: FloatArray, error: FloatArray, extra: Sequence[FloatArray]) -> TwoWay:
    """Biweight least squares of data = frame + cell + terms; the covariance is scaled by what the residuals show."""
    frames, cells = data.shape
    k, j = np.nonzero(np.isfinite(data))
    columns = np.zeros((k.size, frames + cells - 1 + len(extra)))
    columns[np.arange(k.size), k] = 1.0
    inner = j < cells - 1
    columns[np.flatnonzero(inner), frames + j[inner]] = 1.0
    columns[~inner, frames : frames + cells - 1] = -1.0
    # Terms scaled to 1, so that the normal equations are well conditioned.
    scales = [max(float(np.abs(t).max()), 1e-30) for t in extra]
    for i, (t, s) in enumerate(zip(extra, scales, strict=True)):
        columns[:, frames + cells - 1 + i] = t[k, j] / s
    y, sigma = data[k, j], error[k, j]
    weight, value = np.ones(k.size), np.zeros(columns.shape[1])
    for _ in range(12):
        each = weight / sigma**2
        inverse = np.linalg.pinv((columns * each[:, None]).T @ columns, hermitian=True)
        value = np.asarray(inverse @ (columns.T @ (each * y)), np.float64)
        pull = (y - columns @ value) / sigma
        spread = max(float(mad_sigma(pull)), 0.3)
        new = biweight(pull / spread)
        if np.abs(new - weight).max() < 1e-3:
            break
        weight = new
    freedom = max(float(weight.sum()) - columns.shape[1], 1.0)
    chi2 = float((weight * pull**2).sum() / freedom)
    covariance = inverse * max(chi2, LEAST_CHI2)
    last = -value[frames : frames + cells - 1].sum()
    own = np.sqrt(np.maximum(np.diag(covariance)[frames : frames + cells - 1], 0.0))
    unit = np.asarray(scales)
    tail = slice(frames + cells - 1, None)
    return TwoWay(
        of_frame=value[:frames],
        of_cell=np.append(value[frames : frames + cells - 1], last),
        cell_error=np.append(own, own.mean()),
        values=value[tail] / unit if len(extra) else np.zeros(0),
        covariance=covariance[tail, tail] / np.outer(unit, unit) if len(extra) else np.zeros((0, 0)),
    )


def cells_of(frames: Sequence[StarShapes], width_px: int, height_px: int) -> Cells:
    """Weighted means of the frames' stars over cells of the field; cells seen in less than half of the frames are left out."""
    count = COLUMNS * ROWS
    diagonal2 = float(width_px**2 + height_px**2)
    shape = (len(frames), count)
    sums = {name: np.full(shape, np.nan) for name in ("size", "e_x", "e_y", "error")}
    places = np.zeros((2, count))
    weights = np.zeros(count)
    for k, f in enumerate(frames):
        sizes = tuple(a.size for a in (f.x, f.y, f.size_px2, f.e_x_px2, f.e_y_px2, f.snr))
        if len(set(sizes)) != 1:
            raise FrameError("the stars' columns do not pair", seen=f"{sizes}", allowed="one length", next_step="give one value a star")  # fmt: skip
        good = np.isfinite(f.size_px2) & (f.size_px2 > 0) & (f.snr >= LEAST_SNR)
        good &= np.isfinite(f.e_x_px2) & np.isfinite(f.e_y_px2)
        if good.sum() < LEAST_CELLS:
            continue
        x, y, size, snr = f.x[good], f.y[good], f.size_px2[good], f.snr[good]
        typical = float(np.median(size))
        plausible = np.abs(size - typical) < np.maximum(6.0 * float(mad_sigma(size)), 0.5 * typical)
        u, v = 2.0 * x / (width_px - 1) - 1.0, 2.0 * y / (height_px - 1) - 1.0
        cell = np.clip(((u + 1) / 2 * COLUMNS).astype(np.int64), 0, COLUMNS - 1)
        cell += COLUMNS * np.clip(((v + 1) / 2 * ROWS).astype(np.int64), 0, ROWS - 1)
        w = np.where(plausible, 1.0 / (OWN_SCATTER**2 + (2.0 / snr) ** 2), 0.0)
        total = np.bincount(cell, w, minlength=count)
        seen = total > 0
        for name, values in (("size", size), ("e_x", f.e_x_px2[good]), ("e_y", f.e_y_px2[good])):
            sums[name][k, seen] = np.bincount(cell, w * values, minlength=count)[seen] / total[seen]
        sums["error"][k, seen] = typical / np.sqrt(total[seen])
        places += np.array([np.bincount(cell, w * t, minlength=count) for t in (u, v)])
        weights += total
    often = np.isfinite(sums["size"]).sum(axis=0) >= max(0.5 * len(frames), 1)
    u, v = places[:, often] / np.maximum(weights[often], 1e-30)
    rho2 = ((u * width_px) ** 2 + (v * height_px) ** 2) / diagonal2
    return Cells(
        u, v, rho2, sums["size"][:, often], sums["e_x"][:, often], sums["e_y"][:, often],
        np.where(np.isfinite(sums["error"][:, often]), sums["error"][:, often], 1.0),
    )  # fmt: skip


def scatter_of_cells(cells: Cells, zc: FloatArray, fit: TwoWay, extra: Sequence[FloatArray]) -> float:
    """By how much the cells' own leans scatter beyond the errors, as a factor of variance.

    The same stars stand in a cell in frame after frame: what neighbours and their light do to their sizes as these grow does not
    average down with the frames.
    """
    left = cells.size - fit.of_frame[:, None] - fit.of_cell[None, :]
    left = left - sum(v * np.broadcast_to(t, left.shape) for v, t in zip(fit.values, extra, strict=True))
    weight = np.where(np.isfinite(left), 1.0 / cells.error**2, 0.0)
    left = np.where(np.isfinite(left), left, 0.0)
    offset = zc[:, None] - (weight * zc[:, None]).sum(axis=0) / weight.sum(axis=0)
    lever = (weight * offset**2).sum(axis=0)
    lean = (weight * offset * left).sum(axis=0) / lever
    plain = left - lean * offset
    within = float((weight * plain**2).sum() / max((weight > 0).sum() - 2 * lean.size, 1))
    between = float((lever * lean**2).sum() / max(lean.size - 4, 1))
    return max(1.0, between / max(within, LEAST_CHI2)) if lean.size > 6 else 1.0


def through_window(cells: Cells) -> Cells:
    """The elongations as they are, not as a round window shows them."""
    size = np.sqrt(np.nanmedian(cells.size, axis=1))
    seen = np.interp(size / size.min(), *np.array(WINDOW).T)[:, None]
    return replace(cells, e_x=cells.e_x / seen, e_y=cells.e_y / seen)
