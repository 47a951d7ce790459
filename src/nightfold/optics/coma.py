"""Coma over the field from the skew of star images: size and direction in the middle and how it grows outwards.

Guiding, wind and seeing draw stars out without making them lopsided; coma does, so the skew of `shapes.star_moments` holds
it alone. What skew a coma of a given length leaves is found from third-order coma by rays (Schroeder, Astronomical Optics,
ch. 6) over a Moffat star. In focus the skew goes with the cube of small coma, so a small one hides, and only its upper
limit is told; out of focus it goes with coma and the square of the defocus, which must therefore be known. Lengths are of
tangential coma, from apex to the end of the tail, pixels.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import RBFInterpolator
from scipy.optimize import least_squares

from nightfold.optics.shapes import star_moments
from nightfold.robust import biweight, mad_sigma

FloatArray = npt.NDArray[np.float64]

LEAST_STARS = 12
SAME_STAR_PX = 12.0
"""Stars of several frames within about this are taken for one."""
DITHERED_PX = 48.0
"""A star and its dithered copies, and what lies about it, pull as one."""
COLUMNS, ROWS = 5, 4
BETA = 3.5
"""Of the Moffat profile of seeing; seeing discs have 2.5 to 4.765 (Trujillo et al. 2001)."""
CUBE, SQUARE = 0.0021, 0.03
"""About how skew over coma grows with the squares of coma and defocus; what this misses is tabulated."""
MOST_LENGTH = 4.3
"""Sigmas; stars with longer tails are left out, and where most have them, they are told as this long."""
MOST_BEYOND = 0.5
MOST_DEFOCUS = 1.1
"""Radius of the disc of defocus, in sigmas, beyond which a star is a ring, whose skew tells little."""
LEAN = 0.93
"""Skew s of a star that guiding drew out by e comes out as s - LEAN e s*, both as complex numbers; 0.85 to 1.06 over
comatic Moffat stars of ellipticity up to 0.3 (design/coma_lean.py)."""
MODEL_SHARE = 0.06
"""Error of lengths from the profile of seeing and from elongation. Measured on simulated frames."""
CORNER_SHARE = 0.07
"""Of the corners' coma alone: with coma in the middle it came out 9 % short in focus, on average of 26 simulated sets."""
SHARE_BEYOND = 0.04
"""What is added to that for each sigma by which the longest tails pass MOST_LENGTH: they come out too short."""
OWN_SCATTER = 0.01
"""Skew that pixels and neighbours give bright stars, 1 sigma. Measured on simulated frames without coma."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Coma:
    """Tangential coma. NaN where not measurable; uncertainties are 1 sigma."""

    measured: bool
    sentence: str
    x_px: float  # in the middle of the frame, from apex to tail
    y_px: float
    size_px: float
    uncertainty_px: float
    angle_deg: float  # from +x towards +y
    corner_px: float  # how much is added from the middle to a corner, tail outwards if above 0
    corner_uncertainty_px: float
    least_px: float  # what could have been seen: 3 sigma
    free_x_px: float  # where on the frame coma vanishes; NaN where that is not known
    free_y_px: float
    stars: int


def measure_coma(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    skew_x: npt.ArrayLike,
    skew_y: npt.ArrayLike,
    skew_error: npt.ArrayLike,
    sigma_px: npt.ArrayLike,
    e_x: npt.ArrayLike,
    e_y: npt.ArrayLike,
    *,
    width_px: int,
    height_px: int,
    defocus_px: npt.ArrayLike = 0.0,
) -> Coma:
    """Coma from the moments of the stars of one or many frames, all turned alike.

    Parameters
    ----------
    x, y, skew_x, skew_y, skew_error, sigma_px, e_x, e_y : arrays of shape (n,)
        As in `shapes.Moments`; NaN leaves a star out. Elongations are best the frame's medians: guiding, not noise.
    defocus_px : array of shape (n,) or float
        Radius of the disc that defocus alone makes of each star; 0 in focus. Stars far out of focus are left out.
    """
    columns = [np.asarray(v, np.float64) for v in (x, y, skew_x, skew_y, skew_error, sigma_px, e_x, e_y)]
    columns.append(np.broadcast_to(np.asarray(defocus_px, np.float64), columns[0].shape))
    with np.errstate(invalid="ignore"):
        good = (
            np.isfinite(np.array(columns)).all(axis=0) & (columns[4] < 0.1) & (columns[8] <= MOST_DEFOCUS * columns[5])
        )
    px, py, sx, sy, error, sigma, drawn_x, drawn_y, disc = (c[good] for c in columns)
    # The same star in frame after frame brings the same neighbours: only its noise averages down.
    places = np.unique(np.round(np.column_stack([px, py]) / SAME_STAR_PX), axis=0).shape[0] if px.size else 0
    if places < LEAST_STARS:
        return _not_measured(f"Coma is not measurable: {places} bright stars, at least {LEAST_STARS} are needed.")
    half = 0.5 * np.array([width_px - 1.0, height_px - 1.0])
    diagonal = float(np.hypot(*half))
    rho = (np.column_stack([px, py]) - half) / diagonal
    skew = np.column_stack([sx, sy])
    star = _Stars(rho=rho, sigma=sigma, drawn=drawn_x + 1j * drawn_y, defocus=disc / sigma)
    errors = np.hypot(error, OWN_SCATTER * np.sqrt(px.size / places))
    weights = np.ones(px.size)
    values = _start(star, skew, errors)
    for _ in range(6):
        root = np.sqrt(weights) / errors

        def pulls(v: FloatArray, root: FloatArray = root) -> FloatArray:
            return np.asarray(((_skew_of(v, star) - skew) * root[:, None]).ravel())

        found = least_squares(pulls, values, x_scale=max(0.3 * float(np.median(sigma)), 0.05))
        values = np.asarray(found.x, np.float64)
        off = np.hypot(*(_skew_of(values, star) - skew).T) / errors
        spread = max(float(mad_sigma(np.concatenate([off, -off]))), 0.5)
        weights = np.maximum(biweight(off / spread / 1.5), 1e-6)
        beyond = np.abs(_coma_at(values, star)) > MOST_LENGTH
        if beyond.mean() <= MOST_BEYOND:
            weights[beyond] = 1e-6  # what such a tail's skew would be is not tabulated
    freedom = max(2.0 * float(weights.sum()) - 3.0, 1.0)
    chi2 = max(2.0 * found.cost / freedom, 0.5)
    jacobian = np.asarray(found.jac, np.float64)
    _, around = np.unique(np.round(np.column_stack([px, py]) / DITHERED_PX), axis=0, return_inverse=True)
    covariance = _covariance(jacobian, np.asarray(found.fun, np.float64), np.asarray(around).ravel(), chi2)
    # Skew grows with the cube of a small coma: the slope at a large one knows nothing of how flat it is near none. What the
    # fit loses without the corners' coma, or without the middle's, bounds their errors too.
    worse = chi2 * float(np.max(np.diag(covariance) / np.maximum(np.diag(_covariance_of_all(jacobian, chi2)), 1e-300)))

    def lost(*other: FloatArray) -> float:
        return (min(float((pulls(v) ** 2).sum()) for v in other) - 2.0 * float(found.cost)) / worse

    corner = lost(np.array([*values[:2], 0.0]), np.zeros(3))
    middle = lost(np.array([0.0, 0.0, values[2]]), np.zeros(3))
    covariance[2, 2] = max(covariance[2, 2], values[2] ** 2 / max(corner, 1e-9))
    size2 = float(values[:2] @ values[:2])
    if size2 > 0.0:
        along = float(values[:2] @ covariance[:2, :2] @ values[:2]) / size2
        covariance[:2, :2] *= max(1.0, size2 / max(middle, 1e-9) / max(along, 1e-300))
    # Of the mean skew, whatever coma made it: what would have been seen.
    each = weights / errors**2
    least = _least(star, each, 3.0 * float(np.sqrt(worse / each.sum())))
    longest = float(np.quantile(np.abs(_coma_at(values, star)), 0.95))
    share = MODEL_SHARE + SHARE_BEYOND * max(longest - MOST_LENGTH, 0.0)
    return _told(values, np.asarray(covariance, np.float64), least, half, diagonal, stars=px.size, share=share)


def _covariance_of_all(jacobian: FloatArray, chi2: float) -> FloatArray:
    return np.asarray(np.linalg.pinv(jacobian.T @ jacobian) * chi2)


def _covariance(jacobian: FloatArray, pulls: FloatArray, place: npt.NDArray[np.int64], chi2: float) -> FloatArray:
    """Of the parameters: by the scatter of all samples, or of the places where they lie where that is greater.

    A double star pulls the same way in frame after frame. Cluster-robust (Liang & Zeger 1986), each place one cluster.
    """
    inverse = np.linalg.pinv(jacobian.T @ jacobian)
    count = int(place.max()) + 1
    pull = (jacobian * pulls[:, None]).reshape(-1, 2, jacobian.shape[1]).sum(axis=1)
    whole = np.zeros((count, jacobian.shape[1]))
    np.add.at(whole, place, pull)
    by_place = inverse @ (whole.T @ whole) @ inverse * count / max(count - jacobian.shape[1], 1)
    widen = np.sqrt(np.maximum(1.0, np.diag(by_place) / np.maximum(chi2 * np.diag(inverse), 1e-300)))
    return np.asarray(chi2 * inverse * np.outer(widen, widen))


def _told(
    values: FloatArray,
    covariance: FloatArray,
    least: float,
    half: FloatArray,
    diagonal: float,
    stars: int,
    share: float,
) -> Coma:
    """What may be claimed: nothing that a third of it, or the cube law's blind spot, could have made."""
    nan = float("nan")
    size, corner = float(np.hypot(values[0], values[1])), float(values[2])
    direction = values[:2] / max(size, 1e-12)
    error = float(np.hypot(np.sqrt(direction @ covariance[:2, :2] @ direction), share * size))
    shares = np.hypot(share * max(size, abs(corner)), CORNER_SHARE * corner)
    corner_error = float(np.hypot(np.sqrt(covariance[2, 2]), shares))
    lopsided = abs(corner) > 3.0 * corner_error and max(size, abs(corner)) > least
    # Where the corners' coma shows, that of the middle adds to it in a straight line and no longer hides.
    shown = size > 3.0 * error and (size > least or lopsided)
    free = half - values[:2] / corner * diagonal if lopsided and size < 1.5 * abs(corner) else np.array([nan, nan])
    angle = float(np.degrees(np.arctan2(values[1], values[0])) % 360.0) if shown else nan
    if shown:
        sentence = (
            f"Coma of {size:.1f} ± {error:.1f} px in the middle of the frame, tails towards {direction_word(angle)}: "
            "the optics are not collimated on the middle."
        )
    else:
        sentence = f"No coma beyond {max(3.0 * error, 0.3) if lopsided else least:.1f} px in the middle of the frame."
    if lopsided:
        way = "outwards" if corner > 0 else "inwards"
        sentence += f" Towards the corners {abs(corner):.1f} ± {corner_error:.1f} px are added, tails {way}."
    return Coma(
        measured=True, sentence=sentence, x_px=float(values[0]) if shown else nan, y_px=float(values[1]) if shown else nan,
        size_px=size if shown else nan, uncertainty_px=error if shown else nan, angle_deg=angle,
        corner_px=corner if lopsided else nan, corner_uncertainty_px=corner_error if lopsided else nan, least_px=least,
        free_x_px=float(free[0]), free_y_px=float(free[1]), stars=stars,
    )  # fmt: skip


