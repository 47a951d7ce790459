"""The uneven sky: a low surface through what is blank, kept as an image of its own, and the honest "not separable".

The image is reduced to medians of cells. Nebula and star light only ever add, so the surface is sought along the lower
edge of the cells: a quantile regression first (Koenker & Bassett 1978), then least squares over the cells that the
surface explains within their noise. A surface is trusted only if such blank cells are many and lie all over the frame;
otherwise gradient and nebula cannot be told apart and the image stays as it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from nightfold.errors import PictureError

Plane32 = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]

CELLS = 40
"""Cells along the longer side."""
LEAST_BLANK = 0.12
"""Share of cells that must be blank. Below it a smooth nebula can imitate blank sky. Our choice, from simulated fields."""
LEAST_BLANK_NEAR = 6
"""Blank cells that each of the four quarters of the frame must have at least, or the surface would hang in the air there."""
LOWER_EDGE = 0.2
BLANK_SIGMA = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """A polynomial surface over the frame, its mean over the frame zero: what to take off.

    `coefficients` belong to the terms of `terms(degree)` in u, v, which run from -1 to 1 over a frame of `shape`
    (height, width). If the gradient could not be told from the nebula, they are zero and `reason` says why.
    """

    shape: tuple[int, int]
    degree: int
    coefficients: tuple[float, ...]
    separable: bool
    blank_share: float
    reason: str = ""

    def evaluate(self, y: slice | None = None, x: slice | None = None) -> Plane32:
        """The surface over rows `y` and columns `x` (all when not given), float32."""
        rows = _axis(self.shape[0])[y or slice(None)]
        columns = _axis(self.shape[1])[x or slice(None)]
        total = np.zeros((rows.size, columns.size), np.float64)
        for c, (i, j) in zip(self.coefficients, terms(self.degree)):
            if c:
                total += c * (columns[None, :] ** i * rows[:, None] ** j - _mean(self.shape, i, j))
        return np.asarray(total, np.float32)


def terms(degree: int) -> list[tuple[int, int]]:
    """Powers (of u, of v) of a full polynomial without its constant, lowest first."""
    return [(n - j, j) for n in range(1, degree + 1) for j in range(n + 1)]


def fit_surface(
    image: Plane32, noise_sigma: float, *, degree: int = 2, stars: Plane32 | None = None, cells: int = CELLS
) -> Surface:
    """The gradient of an image, as far as blank sky tells it.

    Parameters
    ----------
    image : float32 (height, width)
        Linear; NaN is left out.
    noise_sigma : float
        Of a pixel; unit of the image.
    degree : int
        Of the surface, 1 to 3.
    stars : float32 (height, width), optional
        Light of stars to be taken off first; without it the cells' medians must do.
    """
    if not 1 <= degree <= 3:
        raise PictureError("the degree of the sky surface is impossible", seen=f"{degree}", allowed="1 to 3")
    shape = (image.shape[0], image.shape[1])
    plain = image if stars is None else image - stars
    size = max(8, round(max(shape) / cells))
    level, count = cell_levels(plain, size)
    v, u = np.meshgrid(
        _cell_axis(shape[0], size, level.shape[0]), _cell_axis(shape[1], size, level.shape[1]), indexing="ij"
    )
    known = np.isfinite(level)
    if known.sum() < 20:
        return _none(shape, degree, 0.0, "too little of the frame is covered")
    values = level[known]
    design = np.column_stack([np.ones(values.size)] + [u[known] ** i * v[known] ** j for i, j in terms(degree)])
    # A median has pi/2 the variance of a mean; resampling correlates neighbours, which halves what a cell averages.
    sigma = noise_sigma * np.sqrt(np.pi / 2.0 * 2.0 / count[known])
    sigma = np.maximum(sigma, 1e-9 * (np.abs(values).max() + 1e-30))
    blank, solution = _lower_surface(design, values, sigma, known)
    share = float(blank.mean())
    if share < LEAST_BLANK:
        return _none(shape, degree, share, f"only {share:.0%} of the frame is blank sky")
    quarters = [int(np.sum(blank & (u[known] * a > 0) & (v[known] * b > 0))) for a in (-1, 1) for b in (-1, 1)]
    if min(quarters) < LEAST_BLANK_NEAR:
        return _none(shape, degree, share, "a quarter of the frame has no blank sky")
    return Surface(
        shape=shape,
        degree=degree,
        coefficients=tuple(float(c) for c in solution[1:]),
        separable=True,
        blank_share=share,
    )


def cell_levels(image: Plane32, size: int) -> tuple[FloatArray, FloatArray]:
    """Medians of `size` x `size` cells and the pixels in each; NaN where less than half is covered. Edges are cut."""
    ny, nx = max(1, image.shape[0] // size), max(1, image.shape[1] // size)
    h, w = min(image.shape[0], ny * size), min(image.shape[1], nx * size)
    blocks = image[:h, :w].reshape(ny, h // ny, nx, w // nx).swapaxes(1, 2).reshape(ny, nx, -1)
    finite = np.isfinite(blocks)
    count = finite.sum(axis=-1).astype(np.float64)
    level = np.full((ny, nx), np.nan)
    full = count == blocks.shape[-1]
    level[full] = np.median(blocks[full], axis=-1)
    partly = ~full & (count >= 0.5 * blocks.shape[-1])
    if partly.any():
        level[partly] = np.nanmedian(blocks[partly], axis=-1)
    return level, np.maximum(count, 1.0)


def _lower_surface(
    design: FloatArray, values: FloatArray, sigma: FloatArray, known: npt.NDArray[np.bool_]
) -> tuple[npt.NDArray[np.bool_], FloatArray]:
    """Blank cells and the surface through them."""
    solution = _quantile_fit(design, values, LOWER_EDGE)
    blank = np.ones(values.size, bool)
    for _ in range(30):
        residual = values - design @ solution
        # The lower edge lies a little low: the blank level is the densest place of the residuals within a few sigma.
        centre = _mode(residual, sigma)
        new = np.abs(residual - centre) < BLANK_SIGMA * sigma
        new &= ~_near_bright(residual - centre > 6.0 * sigma, known)
        if new.sum() < 2 * design.shape[1]:
            return new, solution
        w = 1.0 / sigma[new]
        solution = np.asarray(np.linalg.lstsq(design[new] * w[:, None], values[new] * w, rcond=None)[0], np.float64)
        if np.array_equal(new, blank):
            break
        blank = new
    return blank, solution


def _quantile_fit(design: FloatArray, values: FloatArray, quantile: float) -> FloatArray:
    """Quantile regression by iterated reweighting."""
    solution = np.linalg.lstsq(design, values, rcond=None)[0]
    scale = max(float(np.std(values)), 1e-30)
    for turn in range(40):
        residual = values - design @ solution
        weight = np.where(residual > 0, quantile, 1.0 - quantile) / np.maximum(
            np.abs(residual), scale * max(1e-3, 0.5 ** (turn + 1))
        )
        root = np.sqrt(weight)
        solution = np.linalg.lstsq(design * root[:, None], values * root, rcond=None)[0]
    return np.asarray(solution, np.float64)


def _mode(residual: FloatArray, sigma: FloatArray) -> float:
    """The densest place of the residuals, on the scale of their noise, the lowest if several are alike."""
    width = 1.5 * float(np.median(sigma))
    ordered = np.sort(residual)
    inside = np.searchsorted(ordered, ordered + 2.0 * width, side="right") - np.arange(ordered.size)
    dense = np.flatnonzero(inside >= 0.8 * inside.max())
    first = int(dense[0])
    return float(np.median(ordered[first : first + inside[first]]))


def _near_bright(bright: npt.NDArray[np.bool_], known: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Known cells beside a bright one: sources are grown by a cell, for nebulae have no edge."""
    grid = np.zeros(known.shape, bool)
    grid[known] = bright
    return np.asarray(ndimage.binary_dilation(grid, iterations=1)[known])


