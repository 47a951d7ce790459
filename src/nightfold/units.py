"""Constants with their sources, and the conventions that every module keeps.

Conventions
-----------
Arrays are indexed ``[y, x]``; points are ``(x, y)``; the centre of the first pixel is ``(0, 0)`` and a pixel reaches
half a pixel to each side. Times are UTC. Angles are degrees; a position angle runs north through east, an angle on the
frame runs from +x towards +y. Pixel values are electrons after calibration, electrons per second in masters. A bare
number that crosses a function boundary carries its unit in its name.
"""

from __future__ import annotations

import math

ARCSEC_PER_RADIAN = 180.0 * 3600.0 / math.pi
"""206264.806…, by definition."""

FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))
"""FWHM of a Gaussian in units of its sigma, 2.354820…, closed form."""

HALF_FLUX_RADIUS_PER_SIGMA = math.sqrt(2.0 * math.log(2.0))
"""Radius that holds half the flux of a round Gaussian, 1.177410… sigma, closed form."""

SIGMA_PER_MAD = 1.482602218505602
"""Sigma of normal data over its median absolute deviation, 1/Phi^-1(3/4)."""

KELVIN_AT_ZERO_C = 273.15
"""Zero of the Celsius scale, SI."""
