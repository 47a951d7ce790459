"""Zero points of all subs whose place on the sky is known, kept with their places."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from nightfold.align.catalogue import Catalogue
from nightfold.align.cones import catalogue_for, cone_stamp
from nightfold.align.places.stage import cone_folders
from nightfold.align.tangent import unit_vectors
from nightfold.align.wcs import wcs_of
from nightfold.flags import StarFlag
from nightfold.judge.photometry.core import (
    LINE_WIDTH_LIMIT_NM,
    ZeroPoint,
    limiting_mag,
    nominal_zero_point,
    rayleigh_rate,
    star_rates,
    surface_mag,
    zero_point,
)
from nightfold.ledger.records import FrameRow, SolutionRow
from nightfold.ledger.workspace import Workspace
from nightfold.measure.records import Reading, Stars
from nightfold.measure.stage import load_readings
from nightfold.rig.photometry import Optics
from nightfold.rig.star_colours import ab_at, usable_colours
from nightfold.settings.models import Filter

FloatArray = npt.NDArray[np.float64]

PHOTOMETRY_VERSION = 1
MOST_STARS = 600
MATCH_PX = 1.5
CLEAR_OF_OTHERS = 3.0
"""In FWHM: a catalogue star with another this near and less than 3 mag fainter is left out, for its light is not its own."""
LEAST_SNR = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterZeroPoint:
    """The zero point of a rig's filter at its reference sub's level (SCALE 1, as in masters)."""

    zero_point: ZeroPoint
    centre_nm: float
    width_nm: float | None
    rayleigh_e_per_s_arcsec2: float | None


def zero_points(ws: Workspace) -> None:
    """Find the zero point of every rig's filter on every target, and write it beside the places of its subs."""
    solutions = ws.ledger.solutions()
    verdicts = ws.ledger.verdicts()
    groups: dict[tuple[str | None, int | None, str | None, str | None], list[FrameRow]] = defaultdict(list)
    for row in ws.ledger.frames(kind="sub"):
        if row.id in solutions and solutions[row.id].solved:
            groups[(row.target, row.panel, row.rig, row.filter)].append(row)
    lists = cone_stamp(cone_folders(ws))
    changed: list[SolutionRow] = []
    for rows in groups.values():
        scales = {r.id: verdicts[r.id].scale for r in rows if r.id in verdicts}
        stamp = [
            PHOTOMETRY_VERSION,
            lists,
            _rig_stamp(ws, rows[0]),
            [[r.id, scales.get(r.id), solutions[r.id].document["made_from"]] for r in rows],
        ]
        mark = hashlib.sha256(repr(stamp).encode()).hexdigest()[:16]
        if all(solutions[r.id].document.get("photometry_from") == mark for r in rows):
            continue
        found = _of_group(ws, rows, solutions, {i: s for i, s in scales.items() if s})
        for row in rows:
            known = solutions[row.id]
            document = {**known.document, "photometry": found.get(row.id), "photometry_from": mark}
            changed.append(replace(known, document=document))
    if changed:
        ws.ledger.save_solutions(changed)


def _rig_stamp(ws: Workspace, row: FrameRow) -> list[object]:
    """What of campaign.toml the zero point of a sub's filter is made from."""
    rig = ws.settings.rig_named(row.rig)
    band = rig.filter_named(row.filter or "") if rig else None
    if rig is None or band is None:
        return []
    return [band.model_dump(), rig.telescope.model_dump(), rig.camera.pixel_um, rig.camera.quantum_efficiency]


