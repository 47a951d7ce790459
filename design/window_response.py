"""What a round adaptive window shows of an astigmatic star out of focus, against what it shows of the growth of its size.

Writes the table behind `WINDOW` in `nightfold.optics.field_cells`: Moffat seeing over elliptical discs.
"""

from __future__ import annotations

import numpy as np

from nightfold.optics.shapes import star_moments
from nightfold.simulate.rays import pupil_points

FWHM_PX, HALF = 3.0, 40


def image(radius: float, stretch: float, beta: float, hole: float) -> np.ndarray:
    """A disc of half axes radius + and - stretch, pixels, under seeing."""
    alpha2 = (FWHM_PX / 2) ** 2 / (2 ** (1 / beta) - 1)
    y, x = np.mgrid[-HALF : HALF + 1, -HALF : HALF + 1].astype(np.float64)
    p = pupil_points(max(60, int(np.pi * (radius / (0.35 * FWHM_PX)) ** 2)), hole=hole)
    p = np.concatenate([p, -p, p[:, ::-1], -p[:, ::-1]])
    whole = np.zeros_like(x)
    for a, b in p:
        whole += (1 + ((x - a * (radius + stretch)) ** 2 + (y - b * (radius - stretch)) ** 2) / alpha2) ** -beta
    return whole / whole.sum() * 1e6


def seen(radius: float, stretch: float, beta: float, hole: float) -> tuple[float, float]:
    """Squared half-flux radius and the squared axes' difference under the window."""
    start = max(1.3, 0.5 * radius)
    m = star_moments(image(radius, stretch, beta, hole), [HALF], [HALF], sigma_px=start, background=[0.0], noise=1.0)
    size = (1.1774 * float(m.sigma_px[0])) ** 2
    return size, 2.0 * size * float(m.e_x[0])


for beta, hole in ((2.5, 0.0), (3.0, 0.0), (3.5, 0.0), (4.5, 0.0), (3.0, 0.35)):
    focused = seen(0.05, 0.0, beta, hole)[0]
    print(f"Moffat beta {beta}, obstruction {hole}")
    for radius in (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0):
        low, high = (seen(radius + d, 0.0, beta, hole)[0] for d in (-0.1, 0.1))
        size, drawn = seen(radius, 0.1, beta, hole)
        share = drawn / (4 * radius * 0.1) / ((high - low) / (0.4 * radius))
        print(f"  size over that in focus {np.sqrt(size / focused):.2f}: shown {share:.3f}")
