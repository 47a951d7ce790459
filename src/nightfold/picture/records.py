"""Linear planes that a picture is made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Plane32 = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Plane:
    """One filter's linear image, electrons per second, shape (height, width); NaN where nothing covers.

    `variance` has its shape, in the square of its unit. `sha256` is that of the master it comes from, `wcs` its celestial
    coordinates (an astropy WCS) where they are known. `moving_sky` is the part of its sky that comes and goes with the
    sky's brightness, over the plane's pixels (1, x, y, x², xy, y²), where the subs have shown one. `zero_point_mag` is the AB
    magnitude of 1 electron/s, where stars of the catalogue have told it.
    """

    filter: str
    image: Plane32
    variance: Plane32
    sha256: str = ""
    scale_arcsec_px: float | None = None
    cut_box_px: tuple[int, int, int, int] | None = None
    wcs: Any = None
    moving_sky: tuple[float, ...] | None = None
    zero_point_mag: float | None = None
