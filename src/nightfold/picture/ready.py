"""Masters made ready for a picture: one size, cut to the box all filters cover, a noise to be believed, gaps bridged, smaller for
a preview."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from nightfold.errors import PictureError
from nightfold.picture.holes import fill_holes
from nightfold.picture.records import Plane
from nightfold.picture.stretch import cell_medians
from nightfold.picture.wavelets import noise_factors, smooth
from nightfold.units import SIGMA_PER_MAD

Plane32 = npt.NDArray[np.float32]
Box = tuple[int, int, int, int]
MORE_THAN, LESS_THAN = 1.25, 0.6
"""Masters of this program measure 0.9 to 1.1 of their variance in fine detail, drizzled ones down to 0.6."""
WINDOW_PX = 128
GAP_CELL_PX = 16
PREVIEW_PX = 1600
"""Long side of a preview."""


def shared_box(planes: Mapping[str, Plane]) -> Box:
    """The inclusive box (x0, y0, x1, y1) inside every filter's cut box; a filter without one counts whole."""
    check_sizes(planes)
    height, width = next(iter(planes.values())).image.shape
    boxes = [p.cut_box_px or (0, 0, width - 1, height - 1) for p in planes.values()]
    box = (max(b[0] for b in boxes), max(b[1] for b in boxes), min(b[2] for b in boxes), min(b[3] for b in boxes))
    if box[0] > box[2] or box[1] > box[3]:
        raise PictureError(
            "the masters share no area that is deep enough",
            seen=", ".join(f"{f}: {p.cut_box_px}" for f, p in planes.items()),
            next_step="look at the masters' coverage",
        )
    return box


def check_sizes(planes: Mapping[str, Plane]) -> None:
    """All planes have one size, and each its variance's; a PictureError tells which do not."""
    if not planes:
        raise PictureError("there is no master to make a picture of", next_step="fold first: nightfold fold")
    sizes = {f: p.image.shape for f, p in planes.items()}
    if len(set(sizes.values())) > 1:
        raise PictureError(
            "the masters differ in size",
            seen=", ".join(f"{f} {s[1]}x{s[0]}" for f, s in sizes.items()),
            allowed="masters on one grid",
            next_step="fold them anew, together",
        )
    for f, p in planes.items():
        if p.variance.shape != p.image.shape:
            raise PictureError(
                f"the variance of {f} is not of its image", seen=f"{p.variance.shape}", allowed=f"{p.image.shape}"
            )


def cut_to(plane: Plane, box: Box) -> Plane:
    """The part of a plane inside an inclusive box; its coordinates go with it."""
    x0, y0, x1, y1 = box
    height, width = plane.image.shape
    if not (0 <= x0 <= x1 < width and 0 <= y0 <= y1 < height):
        raise PictureError(
            "the recipe's box does not lie inside the masters",
            seen=f"{box}",
            allowed=f"0, 0 to {width - 1}, {height - 1}",
        )
    area = (slice(y0, y1 + 1), slice(x0, x1 + 1))
    wcs = plane.wcs[area] if plane.wcs is not None else None
    return replace(plane, image=plane.image[area], variance=plane.variance[area], cut_box_px=None, wcs=wcs)