def direction_word(angle_deg: float) -> str:
    """An angle on the frame in words: +x is right, +y up."""
    words = ("the right", "the upper right", "the top", "the upper left", "the left", "the lower left", "the bottom", "the lower right")  # fmt: skip
    return words[round(angle_deg / 45.0) % 8]


@dataclass(frozen=True, slots=True)
class _Stars:
    """Places in half diagonals, shape (n, 2); window sigmas, pixels; elongations; defocus discs in sigmas, all (n,)."""

    rho: FloatArray
    sigma: FloatArray
    drawn: npt.NDArray[np.complex128]
    defocus: FloatArray


def _coma_at(values: FloatArray, star: _Stars) -> npt.NDArray[np.complex128]:
    """Coma of each star, in sigmas of its window."""
    middle, outwards = complex(values[0], values[1]), float(values[2])
    coma = middle + outwards * (star.rho[:, 0] + 1j * star.rho[:, 1])
    return np.asarray(coma / star.sigma, np.complex128)


def _skew_of(values: FloatArray, star: _Stars) -> FloatArray:
    """Skew that this coma leaves on stars drawn out by guiding, coma's own elongation set apart."""
    coma = _coma_at(values, star)
    size = np.abs(coma)
    way = np.divide(coma, size, out=np.zeros_like(coma), where=size > 1e-9)
    straight = skew_of_coma(size, star.defocus) * way
    guiding = star.drawn - elongation_of_coma(size, star.defocus) * way**2
    seen = straight - LEAN * guiding * np.conj(straight)
    return np.column_stack([seen.real, seen.imag])


