"""Looks at what was folded: a coarser sky, the middle of a box, where sources are, a master's own reading."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from nightfold.errors import NightfoldError
from nightfold.kernels.blur import blur_even
from nightfold.measure.background import evaluate
from nightfold.measure.core import measure_sub
from nightfold.measure.records import Reading, SkyMesh

Plane = npt.NDArray[np.float32]

SOURCE_SIGMA = 3.0
SMOOTHING_PX = 1.2
STAR_MARGIN_PX = 5
NEBULA_CELL_PX = 16
LOOKED_AT_PX = 2048


def coarser(mesh: SkyMesh, most_cells: int) -> SkyMesh:
    """A mesh of at most about `most_cells` cells: medians of neighbouring cells. Low-order surfaces need no more."""
    ny, nx = mesh.level_e.shape
    step = int(np.ceil(np.sqrt(ny * nx / most_cells)))
    if step <= 1 or min(ny, nx) < 2 * step:
        return mesh
    h, w = ny // step * step, nx // step * step

    def blocks(plane: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        parts = plane[:h, :w].reshape(h // step, step, w // step, step).swapaxes(1, 2).reshape(h // step, w // step, -1)
        empty = np.asarray(~np.isfinite(parts).any(axis=-1))
        result = np.nanmedian(np.where(empty[..., None], 0.0, parts), axis=-1)
        result[empty] = np.nan
        return np.asarray(result)

    centres = [c[:n].reshape(-1, step).mean(axis=1) for c, n in ((mesh.x_px, w), (mesh.y_px, h))]
    return SkyMesh(x_px=centres[0], y_px=centres[1], level_e=blocks(mesh.level_e), sigma_e=blocks(mesh.sigma_e))


def middle(box: tuple[int, int, int, int]) -> tuple[int, int, int, int]:
    """The middle of a box, no larger than is looked at."""
    x0, y0, x1, y1 = box
    cut_x, cut_y = max(0, (x1 - x0 + 1 - LOOKED_AT_PX) // 2), max(0, (y1 - y0 + 1 - LOOKED_AT_PX) // 2)
    return x0 + cut_x, y0 + cut_y, x1 - cut_x, y1 - cut_y


def look_at(image: Plane, exposure_s: float) -> tuple[Reading | None, npt.NDArray[np.bool_] | None]:
    """The master's own reading, and where its sources are."""
    try:
        reading = measure_sub(image * np.float32(exposure_s), read_noise_e=0.0)
    except NightfoldError:
        return None, None
    if reading.sky.level_e.size == 0 or not np.isfinite(reading.sky.level_e).any():
        return reading, None
    sky = evaluate(reading.sky, (image.shape[0], image.shape[1])) / np.float32(exposure_s)
    return reading, source_mask(image, sky, reading.noise_e / exposure_s)


def source_mask(image: Plane, sky: Plane, noise: float) -> npt.NDArray[np.bool_]:
    """Where a master is not blank sky: stars down to a third of what is detected, and nebula.

    Parameters
    ----------
    image, sky : (height, width) float32
        The master and its smooth sky, which follows a nebula; electrons per second.
    noise : float
        Pixel noise, same unit.

    Notes
    -----
    Stars by a light smoothing, 3 sigma of it. Nebula by cells of 16 px whose median stands half a sigma above the darkest
    tenth of the cells; the darker third of the cells always counts as sky.
    """
    finite = np.isfinite(image)
    detail = np.where(finite, image - sky, np.float32(0.0))
    smooth = np.empty_like(detail)
    taps = np.exp(-0.5 * (np.arange(round(4.0 * SMOOTHING_PX) + 1) / SMOOTHING_PX) ** 2)
    blur_even(detail, (taps / (2.0 * taps.sum() - taps[0])).astype(np.float32), smooth)
    # White noise through a Gaussian of that width; the resampled pixels' own smoothing makes this a little too low.
    smooth_noise = noise / (2.0 * np.sqrt(np.pi) * SMOOTHING_PX)
    stars = smooth > SOURCE_SIGMA * smooth_noise
    for _ in range(STAR_MARGIN_PX):
        grown = stars.copy()
        grown[1:] |= stars[:-1]
        grown[:-1] |= stars[1:]
        grown[:, 1:] |= stars[:, :-1]
        grown[:, :-1] |= stars[:, 1:]
        stars = grown
    cell = NEBULA_CELL_PX
    h, w = image.shape[0] // cell * cell, image.shape[1] // cell * cell
    if h == 0 or w == 0:
        return np.asarray(stars)
    blocks = image[:h, :w].reshape(h // cell, cell, w // cell, cell).swapaxes(1, 2).reshape(h // cell, w // cell, -1)
    level = np.median(blocks, axis=-1)  # NaN where a cell is not wholly covered
    known = np.sort(level[np.isfinite(level)])
    if known.size < 20:
        return np.asarray(stars)
    blank = float(np.median(known[: max(4, known.size // 10)]))
    # Never less than the darker third: too few pixels tell no noise, and choosing only the darkest flatters it.
    limit = max(blank + 0.5 * noise, float(known[known.size // 3]))
    nebula = np.ones(image.shape, bool)
    nebula[:h, :w] = np.repeat(np.repeat(~(level <= limit), cell, axis=0), cell, axis=1)
    return np.asarray(stars | nebula)
