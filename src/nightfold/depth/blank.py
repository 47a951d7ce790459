"""Where a master shows sky alone, found without choosing by its noise.

A mask that begins low in the noise takes the bright half of the noise for stars and leaves a sky that is too smooth; one that
begins high leaves faint stars in. Between the two: three times the spread that the smoothed image itself has, as resampling
makes neighbouring pixels alike and noise through a smoothing larger than white noise would be.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from nightfold.errors import NightfoldError
from nightfold.measure.background import evaluate
from nightfold.measure.core import measure_sub
from nightfold.robust import mad_sigma

Image = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

STAR_SIGMAS = 3.0
SMOOTHING_PX = 1.2
WIDENED_PX = 3
CELL_PX = 16
NEBULA_SIGMAS = 0.5


def blank_sky(image: Image, exposure_s: float) -> Mask:
    """True where a master (electrons a second) shows sky; all that is known where its sky cannot be told."""
    known = np.isfinite(image)
    try:
        reading = measure_sub(image * np.float32(exposure_s), read_noise_e=0.0)
    except NightfoldError:
        return np.asarray(known)
    if reading.sky.level_e.size == 0 or not np.isfinite(reading.sky.level_e).any():
        return np.asarray(known)
    sky = evaluate(reading.sky, (image.shape[0], image.shape[1])) / np.float32(exposure_s)
    return blank_of(image, sky, reading.noise_e / exposure_s)


def blank_of(image: Image, sky: Image, noise: float) -> Mask:
    """The same from the smooth sky and the pixel noise.

    Parameters
    ----------
    image, sky : (height, width) float32
        The master and its smooth sky, which follows a nebula; electrons per second, NaN where nothing is known.
    noise : float
        Pixel noise, same unit.

    Notes
    -----
    Stars: a Gaussian of 1.2 px over image - sky beyond 3 of its own robust sigma, widened by 3 px. Nebula: cells of 16 px whose
    median lies more than half a pixel's noise above the darkest tenth of the cells; the darker third always counts as sky,
    as too few pixels tell no noise and the darkest alone flatter it.
    """
    known = np.isfinite(image)
    detail = np.where(known, image - sky, np.float32(0.0))
    smooth = ndimage.gaussian_filter(detail, SMOOTHING_PX)
    sigma = float(mad_sigma(smooth[known].astype(np.float64))) if known.any() else 0.0
    stars = ndimage.binary_dilation(smooth > STAR_SIGMAS * sigma, iterations=WIDENED_PX)
    blank = known & ~stars
    h, w = image.shape[0] // CELL_PX * CELL_PX, image.shape[1] // CELL_PX * CELL_PX
    if h == 0 or w == 0:
        return np.asarray(blank)
    rows, columns = h // CELL_PX, w // CELL_PX
    blocks = image[:h, :w].reshape(rows, CELL_PX, columns, CELL_PX).swapaxes(1, 2).reshape(rows, columns, -1)
    level = np.median(blocks, axis=-1)  # NaN where a cell is not wholly covered
    in_order = np.sort(level[np.isfinite(level)])
    if in_order.size < 20:
        return np.asarray(blank)
    darkest = float(np.median(in_order[: max(4, in_order.size // 10)]))
    limit = max(darkest + NEBULA_SIGMAS * noise, float(in_order[in_order.size // 3]))
    sky_cells = np.zeros(image.shape, bool)
    sky_cells[:h, :w] = np.repeat(np.repeat(level <= limit, CELL_PX, axis=0), CELL_PX, axis=1)
    return np.asarray(blank & sky_cells)