def _axis(size: int) -> FloatArray:
    return np.linspace(-1.0, 1.0, size) if size > 1 else np.zeros(1)


def _cell_axis(size: int, cell: int, count: int) -> FloatArray:
    centres = (np.arange(count) + 0.5) * (min(size, count * cell) / count) - 0.5
    return np.asarray(2.0 * centres / max(size - 1, 1) - 1.0)


def _mean(shape: tuple[int, int], i: int, j: int) -> float:
    return float(np.mean(_axis(shape[1]) ** i) * np.mean(_axis(shape[0]) ** j))


def _none(shape: tuple[int, int], degree: int, share: float, reason: str) -> Surface:
    zero = (0.0,) * len(terms(degree))
    return Surface(shape=shape, degree=degree, coefficients=zero, separable=False, blank_share=share, reason=reason)


def surface_from_pixels(coefficients: Sequence[float], box: tuple[int, int, int, int], *, degree: int = 2) -> Surface:
    """A polynomial over plain pixels (1, x, y, x², xy, y²) as a surface over an inclusive box (x0, y0, x1, y1) of them.

    The same polynomial in u and v; its mean over the box is dropped, as of every surface here.
    """
    x0, y0, x1, y1 = box
    v, u = np.meshgrid(np.linspace(-1, 1, 5), np.linspace(-1, 1, 5), indexing="ij")
    x, y = x0 + 0.5 * (u + 1.0) * (x1 - x0), y0 + 0.5 * (v + 1.0) * (y1 - y0)
    values = sum(c * term for c, term in zip(coefficients, (np.ones_like(x), x, y, x * x, x * y, y * y)))
    design = np.column_stack([np.ones(u.size)] + [(u**i * v**j).ravel() for i, j in terms(degree)])
    solution = np.linalg.lstsq(design, np.asarray(values).ravel(), rcond=None)[0]
    return Surface(
        shape=(y1 - y0 + 1, x1 - x0 + 1),
        degree=degree,
        coefficients=tuple(float(c) for c in solution[1:]),
        separable=True,
        blank_share=0.0,
        reason="from what differs between the subs",
    )