def fill_gaps(plane: Plane) -> tuple[Plane, npt.NDArray[np.bool_] | None]:
    """The plane with gaps bridged from their surroundings, and where they were (None if there were none).

    The variance in a gap is the median one. A plane without any finite pixel is refused.
    """
    gap = ~(np.isfinite(plane.image) & np.isfinite(plane.variance) & (plane.variance > 0))
    if not gap.any():
        return plane, None
    if gap.all():
        raise PictureError(f"the master of {plane.filter} has no pixel to show", next_step="fold it again")
    known = ~gap
    # Stars at its rim would be drawn into the gap: what stands far above its surroundings does not count.
    source = np.where(known, plane.image, np.float32(np.nan))
    size = max(4, min(GAP_CELL_PX, min(source.shape) // 8))
    level = cell_medians(source, size)
    level = np.where(np.isfinite(level), level, np.nanmedian(source)).astype(np.float32)
    rows = np.minimum(np.arange(source.shape[0]) // size, level.shape[0] - 1)
    columns = np.minimum(np.arange(source.shape[1]) // size, level.shape[1] - 1)
    top = level[rows][:, columns] + np.float32(3.0) * np.sqrt(np.median(plane.variance[known]))
    image = fill_holes(np.where(known, np.minimum(source, top), np.float32(0.0)), gap.astype(np.uint8))
    np.copyto(image, plane.image, where=known)
    variance = np.where(known, plane.variance, np.median(plane.variance[known])).astype(np.float32)
    return replace(plane, image=image, variance=variance), gap


def with_true_noise(plane: Plane) -> Plane:
    """The plane with a variance that its own pixels bear out.

    Where the gain is not known or a sky was taken off before, the variance plane tells photons that never were. Two measures on
    windows all over the plane, darkest quarter: the noise of the finest wavelet plane, to which a nebula adds next to nothing, and
    that of differences at 6 px, which resampling does not lower. If the first exceeds what the variance promises by `MORE_THAN`,
    the missing part is added everywhere; if the second stays below `LESS_THAN` of it, the variance is scaled down.
    """
    fine, wide, told = _noise_ratios(plane)
    if fine > MORE_THAN:
        return replace(plane, variance=plane.variance + np.float32((fine**2 - 1.0) * told))
    if wide < LESS_THAN:
        return replace(plane, variance=plane.variance * np.float32(max(wide, 1e-3) ** 2))
    return plane


def _noise_ratios(plane: Plane) -> tuple[float, float, float]:
    """Measured over promised noise, of the finest detail and of differences at 6 px, and the variance promised there."""
    height, width = plane.image.shape
    size = min(WINDOW_PX, height, width)
    found = []
    for y0 in np.unique(np.linspace(0, height - size, min(6, max(1, height // size))).astype(int)):
        for x0 in np.unique(np.linspace(0, width - size, min(6, max(1, width // size))).astype(int)):
            area = (slice(y0, y0 + size), slice(x0, x0 + size))
            image, variance = plane.image[area], plane.variance[area]
            good = np.isfinite(image) & np.isfinite(variance) & (variance > 0)
            if good.mean() < 0.5 or size < 16:
                continue
            middle = float(np.median(image[good]))
            sigma = np.sqrt(np.where(good, variance, 1.0))
            whole = np.where(good, image, np.float32(middle)).astype(np.float32)
            detail = whole - smooth(whole, 0)
            lag = (whole[:, 6:] - whole[:, :-6]) / np.hypot(sigma[:, 6:], sigma[:, :-6])
            both = good[:, 6:] & good[:, :-6]
            # A constant part of a picture has no noise of its own to tell.
            if not (detail[good] != 0).mean() > 0.5 or not both.any():
                continue
            ratios = (np.median(np.abs(detail / sigma)[good]) / noise_factors(1)[0], np.median(np.abs(lag[both])))
            found.append((middle, *(SIGMA_PER_MAD * float(r) for r in ratios), float(np.median(variance[good]))))
    if not found:
        return 1.0, 1.0, 0.0
    dark = sorted(found)[: max(1, len(found) // 4)]
    fine, wide, told = np.median([row[1:] for row in dark], axis=0)
    return float(fine), float(wide), float(told)


def preview_factor(shape: tuple[int, ...], long_side_px: int = PREVIEW_PX) -> int:
    """By how much a picture is binned so that its long side is at most `long_side_px`."""
    if long_side_px < 16:
        raise PictureError("the preview is too small", seen=f"{long_side_px} px", allowed="16 px or more")
    return max(1, math.ceil(max(shape[0], shape[1]) / long_side_px))


def binned(plane: Plane, factor: int) -> Plane:
    """The plane with `factor` x `factor` pixels averaged, its variance to match; left-over edges are cut."""
    if factor == 1:
        return plane
    scale = None if plane.scale_arcsec_px is None else plane.scale_arcsec_px * factor
    return replace(
        plane,
        image=binned_means(plane.image, factor),
        variance=binned_means(plane.variance, factor) / np.float32(factor**2),
        scale_arcsec_px=scale,
        wcs=None if plane.wcs is None else plane.wcs[::factor, ::factor],
    )


def binned_means(image: Plane32, factor: int) -> Plane32:
    """Means of `factor` x `factor` pixels; left-over edges are cut."""
    h, w = image.shape[0] // factor, image.shape[1] // factor
    total = np.zeros((h, w), np.float32)
    for dy in range(factor):
        for dx in range(factor):
            total += image[dy : h * factor : factor, dx : w * factor : factor]
    return np.asarray(total / np.float32(factor**2), np.float32)
