"""What the sky holds: stars on the tangent plane of a field, and a nebula. The same for every rig and night."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.simulate.catalogue import COMPLETE_TO_G, catalogue_field, gnomonic, sky_of_plane
from nightfold.simulate.nebula import Nebula
from nightfold.simulate.rig import SimRig

FloatArray = npt.NDArray[np.float64]

# Wavelengths in nm, AB minus Vega zero points, and G - V, G - R, G - I_C as polynomials of BP - RP: Gaia DR3 documentation
# section 5.5.1 and Blanton & Roweis 2007; values from memory. The Sun (G -26.90, BP - RP 0.82) comes out at V -26.75.
_BANDS_NM = np.array([550.0, 647.0, 790.0])
_AB_MINUS_VEGA = np.array([0.02, 0.21, 0.45])
_G_MINUS_BAND = (
    (-0.02704, 0.01424, -0.2156, 0.01426),
    (-0.02275, 0.3961, -0.1243, -0.01396, 0.003775),
    (0.01753, 0.76, -0.0991),
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """Stars at tangent-plane places (arcsec, east and north of the field's centre) with Gaia magnitudes (Vega)."""

    ra_deg: float
    dec_deg: float
    east_arcsec: FloatArray
    north_arcsec: FloatArray
    g_mag: FloatArray
    bp_mag: FloatArray
    rp_mag: FloatArray
    nebula: Nebula | None = None

    @property
    def sky_arcsec(self) -> FloatArray:
        """Places of the stars, shape (n, 2)."""
        return np.stack([self.east_arcsec, self.north_arcsec], axis=-1)

    def ab_mag(self, wavelength_nm: float) -> FloatArray:
        """AB magnitudes at a wavelength, linear in 1/wavelength between V, R and I: a continuum, good to some 0.05 mag."""
        colour = np.clip(self.bp_mag - self.rp_mag, 0.0, 4.0)
        bands = np.stack(
            [self.g_mag - np.polynomial.polynomial.polyval(colour, relation) for relation in _G_MINUS_BAND]
        )
        bands += _AB_MINUS_VEGA[:, None]
        x, at = 1.0 / float(np.clip(wavelength_nm, 420.0, 850.0)), 1.0 / _BANDS_NM
        left = 0 if wavelength_nm < _BANDS_NM[1] else 1
        share = (x - at[left]) / (at[left + 1] - at[left])
        return np.asarray(bands[left] * (1.0 - share) + bands[left + 1] * share)

    @property
    def ra_dec_deg(self) -> tuple[FloatArray, FloatArray]:
        """Places of the stars on the sky."""
        return sky_of_plane(self.east_arcsec, self.north_arcsec, self.ra_deg, self.dec_deg)

    def star_rates(self, rig: SimRig, filter_name: str) -> FloatArray:
        """Electrons per second of each star above the atmosphere."""
        wavelength = rig.filter_named(filter_name).centre_nm
        return np.asarray(rig.zero_point_e_per_s(filter_name) * 10.0 ** (-0.4 * self.ab_mag(wavelength)))


def star_scene(
    east_arcsec: npt.ArrayLike,
    north_arcsec: npt.ArrayLike,
    g_mag: npt.ArrayLike,
    *,
    ra_deg: float = 250.2,
    dec_deg: float = -48.8,
    colour_bp_rp: float = 1.0,
    nebula: Nebula | None = None,
) -> Scene:
    """A scene of given stars, all of one colour."""
    east, north, g = (np.atleast_1d(np.asarray(v, dtype=np.float64)) for v in (east_arcsec, north_arcsec, g_mag))
    return Scene(
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        east_arcsec=east,
        north_arcsec=north,
        g_mag=g,
        bp_mag=g + 0.4 * colour_bp_rp,
        rp_mag=g - 0.6 * colour_bp_rp,
        nebula=nebula,
    )


def random_scene(
    seed: int,
    *,
    ra_deg: float = 250.2,
    dec_deg: float = -48.8,
    size_arcmin: tuple[float, float] = (60.0, 60.0),
    brightest_g: float = COMPLETE_TO_G,
    faintest_g: float = 18.0,
    stars_per_deg2_to_10: float = 24.3,
    slope: float = 0.33,
    catalogue: bool = False,
    nebula: Nebula | None = None,
) -> Scene:
    """A field of stars whose number grows as 10^(slope·G), with the catalogue's own bright ones where asked and there.

    24.3 stars per square degree brighter than G 10 is the count of the packaged catalogue within 5° of the Galactic
    plane. With `catalogue`, stars brighter than G 10 are the real ones and the power law begins there. `size_arcmin` is
    the extent in east and north; places are uniform in it.
    """
    rng = np.random.default_rng([seed, 11])
    width, height = size_arcmin[0] * 60.0, size_arcmin[1] * 60.0
    known = None
    if catalogue:
        known = catalogue_field(ra_deg, dec_deg, float(np.hypot(width, height) / 2.0 / 3600.0))
    if known is not None:
        brightest_g = max(brightest_g, COMPLETE_TO_G)
    area_deg2 = width * height / 3600.0**2
    counts = stars_per_deg2_to_10 * area_deg2 * 10.0 ** (slope * (np.array([brightest_g, faintest_g]) - 10.0))
    n = int(rng.poisson(max(counts[1] - counts[0], 0.0)))
    # Inverse of the cumulative count between the two limits.
    g = (
        10.0
        + np.log10((counts[0] + rng.random(n) * (counts[1] - counts[0])) / (stars_per_deg2_to_10 * area_deg2)) / slope
    )
    east, north = (rng.random(n) - 0.5) * width, (rng.random(n) - 0.5) * height
    colour = np.clip(rng.normal(1.1, 0.5, n), -0.3, 3.5)
    bp, rp = g + 0.4 * colour, g - 0.6 * colour
    if known is not None:
        east_known, north_known = gnomonic(known["ra_deg"], known["dec_deg"], ra_deg, dec_deg)
        inside = (np.abs(east_known) <= width / 2.0) & (np.abs(north_known) <= height / 2.0)
        east, north = np.append(east_known[inside], east), np.append(north_known[inside], north)
        g, bp, rp = (np.append(known[k][inside], v) for k, v in (("g", g), ("bp", bp), ("rp", rp)))
    return Scene(
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        east_arcsec=east,
        north_arcsec=north,
        g_mag=g,
        bp_mag=bp,
        rp_mag=rp,
        nebula=nebula,
    )
