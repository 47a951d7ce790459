"""The cubic spline under the paths of bodies over a night.

SciPy's does the same, but loading the part of it that holds splines takes longer than all paths of a campaign's nights.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


class Spline:
    """The cubic spline through values at increasing places, its third derivative even across the last inner places.

    Parameters
    ----------
    x : float64 (n,)
        Increasing, n >= 2. Two places give a straight line, three a parabola.
    y : float64 (n, …)
        Values at each place.

    Notes
    -----
    Slopes at the places solve a tridiagonal system with the "not-a-knot" ends of de Boor, A Practical Guide to Splines (1978),
    chapter IV. Beyond the ends the outer pieces go on.
    """

    def __init__(self, x: npt.ArrayLike, y: npt.ArrayLike) -> None:
        self.x: FloatArray = np.asarray(x, np.float64)
        values = np.asarray(y, np.float64)
        if self.x.ndim != 1 or self.x.size < 2 or len(values) != self.x.size or not np.all(np.diff(self.x) > 0.0):
            raise ValueError(f"places {self.x.shape}, values {values.shape}; allowed: two or more places that increase")
        self._shape = values.shape[1:]
        flat = values.reshape(self.x.size, -1)
        step = np.diff(self.x)[:, None]
        rise = np.diff(flat, axis=0) / step
        slope = _slopes(step[:, 0], rise)
        # Coefficients of each piece from its start, constant first.
        bend = (slope[:-1] + slope[1:] - 2.0 * rise) / step
        self._pieces = (flat[:-1], slope[:-1], (rise - slope[:-1]) / step - bend, bend / step)

    def __call__(self, at: npt.ArrayLike) -> FloatArray:
        """The values at `at` (m…), shape (m…, …)."""
        places = np.asarray(at, np.float64)
        which = np.clip(np.searchsorted(self.x, places.ravel(), side="right") - 1, 0, self.x.size - 2)
        t = (places.ravel() - self.x[which])[:, None]
        a, b, c, d = (piece[which] for piece in self._pieces)
        return np.asarray(a + t * (b + t * (c + t * d))).reshape(places.shape + self._shape)


def _slopes(step: FloatArray, rise: FloatArray) -> FloatArray:
    """The spline's slope at each place, (n, k), from the steps (n - 1,) and the mean slopes between places (n - 1, k)."""
    n = step.size + 1
    if n == 2:
        return np.concatenate([rise, rise])
    if n == 3:
        middle = (step[1] * rise[0] + step[0] * rise[1]) / (step[0] + step[1])
        return np.stack([2.0 * rise[0] - middle, middle, 2.0 * rise[1] - middle])
    below, diagonal, above = np.empty(n), np.empty(n), np.empty(n)
    right = np.empty((n, rise.shape[1]))
    below[1:-1], above[1:-1] = step[1:], step[:-1]
    diagonal[1:-1] = 2.0 * (step[:-1] + step[1:])
    right[1:-1] = 3.0 * (step[1:, None] * rise[:-1] + step[:-1, None] * rise[1:])
    first, last = step[0] + step[1], step[-1] + step[-2]
    below[0], diagonal[0], above[0] = 0.0, step[1], first
    right[0] = ((step[0] + 2.0 * first) * step[1] * rise[0] + step[0] ** 2 * rise[1]) / first
    below[-1], diagonal[-1], above[-1] = last, step[-2], 0.0
    right[-1] = (step[-1] ** 2 * rise[-2] + (2.0 * last + step[-1]) * step[-2] * rise[-1]) / last
    # Elimination down, then up (Thomas); plain floats are quicker than arrays of one.
    b, d, a = below.tolist(), diagonal.tolist(), above.tolist()
    for i in range(1, n):
        factor = b[i] / d[i - 1]
        d[i] -= factor * a[i - 1]
        right[i] -= factor * right[i - 1]
    right[-1] /= d[-1]
    for i in range(n - 2, -1, -1):
        right[i] = (right[i] - a[i] * right[i + 1]) / d[i]
    return right
