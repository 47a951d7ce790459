"""Gives every sub of a campaign its place on the sky: through its transform to a solved grid, else by its own stars.

A grid is solved once, by its reference or by another placed sub whose field reaches more catalogue stars; what could not
be solved is tried again only when a cone was added.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightfold.align.cones import catalogue_for, cone_stamp, user_cone_folder
from nightfold.align.records import Transform
from nightfold.align.stage import Placed, placed_of
from nightfold.align.tangent import ra_dec_deg
from nightfold.align.wcs import SkyFit, is_mirrored, scale_arcsec_px, through_transform, up_deg, wcs_cards
from nightfold.engine.core import parallel_map
from nightfold.errors import NightfoldError, RegistrationError
from nightfold.intake.stage import header_of_row
from nightfold.ledger.records import FrameRow, GridRow, SolutionRow
from nightfold.ledger.workspace import Workspace
from nightfold.measure.records import Reading
from nightfold.measure.stage import load_readings
from nightfold.rig import core as rig_core

if TYPE_CHECKING:
    from nightfold.align.solve import Solution

SOLUTION_VERSION = 1
LEAST_OWN_STARS = 8
"""A sub without a place on the grid is solved alone only if it shows as many stars."""
MOST_GRID_TRIES = 3
REACH_DEG = 3.0


@dataclass(frozen=True, slots=True)
class Pointing:
    """Where a sub was said to point, and its scale."""

    around: tuple[float, float]
    arcsec_px: float


def cone_folders(ws: Workspace) -> list[Path]:
    """Where a campaign's deeper catalogues are kept: its own first, then the person's."""
    return [ws.catalogue_folder, user_cone_folder()]


def solve_subs(ws: Workspace) -> None:
    """Find the places of all measured subs that have none yet, or whose grid or transform is another since."""
    measured = ws.ledger.reading_versions()
    rows = [r for r in ws.ledger.frames(kind="sub") if r.id in measured]
    if not rows:
        return
    stamp = cone_stamp(cone_folders(ws))
    known = ws.ledger.solutions()
    groups: dict[tuple[str | None, int | None], list[FrameRow]] = defaultdict(list)
    for row in rows:
        groups[(row.target, row.panel)].append(row)
    found: list[SolutionRow] = []
    alone: list[tuple[FrameRow, list[Any]]] = []
    for (target, panel), members in groups.items():
        grid = ws.ledger.grid(target or "", panel)
        placements = ws.ledger.placements(grid.id) if grid else {}
        placed = {i: placed_of(p) for i, p in placements.items() if p.found}
        if grid is not None and not grid.wcs:
            grid = _solve_grid(ws, grid, members, placed, stamp)
        for row in members:
            lies = placed.get(row.id) if grid is not None and grid.wcs else None
            if grid is not None and lies is not None:
                made_from: list[Any] = [SOLUTION_VERSION, grid.id, placements[row.id].document.get("made_from")]
            else:
                made_from = [SOLUTION_VERSION, stamp, list(measured[row.id])]
            if row.id in known and known[row.id].document.get("made_from") == made_from:
                continue
            if grid is not None and lies is not None:
                found.append(_through_grid(row, grid, lies, made_from))
            elif grid is not None and not grid.wcs:
                # Its best subs could not be solved; hundreds of others would only take long to say the same.
                reason = (ws.ledger.kept_setting(_unsolved(grid)) or {}).get("reason", "")
                document = {"reason": f"its grid has no place: {reason}", "made_from": made_from}
                found.append(SolutionRow(frame_id=row.id, solved=False, document=document))
            else:
                alone.append((row, made_from))
    found += _solve_alone(ws, alone)
    if found:
        ws.ledger.save_solutions(found)


def pointing_of(ws: Workspace, row: FrameRow) -> Pointing | None:
    """Where a sub was said to point (its header, else its target) and its scale; None if either is not known."""
    header, rig = header_of_row(row), ws.settings.rig_named(row.rig)
    target = ws.settings.target_named(row.target)
    pixel = header.pixel_um or (rig.camera.pixel_um * header.binning[0] if rig and rig.camera.pixel_um else None)
    focal = (rig.telescope.focal_length_mm if rig else None) or header.focal_length_mm
    places = [(header.ra_deg, header.dec_deg), (target.ra_deg, target.dec_deg) if target else (None, None)]
    around = next(((ra, dec) for ra, dec in places if ra is not None and dec is not None), None)
    if not pixel or not focal or around is None:
        return None
    return Pointing(around, rig_core.scale_arcsec_px(pixel, focal))


def _solve(ws: Workspace, row: FrameRow, reading: Reading) -> Solution:
    from nightfold.align.solving import solve_stars  # loads slowly, and a campaign's grids are solved once

    pointing = pointing_of(ws, row)
    if pointing is None:
        raise RegistrationError(
            f"{row.name}: pointing or scale are not known",
            next_step="give the target's ra_deg and dec_deg, the camera's pixel_um and the telescope's focal_length_mm",
        )
    year = row.start.year + row.start.timetuple().tm_yday / 366.0 if row.start else 2016.0
    catalogue = catalogue_for(cone_folders(ws), around=pointing.around, within_deg=REACH_DEG, epoch_year=year)
    return solve_stars(
        reading.stars,
        shape=(row.height_px, row.width_px),
        scale=pointing.arcsec_px,
        around=pointing.around,
        within_deg=REACH_DEG,
        catalogue=catalogue,
    )


def _solve_grid(
    ws: Workspace, grid: GridRow, rows: Sequence[FrameRow], placed: dict[int, Placed], stamp: list[list[object]]
) -> GridRow:
    """The grid with its WCS, if one of its subs can be solved; else as it was."""
    candidates = _candidates(ws, grid, rows, placed)
    tried = [SOLUTION_VERSION, stamp, [r.id for r in candidates]]
    if (ws.ledger.kept_setting(_unsolved(grid)) or {}).get("tried") == tried:
        return grid
    readings = load_readings(ws, candidates)
    reason = "no sub with stars enough is placed on it"
    for row in candidates:
        try:
            solution = _solve(ws, row, readings[row.id])
        except NightfoldError as error:
            reason = error.what
            continue
        if row.id == grid.reference_frame_id:
            cards = solution.cards
        else:
            shape = (grid.height_px, grid.width_px)
            cards = wcs_cards(through_transform(placed[row.id].transform, solution.cards, shape=shape, inverse=True))
        ws.ledger.set_grid_wcs(grid.id, cards)
        for note in solution.notes:
            ws.progress.say(f"{row.name}: {note}")
        return ws.ledger.grid(grid.target, grid.panel) or grid
    ws.progress.say(f"{grid.target} has no place on the sky yet: {reason}")
    ws.ledger.keep_setting(_unsolved(grid), {"tried": tried, "reason": reason})
    return grid


def _unsolved(grid: GridRow) -> str:
    """The key under which a grid's failure is kept."""
    return f"grid {grid.id} unsolved"


