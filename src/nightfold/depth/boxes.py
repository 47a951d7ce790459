"""Noise of areas, measured on areas: boxes of blank sky laid over a master.

The pixel's own noise understates that of areas: resampling smooths pixels and leaves the noise of areas as it was, and
gradients and pattern weigh more the larger the area (CHECKS R2, P14). So limits are taken from boxes of the size that is
asked for, as Roman, Trujillo & Montes 2020 (A&A 644, A42, appendix A) define them, and never from the pixel's sigma.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.robust import mad_sigma

FloatArray = npt.NDArray[np.float64]
Image = npt.NDArray[np.floating]
Mask = npt.NDArray[np.bool_]

GAP_PX = 6.0
"""Between boxes: beyond the reach of the resampling kernel, so that two boxes share no sample's light."""
LEAST_CLEAN = 0.6
"""Of a box: with fewer clean pixels it says nothing of sky."""
LEAST_BOXES = 30
CLIP_SIGMAS, CLIPPED_SHARE = 3.0, 0.98658
"""Standard deviation of a normal distribution cut at 3 sigma, closed form: sqrt(1 - 6 phi(3) / (2 Phi(3) - 1))."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxNoise:
    """1 sigma of the mean of a box of blank sky, in the image's unit, with its own 1 sigma error and what it rests on."""

    sigma: float
    error: float
    boxes: int
    box_px: float


def box_means(image: Image, blank: Mask, box_px: float, *, gap_px: float = GAP_PX) -> tuple[FloatArray, FloatArray]:
    """Means over square boxes on a lattice, and the share of each box that is clean.

    Parameters
    ----------
    image : (height, width) float
        NaN where nothing is known.
    blank : (height, width) bool
        True where the image shows sky alone.
    box_px : float
        Side of a box; parts of pixels count as parts.
    gap_px : float
        Between neighbouring boxes.

    Returns
    -------
    means, clean : float64 (rows, columns)
        `means` is NaN where no pixel is clean.

    Notes
    -----
    Sums over boxes are differences of the cumulative sum, taken bilinearly between pixels: exact for boxes that end inside
    pixels.
    """
    good = blank & np.isfinite(image)
    level = float(np.median(image[good])) if good.any() else 0.0
    values = np.where(good, image.astype(np.float64) - level, 0.0)
    height, width = image.shape
    step = box_px + gap_px
    x0 = np.arange(0.0, width - box_px + 1e-9, step)
    y0 = np.arange(0.0, height - box_px + 1e-9, step)
    sums = _sums(values, y0, x0, box_px)
    clean = _sums(good.astype(np.float64), y0, x0, box_px)
    with np.errstate(invalid="ignore", divide="ignore"):
        means = np.where(clean > 0.0, sums / clean + level, np.nan)
    return means, clean / box_px**2


def _sums(plane: FloatArray, y0: FloatArray, x0: FloatArray, box_px: float) -> FloatArray:
    total = np.zeros((plane.shape[0] + 1, plane.shape[1] + 1))
    total[1:, 1:] = plane.cumsum(axis=0).cumsum(axis=1)

    def rows(y: FloatArray) -> FloatArray:
        i = np.minimum(y.astype(np.int64), plane.shape[0] - 1)
        share = (y - i)[:, None]
        return np.asarray(total[i] * (1.0 - share) + total[i + 1] * share)

    def columns(part: FloatArray, x: FloatArray) -> FloatArray:
        j = np.minimum(x.astype(np.int64), plane.shape[1] - 1)
        share = x - j
        return np.asarray(part[:, j] * (1.0 - share) + part[:, j + 1] * share)

    band = rows(y0 + box_px) - rows(y0)
    return columns(band, x0 + box_px) - columns(band, x0)


def box_noise(image: Image, blank: Mask, box_px: float) -> BoxNoise | None:
    """The noise of boxes of blank sky; None where fewer than 30 boxes are clean.

    Notes
    -----
    From second differences of boxes along both diagonals, ``b0 - (b- + b+) / 2``, whose variance is 1.5 times that of one box:
    a gradient across the field drops out, noise does not, and neither does what a row or a column of the sensor shares
    (boxes in one row would take it for sky). Their spread is the standard deviation within 3 sigma, iterated
    from the median absolute deviation, over the 0.9866 that a normal distribution keeps there, so that what the mask missed
    does not rule. Four lattices, each moved by half a step, use the sky between the boxes. Partly clean boxes are brought to a
    whole box's noise by the root of their share.
    """
    step = box_px + GAP_PX
    pulls: list[FloatArray] = []
    boxes = 0
    for dy in (0, round(0.5 * step)):
        for dx in (0, round(0.5 * step)):
            part, clean_part = image[dy:, dx:], blank[dy:, dx:]
            if min(part.shape) < box_px:
                continue
            means, clean = box_means(part, clean_part, box_px)
            means = np.where(clean >= LEAST_CLEAN, means, np.nan)
            boxes = max(boxes, int(np.isfinite(means).sum()))
            for b, c in ((means, clean), (means[:, ::-1], clean[:, ::-1])):
                if min(b.shape) >= 3:
                    pulls.append(_second_differences(b, c))
    pull = np.concatenate(pulls) if pulls else np.zeros(0)
    if boxes < LEAST_BOXES or pull.size < LEAST_BOXES:
        return None
    sigma = float(mad_sigma(pull))
    for _ in range(8):
        kept = pull[np.abs(pull) <= CLIP_SIGMAS * sigma]
        sigma = float(np.sqrt(np.mean(kept**2))) / CLIPPED_SHARE
    # The four lattices overlap and neighbouring differences share boxes: about one independent sample a box.
    return BoxNoise(sigma=sigma, error=sigma / float(np.sqrt(2.0 * boxes)), boxes=boxes, box_px=box_px)


def _second_differences(means: FloatArray, clean: FloatArray) -> FloatArray:
    """Along the falling diagonal, in units that have the sigma of one whole box; the finite ones."""
    second = means[1:-1, 1:-1] - 0.5 * (means[:-2, :-2] + means[2:, 2:])
    with np.errstate(divide="ignore", invalid="ignore"):
        expected = 1.0 / clean[1:-1, 1:-1] + 0.25 / clean[:-2, :-2] + 0.25 / clean[2:, 2:]
        pull = (second / np.sqrt(expected)).ravel()
    return np.asarray(pull[np.isfinite(pull)])


def box_at(image: Image, centre: tuple[float, float], box_px: float) -> float:
    """Mean of a box around a place (x, y); NaN where it leaves the image or meets unknown pixels."""
    half = 0.5 * box_px
    x, y = centre[0] + 0.5 - half, centre[1] + 0.5 - half
    if x < 0.0 or y < 0.0 or x + box_px > image.shape[1] or y + box_px > image.shape[0]:
        return float("nan")
    rows = slice(int(np.floor(y)), int(np.ceil(y + box_px)))
    columns = slice(int(np.floor(x)), int(np.ceil(x + box_px)))
    part = image[rows, columns].astype(np.float64)
    return float(
        _sums(part, np.array([y - rows.start]), np.array([x - columns.start]), box_px)[0, 0] / box_px**2
    )  # fmt: skip
