"""From matched stars to a standard WCS: tangent projection, with SIP terms only where the residuals ask for them.

Conventions (Greisen & Calabretta 2002; Shupe et al. 2005): CRPIX counts from 1 and stands at the frame's middle; the scale is
sqrt(abs(det CD)); det CD < 0 is the normal view of the sky, > 0 a mirrored one; the position angle of +y is
atan2(CD1_2, CD2_2), from north through east.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from nightfold.align.fit import fit_transform
from nightfold.align.records import Transform
from nightfold.align.tangent import deproject, project, ra_dec_deg, unit_vectors

if TYPE_CHECKING:
    from astropy.wcs import WCS

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

TERM_POWERS = ((2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))
"""Powers of (u, v) of the terms of `polynomial_terms`, in their order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SkyFit:
    """A frame on the sky: `plane` maps pixels to the tangent plane at the unit vector `centre`, in units of `unit_rad`."""

    plane: Transform
    centre: FloatArray
    unit_rad: float
    shape: tuple[int, int]
    used: BoolArray
    rms_px: float
    model: str

    @property
    def cd_deg(self) -> FloatArray:
        """The CD matrix (2, 2), degrees per pixel."""
        return np.asarray(np.degrees(self.plane.matrix[:, :2] * self.unit_rad))

    def to_sky(self, xy: FloatArray) -> FloatArray:
        """Unit vectors (n, 3) of pixels (n, 2), counted from 0."""
        return deproject(self.plane.apply(xy) * self.unit_rad, self.centre)

    def to_pixels(self, vectors: FloatArray) -> FloatArray:
        """Pixels (n, 2) of unit vectors (n, 3); NaN for those on the far side."""
        plane = project(vectors, self.centre) / self.unit_rad
        near = np.isfinite(plane).all(axis=-1)
        result = np.full(plane.shape, np.nan)
        result[near] = self.plane.invert(plane[near])
        return result


def fit_sky(
    xy: FloatArray, vectors: FloatArray, sigma_px: FloatArray, *, shape: tuple[int, int], unit_rad: float
) -> SkyFit:
    """Weighted least squares of a frame's place on the sky.

    Parameters
    ----------
    xy : (n, 2) float64
        Pixels of matched stars.
    vectors : (n, 3) float64
        Their unit vectors.
    sigma_px : (n,) float64
        1 sigma per axis, both lists together.
    shape : (int, int)
        Height and width.
    unit_rad : float
        About one pixel, in radians; residuals are told in it.
    """
    middle = np.array([[0.5 * (shape[1] - 1), 0.5 * (shape[0] - 1)]])
    centre = vectors.mean(axis=0)
    centre /= np.linalg.norm(centre)
    flips = _turns_over(xy, project(vectors, centre))
    for _ in range(6):
        target = project(vectors, centre) / unit_rad
        fit = fit_transform(xy, target, sigma_px, shape=shape, mirror=flips)
        offset = fit.transform.apply(middle)[0]
        if np.abs(offset).max() < 1e-7:
            break
        centre = deproject(offset * unit_rad, centre)
    residual = fit.transform.apply(xy[fit.used]) - target[fit.used]
    rms = float(np.sqrt((residual**2).mean()) / fit.transform.scale)
    return SkyFit(
        plane=fit.transform, centre=centre, unit_rad=unit_rad, shape=shape, used=fit.used, rms_px=rms, model=fit.model
    )


def through_transform(
    transform: Transform, cards: dict[str, Any], *, shape: tuple[int, int], inverse: bool = False
) -> SkyFit:
    """The place on the sky of a frame that lies on another whose place is known.

    Parameters
    ----------
    transform : Transform
        From the frame's pixels to those of the frame that `cards` belong to; with `inverse` the other way round.
    cards : dict
        The known WCS.
    shape : (int, int)
        Height and width of the frame.

    Notes
    -----
    A lattice of the frame's pixels is carried over and a WCS fitted to it: exact for an affine transform of a plain tangent
    projection, to some thousandths of a pixel with distortion.
    """
    height, width = shape
    x, y = np.meshgrid(np.linspace(0.0, width - 1.0, 15), np.linspace(0.0, height - 1.0, 11))
    xy = np.column_stack([x.ravel(), y.ravel()])
    there = transform.invert(xy) if inverse else transform.apply(xy)
    vectors = directions(cards, there)
    across = float(np.arccos(np.clip(vectors[0] @ vectors[14], -1.0, 1.0)))
    return fit_sky(xy, vectors, np.full(len(xy), 0.002), shape=shape, unit_rad=across / max(1.0, width - 1.0))


