"""How elongation from guiding turns the skew that coma leaves: the constant `nightfold.optics.coma.LEAN`.

Third-order coma by rays over elliptical Moffat stars; prints, for several lengths of coma and elongations along, across
and at 45 degrees to it, the change of the skew per ellipticity.
"""

from __future__ import annotations

import numpy as np

from nightfold.optics.coma import BETA
from nightfold.optics.shapes import star_moments

FWHM, HALF = 8.0, 60
ALPHA2 = (0.5 * FWHM) ** 2 / (2.0 ** (1.0 / BETA) - 1.0)
OFFSETS = np.arange(-HALF, HALF + 1.0)
RHO2 = np.repeat((np.arange(6) + 0.5) / 6.0, 12)
THETA = np.tile((np.arange(12) + 0.5) / 12.0 * 2.0 * np.pi, 6)


def moments(length: float, stretch: float, angle_deg: float) -> tuple[complex, complex]:
    """Skew times sigma cubed, and ellipticity, both complex."""
    x, y = length / 3.0 * RHO2 * (2.0 + np.cos(2.0 * THETA)), length / 3.0 * RHO2 * np.sin(2.0 * THETA)
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    inverse = np.linalg.inv(ALPHA2 * (np.eye(2) + stretch * np.outer([c, s], [c, s])))
    image = np.zeros((OFFSETS.size, OFFSETS.size))
    for a, b in zip(x - x.mean(), y, strict=True):
        dx, dy = (OFFSETS - a)[None, :], (OFFSETS - b)[:, None]
        q = inverse[0, 0] * dx**2 + 2.0 * inverse[0, 1] * dx * dy + inverse[1, 1] * dy**2
        image += (1.0 + q) ** -BETA
    m = star_moments(image, [HALF], [HALF], sigma_px=FWHM / 2.6, background=0.0, noise=0.0)
    skew = complex(m.skew_x[0], m.skew_y[0]) * m.sigma_px[0] ** 3
    return skew, complex(m.e_x[0], m.e_y[0])


for length in (0.6, 1.25, 2.2):
    straight, own = moments(length * FWHM, 0.0, 0.0)
    for stretch in (0.3, 0.6):
        for angle in (0.0, 45.0, 90.0):
            skew, drawn = moments(length * FWHM, stretch, angle)
            lean = -(skew / straight - 1.0) / (drawn - own)
            print(f"coma {length:.2f} FWHM, stretch {stretch:.1f} at {angle:2.0f}: {lean.real:.3f} {lean.imag:+.3f}i")
