"""Collimation from a star far out of focus: where the shadow of the secondary lies in the disc of light.

The disc is fitted as a round area of even light with a round hole, both edges blurred alike, on an even sky that may
slope across the disc. Errors come from leaving out one sector of the disc at a time (jackknife), so that the ripples of
seeing and diffraction are in them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, label, maximum
from scipy.special import erf

from nightfold.errors import FrameError
from nightfold.optics.coma import direction_word
from nightfold.robust import clipped_mean, mad_sigma

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

LEAST_RADIUS_PX = 8.0
"""A smaller disc is blurred so much that its shadow is a guess. Common practice, no source."""
BRIGHTEST = 0.2
"""Share of the disc looked at for full pixels."""
BRIGHT_SIGMA = 200.0
"""Discs that stand out of the sky's noise by less are below every full well; above, their light scatters by more than 1.5 times that."""
MOST_SATURATED = 0.01
OFF_AXIS = 0.2
"""Distance from the frame's middle, in half diagonals, beyond which field coma and vignetting move the shadow. Common practice, no source."""
SECTORS = 12
MOST_FITTED = 2500
LEAST_HOLE = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Collimation:
    """The shadow against the disc. Fractions are of the disc's radius; uncertainties are 1 sigma."""

    good: bool  # the shadow is in the middle within a fiftieth of the radius, or within its error
    sentence: str
    offset_fraction: float
    offset_uncertainty: float
    offset_x: float  # + right
    offset_y: float  # + up
    direction_deg: float  # of the shadow from the disc's centre, from +x towards +y
    disc_x_px: float
    disc_y_px: float
    disc_radius_px: float
    shadow_radius_px: float
    obstruction: float  # radii's ratio
    off_axis: float  # distance of the star from the frame's middle, in half diagonals; NaN where not known
    notes: tuple[str, ...]


def measure_collimation(
    image: npt.ArrayLike,
    *,
    saturation: float = float("inf"),
    axis_px: tuple[float, float] | None = None,
    half_diagonal_px: float | None = None,
    name: str = "the frame",
) -> Collimation:
    """The offset of the shadow in the brightest defocused star of a frame or crop.

    Parameters
    ----------
    image : array of shape (height, width)
        Any linear unit; NaN where there is nothing.
    saturation : float
        Values from here on are full.
    axis_px, half_diagonal_px : optional
        Where the optical axis meets the image, and the frame's half diagonal; by default the image's own, as if it were
        a whole frame.

    Raises
    ------
    FrameError
        No star, not out of focus enough, saturated, at the border, two stars in one, or no shadow.
    """
    plane = np.asarray(image, np.float64)
    if plane.ndim != 2 or min(plane.shape) < 24:
        raise FrameError(
            f"{name} is too small for a defocused star", seen=f"shape {plane.shape}", allowed="24 x 24 pixels or more",
            next_step="leave more sky around the star",
        )  # fmt: skip
    sky, noise, _ = clipped_mean(plane)
    disc = _find_disc(plane, sky, noise, name)
    full = float((plane[disc.mask] >= saturation).mean())
    if full > MOST_SATURATED:
        raise FrameError(
            f"the star in {name} is saturated", seen=f"{100 * full:.0f} % of its disc is full", allowed=f"{100 * MOST_SATURATED:.0f} %",
            next_step="expose shorter, or defocus more",
        )  # fmt: skip
    if _even_as_the_sky(plane, disc, sky, noise):
        raise FrameError(
            f"the star in {name} is saturated", seen="a disc whose pixels scatter no more than the sky's: full pixels do, light does not",
            allowed="light below the full well", next_step="expose shorter, or defocus more",
        )  # fmt: skip
    fit = _fitted(plane, disc, sky, name)
    offsets = (fit.values[3:5] - fit.values[0:2]) / fit.values[2]
    covariance = _jackknife(fit)
    size = float(np.hypot(*offsets))
    direction = offsets / max(size, 1e-9)
    error = float(np.sqrt(direction @ covariance @ direction))
    height, width = plane.shape
    axis = axis_px or ((width - 1) / 2.0, (height - 1) / 2.0)
    reach = half_diagonal_px or 0.5 * float(np.hypot(width, height))
    off_axis = float(np.hypot(fit.values[0] - axis[0], fit.values[1] - axis[1])) / reach
    notes = []
    if off_axis > OFF_AXIS:
        notes.append(
            f"the star stands {100 * off_axis:.0f} % of the way from the middle to a corner: there the shadow is off even in "
            "collimated optics; put the star in the middle"
        )
    good = size < max(0.02, 2.0 * error)
    angle = float(np.degrees(np.arctan2(offsets[1], offsets[0])) % 360.0)
    if good:
        sentence = f"The shadow is in the middle of the disc, within {100 * max(size, error):.1f} ± {100 * error:.1f} % of its radius."
    else:
        sentence = f"The shadow is {100 * size:.1f} ± {100 * error:.1f} % of the disc's radius off, towards {direction_word(angle)}."
    return Collimation(
        good=good,
        sentence=sentence,
        offset_fraction=size,
        offset_uncertainty=error,
        offset_x=float(offsets[0]),
        offset_y=float(offsets[1]),
        direction_deg=angle,
        disc_x_px=float(fit.values[0]),
        disc_y_px=float(fit.values[1]),
        disc_radius_px=float(fit.values[2]),
        shadow_radius_px=float(fit.values[5]),
        obstruction=float(fit.values[5] / fit.values[2]),
        off_axis=off_axis,
        notes=tuple(notes),
    )


