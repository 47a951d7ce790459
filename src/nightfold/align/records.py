"""How one frame lies on another: the transform and the account of how it was found."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def polynomial_terms(u: FloatArray, v: FloatArray) -> FloatArray:
    """The seven terms of second and third order in (u, v): u2, uv, v2, u3, u2v, uv2, v3; shape (n, 7)."""
    uu, vv = u * u, v * v
    return np.stack([uu, u * v, vv, uu * u, uu * v, u * vv, vv * v], axis=-1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Transform:
    """A map from a sub's pixels to the grid's pixels, both 0-based.

    ``p = matrix @ (x, y, 1)``; if `distortion` is not None, ``p += distortion @ terms(u, v)`` with
    ``(u, v) = ((x, y) - centre) / radius`` and the seven terms of `polynomial_terms`, `distortion` of shape (2, 7).
    `matrix` (2, 3) is the best affine as the SUBS table of a master wants it.
    """

    matrix: FloatArray
    distortion: FloatArray | None = None
    centre: tuple[float, float] = (0.0, 0.0)
    radius: float = 1.0

    def apply(self, xy: FloatArray) -> FloatArray:
        """Grid positions of the sub's pixels `xy`, shape (n, 2)."""
        xy = np.asarray(xy, dtype=np.float64)
        result = xy @ self.matrix[:, :2].T + self.matrix[:, 2]
        if self.distortion is not None:
            u = (xy[..., 0] - self.centre[0]) / self.radius
            v = (xy[..., 1] - self.centre[1]) / self.radius
            result = result + polynomial_terms(u, v) @ self.distortion.T
        return result

    def invert(self, xy: FloatArray) -> FloatArray:
        """The sub's pixels under the grid positions `xy`, shape (n, 2), to 1e-9 px.

        Closed form for the affine; with distortion by fixed-point iteration, which converges because the distortion
        changes far more slowly than the position.
        """
        xy = np.asarray(xy, dtype=np.float64)
        inverse = np.linalg.inv(self.matrix[:, :2])
        guess = (xy - self.matrix[:, 2]) @ inverse.T
        if self.distortion is None:
            return guess
        for _ in range(50):
            step = (xy - self.apply(guess)) @ inverse.T
            guess = guess + step
            if step.size == 0 or np.abs(step).max() < 1e-9:
                break
        return guess

    @property
    def scale(self) -> float:
        """Grid pixels per sub pixel, geometric mean."""
        return float(np.sqrt(abs(np.linalg.det(self.matrix[:, :2]))))

    @property
    def rotation_deg(self) -> float:
        """Direction in which the sub's +x axis points on the grid, from +x towards +y, in (-180, 180]."""
        return float(np.degrees(np.arctan2(self.matrix[1, 0], self.matrix[0, 0])))

    @property
    def mirrored(self) -> bool:
        """True if the map turns handedness over."""
        return bool(np.linalg.det(self.matrix[:, :2]) < 0)

    @classmethod
    def identity(cls) -> Transform:
        """The map of the reference onto itself."""
        return cls(matrix=np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """A transform with its evidence: how many stars, how well, by which model."""

    transform: Transform
    pairs: npt.NDArray[np.int64]  # (n, 2): index in the sub's stars, index in the reference's
    residual_rms_px: float  # per axis over matched stars after weighting
    error_px: float  # the fit's own 1 sigma of the transform, worst over the common area
    model: str  # "similarity", "affine" or "cubic"
