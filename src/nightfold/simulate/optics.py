"""Light onto pixels: stars with exact sub-pixel integration, the nebula, ghosts and trails.

Loops of our own, apart from `nightfold.kernels`. Pixel centres are integers; images are float32 electrons, sums float64.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

FloatArray = npt.NDArray[np.float64]
Image = npt.NDArray[np.float32]

# Gauss-Legendre nodes on a pixel of half width 0.5 and their weights, of 5 and 2 points.
_FIVE, _FIVE_W = (0.5 * a for a in np.polynomial.legendre.leggauss(5))
_TWO, _TWO_W = (0.5 * a for a in np.polynomial.legendre.leggauss(2))

COMA_PLACES = np.array([-0.32, 0.35, 1.406])
COMA_SHARES = np.array([0.68, 0.22, 0.10])
"""A comatic image as three displaced copies along the radius; their centre of light is the star's own place."""


@njit(nogil=True, cache=True, error_model="numpy")
def _paint_moffats(out, x, y, peak, cov_xx, cov_xy, cov_yy, reach, beta, n5, w5, n2, w2):  # type: ignore[no-untyped-def]
    """Add elliptical Moffats minus their value at q = reach, each pixel integrated by Gauss-Legendre quadrature."""
    height, width = out.shape
    cubic = beta == 3.0
    for s in range(x.size):
        det = cov_xx[s] * cov_yy[s] - cov_xy[s] * cov_xy[s]
        ixx, ixy, iyy = cov_yy[s] / det, -cov_xy[s] / det, cov_xx[s] / det
        half_x = math.sqrt(reach[s] * cov_xx[s]) + 1.0
        half_y = math.sqrt(reach[s] * cov_yy[s]) + 1.0
        x0, x1 = max(0, math.ceil(x[s] - half_x)), min(width - 1, math.floor(x[s] + half_x))
        y0, y1 = max(0, math.ceil(y[s] - half_y)), min(height - 1, math.floor(y[s] + half_y))
        edge = (1.0 + reach[s]) ** -beta
        for j in range(y0, y1 + 1):
            dy = j - y[s]
            for i in range(x0, x1 + 1):
                dx = i - x[s]
                q = ixx * dx * dx + 2.0 * ixy * dx * dy + iyy * dy * dy
                if q < 9.0:
                    nodes, weights = n5, w5
                elif q < 60.0:
                    nodes, weights = n2, w2
                else:
                    if q < reach[s]:
                        t = 1.0 + q
                        value = 1.0 / (t * t * t) if cubic else t**-beta
                        out[j, i] += peak[s] * (value - edge)
                    continue
                total = 0.0
                for b in range(nodes.size):
                    py = dy + nodes[b]
                    row = 0.0
                    for a in range(nodes.size):
                        px = dx + nodes[a]
                        t = 1.0 + ixx * px * px + 2.0 * ixy * px * py + iyy * py * py
                        value = 1.0 / (t * t * t) if cubic else t**-beta
                        row += weights[a] * max(value - edge, 0.0)
                    total += weights[b] * row
                out[j, i] += peak[s] * total


def paint_stars(
    out: Image, xy: FloatArray, flux_e: FloatArray, cov_px2: FloatArray, *, beta: float, faintest_e: float = 0.01
) -> None:
    """Add Moffat images of stars to `out`; each keeps its whole flux on an endless frame to 1e-4.

    Parameters
    ----------
    out : array (height, width), float32, electrons
        Written in place.
    xy : array (n, 2)
        Places in pixels, may lie outside.
    flux_e : array (n,)
        Electrons of the whole profile.
    cov_px2 : array (n, 3)
        xx, xy, yy of the matrix C in I ∝ (1 + dᵀ C⁻¹ d)^-beta; round stars have C = alpha² on the diagonal
        (Moffat 1969), alpha = FWHM / (2 √(2^(1/beta) − 1)).
    beta : float
        Above 1.
    faintest_e : float
        A profile ends, smoothly, where its surface falls below this.
    """
    det = np.sqrt(cov_px2[:, 0] * cov_px2[:, 2] - cov_px2[:, 1] ** 2)
    central = flux_e * (beta - 1.0) / (np.pi * det)
    least = np.where(flux_e < 30.0, 12.0, 60.0)
    with np.errstate(divide="ignore"):
        reach = np.maximum((np.maximum(central, 1e-30) / faintest_e) ** (1.0 / beta) - 1.0, least)
    reach = np.minimum(reach, 600.0**2 / np.maximum(cov_px2[:, 0], cov_px2[:, 2]))
    # Closed integral of the profile less its edge value over the ellipse q <= reach.
    inside = (1.0 - (1.0 + reach) ** (1.0 - beta)) / (beta - 1.0) - reach * (1.0 + reach) ** -beta
    columns = [
        np.ascontiguousarray(c) for c in (xy[:, 0], xy[:, 1], flux_e / (np.pi * det * inside), *cov_px2.T, reach)
    ]
    x, y, peak, cov_xx, cov_xy, cov_yy, ends = columns
    _paint_moffats(out, x, y, peak, cov_xx, cov_xy, cov_yy, ends, float(beta), _FIVE, _FIVE_W, _TWO, _TWO_W)