def directions(cards: dict[str, Any], xy: FloatArray) -> FloatArray:
    """Unit vectors (n, 3) of pixels (n, 2) under cards as `wcs_cards` writes them: a tangent plane, with SIP or without.

    Other cards are left to astropy; these are worked out here because loading it takes longer than a night's subs.
    """
    plain = {"CRPIX1", "CRPIX2", "CRVAL1", "CRVAL2", "CD1_1", "CD1_2", "CD2_1", "CD2_2"} <= cards.keys()
    plain &= str(cards.get("CTYPE1", "")) in ("RA---TAN", "RA---TAN-SIP") and cards.get("LONPOLE", 180.0) == 180.0
    if not plain:
        ra, dec = wcs_of(cards).all_pix2world(xy[:, 0], xy[:, 1], 0)
        return unit_vectors(ra, dec)
    offset = xy - np.array([cards["CRPIX1"] - 1.0, cards["CRPIX2"] - 1.0])
    u, v = offset[:, 0], offset[:, 1]
    bent = offset.copy()
    for axis, name in enumerate("AB"):
        order = int(cards.get(f"{name}_ORDER", 0))
        for p in range(order + 1):
            for q in range(order + 1 - p):
                bent[:, axis] += cards.get(f"{name}_{p}_{q}", 0.0) * u**p * v**q
    cd = np.array([[cards["CD1_1"], cards["CD1_2"]], [cards["CD2_1"], cards["CD2_2"]]])
    centre = unit_vectors(np.array([cards["CRVAL1"]]), np.array([cards["CRVAL2"]]))[0]
    return deproject(np.radians(bent @ cd.T), centre)


def _turns_over(xy: FloatArray, plane: FloatArray) -> bool:
    """True if the best affine has a negative determinant."""
    design = np.column_stack([xy - xy.mean(axis=0), np.ones(len(xy))])
    linear = np.linalg.lstsq(design, plane, rcond=None)[0][:2]
    return bool(np.linalg.det(linear) < 0)


def wcs_cards(sky: SkyFit) -> dict[str, Any]:
    """The WCS as FITS cards in their order, keyword to value."""
    height, width = sky.shape
    ra, dec = ra_dec_deg(sky.centre)
    bent = sky.plane.distortion is not None
    cd = sky.cd_deg
    cards: dict[str, Any] = {
        "WCSAXES": 2,
        "CTYPE1": "RA---TAN-SIP" if bent else "RA---TAN",
        "CTYPE2": "DEC--TAN-SIP" if bent else "DEC--TAN",
        "CUNIT1": "deg",
        "CUNIT2": "deg",
        "CRPIX1": 0.5 * (width + 1),
        "CRPIX2": 0.5 * (height + 1),
        "CRVAL1": float(ra),
        "CRVAL2": float(dec),
        "CD1_1": float(cd[0, 0]),
        "CD1_2": float(cd[0, 1]),
        "CD2_1": float(cd[1, 0]),
        "CD2_2": float(cd[1, 1]),
        "LONPOLE": 180.0,
        "RADESYS": "ICRS",
    }
    if sky.plane.distortion is not None:
        # SIP bends pixels before the CD matrix; our terms come after it.
        bend = np.linalg.solve(sky.plane.matrix[:, :2], sky.plane.distortion)
        for name, row in (("A", bend[0]), ("B", bend[1])):
            cards[f"{name}_ORDER"] = 3
            for (p, q), value in zip(TERM_POWERS, row):
                cards[f"{name}_{p}_{q}"] = float(value / sky.plane.radius ** (p + q))
    return cards


def wcs_of(cards: dict[str, Any]) -> WCS:
    """An astropy WCS of the cards."""
    from astropy.io import fits
    from astropy.wcs import WCS, FITSFixedWarning

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FITSFixedWarning)
        return WCS(fits.Header(list(cards.items())))


def scale_arcsec_px(cd_deg: FloatArray) -> float:
    """Scale of a CD matrix in degrees per pixel, geometric mean of both axes."""
    return float(3600.0 * np.sqrt(abs(np.linalg.det(cd_deg))))


def up_deg(cd_deg: FloatArray) -> float:
    """Position angle of +y, from north through east, in [0, 360)."""
    return float(np.degrees(np.arctan2(cd_deg[0, 1], cd_deg[1, 1])) % 360.0)


def is_mirrored(cd_deg: FloatArray) -> bool:
    """True if the frame shows the sky as a mirror does."""
    return bool(np.linalg.det(cd_deg) > 0)
