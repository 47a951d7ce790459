"""Stars drawn without any code of the package: profiles summed on a fine grid, then counted as photons."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Profile = Callable[[Array, Array], Array]


def gaussian(fwhm: float, axis_ratio: float = 1.0, angle_deg: float = 0.0) -> Profile:
    """Unit-flux Gaussian; `fwhm` is the geometric mean of both axes."""
    sigma = fwhm / 2.3548200450309493
    a, b = sigma / np.sqrt(axis_ratio), sigma * np.sqrt(axis_ratio)
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))

    def profile(dx: Array, dy: Array) -> Array:
        u, v = c * dx + s * dy, -s * dx + c * dy
        return np.exp(-0.5 * ((u / a) ** 2 + (v / b) ** 2)) / (2 * np.pi * a * b)

    return profile


def moffat(fwhm: float, beta: float, axis_ratio: float = 1.0, angle_deg: float = 0.0) -> Profile:
    """Unit-flux Moffat profile (Moffat 1969)."""
    alpha = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    a, b = alpha / np.sqrt(axis_ratio), alpha * np.sqrt(axis_ratio)
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))

    def profile(dx: Array, dy: Array) -> Array:
        u, v = c * dx + s * dy, -s * dx + c * dy
        return (beta - 1) / (np.pi * a * b) * (1 + (u / a) ** 2 + (v / b) ** 2) ** -beta

    return profile


def trailed(fwhm: float, length: float) -> Profile:
    """Gaussian star smeared evenly over `length` along x."""
    base = gaussian(fwhm)
    steps = (np.arange(41) - 20) / 41 * length

    def profile(dx: Array, dy: Array) -> Array:
        return sum(base(dx - s, dy) for s in steps) / steps.size

    return profile


def ring(outer: float, inner: float) -> Profile:
    """Evenly lit ring: a star far out of focus behind a central obstruction."""

    def profile(dx: Array, dy: Array) -> Array:
        r = np.hypot(dx, dy)
        return ((r < outer) & (r > inner)) / (np.pi * (outer**2 - inner**2))

    return profile


def draw(
    shape: tuple[int, int], x: Array, y: Array, flux: Array, profile: Profile, *, reach: int = 24, fine: int = 5
) -> Array:
    """Expected electrons of the stars: each pixel is the mean of fine x fine samples of the profile."""
    image = np.zeros(shape)
    sub = (np.arange(fine) + 0.5) / fine - 0.5
    for px, py, f in zip(x, y, flux, strict=True):
        cx, cy = round(float(px)), round(float(py))
        xs = np.arange(max(0, cx - reach), min(shape[1], cx + reach + 1))
        ys = np.arange(max(0, cy - reach), min(shape[0], cy + reach + 1))
        if xs.size == 0 or ys.size == 0:
            continue
        dx = (xs[:, None] + sub).ravel() - px
        dy = (ys[:, None] + sub).ravel() - py
        stamp = profile(dx[None, :], dy[:, None])
        stamp = stamp.reshape(ys.size, fine, xs.size, fine).mean(axis=(1, 3))
        image[ys[0] : ys[-1] + 1, xs[0] : xs[-1] + 1] += f * stamp
    return image


def field(
    rng: np.random.Generator,
    n: int,
    shape: tuple[int, int],
    *,
    low: float,
    high: float,
    margin: float = 20.0,
    apart: float = 0.0,
) -> tuple[Array, Array, Array]:
    """Random places (no two nearer than `apart`) and fluxes, as many per factor in flux."""  # fmt: skip
    margin = min(margin, 0.25 * min(shape))
    places: list[tuple[float, float]] = []
    while len(places) < n:
        p = (rng.uniform(margin, shape[1] - 1 - margin), rng.uniform(margin, shape[0] - 1 - margin))
        if apart == 0.0 or all((p[0] - q[0]) ** 2 + (p[1] - q[1]) ** 2 > apart**2 for q in places):
            places.append(p)
    flux = np.exp(rng.uniform(np.log(low), np.log(high), n))
    return np.array([p[0] for p in places]), np.array([p[1] for p in places]), flux


def exposed(
    rng: np.random.Generator, light: Array, *, sky: float | Array, read_noise: float
) -> npt.NDArray[np.float32]:
    """Photon and read noise on the light and the sky."""
    return (rng.poisson(light + sky) + rng.normal(0.0, read_noise, light.shape)).astype(np.float32)
