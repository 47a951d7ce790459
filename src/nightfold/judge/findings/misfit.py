"""Calibration that does not fit, found from the calibrated skies of many subs while it can still be mended.

A wrong zero level d leaves d (1/V - 1) in a calibrated sky, V the flat's shape: corners too bright by the same electrons in each
sub. A wrong flat (no dark of the flat's own length, stray light) leaves a share of the sky: electrons in proportion to it. Dust
that moved leaves a dark place where it is now and a bright one where the flat has it. What belongs to the sky turns with the frame
when the mount goes over the pier; what belongs to the camera does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.judge.evidence import robust_fit
from nightfold.measure.neighbours import Sorted
from nightfold.robust import mad_sigma

FloatArray = npt.NDArray[np.float64]

LEAST_SUBS = 5
MOST_SUBS = 60
"""As many subs, taken evenly from all, tell the median of what they share as well as it needs to be known."""
CORNER_FLOOR = 0.005
"""Corners off by less than half a percent of the sky are within what gradients do."""


@dataclass(frozen=True, slots=True)
class Misfit:
    """What the flat's shape still explains of calibrated skies.

    `corner` is the corners' excess over the middle as a share of the sky, `error` its 1 sigma. `constant_e` is the part that
    is the same in all subs, in electrons of zero level; `share` the part that goes with the sky, as a share of it in the corners.
    Both are NaN where the skies differ too little to tell them apart.
    """

    corner: float
    error: float
    constant_e: float
    constant_error_e: float
    share: float
    share_error: float
    explained: float  # of the variance that a plane leaves
    subs: int

    @property
    def significant(self) -> bool:
        """Whether it stands out of its error, half a percent, and what else the sky does."""
        return abs(self.corner) > max(CORNER_FLOOR, 5.0 * self.error) and self.explained > 0.5

    def sentence(self) -> str:
        """What was found and what may be the reason."""
        bright = "bright" if self.corner > 0 else "dark"
        text = f"corners {100 * abs(self.corner):.1f} % too {bright} after the flat"
        constant = np.isfinite(self.constant_e) and abs(self.constant_e) > 4.0 * self.constant_error_e
        share = np.isfinite(self.share) and abs(self.share) > 4.0 * self.share_error
        if constant and not share:
            return f"{text}, by the same electrons in every sub: the zero level is off by {self.constant_e:+.1f} e (wrong offset or dark)"
        if share and not constant:
            return f"{text}, in proportion to the sky: the flat lacks its own dark, or stray light fell on it"
        return f"{text}: wrong offset, missing flat-dark or stray light"


def flat_misfit(levels_e: FloatArray, flat: FloatArray) -> Misfit | None:
    """How much of the flat's own shape is left in calibrated skies; None for fewer than five subs or an even flat.

    Parameters
    ----------
    levels_e : array (n_subs, ny, nx)
        Sky meshes of subs of one rig and filter, electrons; NaN for cells without sky.
    flat : array (ny, nx)
        The flat at the same cells, 1 in its middle.

    Notes
    -----
    Each sub: level = c + gradient + k (1/V - 1), robust least squares over its cells. k over the subs gives the median and its error from
    their scatter; k = constant + share x level by least squares separates a zero level from a flat where the skies differ by
    1.5 times and more. A nebula that fills the middle of the frame looks the same in one filter; it does not go with the sky.
    """
    shape = 1.0 / flat - 1.0
    if len(levels_e) < LEAST_SUBS or not np.nanmax(np.abs(shape)) > 0.02:
        return None
    levels_e = levels_e[:: -(-len(levels_e) // MOST_SUBS)]
    ny, nx = flat.shape
    v, u = (a.ravel() for a in np.meshgrid(np.linspace(-1, 1, ny), np.linspace(-1, 1, nx), indexing="ij"))
    amounts, levels, explained = [], [], []
    for level in levels_e:
        y = level.ravel()
        good = np.isfinite(y) & np.isfinite(shape.ravel())
        if good.sum() < 12:
            continue
        plane = np.column_stack([np.ones(good.sum()), u[good], v[good]])
        design = np.column_stack([plane, shape.ravel()[good]])
        # Robust, so that a nebula on part of the frame loses its say.
        solution, _ = robust_fit(design, y[good])
        without, _ = robust_fit(plane, y[good])
        rest, before = float(mad_sigma(y[good] - design @ solution)), float(mad_sigma(y[good] - plane @ without))
        amounts.append(float(solution[3]))
        levels.append(float(np.median(y[good])))
        explained.append(1.0 - (rest / max(before, 1e-12)) ** 2)
    if len(amounts) < LEAST_SUBS:
        return None
    k, s = np.array(amounts), np.array(levels)
    corner_shape = float(np.nanmean([shape[0, 0], shape[0, -1], shape[-1, 0], shape[-1, -1]]))
    relative = k * corner_shape / np.maximum(s, 1e-9)
    error = 1.2533 * float(mad_sigma(relative)) / np.sqrt(len(k))
    constant = constant_error = share = share_error = float("nan")
    if s.min() > 0 and s.max() > 1.5 * s.min():
        design = np.column_stack([np.ones_like(s), s])
        solution, *_ = np.linalg.lstsq(design, k, rcond=None)
        sigma = max(float(np.std(k - design @ solution, ddof=2)), 1e-9)
        errors = sigma * np.sqrt(np.diag(np.linalg.pinv(design.T @ design)))
        constant, constant_error = float(solution[0]), float(errors[0])
        share, share_error = float(solution[1]) * corner_shape, float(errors[1]) * corner_shape
    return Misfit(
        corner=float(np.median(relative)),
        error=error,
        constant_e=constant,
        constant_error_e=constant_error,
        share=share,
        share_error=abs(share_error),
        explained=float(np.median(explained)),
        subs=len(k),
    )


def camera_fixed(relative_one: FloatArray, relative_other: FloatArray) -> FloatArray:
    """The part of two residual maps (ny, nx) that both share with the same sign: what stays with the camera.

    `relative_one` and `relative_other` are mean residuals of calibrated skies on the two sides of the pier, each on the frame's own
    pixels: what is on the sky lies turned by 180 degrees in one of them. A nebula about the middle that a half turn leaves as it is
    would pass for the camera's; one map less the other turned holds none of the sky, and the camera's part less that part turned, so
    no more is told than that shows, nor of the camera what a half turn leaves as it is.
    """
    unturned = relative_one - relative_other[::-1, ::-1]
    same = (np.sign(relative_one) == np.sign(relative_other)) & (np.sign(relative_one) == np.sign(unturned))
    least = np.minimum(np.minimum(np.abs(relative_one), np.abs(relative_other)), np.abs(unturned))
    return np.where(same, np.sign(relative_one) * least, 0.0)


@dataclass(frozen=True, slots=True)
class MovedDust:
    """A dark and a bright place of like size and depth: dust as it lies now and as the flat has it. Cells, relative depth."""

    now: tuple[float, float]
    then: tuple[float, float]
    depth: float
    apart_cells: float


def unturned_noise(relative_one: FloatArray, relative_other: FloatArray) -> float:
    """1 sigma from cell to cell of one map less the other turned: noise, and what of the sky does not lie quite alike in both."""
    rest = relative_one - relative_other[::-1, ::-1]
    return float(mad_sigma(rest - _smooth(rest, 4.0))) / float(np.sqrt(2.0))


def moved_dust(residual: FloatArray, *, least_depth: float = 0.004, noise: float = 0.0) -> list[MovedDust]:
    """Pairs of spots in a camera-fixed residual map (ny, nx), deepest first.

    Spots are groups of cells beyond five robust sigma, of the map and of `noise`, and `least_depth` after a smooth background is taken
    off, and half as far before; a dark and a bright one pair if their depths agree within a factor of two. Only dust whose shadow is wider than a cell is seen.
    """
    rest = residual - _smooth(residual, 4.0)
    limit = max(least_depth, 5.0 * float(mad_sigma(rest)), 5.0 * noise)
    spots: dict[int, list[tuple[float, float, float]]] = {}
    for sign in (-1, 1):
        spots[sign] = []
        for rows, columns in _groups((sign * rest > limit) & (sign * residual > 0.5 * limit)):
            if rows.size >= 2:
                depth = float(np.abs(rest[rows, columns]).max())
                spots[sign].append((float(columns.mean()), float(rows.mean()), depth))
    found = []
    for x, y, depth in sorted(spots[-1], key=lambda s: -s[2]):
        partners = [p for p in spots[1] if 0.5 < p[2] / depth < 2.0]
        if partners:
            best = min(partners, key=lambda p: np.hypot(p[0] - x, p[1] - y))
            spots[1].remove(best)
            found.append(MovedDust((x, y), best[:2], depth, float(np.hypot(best[0] - x, best[1] - y))))
    return found


def _smooth(values: FloatArray, sigma: float) -> FloatArray:
    """Values (ny, nx) under a Gaussian of `sigma` cells out to four of it; the border goes on with its own values."""
    reach = int(4.0 * sigma + 0.5)
    taps = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    taps /= taps.sum()
    for _ in range(2):  # along one axis, then along the other
        wide = np.pad(values, ((reach, reach), (0, 0)), mode="edge")
        values = np.tensordot(taps, np.lib.stride_tricks.sliding_window_view(wide, taps.size, axis=0), ([0], [2])).T
    return values


def _groups(mask: npt.NDArray[np.bool_]) -> list[tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]]:
    """Rows and columns of each group of cells that touch with their sides, in the order of their first cells."""
    left = {(int(j), int(i)): None for j, i in zip(*np.nonzero(mask))}
    found = []
    while left:
        group = [next(iter(left))]
        del left[group[0]]
        for j, i in group:  # grows while it is gone through
            for near in ((j - 1, i), (j + 1, i), (j, i - 1), (j, i + 1)):
                if near in left:
                    del left[near]
                    group.append(near)
        rows, columns = np.array(group, np.int64).T
        found.append((rows, columns))
    return found


def glow_left(residual: FloatArray) -> tuple[str, float, float]:
    """The side or corner of a camera-fixed residual map with the most light left, its excess, and that over the map's scatter.

    Measured from the calm half of the map's middle, for the halo of a bright star may stand there.
    """
    ny, nx = residual.shape
    a, b = max(1, ny // 8), max(1, nx // 8)
    places = {
        "left edge": residual[:, :b],
        "right edge": residual[:, -b:],
        "lower edge": residual[:a],
        "upper edge": residual[-a:],
        "lower left corner": residual[: 2 * a, : 2 * b],
        "lower right corner": residual[: 2 * a, -2 * b :],
        "upper left corner": residual[-2 * a :, : 2 * b],
        "upper right corner": residual[-2 * a :, -2 * b :],
    }
    middle = residual[ny // 4 : -(ny // 4) or None, nx // 4 : -(nx // 4) or None]
    centre, sigma = _calm(middle[np.isfinite(middle)])
    excess = {name: float(np.nanmedian(part)) - centre for name, part in places.items()}
    name = max(excess, key=lambda n: excess[n])
    return name, excess[name], excess[name] / sigma


def _calm(values: FloatArray) -> tuple[float, float]:
    """Mean and 1 sigma of the shortest half of the values (Rousseeuw & Leroy 1988): what fills up to half of them has no say."""
    if not values.size:
        return 0.0, 1e-6
    x = np.sort(values)
    half = x.size // 2 + 1
    widths = x[half - 1 :] - x[: x.size - half + 1]
    first = int(np.argmin(widths))
    return float(x[first : first + half].mean()), max(float(widths[first]) / 1.349, 1e-6)


def stuck_places(
    sharp_xy: Sequence[FloatArray], offsets_px: FloatArray, *, share: float = 0.6, reach_px: float = 0.8
) -> tuple[int, float] | None:
    """How many sharp points stand at the same pixel in most subs although the sky moved, and the rms of that move.

    `sharp_xy` holds, sub by sub, places (n, 2) of detections that are sharper than stars; `offsets_px` (n_subs, 2) how the sky lay.
    Hot pixels that the dark did not take stay; cosmic rays do not come back, and stars move. None where the sky moved by less than
    2 px rms or for fewer than five subs.
    """
    moved = float(np.sqrt(np.mean(np.var(offsets_px, axis=0)))) if len(offsets_px) else 0.0
    if len(sharp_xy) < LEAST_SUBS or moved < 2.0:
        return None
    everything = np.concatenate([np.asarray(p).reshape(-1, 2) for p in sharp_xy])
    owner = np.concatenate([np.full(len(p), i) for i, p in enumerate(sharp_xy)])
    if not len(everything):
        return 0, moved
    place, point = Sorted(everything).within(everything, reach_px)
    seen = np.zeros(len(everything), bool)
    stuck = 0
    for i, near in enumerate(np.split(point, np.searchsorted(place, np.arange(1, len(everything))))):
        if seen[i]:
            continue
        seen[near] = True
        if len(set(owner[near].tolist())) >= share * len(sharp_xy):
            stuck += 1
    return stuck, moved
