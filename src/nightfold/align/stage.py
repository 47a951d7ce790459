"""Places every measured sub on its target's grid; the grid is set once and kept for good."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from nightfold.align.fit import compose, pooled_distortion, shared_area
from nightfold.align.match import ReferencePattern, match_stars
from nightfold.align.records import Match, Transform
from nightfold.engine.core import parallel_map
from nightfold.errors import FoldError, RegistrationError
from nightfold.flags import StarFlag
from nightfold.ledger.records import FrameRow, GridRow, PlacementRow
from nightfold.ledger.workspace import Workspace
from nightfold.measure.records import Reading, Stars
from nightfold.measure.stage import load_readings

ALIGN_VERSION = 1
MATCH_STARS = 800
"""Brightest stars used: more add nothing to a transform's error and cost time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A sub on its grid."""

    frame_id: int
    transform: Transform
    residual_rms_px: float
    error_px: float
    matched: int
    model: str
    overlap: float


def place_subs(ws: Workspace, *, reference: FrameRow | None = None, new_grid: bool = False) -> None:
    """Place all measured subs that have no placement yet; sets the grids that are missing.

    Parameters
    ----------
    reference : FrameRow, optional
        The sub that sets its target's grid; refused once masters lie on another, unless `new_grid`.
    new_grid : bool
        Give up the old grid of the reference's target (or of all targets).
    """
    rows = [r for r in ws.ledger.frames(kind="sub") if r.target]
    measured = ws.ledger.reading_versions()
    rows = [r for r in rows if r.id in measured]
    groups: dict[tuple[str, int | None], list[FrameRow]] = defaultdict(list)
    for row in rows:
        groups[(row.target or "", row.panel)].append(row)
    for (target, panel), members in groups.items():
        mine = reference if reference is not None and (reference.target, reference.panel) == (target, panel) else None
        grid = _grid_of(ws, target, panel, members, mine, new_grid and (reference is None or mine is not None))
        if grid is not None:
            _place_on(ws, grid, members)


def _grid_of(
    ws: Workspace, target: str, panel: int | None, rows: list[FrameRow], reference: FrameRow | None, new_grid: bool
) -> GridRow | None:
    grid = ws.ledger.grid(target, panel)
    if grid is not None and reference is not None and grid.reference_frame_id != reference.id and not new_grid:
        if any(m.grid_id == grid.id for m in ws.ledger.masters(target=target)):
            raise FoldError(
                f"{target} has its grid already",
                seen=f"reference {reference.name}",
                allowed="the grid is set at the first fold",
                next_step="leave --reference out, or give the grid and its masters up with --new-grid",
            )
        new_grid = True
    if grid is not None and not new_grid:
        return grid
    chosen = reference or _agreed_reference(ws, rows, load_readings(ws, rows))
    if chosen is None:
        return None
    if grid is not None:
        ws.ledger.retire_grid(grid.id)
    ws.ledger.make_grid(
        target=target,
        panel=panel,
        rig=chosen.rig,
        reference_frame_id=chosen.id,
        width_px=chosen.width_px,
        height_px=chosen.height_px,
    )
    return ws.ledger.grid(target, panel)


WITNESSES = 6
"""Other subs that a new reference must mostly agree with; one that points elsewhere may well have the most stars."""


