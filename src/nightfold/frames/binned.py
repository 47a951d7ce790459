"""Small copies of raw frames for a first look: blocks of pixels averaged, colours of a mosaic kept apart.

They are written into a folder of the campaign's own and thrown away with it; the raw files are only read.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import numpy.typing as npt
from astropy.io import fits

from nightfold.frames.header import read_header
from nightfold.frames.pixels import read_all
from nightfold.frames.write import write_fits

Plane = npt.NDArray[np.float32]

MOST_PX = 3200
"""Width up to which a frame is quick enough as it is: stars of three pixels keep one and a half when 26 megapixels are halved."""
BAND_ROWS = 32

_PIXEL_SIZES = ("XPIXSZ", "YPIXSZ", "PIXSIZE1", "PIXSIZE2", "PIXSIZE", "PIXELSZ")
_OF_THE_IMAGE = ("BZERO", "BSCALE", "BLANK", "CHECKSUM", "DATASUM", "ZIMAGE", "ZTENSION")
_OF_PLACES = (
    "CRPIX",
    "CRVAL",
    "CD1_",
    "CD2_",
    "PC1_",
    "PC2_",
    "CDELT",
    "CTYPE",
    "CUNIT",
    "CROTA",
    "A_",
    "B_",
    "AP_",
    "BP_",
)


def factor_for(width_px: int, most_px: int = MOST_PX) -> int:
    """Pixels averaged along each side, so that no more than `most_px` remain across."""
    return max(1, -(-width_px // most_px))


def bin_plane(image: npt.NDArray[np.floating], factor: int, *, mosaic: bool = False) -> Plane:
    """Means of blocks of `factor` x `factor` pixels; incomplete blocks at the far edges are left out.

    Parameters
    ----------
    image : (height, width)
        Any unit; NaN are gaps, and a block with one is a gap.
    mosaic : bool
        A colour mosaic with a period of two pixels: each block takes pixels of one colour, and the mosaic stays.

    Returns
    -------
    ndarray
        Float32, in the unit of `image`.
    """
    step = 2 if mosaic else 1
    side = factor * step
    height, width = image.shape[0] // side, image.shape[1] // side
    blocks = image[: height * side, : width * side].reshape(height, factor, step, width, factor, step)
    means = np.empty((height, step, width, step), np.float32)
    for first in range(0, height, BAND_ROWS):  # a band stays in the processor's cache while its pixels are added
        band = blocks[first : first + BAND_ROWS]
        total = np.zeros((len(band), step, width, step), np.float64)
        for down in range(factor):
            for right in range(factor):
                total += band[:, down, :, :, right, :]
        means[first : first + BAND_ROWS] = total / factor**2
    return means.reshape(height * step, width * step)


def binned_copies(
    files: Sequence[Path],
    folder: Path,
    *,
    most_px: int | None = None,
    workers: int = 1,
    advance: Callable[[], None] = lambda: None,
) -> list[Path]:
    """Small copies of frames under `folder`, in folders named as theirs; a frame that is small already is given as it is.

    Parameters
    ----------
    most_px : int, optional
        Width of the copies at most; `MOST_PX` by default.
    advance : callable
        Called after each file, from any thread; what it raises ends the work.
    """

    def one(item: tuple[int, Path]) -> Path:
        number, path = item
        header = read_header(path)
        factor = factor_for(header.width_px, most_px or MOST_PX)
        if factor == 1:
            advance()
            return path
        image, _ = read_all(path)
        unit = fits.PrimaryHDU(bin_plane(image, factor, mosaic=bool(header.cfa)))
        for card in _kept(path):
            value = card.value * factor if card.keyword in _PIXEL_SIZES and card.value else card.value
            unit.header.append((card.keyword, value, card.comment), end=True)
        made = folder / f"{number:05d}" / path.parent.name / f"{path.name.split('.')[0]}.fits"
        made.parent.mkdir(parents=True, exist_ok=True)
        write_fits(made, unit)
        advance()
        return made

    with ThreadPoolExecutor(max_workers=max(1, workers)) as pool:
        return list(pool.map(one, enumerate(files)))


def _kept(path: Path) -> list[fits.Card]:
    """Cards that still hold of a smaller image: none of its layout, of its coordinates, or of its check sums."""
    with fits.open(path) as units:
        header = next((u.header for u in units if u.header.get("NAXIS", 0) >= 2), units[0].header)
        return [
            c
            for c in header.cards
            if c.keyword
            and c.keyword not in (*_OF_THE_IMAGE, "SIMPLE", "XTENSION", "BITPIX", "EXTEND", "PCOUNT", "GCOUNT", "COMMENT", "HISTORY")
            and not c.keyword.startswith(("NAXIS", *_OF_PLACES))
        ]  # fmt: skip
