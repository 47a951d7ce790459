"""What the fold is given and what it gives: subs brought to one level, options, the combined planes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from nightfold.align.records import Transform
from nightfold.calibrate.records import Calibration
from nightfold.engine.core import default_workers

FloatArray = npt.NDArray[np.float64]
Plane = npt.NDArray[np.float32]
Counts = npt.NDArray[np.int16]

ReadBox = Callable[[int, int, int, int], Plane]
"""``read_box(y0, y1, x0, x1)``: pixels ``[y0:y1, x0:x1]`` of a sub in ADU, float32; any threads may call it at once."""

ReadStored = Callable[[int, int, int, int], npt.NDArray[np.generic]]
"""The same pixels as usual cameras' files hold them: big-endian int16 less 32768 (see `PixelSource.read_stored`)."""

PartialWeights = tuple[npt.NDArray[np.int32], npt.NDArray[np.int32], Plane]
"""Rows and columns of pixels, and the summed weight of the subs that cover them."""

StackStatistic = Callable[[Plane], tuple[npt.NDArray[np.floating], npt.NDArray[np.floating], npt.NDArray[np.integer]]]
"""A stack (n, pixels), NaN where a sub gives nothing, to value, variance of the value and samples used, each (pixels,)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SkySurface:
    """A low-order surface over the master's grid: ``coefficients @ (1, u, v, u2, uv, v2)[:n]``.

    ``u = (x - centre_x) / radius_x``, ``v = (y - centre_y) / radius_y``; x, y in grid pixels. In the fold its unit is
    electrons per second and grid pixel, after the division by the sub's scale.
    """

    coefficients: FloatArray
    centre: tuple[float, float] = (0.0, 0.0)
    radius: tuple[float, float] = (1.0, 1.0)

    def evaluate(self, x: npt.ArrayLike, y: npt.ArrayLike) -> FloatArray:
        """The surface at grid positions, of the broadcast shape of `x` and `y`."""
        u = (np.asarray(x, np.float64) - self.centre[0]) / self.radius[0]
        v = (np.asarray(y, np.float64) - self.centre[1]) / self.radius[1]
        u, v = np.broadcast_arrays(u, v)
        result = np.zeros(u.shape)
        for c, term in zip(self.coefficients, (np.ones_like(u), u, v, u * u, u * v, v * v), strict=False):
            result += c * term
        return result

    def in_pixels(self) -> FloatArray:
        """The six coefficients of the same surface over plain x, y: 1, x, y, x2, xy, y2."""
        a = np.zeros(6)
        a[: len(self.coefficients)] = self.coefficients
        (cx, cy), (rx, ry) = self.centre, self.radius
        p, q, r = a[3] / rx**2, a[4] / (rx * ry), a[5] / ry**2
        b, c = a[1] / rx, a[2] / ry
        constant = a[0] - b * cx - c * cy + p * cx * cx + q * cx * cy + r * cy * cy
        return np.array([constant, b - 2 * p * cx - q * cy, c - 2 * r * cy - q * cx, p, q, r])

    @classmethod
    def flat(cls, level: float = 0.0) -> SkySurface:
        """The same level everywhere."""
        return cls(coefficients=np.array([level]))


@dataclass(frozen=True, slots=True, kw_only=True)
class FoldSub:
    """One sub with all that brings it to the master's level.

    Attributes
    ----------
    read_box : callable
        See `ReadBox`.
    read_stored : callable, optional
        See `ReadStored`; the fold then converts them on its way, which is faster.
    shape : (int, int)
        Height and width of the sub.
    transform : Transform
        From the sub's pixels to the grid's.
    scale : float
        Its transparency relative to the reference; its rates are divided by it.
    sky : SkySurface
        Taken off after that division.
    sky_e_per_s : float
        Mean sky of a raw pixel: half of it is the least light that photon noise is reckoned from, and it tells which
        stars stand out. 0 if not known.
    fwhm_px : float
        Of its stars, in grid pixels; NaN if not known.
    weight : float
        In the mean; only ratios matter.
    """

    name: str
    read_box: ReadBox
    shape: tuple[int, int]
    calibration: Calibration
    transform: Transform
    exposure_s: float
    scale: float = 1.0
    sky: SkySurface = field(default_factory=SkySurface.flat)
    read_stored: ReadStored | None = None
    sky_e_per_s: float = 0.0
    fwhm_px: float = float("nan")
    weight: float = 1.0

    @property
    def raw_per_grid_pixel(self) -> float:
        """Raw pixels that one grid pixel holds.

        That of the best affine, all over the frame: flats make frames show surface brightness, which distortion does
        not change.
        """
        return 1.0 / self.transform.scale**2


@dataclass(frozen=True, slots=True, kw_only=True)
class FoldOptions:
    """How to fold.

    Attributes
    ----------
    share_given_up : float
        Share of good samples that rejection may cost by chance, both tails together.
    signal_term : float, optional
        Relative scatter of a star's peak from sub to sub; None takes it from the spread of the subs' FWHM.
    gradient_px : float
        Registration error that the local gradient is allowed for.
    memory_bytes : int
        Ceiling of result planes and scratch together, as far as the planes leave room.
    statistic : str
        ``weighted-mean`` is our own rule; the others are those of `nightfold.fold.statistics`, by name.
    stack_statistic : callable, optional
        A rule of the caller's, in place of `statistic`.
    """

    share_given_up: float = 0.0015
    signal_term: float | None = None
    gradient_px: float = 0.05
    memory_bytes: int = 800_000_000
    workers: int = field(default_factory=default_workers)
    statistic: str = "weighted-mean"
    stack_statistic: StackStatistic | None = None
    tile: tuple[int, int] | None = None
    """Rows and columns of a tile; None lets the memory decide. The result does not depend on it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoldResult:
    """The combined planes, all of the grid's shape.

    Attributes
    ----------
    image : float32, electron/s a grid pixel at scale 1; NaN where no sub covers
    variance : float32, (electron/s)^2 of a pixel as resampled; NaN likewise
    coverage : int16, subs that cover the pixel, rejected samples included
    rejected : int16, samples rejected there
    partial_weights, whole_weight
        Summed weight of the subs that cover: where not all do, pixel by pixel, and everywhere else; see `weight_map`.
    kernel_noise : float64, one per sub
        Mean of sum(kernel^2): variance of a resampled blank pixel over that of the raw pixels it holds. NaN for a sub
        that does not touch the grid.
    rejected_fraction : float
        Rejected samples over all samples.
    seconds : float
        Wall time.
    """

    image: Plane
    variance: Plane
    coverage: Counts
    rejected: Counts
    partial_weights: tuple[PartialWeights, ...]
    whole_weight: np.float32
    kernel_noise: FloatArray
    rejected_fraction: float
    seconds: float

    @property
    def weight_map(self) -> Plane:
        """Summed weight of the subs that cover each pixel, float32."""
        result = np.full(self.coverage.shape, self.whole_weight, np.float32)
        for rows, columns, weights in self.partial_weights:
            result[rows, columns] = weights
        return result

    def well_covered(self, share: float) -> npt.NDArray[np.bool_]:
        """Where the summed weight is at least `share` of its greatest value, which is above 0."""
        result = np.ones(self.coverage.shape, np.bool_)
        greatest = self.whole_weight
        if sum(weights.size for *_, weights in self.partial_weights) == result.size:
            greatest = max((weights.max() for *_, weights in self.partial_weights), default=greatest)
        if not greatest > 0.0:
            return np.zeros_like(result)
        least = np.float32(share * float(greatest))
        for rows, columns, weights in self.partial_weights:
            result[rows, columns] = weights >= least
        return result