def _least(star: _Stars, weights: FloatArray, skew: float) -> float:
    """The shortest coma, alike over the field, whose mean skew reaches `skew`; infinite if none does."""
    lengths = np.geomspace(0.02, 4.0, 40) * float(np.median(star.sigma))
    means = np.array([(weights * skew_of_coma(t / star.sigma, star.defocus)).sum() / weights.sum() for t in lengths])
    reached = np.flatnonzero(means >= skew)
    return float(lengths[reached[0]]) if reached.size else float("inf")


def _start(star: _Stars, skew: FloatArray, errors: FloatArray) -> FloatArray:
    """Coma of each part of the field turned back from its mean skew, and the straight line through them."""
    rho = star.rho
    across = np.clip(rho[:, 0] * 2.5 + 2.5, 0, COLUMNS - 1).astype(np.int64)
    cell = across * ROWS + np.clip(rho[:, 1] * 3 + 2, 0, ROWS - 1).astype(np.int64)
    lengths = np.linspace(0.0, 4.0, 60)
    rows, data = [], []
    for c in np.unique(cell):
        own = cell == c
        w = 1.0 / errors[own] ** 2
        mean = (w[:, None] * skew[own]).sum(axis=0) / w.sum()
        size = float(np.hypot(*mean))
        grown = np.maximum.accumulate(skew_of_coma(lengths, np.full(60, float(np.mean(star.defocus[own])))))
        length = float(np.interp(size, grown, lengths)) * float(np.median(star.sigma[own]))
        at = rho[own].mean(axis=0)
        rows += [[1.0, 0.0, at[0]], [0.0, 1.0, at[1]]]
        data += [mean[0] / max(size, 1e-12) * length, mean[1] / max(size, 1e-12) * length]
    return np.asarray(np.linalg.lstsq(np.array(rows), np.array(data), rcond=None)[0], np.float64)