def _of_group(
    ws: Workspace, rows: Sequence[FrameRow], solutions: dict[int, SolutionRow], scales: dict[int, float]
) -> dict[int, dict[str, Any]]:
    rig = ws.settings.rig_named(rows[0].rig)
    band = rig.filter_named(rows[0].filter or "") if rig else None
    if band is None or band.centre_nm is None or not 380.0 <= band.centre_nm <= 950.0:
        return {}
    rows = [r for r in rows if r.id in scales]
    if not rows:
        return {}
    readings = load_readings(ws, rows)
    first = solutions[rows[0].id].document
    year = next((r.start.year + r.start.timetuple().tm_yday / 366.0 for r in rows if r.start), 2016.0)
    catalogue = catalogue_for(
        cone_folders(ws), around=(first["ra_deg"], first["dec_deg"]), within_deg=3.0, epoch_year=year
    )
    members, rates, errors = [], [], []
    for row in rows:
        stars = _photometric(readings[row.id].stars)
        members.append(match_catalogue(stars, solutions[row.id].document, catalogue, readings[row.id].fwhm_px))
        rates.append(stars.flux_e / (row.exposure_s or 1.0))
        errors.append(stars.flux_error_e / (row.exposure_s or 1.0))
    number, rate, relative = star_rates(members, rates, errors, np.array([scales[r.id] for r in rows]))
    s = catalogue.stars.take(number)
    mag, mag_error = ab_at(band.centre_nm, s.g, s.bp - s.rp)
    low, high = usable_colours(band.centre_nm, band.width_nm or 100.0)
    with np.errstate(invalid="ignore"):
        colour = s.bp - s.rp
        fit = (colour >= low) & (colour <= high)
    all_colours = int(np.isfinite(mag).sum())
    systematic = {}
    if fit.sum() < 5 <= all_colours:
        # Too few cool stars: the others are taken, and their Balmer lines cost certainty.
        fit, systematic = np.isfinite(mag), {"systematic_mag": 0.12 if low > 0.5 else 0.05}
    found = zero_point(mag[fit], rate[fit], relative[fit], mag_error[fit], **systematic)
    if found is None:
        return {}
    optics = optics_of(ws, rows[0].rig, band)
    nominal = None
    if optics is not None and band.width_nm is not None:
        nominal = nominal_zero_point(optics, band.centre_nm, band.width_nm)
    return {
        row.id: _document(row, readings[row.id], solutions[row.id], found, scales[row.id], band, nominal)
        for row in rows
    }


def _photometric(stars: Stars) -> Stars:
    against = (
        StarFlag.NOT_A_STAR | StarFlag.ELONGATED | StarFlag.EDGE | StarFlag.SATURATED | StarFlag.BLENDED | StarFlag.BAD_PIXELS
    )  # fmt: skip
    with np.errstate(invalid="ignore"):
        good = ((stars.flags & int(against)) == 0) & (stars.flux_e > LEAST_SNR * stars.flux_error_e)
    return stars.take(np.flatnonzero(good)[:MOST_STARS])


def match_catalogue(stars: Stars, place: dict[str, Any], catalogue: Catalogue, fwhm_px: float) -> npt.NDArray[np.int64]:
    """The catalogue's number of each star of a solved sub, -1 for none: nearest of each other, and alone."""
    from scipy.spatial import cKDTree

    scale = float(place["scale_arcsec_px"])
    result = np.full(len(stars), -1, np.int64)
    if not len(stars):
        return result
    ra, dec = wcs_of(place["cards"]).all_pix2world(stars.x, stars.y, 0)
    here = unit_vectors(ra, dec)
    middle = unit_vectors(place["ra_deg"], place["dec_deg"])
    reach = float(np.degrees(np.arccos(np.clip(here @ middle, -1.0, 1.0).min()))) + 0.02
    near = catalogue.indices_near(middle, reach)
    if not len(near):
        return result
    tree = cKDTree(catalogue.vectors[near])
    radius = np.radians(MATCH_PX * max(1.0, 0.4 * fwhm_px if np.isfinite(fwhm_px) else 1.0) * scale / 3600.0)
    distance, which = (np.asarray(a) for a in tree.query(here, distance_upper_bound=radius))
    back = np.asarray(cKDTree(here).query(catalogue.vectors[near], distance_upper_bound=radius)[1])
    own = np.flatnonzero(np.isfinite(distance))
    own = own[back[which[own]] == own]
    wide = np.radians(CLEAR_OF_OTHERS * (fwhm_px if np.isfinite(fwhm_px) else 3.0) * scale / 3600.0)
    g = catalogue.stars.g[near]
    around = tree.query_ball_point(catalogue.vectors[near][which[own]], wide)
    alone = [bool((g[others] > g[w] + 3.0).sum() == len(others) - 1) for others, w in zip(around, which[own])]
    own = own[np.array(alone, bool)]
    result[own] = near[which[own]]
    return result


def optics_of(ws: Workspace, rig_name: str | None, band: Filter) -> Optics | None:
    """What of a rig decides how much light falls on a pixel through a filter; None where a number of it is not known."""
    rig = ws.settings.rig_named(rig_name)
    if rig is None or band.centre_nm is None:
        return None
    t, c = rig.telescope, rig.camera
    if t.aperture_mm is None or t.focal_length_mm is None or c.pixel_um is None or not c.quantum_efficiency:
        return None
    points = sorted(c.quantum_efficiency)
    quantum = float(np.interp(band.centre_nm, [p[0] for p in points], [p[1] for p in points]))
    return Optics(
        aperture_mm=t.aperture_mm,
        focal_length_mm=t.focal_length_mm,
        pixel_um=c.pixel_um,
        efficiency=quantum * band.peak_transmission,
        obstruction_mm=t.obstruction_mm,
    )