@njit(nogil=True, cache=True, error_model="numpy")
def _paint_texture(out, texture, inverse, offset, centre, distortion, first, per_texel, factor):  # type: ignore[no-untyped-def]
    """Add factor × texture seen through a map; cubic convolution (Keys 1981, a = -1/2)."""
    height, width = out.shape
    n_y, n_x = texture.shape
    wx = np.empty(4)
    wy = np.empty(4)
    for j in range(height):
        for i in range(width):
            dx, dy = i - centre[0], j - centre[1]
            if distortion != 0.0:
                shrink = 1.0
                r2 = distortion * (dx * dx + dy * dy)
                for _ in range(6):
                    shrink = 1.0 / (1.0 + r2 * shrink * shrink)
                dx, dy = dx * shrink, dy * shrink
            east = inverse[0, 0] * dx + inverse[0, 1] * dy + offset[0]
            north = inverse[1, 0] * dx + inverse[1, 1] * dy + offset[1]
            tx, ty = (east - first[0]) / per_texel, (north - first[1]) / per_texel
            ix, iy = math.floor(tx), math.floor(ty)
            if ix < 1 or iy < 1 or ix > n_x - 3 or iy > n_y - 3:
                continue
            fx, fy = tx - ix, ty - iy
            wx[0] = ((-0.5 * fx + 1.0) * fx - 0.5) * fx
            wx[1] = (1.5 * fx - 2.5) * fx * fx + 1.0
            wx[2] = ((-1.5 * fx + 2.0) * fx + 0.5) * fx
            wx[3] = (0.5 * fx - 0.5) * fx * fx
            wy[0] = ((-0.5 * fy + 1.0) * fy - 0.5) * fy
            wy[1] = (1.5 * fy - 2.5) * fy * fy + 1.0
            wy[2] = ((-1.5 * fy + 2.0) * fy + 0.5) * fy
            wy[3] = (0.5 * fy - 0.5) * fy * fy
            total = 0.0
            for b in range(4):
                row = texture[iy - 1 + b]
                total += wy[b] * (wx[0] * row[ix - 1] + wx[1] * row[ix] + wx[2] * row[ix + 1] + wx[3] * row[ix + 2])
            out[j, i] += factor * max(total, 0.0)


def paint_texture(
    out: Image,
    texture: Image,
    *,
    extent_arcsec: float,
    texture_centre_arcsec: tuple[float, float],
    matrix: FloatArray,
    centre_px: tuple[float, float],
    distortion_per_px2: float,
    factor: float,
) -> None:
    """Add `factor` × a square texture on the sky as a frame sees it; `matrix` (2, 3) maps sky arcsec to undistorted px.

    The texture is band-limited to well above a pixel, so its value at the pixel's centre is its mean over the pixel.
    """
    inverse = np.linalg.inv(matrix[:, :2])
    offset = inverse @ (np.asarray(centre_px) - matrix[:, 2])
    per_texel = extent_arcsec / texture.shape[0]
    first = np.asarray(texture_centre_arcsec) - (texture.shape[0] - 1) / 2.0 * per_texel
    _paint_texture(
        out,
        texture,
        np.ascontiguousarray(inverse),
        offset,
        np.asarray(centre_px, dtype=np.float64),
        float(distortion_per_px2),
        first,
        float(per_texel),
        float(factor),
    )


@njit(nogil=True, cache=True, error_model="numpy")
def _paint_trail(out, x0, y0, x1, y1, peak, fwhm, ripple, period):  # type: ignore[no-untyped-def]
    """Add a straight trail of Gaussian profile and finite ends."""
    height, width = out.shape
    length = math.hypot(x1 - x0, y1 - y0)
    ux, uy = (x1 - x0) / length, (y1 - y0) / length
    k = 4.0 * math.log(2.0) / (fwhm * fwhm)
    for j in range(height):
        for i in range(width):
            dx, dy = i - x0, j - y0
            across = dx * uy - dy * ux
            if abs(across) > 3.0 * fwhm:
                continue
            along = dx * ux + dy * uy
            beyond = max(-along, along - length, 0.0)
            if beyond > 3.0 * fwhm:
                continue
            light = peak * math.exp(-k * (across * across + beyond * beyond))
            out[j, i] += light * (1.0 + ripple * math.sin(2.0 * math.pi * along / period))


def paint_trail(
    out: Image,
    start: tuple[float, float],
    end: tuple[float, float],
    *,
    peak_e: float,
    fwhm_px: float,
    ripple: float = 0.0,
    period_px: float = 200.0,
) -> None:
    """Add a satellite's trail from `start` to `end` (pixels); `ripple` is the share by which a tumbling one varies."""
    _paint_trail(out, *map(float, (*start, *end, peak_e, fwhm_px, ripple, period_px)))


def paint_ghost(out: Image, xy: tuple[float, float], *, flux_e: float, radius_px: float, hole: float = 0.35) -> None:
    """Add an out-of-focus reflection: a disc with a darker middle and a soft rim, `flux_e` in all."""
    height, width = out.shape
    reach = radius_px + 3.0
    x0, x1 = max(0, math.floor(xy[0] - reach)), min(width, math.ceil(xy[0] + reach) + 1)
    y0, y1 = max(0, math.floor(xy[1] - reach)), min(height, math.ceil(xy[1] + reach) + 1)
    if x0 >= x1 or y0 >= y1:
        return
    y, x = np.ogrid[y0:y1, x0:x1]
    r = np.hypot(x - xy[0], y - xy[1])
    disc = np.clip((radius_px - r) / 2.0 + 0.5, 0.0, 1.0) * (
        1.0 - 0.4 * np.clip((hole * radius_px - r) / 2.0, 0.0, 1.0)
    )
    out[y0:y1, x0:x1] += (disc * (flux_e / (np.pi * radius_px**2 * (1.0 - 0.4 * hole**2)))).astype(np.float32)
