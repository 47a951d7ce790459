"""Deeper star lists of single fields: fetched once where there is a network, kept as plain tables, found again by place.

The installed list ends at G 10. A small field far from the galactic plane holds too few such stars to be solved, and most
of them are saturated. A cone is a table with the Gaia archive's own column names (`catalogue.read_cone`); its meta data
tell centre and radius, so that only the cones that reach a field are read.
"""

from __future__ import annotations

import contextlib
import io
import itertools
import os
import re
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from nightfold.align.catalogue import Catalogue, load_catalogue
from nightfold.align.tangent import ra_dec_deg, unit_vectors
from nightfold.engine.core import write_text
from nightfold.errors import FrameError, NightfoldError

if TYPE_CHECKING:
    from astropy.table import Table

COLUMNS = (
    "source_id",
    "ra",
    "dec",
    "ref_epoch",
    "pmra",
    "pmdec",
    "phot_g_mean_mag",
    "phot_bp_mean_mag",
    "phot_rp_mean_mag",
)
GAIA_TABLE = "gaiadr3.gaia_source"
MOST_STARS = 60_000
"""A cone is cut at so many stars, brightest first: more would only be fainter than what a sub shows."""
WIDEST_DEG = 5.0
DEFAULT_FAINTEST_G = 16.0

Query = Callable[[str], "Table"]
"""Takes a query in ADQL (IVOA 2.1), gives the archive's table."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConeReport:
    """A cone that was kept."""

    file: str
    stars: int
    ra_deg: float
    dec_deg: float
    radius_deg: float
    faintest_g: float
    cut: bool
    """True where the archive holds more stars than were asked for."""


def user_cone_folder() -> Path:
    """Where this system keeps a person's own data of this program: the cones that serve all campaigns."""
    if sys.platform == "win32":
        base = Path(os.environ.get("APPDATA") or Path.home() / "AppData" / "Roaming")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "nightfold" / "catalogue"


def cone_files(folders: Iterable[Path]) -> list[Path]:
    """The cones kept in these folders, in the order of their names; folders that are not there hold none."""
    found: list[Path] = []
    for folder in folders:
        if folder.is_dir():
            found += sorted(p for p in folder.iterdir() if p.suffix.lower() in {".ecsv", ".fits"})
    return found


def cone_query(ra_deg: float, dec_deg: float, radius_deg: float, faintest_g: float) -> str:
    """The query of a cone: stars of Gaia DR3 down to a magnitude, brightest first."""
    return (
        f"SELECT TOP {MOST_STARS + 1} {', '.join(COLUMNS)} FROM {GAIA_TABLE} "
        f"WHERE DISTANCE(POINT({ra_deg:.6f}, {dec_deg:.6f}), POINT(ra, dec)) < {radius_deg:.6f} "
        f"AND phot_g_mean_mag < {faintest_g:g} ORDER BY phot_g_mean_mag"
    )


def ask_archive(query: str, *, server: str | None = None) -> Table:
    """The archive's answer to a query, through astroquery; `server` is another address that speaks the same protocol.

    Raises
    ------
    NightfoldError
        astroquery is not installed, or the archive cannot be reached.
    """
    # The library talks on standard output, which belongs to our own documents.
    with contextlib.redirect_stdout(sys.stderr):
        try:
            from astroquery.gaia import GaiaClass
        except ImportError as error:
            raise NightfoldError(
                "deeper catalogues are fetched by a part that is not installed",
                next_step="install it with: pip install 'nightfold[catalogue]'",
            ) from error
        where = {} if server is None else {"gaia_tap_server": server, "gaia_data_server": server}
        try:
            return GaiaClass(show_server_messages=False, **where).launch_job_async(query).get_results()
        except Exception as error:
            raise NightfoldError(
                "the Gaia archive gave no answer", seen=str(error)[:200], next_step="try again when there is a network"
            ) from error


def add_cone(
    folder: Path,
    *,
    ra_deg: float,
    dec_deg: float,
    radius_deg: float,
    faintest_g: float = DEFAULT_FAINTEST_G,
    ask: Query = ask_archive,
) -> ConeReport:
    """Fetch the stars around a place once and keep them in `folder`.

    Parameters
    ----------
    folder : Path
        A campaign's own catalogue folder, or the person's.
    ra_deg, dec_deg, radius_deg : float
        The cone, ICRS.
    faintest_g : float
        In Gaia's G.
    ask : callable
        Puts the query to the archive.
    """
    if not 0.0 < radius_deg <= WIDEST_DEG:
        raise NightfoldError("the radius of the cone is impossible", seen=f"{radius_deg:g}", allowed="0 to 5 degrees")
    if not 10.0 <= faintest_g <= 21.0:
        raise NightfoldError("the faintest magnitude is impossible", seen=f"{faintest_g:g}", allowed="G 10 to 21")
    answer = ask(cone_query(ra_deg, dec_deg, radius_deg, faintest_g))
    return keep_cone(folder, answer, ra_deg=ra_deg, dec_deg=dec_deg, radius_deg=radius_deg, faintest_g=faintest_g)