def skew_of_coma(length: npt.ArrayLike, defocus: npt.ArrayLike) -> FloatArray:
    """Skew that tangential coma leaves; coma and the radius of the disc of defocus in sigmas of the star's window."""
    t, q = np.broadcast_arrays(np.asarray(length, np.float64), np.asarray(defocus, np.float64))
    t = np.minimum(t, MOST_LENGTH)
    ratio = _surfaces()[0](np.column_stack([t.ravel(), q.ravel()])).reshape(t.shape)
    return np.asarray(np.exp(ratio) * t * (CUBE * t**2 + SQUARE * q**2))


def elongation_of_coma(length: npt.ArrayLike, defocus: npt.ArrayLike) -> FloatArray:
    """Ellipticity along the tail that comes with it, 0 where there is no coma."""
    t, q = np.broadcast_arrays(np.asarray(length, np.float64), np.asarray(defocus, np.float64))
    t = np.minimum(t, MOST_LENGTH)
    share = _surfaces()[1](np.column_stack([t.ravel(), q.ravel()])).reshape(t.shape)
    return np.asarray(share * t**2)


@functools.cache
def _surfaces() -> tuple[RBFInterpolator, RBFInterpolator]:
    """What is left of the skew over t (CUBE t^2 + SQUARE q^2), as a logarithm, and of the ellipticity over t^2: both smooth."""
    fwhm, half = 8.0, 60  # finely sampled
    alpha2 = (0.5 * fwhm) ** 2 / (2.0 ** (1.0 / BETA) - 1.0)
    offsets = np.arange(-half, half + 1, dtype=np.float64)
    ring, turns = np.sqrt((np.arange(6) + 0.5) / 6.0), (np.arange(12) + 0.5) / 12.0 * 2.0 * np.pi
    px, py = np.outer(ring, np.cos(turns)).ravel(), np.outer(ring, np.sin(turns)).ravel()
    places, left, drawn = [], [], []
    for length in np.array([0.15, 0.35, 0.6, 0.9, 1.25, 1.8, 2.5, 3.3]) * fwhm:
        for disc in np.array([0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 1.25]) * fwhm:
            x = length / 3.0 * (px**2 + py**2 + 2.0 * px**2) + disc * px
            y = length / 3.0 * 2.0 * px * py + disc * py
            image = np.zeros((offsets.size, offsets.size))
            for a, b in zip(x - x.mean(), y, strict=True):
                image += (1.0 + ((offsets - a)[None, :] ** 2 + (offsets - b)[:, None] ** 2) / alpha2) ** -BETA
            found = star_moments(image, [half], [half], sigma_px=float(np.hypot(fwhm / 2.6, 0.5 * disc)), background=0.0, noise=0.0)  # fmt: skip
            sigma, skew = float(found.sigma_px[0]), float(found.skew_x[0])
            if not (np.isfinite(sigma) and skew > 0.0):
                continue
            t, q = length / sigma, disc / sigma
            places.append((t, q))
            left.append(np.log(skew / (t * (CUBE * t**2 + SQUARE * q**2))))
            drawn.append(float(found.e_x[0]) / t**2)
    return RBFInterpolator(places, left, smoothing=1e-4), RBFInterpolator(places, drawn, smoothing=1e-4)


def _not_measured(sentence: str) -> Coma:
    nan = float("nan")
    return Coma(
        measured=False, sentence=sentence, x_px=nan, y_px=nan, size_px=nan, uncertainty_px=nan, angle_deg=nan, corner_px=nan,
        corner_uncertainty_px=nan, least_px=nan, free_x_px=nan, free_y_px=nan, stars=0,
    )  # fmt: skip
