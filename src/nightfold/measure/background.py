"""The sky of one sub on a coarse mesh, its value at any pixel, and the noise of single pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from nightfold.kernels.background import cell_skies, halve, mean_square_within, second_differences
from nightfold.measure.records import SkyMesh

Plane = npt.NDArray[np.float32]
Bits = npt.NDArray[np.uint8]

NO_BITS: Bits = np.zeros((1, 1), np.uint8)
LEAST_SHARE = 0.3
"""A cell with fewer finite pixels than this share gives no sky."""
LARGE_FRAME_PX = 3_000_000
"""Frames above this size are searched, and their sky taken, on means of 2x2 pixels."""


@dataclass(frozen=True, slots=True)
class Binned:
    """A frame on a coarser grid: means over `factor` x `factor` pixels, NaN where none was good."""

    pixels: Plane
    factor: int

    def to_full(self, position: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Binned coordinates as coordinates of the frame as stored."""
        return (np.asarray(position, np.float64) + 0.5) * self.factor - 0.5


def bin_frame(
    image: Plane, factor: int, *, bits: Bits | None = None, saturation_e: float = math.inf
) -> tuple[Binned, int]:
    """The frame on a grid coarser by `factor` (a power of two), and the number of saturated pixels.

    `bits` (uint8, shape of the image) leaves out pixels with bit 1 and counts those with bit 2 as saturated.
    """
    saturated = 0
    if factor == 1:
        if bits is not None:
            saturated = int(np.count_nonzero((bits & 2 != 0) | (image >= saturation_e)))
            image = np.where(bits & 1 != 0, np.float32(np.nan), image)
        elif math.isfinite(saturation_e):
            saturated = int(np.count_nonzero(image >= saturation_e))
        return Binned(image, 1), saturated
    done = 1
    while done < factor and min(image.shape) >= 2:
        out = np.empty((image.shape[0] // 2, image.shape[1] // 2), np.float32)
        first = done == 1
        masked = first and bits is not None
        limit = np.float32(saturation_e if first else math.inf)
        count = int(
            halve(image, bits if masked else NO_BITS, masked, limit if limit < np.inf else np.float32(np.nan), out)
        )
        saturated += count if first else 0
        image = out
        done *= 2
    return Binned(image, done), saturated


def sky_mesh(image: npt.ArrayLike, *, mesh_px: int = 64, bad: npt.NDArray[np.bool_] | None = None) -> SkyMesh:
    """The clipped sky level and scatter of each cell of about `mesh_px` x `mesh_px` pixels.

    Parameters
    ----------
    image : array, shape (height, width), electrons
        NaN and infinite pixels are left out, and so is `bad` (True: leave out).

    Returns
    -------
    SkyMesh
        Cells that stand out of all their neighbours take the neighbours' median. NaN where a cell has less than 30 % good pixels; `evaluate` bridges those. A nebula wider
        than a cell counts as sky here, which is what the measuring of stars needs.
    """
    plane = np.ascontiguousarray(image, dtype=np.float32)
    factor = 2 if plane.size > LARGE_FRAME_PX else 1
    binned, _ = bin_frame(plane, factor, bits=None if bad is None else np.ascontiguousarray(bad).view(np.uint8))
    return mesh_of(binned, mesh_px=mesh_px)


def mesh_of(binned: Binned, *, mesh_px: int, ceiling_e: float = math.inf) -> SkyMesh:
    """The sky mesh of a binned frame, in pixels of the full one; cells at or above `ceiling_e` give NaN."""
    pixels = binned.pixels
    y_edges, x_edges = (_edges(n, max(8, mesh_px // binned.factor)) for n in pixels.shape)
    level = np.full((len(y_edges) - 1, len(x_edges) - 1), np.nan)
    sigma = level.copy()
    cell_skies(pixels, y_edges, x_edges, LEAST_SHARE, level, sigma)
    # Photon noise is skewed: its mode estimate lies 2.5 times mean - median = variance share / 6 too low.
    # A variance well below the level is no photon noise in electrons: then the units differ, and nothing is known.
    photon_share = np.maximum(level, 0.0) / np.maximum((sigma * binned.factor) ** 2, 1e-12)
    level += 2.5 / 6.0 * np.where(photon_share < 1.5, np.minimum(photon_share, 1.0), 0.0) / binned.factor**2
    hopeless = ~(level < ceiling_e)
    level[hopeless] = np.nan
    sigma[hopeless] = np.nan
    return SkyMesh(
        x_px=binned.to_full(0.5 * (x_edges[1:] + x_edges[:-1] - 1)),
        y_px=binned.to_full(0.5 * (y_edges[1:] + y_edges[:-1] - 1)),
        level_e=_without_spikes(level, sigma),
        sigma_e=_median3(sigma) * binned.factor,
    )


def evaluate(mesh: SkyMesh, shape: tuple[int, int], *, rows: slice | None = None, scatter: bool = False) -> Plane:
    """The sky level (or with `scatter` its sigma) at every pixel of a frame of `shape`, electrons, float32.

    Local cubic interpolation (Catmull & Rom 1974) between the cell centres, straight lines beyond the outer ones. `rows`
    asks for a part of the frame. Cells without sky are bridged from their neighbours; all NaN if there is none at all.
    """
    span = rows if rows is not None else slice(None)
    y = np.arange(shape[0])[span]
    table = spread_along_x(mesh.sigma_e if scatter else mesh.level_e, mesh.x_px, np.arange(shape[1]))
    return np.asarray(_blend_matrix(mesh.y_px, y) @ table, dtype=np.float32)


def sky_at(mesh: SkyMesh, x: npt.ArrayLike, y: npt.ArrayLike, *, scatter: bool = False) -> npt.NDArray[np.float64]:
    """The same surface as `evaluate`, at points only, float64."""
    table = _with_ghosts(filled(mesh.sigma_e if scatter else mesh.level_e))
    jy, wy = row_blend(mesh.y_px, y)
    jx, wx = row_blend(mesh.x_px, x)
    four = np.arange(4)
    patch = table[(jy[:, None] + four)[:, :, None], (jx[:, None] + four)[:, None, :]]
    return np.asarray(np.einsum("nj,nji,ni->n", wy, patch, wx), dtype=np.float64)


def spread_along_x(values: npt.NDArray[np.float64], x_px: npt.NDArray[np.float64], x: npt.ArrayLike) -> Plane:
    """Mesh values at every `x`, with two straight-line ghost rows above and below for `row_blend`, float32."""
    table = _with_ghosts(filled(values)).astype(np.float32)
    return np.ascontiguousarray(table @ _blend_matrix(x_px, x).T)


def _blend_matrix(centres: npt.NDArray[np.float64], position: npt.ArrayLike) -> Plane:
    """The weights of `row_blend` as a matrix (positions, ghosted mesh); the same ones serve all subs of a camera."""
    return _kept_blend_matrix(centres.tobytes(), np.asarray(position, np.float64).tobytes())


@lru_cache(maxsize=8)
def _kept_blend_matrix(centre_bytes: bytes, position_bytes: bytes) -> Plane:
    centres, position = np.frombuffer(centre_bytes), np.frombuffer(position_bytes)
    first, weights = row_blend(centres, position)
    matrix = np.zeros((first.size, max(centres.size, 1) + 4), np.float32)
    np.put_along_axis(matrix, first[:, None] + np.arange(4), weights, axis=1)
    matrix.flags.writeable = False
    return matrix


def row_blend(centres: npt.NDArray[np.float64], position: npt.ArrayLike) -> tuple[npt.NDArray[np.int64], Plane]:
    """Index of the first of four ghosted mesh rows, and their weights (n, 4), at each position."""
    p = np.asarray(position, np.float64)
    if centres.size == 1:
        u = np.zeros(p.size)
        last = 0
    else:
        last = centres.size - 1
        u = np.interp(p, centres, np.arange(centres.size))
        u = np.where(p < centres[0], (p - centres[0]) / (centres[1] - centres[0]), u)
        u = np.where(p > centres[-1], last + (p - centres[-1]) / (centres[-1] - centres[-2]), u)
    u = np.clip(u, -1.0, last + 1.0 - 1e-9)
    cell = np.floor(u).astype(np.int64)
    t = u - cell
    weights = np.stack(
        [
            -0.5 * t + t**2 - 0.5 * t**3,
            1.0 - 2.5 * t**2 + 1.5 * t**3,
            0.5 * t + 2.0 * t**2 - 1.5 * t**3,
            -0.5 * t**2 + 0.5 * t**3,
        ],
        axis=1,
    )
    return cell + 1, weights.astype(np.float32)


def filled(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """The mesh with NaN cells bridged by the mean of their known neighbours, ring by ring."""
    out = values.copy()
    while np.isnan(out).any() and np.isfinite(out).any():
        around = _neighbours(out)
        known = np.isfinite(around)
        count = known.sum(axis=0)
        mean = np.where(known, around, 0.0).sum(axis=0) / np.maximum(count, 1)
        out = np.where(np.isnan(out) & (count > 0), mean, out)
    return out


def pixel_noise_e(image: npt.ArrayLike, *, most_samples: int = 400_000) -> float:
    """Noise of single pixels from second differences at lag 2, 2 x_i - x_(i-2) - x_(i+2), over sqrt 6.

    Stoehr et al. 2008 (ASP 394, 505) take the median of the absolute differences; here that only starts a 3-sigma clip
    whose standard deviation is used, because the median of whole-numbered data moves in steps. NaN for no pixels.
    """
    plane = np.asarray(image)
    if plane.ndim != 2 or plane.shape[1] < 5:
        return float("nan")
    plane = np.ascontiguousarray(plane, np.float32)
    step = max(1, plane.size // most_samples)
    first = (step - 1) // 2
    room = max(0, -(-(plane.shape[0] - first) // step)) * (plane.shape[1] - 4)
    magnitude = np.empty(room + 1, np.float32)
    magnitude = magnitude[: int(second_differences(plane, first, step, magnitude))]
    if magnitude.size < 8:
        return float("nan")
    sigma = 1.482602 * float(np.median(magnitude[:: max(1, magnitude.size // 40_000)]))
    sigma = sigma or float(np.quantile(magnitude, 0.9))
    for _ in range(10):
        square = float(mean_square_within(magnitude, 3.0 * sigma))
        new = math.sqrt(square) / 0.98658 if math.isfinite(square) else sigma  # survivors of 3 sigma, CHECKS S3
        if abs(new - sigma) <= 1e-4 * sigma:
            break
        sigma = new
    return sigma / math.sqrt(6.0)


def _edges(length: int, cell: int) -> npt.NDArray[np.int64]:
    """Borders of nearly equal cells that cover 0..length."""
    return np.rint(np.linspace(0, length, max(1, round(length / cell)) + 1)).astype(np.int64)


def _neighbours(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """The 3x3 neighbourhoods, shape (9, ny, nx), NaN beyond the border."""
    ny, nx = values.shape
    wide = np.pad(values, 1, constant_values=np.nan)
    return np.stack([wide[j : j + ny, i : i + nx] for j in range(3) for i in range(3)])


def _without_spikes(level: npt.NDArray[np.float64], sigma: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """The mesh with cells replaced by the 3x3 median where they stand out of what their neighbours do.

    A plain 3x3 median would cut the tops of nebulae as well; there the neighbours differ as much.
    """
    if min(level.shape) < 3:
        return level
    smooth = _median3(level)
    apart = np.abs(_neighbours(level) - smooth)
    known = np.isfinite(apart)
    ordered = np.sort(np.where(known, apart, np.inf), axis=0)
    typical = np.take_along_axis(ordered, np.maximum(known.sum(axis=0) // 2, 0)[None], axis=0)[0]
    spike = np.abs(level - smooth) > 4.0 * typical + 0.1 * sigma
    return np.where(spike, smooth, level)


def _median3(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """3x3 median over finite cells; a NaN cell stays NaN. Borders use a window mirrored about the cell, so a gradient stays."""
    if min(values.shape) < 3:
        return values
    # Mirrored through the border cell (odd reflection), a plane passes the filter unchanged at the border as well.
    wide = np.pad(values, 1, mode="reflect", reflect_type="odd")
    ny, nx = values.shape
    around = np.sort(np.stack([wide[j : j + ny, i : i + nx] for j in range(3) for i in range(3)]), axis=0)
    count = np.isfinite(around).sum(axis=0)
    low = np.take_along_axis(around, np.maximum(count - 1, 0)[None] // 2, axis=0)[0]
    high = np.take_along_axis(around, np.minimum(count // 2, 8)[None], axis=0)[0]
    return np.where(np.isnan(values), np.nan, 0.5 * (low + high))


def _with_ghosts(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Two more rows and columns on every side, on the straight line through the outer two."""
    for axis in (0, 1):
        v = np.moveaxis(values, axis, 0)
        if v.shape[0] == 1:
            v = np.concatenate([v] * 5)
        else:
            first, last = v[0], v[-1]
            down, up = first - v[1], last - v[-2]
            v = np.concatenate([[first + 2 * down, first + down], v, [last + up, last + 2 * up]])
        values = np.moveaxis(v, 0, axis)
    return values
