"""Star lists of invented frames somewhere on the sky, laid by astropy's WCS, with all that a real list has against it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.io import fits
from astropy.wcs import WCS

from nightfold.align.catalogue import Catalogue


@dataclass
class SkyFrame:
    xy: np.ndarray
    flux: np.ndarray
    shape: tuple[int, int]
    header_scale: float
    hint: tuple[float, float]
    truth: WCS
    catalogue_stars: int

    def corner_error_px(self, found: WCS) -> float:
        """Largest distance of the corners' and the middle's places in pixels."""
        h, w = self.shape
        x, y = np.array([0.0, w - 1, 0, w - 1, w / 2]), np.array([0.0, 0, h - 1, h - 1, h / 2])
        sky = self.truth.pixel_to_world(x, y)
        other = found.pixel_to_world(x, y)
        return float(sky.separation(other).arcsec.max() / self.header_scale)


def random_direction(rng: np.random.Generator) -> tuple[float, float]:
    return float(rng.uniform(0, 360)), float(np.degrees(np.arcsin(rng.uniform(-1, 1))))


def sky_frame(
    rng: np.random.Generator,
    catalogue: Catalogue,
    *,
    width_deg: float,
    at: tuple[float, float] | None = None,
    mirrored: bool = False,
    hint_error_deg: float = 1.0,
    focal_error: float = 0.015,
    barrel: float = 0.0,
    noise_px: float = 0.15,
    band_scatter: float = 0.4,
    false_stars: int = 30,
    missing: float = 0.05,
    width_px: int = 1500,
) -> SkyFrame:
    """A frame with turned camera, noise, faint stars beyond the catalogue, hot pixels and stars that are missing."""
    shape = (round(width_px / 1.5), width_px)
    scale = 3600.0 * width_deg / width_px
    ra, dec = at or random_direction(rng)
    turn = np.radians(rng.uniform(0, 360))
    c, s = np.cos(turn) * scale / 3600, np.sin(turn) * scale / 3600
    cd = np.array([[-c, -s], [-s, c]])
    if mirrored:
        cd = cd @ np.diag([-1.0, 1.0])
    header = fits.Header()
    bent = barrel != 0.0
    for key, value in {
        "CTYPE1": "RA---TAN-SIP" if bent else "RA---TAN",
        "CTYPE2": "DEC--TAN-SIP" if bent else "DEC--TAN",
        "CRPIX1": (shape[1] + 1) / 2,
        "CRPIX2": (shape[0] + 1) / 2,
        "CRVAL1": ra,
        "CRVAL2": dec,
        "CD1_1": cd[0, 0],
        "CD1_2": cd[0, 1],
        "CD2_1": cd[1, 0],
        "CD2_2": cd[1, 1],
    }.items():
        header[key] = value
    if bent:
        k = barrel / (0.5 * np.hypot(*shape)) ** 2
        for name, terms in (("A", ("3_0", "1_2")), ("B", ("2_1", "0_3"))):
            header[f"{name}_ORDER"] = 3
            for term in terms:
                header[f"{name}_{term}"] = k
    truth = WCS(header)
    near = catalogue.near(ra, dec, 0.62 * width_deg)
    x, y = truth.all_world2pix(near.ra_deg, near.dec_deg, 0, tolerance=1e-5, maxiter=60, quiet=True)
    inside = (x > 0) & (y > 0) & (x < shape[1] - 1) & (y < shape[0] - 1)
    x, y, g = x[inside], y[inside], near.g[inside]
    count = len(g)
    seen = rng.random(count) > missing
    x, y, g = x[seen], y[seen], g[seen] + rng.normal(0, band_scatter, seen.sum())
    # Fainter stars than the catalogue's: counts grow 2.5 times a magnitude.
    faint = int(rng.poisson(min(6.0 * max(count, 3), 700)))
    fx, fy = rng.uniform(0, shape[1] - 1, faint), rng.uniform(0, shape[0] - 1, faint)
    fg = 10.0 + np.log(1 + rng.random(faint) * (2.5**2.2 - 1)) / np.log(2.5) + rng.normal(0, band_scatter, faint)
    hx, hy = rng.uniform(0, shape[1] - 1, false_stars), rng.uniform(0, shape[0] - 1, false_stars)
    hg = rng.uniform(7, 12, false_stars)
    xy = np.column_stack([np.concatenate([x, fx, hx]), np.concatenate([y, fy, hy])])
    xy = xy + rng.normal(0, noise_px, xy.shape)
    flux = 10 ** (-0.4 * np.concatenate([g, fg, hg]))
    order = np.argsort(-flux)
    pa, away = rng.uniform(0, 2 * np.pi), hint_error_deg
    hint_dec = np.clip(dec + away * np.cos(pa), -90, 90)
    hint_ra = ra + away * np.sin(pa) / max(np.cos(np.radians(hint_dec)), 0.02)
    return SkyFrame(
        xy[order],
        flux[order],
        shape,
        scale * (1 + rng.choice([-1, 1]) * focal_error),
        (hint_ra % 360, hint_dec),
        truth,
        count,
    )