def keep_table(folder: Path, path: Path) -> ConeReport:
    """Keep a table that the person has already: FITS, ECSV or VOTable with the Gaia archive's column names."""
    from astropy.io.registry import IORegistryError
    from astropy.table import Table

    try:
        table = Table.read(path)
    except (OSError, ValueError, IORegistryError) as error:
        raise FrameError(
            f"{path.name}: not a star table", seen=str(error).splitlines()[0], allowed="FITS, ECSV or VOTable"
        ) from error
    names = {str(name).lower(): str(name) for name in table.colnames}
    if "ra" not in names or "dec" not in names or not len(table):
        raise FrameError(f"{path.name}: no stars with ra and dec", seen=", ".join(list(names)[:12]))
    ra, dec = (np.asarray(table[names[n]], np.float64) for n in ("ra", "dec"))
    vectors = unit_vectors(ra, dec)
    middle = vectors.mean(axis=0)
    middle /= np.linalg.norm(middle)
    radius = float(np.degrees(np.arccos(np.clip(vectors @ middle, -1.0, 1.0).min())))
    centre = ra_dec_deg(middle)
    return keep_cone(
        folder, table, ra_deg=float(centre[0]), dec_deg=float(centre[1]), radius_deg=round(radius, 4), faintest_g=21.0
    )


def keep_cone(
    folder: Path, table: Table, *, ra_deg: float, dec_deg: float, radius_deg: float, faintest_g: float
) -> ConeReport:
    """Keep a table of stars as a cone; only the columns that are needed, written whole or not at all."""
    names = {str(name).lower(): str(name) for name in table.colnames}
    missing = [name for name in ("ra", "dec", "phot_g_mean_mag") if name not in names]
    if missing:
        raise FrameError(
            f"the answer lacks the columns {', '.join(missing)}",
            seen=", ".join(list(names)[:12]),
            allowed="the Gaia archive's column names",
        )
    from astropy.table import Table

    kept = Table()
    for name in COLUMNS:
        if name in names:
            column = table[names[name]]
            kept[name] = np.ma.asarray(column)
    order = np.argsort(np.ma.filled(np.ma.asarray(kept["phot_g_mean_mag"], np.float64), 99.0), kind="stable")
    cut = len(kept) > MOST_STARS
    kept = kept[order[:MOST_STARS]]
    if not len(kept):
        raise NightfoldError(
            "the archive holds no star there", seen=f"RA {ra_deg:.4f}, Dec {dec_deg:+.4f}, {radius_deg:g} degrees"
        )
    kept.meta = {"ra_deg": ra_deg, "dec_deg": dec_deg, "radius_deg": radius_deg, "source": GAIA_TABLE}
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"cone-{ra_deg:08.4f}{dec_deg:+08.4f}-{radius_deg:g}deg.ecsv"
    text = io.StringIO()
    kept.write(text, format="ascii.ecsv")
    write_text(path, text.getvalue())
    return ConeReport(
        file=str(path),
        stars=len(kept),
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        radius_deg=radius_deg,
        faintest_g=float(np.max(kept["phot_g_mean_mag"])),
        cut=cut,
    )


def cone_stamp(folders: Sequence[Path]) -> list[list[object]]:
    """Changes whenever a cone is added or changed; tells whether it is worth trying again."""
    return [[p.name, p.stat().st_mtime_ns] for p in cone_files(folders)]


def catalogue_for(
    folders: Sequence[Path],
    *,
    around: tuple[float, float] | None = None,
    within_deg: float = 3.0,
    epoch_year: float = 2016.0,
) -> Catalogue:
    """The installed list with those kept cones that reach within `within_deg` of a place (all, without one).

    Proper motions are taken to the middle of the year, so that all subs of a year share one list.
    """
    files = [p for p in cone_files(folders) if around is None or _reaches(p, around, within_deg)]
    stamps = tuple((str(p), p.stat().st_mtime_ns) for p in files)
    return _joined(stamps, float(np.floor(epoch_year) + 0.5) if files else 2016.0)


@lru_cache(maxsize=4)
def _joined(files: tuple[tuple[str, int], ...], epoch_year: float) -> Catalogue:
    return load_catalogue([Path(name) for name, _ in files], epoch_year=epoch_year)


def _reaches(path: Path, around: tuple[float, float], within_deg: float) -> bool:
    """Whether a cone comes within reach of a place; one that does not tell its centre counts as everywhere."""
    cone = _centre(path, path.stat().st_mtime_ns)
    if cone is None:
        return True
    apart = np.degrees(np.arccos(np.clip(unit_vectors(*around) @ unit_vectors(cone[0], cone[1]), -1.0, 1.0)))
    return bool(apart < within_deg + cone[2])


@lru_cache(maxsize=256)
def _centre(path: Path, _stamp: int) -> tuple[float, float, float] | None:
    if path.suffix.lower() != ".ecsv":
        return None
    try:
        with path.open(encoding="utf-8") as file:
            head = "".join(line for line in itertools.takewhile(lambda text: text.startswith("#"), file))
    except (OSError, UnicodeDecodeError):
        return None
    numbers = dict(re.findall(r"\b(ra_deg|dec_deg|radius_deg): ([-+0-9.e]+)", head))
    try:
        return float(numbers["ra_deg"]), float(numbers["dec_deg"]), float(numbers["radius_deg"])
    except (KeyError, ValueError):
        return None