def _even_as_the_sky(plane: FloatArray, disc: _Disc, sky: float, noise: float) -> bool:
    """True where the brightest part of a bright disc lacks the noise of its own light: the wells are full.

    Wells may fill before the converter ends, at a level that no header tells.
    """
    pairs = disc.mask[:, :-1] & disc.mask[:, 1:]
    mean, step = 0.5 * (plane[:, :-1] + plane[:, 1:])[pairs], (plane[:, 1:] - plane[:, :-1])[pairs]
    if mean.size < 50:
        return False
    top = mean >= np.quantile(mean, 1.0 - BRIGHTEST)
    bright = float(np.median(mean[top])) - sky > BRIGHT_SIGMA * noise
    return bright and float(mad_sigma(step[top])) / 2.0**0.5 < 1.5 * noise


@dataclass(frozen=True, slots=True)
class _Disc:
    """Where the disc is, from its lit pixels."""

    mask: BoolArray  # shape of the image
    x: float
    y: float
    radius: float
    level: float
    hole: float  # area of the dark inside over the whole


def _find_disc(plane: FloatArray, sky: float, noise: float, name: str) -> _Disc:
    """The brightest lit area, smoothed a little so that noise does not break it; two of like light are refused."""
    smooth = gaussian_filter(np.where(np.isfinite(plane), plane, sky), 1.5)
    spread = max(float(mad_sigma(smooth)), 0.15 * noise)
    top = float(np.percentile(smooth[smooth > sky + 5.0 * spread], 60)) if (smooth > sky + 8.0 * spread).any() else sky
    for _ in range(12):
        # The level of the disc itself rather than of a bright star's wings.
        lit = smooth > sky + 0.5 * (top - sky)
        top = float(np.median(smooth[lit])) if lit.any() else top
    if not top > sky + 8.0 * spread:
        raise FrameError(f"no defocused star stands out in {name}", seen=f"{(top - sky) / spread:.1f} sigma", allowed="8 or more", next_step="expose longer")  # fmt: skip
    areas, count = label(smooth > sky + 0.5 * (top - sky))
    light = np.bincount(areas.ravel(), (smooth - sky).ravel(), minlength=count + 1)[1:]
    peaks = np.asarray(maximum(smooth, areas, np.arange(1, count + 1)))
    pixels = np.bincount(areas.ravel(), minlength=count + 1)[1:]
    order = np.argsort(-light)
    first = int(order[0])
    reach = np.nonzero(areas == first + 1)
    size = 0.25 * float(np.ptp(reach[0]) + np.ptp(reach[1]) + 2)
    if size < LEAST_RADIUS_PX:
        raise FrameError(
            f"the star in {name} is not far enough out of focus", seen=f"a disc of {size:.1f} px radius",
            allowed=f"{LEAST_RADIUS_PX:g} px or more", next_step="move the focuser farther",
        )  # fmt: skip
    rivals = [int(n) for n in order[1:] if light[n] > 0.25 * light[first] and pixels[n] > 20 and peaks[n] > sky]
    if rivals:
        raise FrameError(
            f"{name} holds more than one bright star out of focus", seen=f"{len(rivals) + 1} of like brightness",
            allowed="one", next_step="crop the frame around one of them",
        )  # fmt: skip
    own = areas == first + 1
    ys, xs = np.nonzero(own)
    height, width = plane.shape
    if xs.min() == 0 or ys.min() == 0 or xs.max() == width - 1 or ys.max() == height - 1:
        raise FrameError(f"the star in {name} lies at the border", allowed="the whole disc inside", next_step="move it towards the middle")  # fmt: skip
    # The outline: for each of many directions the outermost lit pixel.
    x, y = 0.5 * (xs.min() + xs.max()), 0.5 * (ys.min() + ys.max())
    radius = 0.25 * float(np.ptp(xs) + np.ptp(ys) + 2)
    whole = np.pi * radius**2
    long, short = max(np.ptp(xs), np.ptp(ys)) + 1, min(np.ptp(xs), np.ptp(ys)) + 1
    if long > 1.25 * short:
        raise FrameError(
            f"the star in {name} is not one round disc", seen=f"{long} by {short} pixels", allowed="a round disc",
            next_step="crop around a star without a neighbour, and guide while exposing",
        )  # fmt: skip
    return _Disc(own, x, y, radius, float(np.median(plane[own])) - sky, max(0.0, 1.0 - own.sum() / whole))