def _agreed_reference(ws: Workspace, rows: list[FrameRow], readings: dict[int, Reading]) -> FrameRow | None:
    """The best reference that at least half of a few others, taken over the whole campaign, lie on; else simply the best."""
    best = chosen = best_reference(rows, readings)
    left = list(rows)
    for _ in range(5):
        if chosen is None:
            return best
        others = [
            r
            for r in rows
            if r.rig == chosen.rig and r.id != chosen.id and r.id in readings and len(readings[r.id].stars)
        ]
        others = others[:: max(1, len(others) // WITNESSES)][:WITNESSES]
        pattern = pattern_of(readings[chosen.id].stars)
        agreeing = 0
        for row in others:
            try:
                _match(ws, row, readings[row.id], pattern, chosen)
                agreeing += 1
            except RegistrationError:
                continue
        if 2 * agreeing >= len(others):
            return chosen
        left = [r for r in left if r.id != chosen.id]
        chosen = best_reference(left, readings)
    return best


def best_reference(rows: Sequence[FrameRow], readings: dict[int, Reading]) -> FrameRow | None:
    """The sub to lie all others on: of the rig with most subs, round and sharp, with many stars; None if none has six.

    Its filter is the one with most stars, because its list must serve the others too. Of subs binned differently it is one
    of those that are most, the finer ones of two equal parts.
    """
    by_rig: dict[str | None, list[FrameRow]] = defaultdict(list)
    for row in rows:
        if row.id in readings and readings[row.id].star_count >= 6:
            by_rig[row.rig].append(row)
    if not by_rig:
        return None
    by_size: dict[int, list[FrameRow]] = defaultdict(list)
    for row in max(by_rig.values(), key=len):
        by_size[row.width_px * row.height_px].append(row)
    members = by_size[max(by_size, key=lambda size: (len(by_size[size]), size))]

    def merit(row: FrameRow) -> tuple[float, str]:
        reading = readings[row.id]
        sharp = reading.fwhm_px if np.isfinite(reading.fwhm_px) else 99.0
        round_ = 1.0 - min(0.9, reading.ellipticity) if np.isfinite(reading.ellipticity) else 0.1
        return min(reading.star_count, 1500) * round_ / sharp, row.fingerprint

    return max(members, key=merit)


def _place_on(ws: Workspace, grid: GridRow, rows: list[FrameRow]) -> None:
    known = ws.ledger.placements(grid.id)
    versions = ws.ledger.reading_versions()
    todo = [r for r in rows if r.id not in known or known[r.id].document.get("made_from") != _made_from(versions[r.id])]
    if not todo:
        return
    reference_row = ws.ledger.frames(ids=[grid.reference_frame_id])[0]
    readings = load_readings(ws, [*todo, reference_row])
    pattern = pattern_of(readings[reference_row.id].stars)
    grid_shape = (grid.height_px, grid.width_px)

    def place(row: FrameRow) -> tuple[FrameRow, Match | RegistrationError]:
        if row.id == grid.reference_frame_id:
            identity = Transform.identity()
            return row, Match(
                transform=identity,
                pairs=np.zeros((0, 2), np.int64),
                residual_rms_px=0.0,
                error_px=0.0,
                model="reference",
            )
        try:
            return row, _match(ws, row, readings[row.id], pattern, reference_row)
        except RegistrationError as error:
            return row, error

    ws.progress.start(len(todo), "Placing", "subs")
    failed: list[tuple[FrameRow, RegistrationError]] = []
    placed: dict[int, tuple[FrameRow, Match]] = {}
    try:
        for row, outcome in parallel_map(place, todo, workers=ws.workers, cancelled=ws.cancelled):
            ws.progress.advance()
            if isinstance(outcome, Match):
                placed[row.id] = (row, outcome)
            else:
                failed.append((row, outcome))
    finally:
        ws.progress.finish()
    _share_distortion(placed, readings, pattern, grid.rig)
    found = [_placement(row, match, grid, versions[row.id], grid_shape) for row, match in placed.values()]
    for row, error in failed:
        found.append(_second_try(ws, row, error, placed, readings, grid, versions[row.id], grid_shape))
    ws.ledger.save_placements(found)


def _share_distortion(
    placed: dict[int, tuple[FrameRow, Match]],
    readings: dict[int, Reading],
    pattern: ReferencePattern,
    grid_rig: str | None,
) -> None:
    """Give the subs of each rig other than the grid's the distortion that all of them together show."""
    by_rig: dict[tuple[str | None, int, int], list[int]] = defaultdict(list)
    for row, match in placed.values():
        if row.rig != grid_rig and match.model != "reference":
            by_rig[(row.rig, row.height_px, row.width_px)].append(row.id)
    for (_, height, width), ids in by_rig.items():
        pairs = []
        for i in ids:
            stars, match = matchable(readings[i].stars), placed[i][1]
            sigma = np.hypot(
                stars.position_error_px[match.pairs[:, 0]] * match.transform.scale, pattern.error_px[match.pairs[:, 1]]
            )
            pairs.append(
                (stars.xy[match.pairs[:, 0]], pattern.xy[match.pairs[:, 1]], np.where(np.isfinite(sigma), sigma, 0.1))
            )
        shared = pooled_distortion(pairs, [placed[i][1].transform for i in ids], (height, width))
        for i, transform in zip(ids, shared or []):
            row, match = placed[i]
            placed[i] = (row, replace(match, transform=transform, model="shared distortion"))


def pattern_of(stars: Stars) -> ReferencePattern:
    """The stars of a reading that are fit to be matched against."""
    chosen = matchable(stars)
    return ReferencePattern(chosen.xy, chosen.position_error_px)


def matchable(stars: Stars) -> Stars:
    """Stars fit for matching, brightest first: no false ones, no pieces of streaks, no cut or blended ones."""
    against = StarFlag.NOT_A_STAR | StarFlag.ELONGATED | StarFlag.EDGE | StarFlag.SATURATED | StarFlag.BLENDED
    good = (stars.flags & int(against)) == 0
    if good.sum() < 40:
        # A poor field keeps its saturated and blended stars: worse centroids, told by their errors, beat none.
        good = (stars.flags & int(StarFlag.NOT_A_STAR | StarFlag.EDGE)) == 0
    return stars.take(np.flatnonzero(good)[:MATCH_STARS])


def _match(ws: Workspace, row: FrameRow, reading: Reading, pattern: ReferencePattern, other: FrameRow) -> Match:
    stars = matchable(reading.stars)
    shape = (row.height_px, row.width_px)
    return match_stars(
        stars.xy, stars.position_error_px, pattern, shape=shape, scale_range=_scale_range(ws, row, other)
    )


def _scale_range(ws: Workspace, row: FrameRow, other: FrameRow) -> tuple[float, float] | None:
    """Allowed pixels of `other` per pixel of `row`: by binning for one rig, by scales for two; None, any, if not known."""
    binning = row.header["binning"][0] / other.header["binning"][0]
    if row.rig == other.rig:
        return 0.9 * binning, 1.1 * binning
    scales = []
    for name in (row.rig, other.rig):
        found = ws.settings.rig_named(name)
        pixel = found.camera.pixel_um if found else None
        focal = found.telescope.focal_length_mm if found else None
        if not pixel or not focal:
            return None
        scales.append(pixel / focal)
    ratio = binning * scales[0] / scales[1]
    return 0.85 * ratio, 1.15 * ratio


def _second_try(
    ws: Workspace,
    row: FrameRow,
    error: RegistrationError,
    placed: dict[int, tuple[FrameRow, Match]],
    readings: dict[int, Reading],
    grid: GridRow,
    version: tuple[int, str],
    grid_shape: tuple[int, int],
) -> PlacementRow:
    """By way of placed subs of the same rig that are near in time; else the reason and what was tried."""
    helpers = [p for p in placed.values() if p[0].rig == row.rig and p[1].model != "reference"]
    helpers.sort(key=lambda p: (p[0].filter != row.filter, _apart_s(p[0], row), p[0].id))
    tried = list(error.tried)
    for helper, match in helpers[:3]:
        try:
            step = _match(ws, row, readings[row.id], pattern_of(readings[helper.id].stars), helper)
        except RegistrationError as again:
            tried.append(f"by way of {helper.name}: {again.what}")
            continue
        whole = compose(match.transform, step.transform, (row.height_px, row.width_px))
        chained = replace(
            step, transform=whole, error_px=float(np.hypot(step.error_px * match.transform.scale, match.error_px))
        )
        return _placement(row, chained, grid, version, grid_shape)
    document: dict[str, Any] = {"tried": tried, "made_from": _made_from(version)}
    return PlacementRow(frame_id=row.id, grid_id=grid.id, found=False, reason=error.what, document=document)


def _apart_s(a: FrameRow, b: FrameRow) -> float:
    return abs((a.start - b.start).total_seconds()) if a.start and b.start else float("inf")


def _made_from(version: tuple[int, str]) -> list[Any]:
    return [ALIGN_VERSION, *version]


def _placement(
    row: FrameRow, match: Match, grid: GridRow, version: tuple[int, str], grid_shape: tuple[int, int]
) -> PlacementRow:
    t = match.transform
    document = {
        "matrix": t.matrix.tolist(),
        "distortion": None if t.distortion is None else t.distortion.tolist(),
        "centre": list(t.centre),
        "radius": t.radius,
        "residual_rms_px": match.residual_rms_px,
        "error_px": match.error_px,
        "matched": len(match.pairs),
        "model": match.model,
        "overlap": shared_area(t, (row.height_px, row.width_px), grid_shape),
        "made_from": _made_from(version),
    }
    return PlacementRow(frame_id=row.id, grid_id=grid.id, found=True, reason="", document=document)


def placed_of(row: PlacementRow) -> Placed:
    """A found placement as a transform with its numbers."""
    d = row.document
    transform = Transform(
        matrix=np.array(d["matrix"], np.float64),
        distortion=None if d["distortion"] is None else np.array(d["distortion"], np.float64),
        centre=(float(d["centre"][0]), float(d["centre"][1])),
        radius=float(d["radius"]),
    )
    return Placed(
        frame_id=row.frame_id,
        transform=transform,
        residual_rms_px=float(d["residual_rms_px"]),
        error_px=float(d["error_px"]),
        matched=int(d["matched"]),
        model=str(d["model"]),
        overlap=float(d["overlap"]),
    )


def placements_of(ws: Workspace, grid: GridRow, rows: Iterable[FrameRow]) -> dict[int, Placed]:
    """The found placements of frames on a grid."""
    known = ws.ledger.placements(grid.id)
    return {row.id: placed_of(known[row.id]) for row in rows if row.id in known and known[row.id].found}