def promised_zero_point(ws: Workspace, rig_name: str | None, filter: str) -> FilterZeroPoint | None:
    """The zero point that a rig's own numbers promise above the air, good to some 0.3 mag; None where one is not known."""
    rig = ws.settings.rig_named(rig_name)
    band = rig.filter_named(filter) if rig else None
    if band is None or band.centre_nm is None or band.width_nm is None:
        return None
    optics = optics_of(ws, rig_name, band)
    if optics is None:
        return None
    mag = nominal_zero_point(optics, band.centre_nm, band.width_nm)
    rayleigh = rayleigh_rate(mag, band.centre_nm, band.width_nm) if band.width_nm <= LINE_WIDTH_LIMIT_NM else None
    found = ZeroPoint(mag=mag, uncertainty_mag=0.3, statistical_mag=0.3, scatter_mag=0.0, stars=0)
    return FilterZeroPoint(
        zero_point=found, centre_nm=band.centre_nm, width_nm=band.width_nm, rayleigh_e_per_s_arcsec2=rayleigh
    )


def _document(
    row: FrameRow,
    reading: Reading,
    place: SolutionRow,
    at_reference: ZeroPoint,
    scale: float,
    band: Filter,
    nominal: float | None,
) -> dict[str, Any]:
    mag = at_reference.mag + 2.5 * float(np.log10(scale))
    exposure = row.exposure_s or 1.0
    area = float(place.document["scale_arcsec_px"]) ** 2
    sky = reading.sky_e / exposure / area
    rayleigh = None
    if band.width_nm is not None and band.width_nm <= LINE_WIDTH_LIMIT_NM and band.centre_nm is not None:
        rayleigh = rayleigh_rate(mag, band.centre_nm, band.width_nm)
    faintest = limiting_mag(mag, reading.noise_e / exposure, reading.fwhm_px)
    return {
        "zero_point_mag": mag,
        "zero_point_uncertainty_mag": at_reference.uncertainty_mag,
        "zero_point_scatter_mag": at_reference.scatter_mag,
        "zero_point_stars": at_reference.stars,
        "reference_zero_point_mag": at_reference.mag,
        "rayleigh_e_per_s_arcsec2": rayleigh,
        "sky_mag_arcsec2": _known(surface_mag(sky, mag)),
        "limiting_mag": _known(faintest),
        "transparency_absolute": None if nominal is None else 10.0 ** (0.4 * (mag - nominal)),
    }


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def filter_zero_point(ws: Workspace, rows: Sequence[FrameRow]) -> FilterZeroPoint | None:
    """The zero point of a group of subs at SCALE 1, as it stands in the ledger; None where none is known.

    Where subs of several rigs are in one master, it is that of the rig which sets the master's level: the grid's.
    """
    rigs = sorted({r.rig or "" for r in rows})
    if len(rigs) > 1:
        grid = ws.ledger.grid(rows[0].target or "", rows[0].panel)
        base = grid.rig if grid is not None and grid.rig in rigs else rows[0].rig
        rows = [r for r in rows if r.rig == base]
    solutions = ws.ledger.solutions([r.id for r in rows])
    for row in rows:
        known = solutions.get(row.id)
        numbers = known.document.get("photometry") if known is not None else None
        if numbers is None:
            continue
        rig = ws.settings.rig_named(row.rig)
        band = rig.filter_named(row.filter or "") if rig else None
        if band is None or band.centre_nm is None:
            continue
        found = ZeroPoint(
            mag=numbers["reference_zero_point_mag"],
            uncertainty_mag=numbers["zero_point_uncertainty_mag"],
            statistical_mag=numbers["zero_point_uncertainty_mag"],
            scatter_mag=numbers["zero_point_scatter_mag"],
            stars=numbers["zero_point_stars"],
        )
        rayleigh = None
        if band.width_nm is not None and band.width_nm <= LINE_WIDTH_LIMIT_NM:
            rayleigh = rayleigh_rate(found.mag, band.centre_nm, band.width_nm)
        return FilterZeroPoint(
            zero_point=found, centre_nm=band.centre_nm, width_nm=band.width_nm, rayleigh_e_per_s_arcsec2=rayleigh
        )
    return None