@dataclass(frozen=True, slots=True)
class _Fit:
    """x, y, R of the disc; x, y, r of the hole; blur; level; sky; two slopes of the light."""

    values: FloatArray
    jacobian: FloatArray
    residual: FloatArray
    sector: npt.NDArray[np.int64]


def _fitted(plane: FloatArray, disc: _Disc, sky: float, name: str) -> _Fit:
    height, width = plane.shape
    reach = 1.4 * disc.radius + 3.0
    x0, x1 = max(0, int(disc.x - reach)), min(width, int(disc.x + reach) + 2)
    y0, y1 = max(0, int(disc.y - reach)), min(height, int(disc.y + reach) + 2)
    ys, xs = np.mgrid[y0:y1, x0:x1]
    values = plane[y0:y1, x0:x1]
    near = np.isfinite(values) & (np.hypot(xs - disc.x, ys - disc.y) < reach)
    step = max(1, int(near.sum()) // MOST_FITTED)
    px, py, light = xs[near][::step].astype(np.float64), ys[near][::step].astype(np.float64), (values[near][::step] - sky) / disc.level  # fmt: skip

    def model(v: FloatArray) -> FloatArray:
        dx, dy = px - v[0], py - v[1]
        outer = 0.5 * (1.0 + erf((v[2] - np.hypot(dx, dy)) / v[6]))
        inner = 0.5 * (1.0 + erf((v[5] - np.hypot(px - v[3], py - v[4])) / v[6]))
        even = v[7] * (1.0 + v[9] * dx / v[2] + v[10] * dy / v[2])
        return np.asarray(even * outer * (1.0 - inner) + v[8] - light)

    low = np.array([disc.x - disc.radius, disc.y - disc.radius, 0.5 * disc.radius, disc.x - disc.radius, disc.y - disc.radius, 0.5, 0.5, 0.1, -0.5, -1, -1])  # fmt: skip
    high = np.array([disc.x + disc.radius, disc.y + disc.radius, 1.5 * disc.radius, disc.x + disc.radius, disc.y + disc.radius, 0.95 * disc.radius, disc.radius, 5, 0.5, 1, 1])  # fmt: skip
    starts = [
        np.array([disc.x, disc.y, disc.radius, disc.x, disc.y, hole * disc.radius, 2.0, 1.0, 0.0, 0.0, 0.0])
        for hole in (0.5, max(LEAST_HOLE, float(np.sqrt(disc.hole))))
    ]
    v, _ = min((_least(model, start, low, high) for start in starts), key=lambda found: found[1])
    residual = model(v)
    blur_of_hole = v[5] / max(v[6], 0.5)
    depth = 1.0 - np.exp(-(blur_of_hole**2))
    if v[5] < LEAST_HOLE * v[2] or depth < 0.2 or v[5] > 0.9 * v[2]:
        raise FrameError(
            f"the disc in {name} shows no shadow", seen=f"a hole of {100 * (v[5] / v[2]):.0f} % of the disc's radius",
            allowed=f"a secondary of {100 * LEAST_HOLE:.0f} % or more", next_step="defocus more; optics without a secondary cannot be told this way",
        )  # fmt: skip
    turn = np.arctan2(py - v[1], px - v[0])
    sector = np.clip(((turn + np.pi) / (2.0 * np.pi) * SECTORS).astype(np.int64), 0, SECTORS - 1)
    # A second star under the disc leaves light where the model has none: means over patches, so that noise does not.
    ring = np.clip(np.hypot(px - v[0], py - v[1]) / v[2] * 5.0, 0, 6).astype(np.int64)
    patch = sector * 7 + ring
    counts = np.bincount(patch, minlength=7 * SECTORS)
    off = np.abs(np.bincount(patch, residual, minlength=7 * SECTORS)) > 0.3 * counts
    uneven = float(off[counts > 3].mean())
    if uneven > 0.06:
        raise FrameError(
            f"the star in {name} is not one even disc", seen=f"{100 * uneven:.0f} % of it is off by a third of its light or more",
            allowed="one star", next_step="crop around a star without a neighbour",
        )  # fmt: skip
    return _Fit(v, _derivatives(model, v), residual, sector)


def _least(
    model: Callable[[FloatArray], FloatArray], start: FloatArray, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, float]:
    """Levenberg and Marquardt's descent with residuals beyond 0.2 of the disc's light weighted down (Huber); values and cost."""

    def cost(residual: FloatArray) -> float:
        size = np.abs(residual)
        return float(np.where(size < 0.2, size**2, 0.4 * size - 0.04).sum())

    v = np.clip(start, low + 1e-6, high - 1e-6)
    residual, damping = model(v), 1e-3
    for _ in range(60):
        rows = _derivatives(model, v)
        weight = np.minimum(1.0, 0.2 / np.maximum(np.abs(residual), 1e-9))
        inner, moment = (rows * weight[:, None]).T @ rows, rows.T @ (weight * residual)
        before = cost(residual)
        for _ in range(8):
            step = np.linalg.solve(inner + damping * np.diag(np.diag(inner) + 1e-9), -moment)
            trial = np.clip(v + step, low, high)
            tried = model(trial)
            if cost(tried) < before:
                break
            damping *= 6.0
        else:
            return v, before
        moved = np.abs(trial - v).max()
        v, residual, damping = trial, tried, max(damping / 6.0, 1e-9)
        if moved < 1e-4:
            break
    return v, cost(residual)


def _derivatives(model: Callable[[FloatArray], FloatArray], v: FloatArray) -> FloatArray:
    """Slopes of the model by central differences, shape (pixels, unknowns)."""
    columns = []
    for i in range(v.size):
        h = np.zeros(v.size)
        h[i] = 1e-4 * max(abs(v[i]), 1.0)
        columns.append((model(v + h) - model(v - h)) / (2.0 * h[i]))
    return np.column_stack(columns)


def _jackknife(fit: _Fit) -> FloatArray:
    """Covariance of the offset in fractions of the radius: one Newton step for each sector left out."""
    offsets = []
    for s in range(SECTORS):
        kept = fit.sector != s
        rows = fit.jacobian[kept]
        step = np.linalg.solve(rows.T @ rows + 1e-9 * np.eye(rows.shape[1]), -rows.T @ fit.residual[kept])
        v = fit.values + step
        offsets.append((v[3:5] - v[0:2]) / v[2])
    spread = np.array(offsets) - np.mean(offsets, axis=0)
    return np.asarray((SECTORS - 1) / SECTORS * spread.T @ spread)