def _candidates(ws: Workspace, grid: GridRow, rows: Sequence[FrameRow], placed: dict[int, Placed]) -> list[FrameRow]:
    """The reference, then of each rig the placed sub with the largest field; a wider rig may reach stars enough."""
    reference = [r for r in rows if r.id == grid.reference_frame_id] or ws.ledger.frames(ids=[grid.reference_frame_id])
    others: dict[str | None, FrameRow] = {}
    for row in rows:
        if row.id in placed and row.id != grid.reference_frame_id:
            others.setdefault(row.rig, row)

    def area(row: FrameRow) -> float:
        return row.width_px * row.height_px * placed[row.id].transform.scale ** 2

    ordered = sorted(others.values(), key=lambda r: (-area(r), r.id))
    return [*reference, *ordered][:MOST_GRID_TRIES]


def _through_grid(row: FrameRow, grid: GridRow, lies: Placed, made_from: list[Any]) -> SolutionRow:
    transform: Transform = lies.transform
    if row.id == grid.reference_frame_id:
        transform = Transform.identity()
    sky = through_transform(transform, grid.wcs or {}, shape=(row.height_px, row.width_px))
    document = {**_place(sky), "by": "grid", "rms_px": lies.residual_rms_px, "matched": lies.matched}
    return SolutionRow(frame_id=row.id, solved=True, document={**document, "made_from": made_from})


def _solve_alone(ws: Workspace, todo: list[tuple[FrameRow, list[Any]]]) -> list[SolutionRow]:
    if not todo:
        return []
    readings = load_readings(ws, [row for row, _ in todo])

    def work(item: tuple[FrameRow, list[Any]]) -> SolutionRow:
        row, made_from = item
        reading = readings[row.id]
        try:
            if reading.star_count < LEAST_OWN_STARS:
                raise RegistrationError(f"{reading.star_count} stars are too few to tell its place")
            solution = _solve(ws, row, reading)
        except NightfoldError as error:
            return SolutionRow(
                frame_id=row.id, solved=False, document={"reason": error.line, "made_from": made_from}
            )  # fmt: skip
        document = {
            "cards": solution.cards,
            "ra_deg": solution.ra_deg,
            "dec_deg": solution.dec_deg,
            "scale_arcsec_px": solution.scale_arcsec_px,
            "up_deg": solution.up_deg,
            "mirrored": solution.mirrored,
            "by": "its own stars",
            "rms_px": solution.rms_px,
            "matched": solution.matched,
            "notes": list(solution.notes),
            "made_from": made_from,
        }
        return SolutionRow(frame_id=row.id, solved=True, document=document)

    ws.progress.start(len(todo), "Finding places on the sky", "subs")
    found = []
    try:
        for row in parallel_map(work, todo, workers=ws.workers, cancelled=ws.cancelled):
            ws.progress.advance()
            found.append(row)
    finally:
        ws.progress.finish()
    return found


def _place(sky: SkyFit) -> dict[str, Any]:
    cd = sky.cd_deg
    ra, dec = ra_dec_deg(sky.centre)
    return {
        "cards": wcs_cards(sky),
        "ra_deg": float(ra),
        "dec_deg": float(dec),
        "scale_arcsec_px": scale_arcsec_px(cd),
        "up_deg": up_deg(cd),
        "mirrored": is_mirrored(cd),
    }
