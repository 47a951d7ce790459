"""One file's place on the sky: opens it, finds its stars, solves, and tells or writes the result. Knows no ledger."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits

from nightfold.align.catalogue import Catalogue, load_catalogue
from nightfold.align.cones import catalogue_for, user_cone_folder
from nightfold.align.solve import Solution, solve
from nightfold.errors import RegistrationError
from nightfold.flags import StarFlag
from nightfold.frames.header import read_header, read_layout
from nightfold.frames.pixels import read_all
from nightfold.frames.spellings import as_number, as_sexagesimal
from nightfold.frames.write import write_fits
from nightfold.measure.core import measure_sub
from nightfold.measure.records import Stars
from nightfold.rig.core import scale_arcsec_px


@dataclass(frozen=True, slots=True, kw_only=True)
class SolveReport:
    """A solved frame as the command's document holds it; angles in degrees, ICRS."""

    solved: bool
    ra_deg: float
    dec_deg: float
    scale_arcsec_px: float
    up_deg: float
    mirrored: bool
    rms_px: float
    matched: int
    false_alarm_log10: float
    notes: tuple[str, ...] = ()
    written: str | None = None


def solve_file(
    path: Path,
    *,
    around: str | None = None,
    within_deg: float = 3.0,
    scale: float | None = None,
    write: Path | None = None,
    catalogue: Catalogue | None = None,
    cone_folders: Sequence[Path] = (),
) -> SolveReport:
    """Solve one frame against the installed star catalogue.

    Parameters
    ----------
    around : str, optional
        "RA DEC" in degrees or sexagesimal; the header's pointing when not given; the whole sky when there is none.
    within_deg : float
        How far the frame's middle may lie from there.
    scale : float, optional
        Expected arcsec per pixel, within a tenth; when not given, from the header's pixel and focal length, else from its own
        celestial coordinates.
    write : Path, optional
        A FITS header file to write the solution into; the frame itself is never changed.
    cone_folders : sequence of Path
        Where deeper lists are kept, beside the person's own; they serve a search around a pointing.
    """
    header, cards = read_header(path), read_layout(path)[1]
    if scale is None and header.pixel_um and header.focal_length_mm:
        scale = scale_arcsec_px(header.pixel_um, header.focal_length_mm)
    if scale is None:
        scale = scale_of_cards(cards)
    if scale is None or not scale > 0:
        raise RegistrationError(
            f"{path.name}: the scale is not known",
            seen="no pixel size and focal length, and no coordinates, in the header",
            allowed="arcsec per pixel, within a tenth",
            next_step="name it with --scale",
        )
    pointing = parse_place(around) if around else None
    if pointing is None and header.ra_deg is not None and header.dec_deg is not None:
        pointing = (header.ra_deg, header.dec_deg)
    if catalogue is None and pointing is not None:
        year = header.start.year + header.start.timetuple().tm_yday / 366.0 if header.start else 2016.0
        folders = [*cone_folders, user_cone_folder()]
        catalogue = catalogue_for(folders, around=pointing, within_deg=within_deg, epoch_year=year)
    pixels, _ = read_all(path)
    if str(cards.get("BUNIT", "")).strip().lower().endswith("/s") and header.exposure_s:
        # Light a second, as masters have it: a star's own noise is told by all its light.
        pixels = (pixels * np.float32(header.exposure_s)).astype(np.float32)
    stars = measure_sub(pixels, read_noise_e=0.0).stars
    solution = solve_stars(
        stars,
        shape=(header.height_px, header.width_px),
        scale=scale,
        around=pointing,
        within_deg=within_deg,
        catalogue=catalogue,
    )
    if write is not None:
        write_fits(write, fits.PrimaryHDU(header=fits.Header(list(solution.cards.items()))))
    return SolveReport(
        solved=True,
        ra_deg=solution.ra_deg,
        dec_deg=solution.dec_deg,
        scale_arcsec_px=solution.scale_arcsec_px,
        up_deg=solution.up_deg,
        mirrored=solution.mirrored,
        rms_px=solution.rms_px,
        matched=solution.matched,
        false_alarm_log10=solution.false_alarm_log10,
        notes=solution.notes,
        written=None if write is None else str(write),
    )


def solve_stars(
    stars: Stars,
    *,
    shape: tuple[int, int],
    scale: float,
    around: tuple[float, float] | None,
    within_deg: float = 3.0,
    catalogue: Catalogue | None = None,
) -> Solution:
    """The place on the sky of a reading's stars; saturated ones help, false ones are left out."""
    real = np.flatnonzero((stars.flags & int(StarFlag.NOT_A_STAR | StarFlag.ELONGATED)) == 0)
    chosen = stars.take(real)
    return solve(
        chosen.xy,
        chosen.flux_e,
        shape=shape,
        scale_arcsec_px=scale,
        catalogue=catalogue if catalogue is not None else load_catalogue(),
        around=around,
        within_deg=within_deg,
        error_px=chosen.position_error_px,
        index_folder=index_folder(),
    )


def scale_of_cards(cards: Mapping[str, object]) -> float | None:
    """Arcsec per pixel at the reference pixel of a header's celestial coordinates; None where it has none.

    CDi_j, or CDELTi with PCi_j (FITS Standard 4.0, section 8.1); the root of the determinant, so that turns do not matter.
    """

    def number(key: str, default: float) -> float:
        value = cards.get(key)
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else default

    if not str(cards.get("CTYPE1", "")).upper().startswith(("RA--", "DEC-")):
        return None
    if any(f"CD{i}_{j}" in cards for i in (1, 2) for j in (1, 2)):
        cd = [[number(f"CD{i}_{j}", 0.0) for j in (1, 2)] for i in (1, 2)]
    else:
        step = [number("CDELT1", math.nan), number("CDELT2", math.nan)]
        cd = [[step[i] * number(f"PC{i + 1}_{j + 1}", float(i == j)) for j in (0, 1)] for i in (0, 1)]
    scale = 3600.0 * math.sqrt(abs(cd[0][0] * cd[1][1] - cd[0][1] * cd[1][0]))
    return scale if math.isfinite(scale) and scale > 0.0 else None


def index_folder() -> Path:
    """Where the patterns of the whole sky are kept between runs: the user's own cache folder."""
    base = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    return (Path(base) if base else Path.home() / ".cache") / "nightfold"


def parse_place(text: str) -> tuple[float, float]:
    """RA and Dec in degrees of "250.2 -48.8" or "16:40:48 -48:48:00" (the first in hours then); separators are spaces or a comma."""
    words = text.replace(",", " ").split()
    if len(words) == 6:
        words = [":".join(words[:3]), ":".join(words[3:])]
    if len(words) == 2:
        ra, dec = as_number(words[0]), as_number(words[1])
        if ra is None or dec is None:
            hours, dec = as_sexagesimal(words[0]), as_sexagesimal(words[1])
            ra = None if hours is None else 15.0 * hours
        if ra is not None and dec is not None and 0.0 <= ra < 360.0 and -90.0 <= dec <= 90.0:
            return ra, dec
    raise RegistrationError(
        "the place is not RA and Dec",
        seen=text,
        allowed="two numbers in degrees, or hours and degrees as 16:40:48 -48:48:00",
    )
