"""Halos and ghosts of bright stars: whether a field will have them, and the ring that a master shows.

A reflection between two surfaces comes to the sensor out of focus: a disc whose diameter is the detour over the focal ratio. The
detour is twice the gap between the surfaces in air, so gap = diameter x focal ratio / 2; in glass of index n the gap is n times that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.robust import mad_sigma

FloatArray = npt.NDArray[np.float64]

HALO_STAR_G = 5.0
"""From experience (no source): stars of this brightness and more show their reflections through most filters."""


@dataclass(frozen=True, slots=True)
class Ring:
    """A disc around a bright star: its place, its diameter, its step above what lies outside, and that over its error."""

    x: float
    y: float
    diameter_px: float
    step: float
    significance: float


def gap_mm(diameter_px: float, *, pixel_um: float, focal_ratio: float) -> float:
    """Gap in air of the two surfaces that make a disc of this diameter, millimetres."""
    return 0.5 * diameter_px * pixel_um * 1e-3 * focal_ratio


def bright_places(image: npt.NDArray[np.floating], *, most: int = 4, cell_px: int = 12) -> list[tuple[float, float]]:
    """Centres of the brightest compact places of a master, brightest first: peaks of means over cells."""
    from scipy.ndimage import maximum_filter  # loads slowly, and masters are looked at once

    ny, nx = image.shape[0] // cell_px, image.shape[1] // cell_px
    if ny < 3 or nx < 3:
        return []
    blocks = np.asarray(image[: ny * cell_px, : nx * cell_px], np.float64).reshape(ny, cell_px, nx, cell_px)
    with np.errstate(invalid="ignore"):
        mean = np.nan_to_num(blocks.mean(axis=(1, 3)), nan=-np.inf)
    peak = (mean == maximum_filter(mean, 5)) & np.isfinite(mean)
    found = []
    for j, i in sorted(zip(*np.nonzero(peak)), key=lambda c: -mean[c])[:most]:
        y0, x0 = max(0, (j - 1) * cell_px), max(0, (i - 1) * cell_px)
        part = np.nan_to_num(np.asarray(image[y0 : (j + 2) * cell_px, x0 : (i + 2) * cell_px], np.float64))
        level = np.median(part)
        light = np.clip(part - level, 0.0, None) ** 2
        yy, xx = np.mgrid[y0 : y0 + part.shape[0], x0 : x0 + part.shape[1]]
        if light.sum() > 0:
            found.append((float((light * xx).sum() / light.sum()), float((light * yy).sum() / light.sum())))
    return found


def ring_around(
    image: npt.NDArray[np.floating], x: float, y: float, *, fwhm_px: float, most_px: float | None = None
) -> Ring | None:
    """The outermost sharp fall of the mean profile around a star; None if no fall stands out by 6 sigma.

    Medians in rings of one pixel, their errors from the scatter along each ring. A wing falls smoothly; a reflection ends within
    a few pixels. The step at r is the mean over 4 px inside less that over 4 px outside, less what the slope on both sides makes
    of it.
    """
    height, width = image.shape
    reach = int(most_px or 0.25 * min(height, width))
    x0, x1, y0, y1 = (
        max(0, int(x) - reach),
        min(width, int(x) + reach + 1),
        max(0, int(y) - reach),
        min(height, int(y) + reach + 1),
    )
    part = np.asarray(image[y0:y1, x0:x1], np.float64)
    yy, xx = np.mgrid[y0:y1, x0:x1]
    radius = np.hypot(xx - x, yy - y)
    first = int(np.ceil(4.0 * fwhm_px))
    profile, error = np.full(reach, np.nan), np.full(reach, np.nan)
    ring = radius.astype(np.int64)
    order = np.argsort(ring.ravel(), kind="stable")
    edges = np.searchsorted(ring.ravel()[order], np.arange(reach + 1))
    values = part.ravel()[order]
    for r in range(first, reach):
        own = values[edges[r] : edges[r + 1]]
        own = own[np.isfinite(own)]
        if own.size >= 16:
            profile[r] = np.median(own)
            error[r] = 1.2533 * float(mad_sigma(own)) / np.sqrt(own.size)
    best: Ring | None = None
    for r in range(first + 8, reach - 8):
        inside, outside = profile[r - 5 : r - 1], profile[r + 2 : r + 6]
        far_in, far_out = profile[r - 9 : r - 5], profile[r + 6 : r + 10]
        if not (np.isfinite(inside).all() and np.isfinite(outside).all() and far_in.size == 4 and far_out.size == 4):
            continue
        slope = max((far_in.mean() - inside.mean()) / 4.0, (outside.mean() - far_out.mean()) / 4.0, 0.0)
        step = float(inside.mean() - outside.mean() - 7.0 * slope)
        sigma = float(np.sqrt((error[r - 5 : r - 1] ** 2).sum() + (error[r + 2 : r + 6] ** 2).sum())) / 4.0 * 2.0
        if sigma > 0 and step > 6.0 * sigma and (best is None or step / sigma > best.significance):
            best = Ring(x, y, 2.0 * (r + 0.5), step, step / sigma)
    return best
