"""The mount of a night: drift and dithers, from where its subs lie on the sky."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt

from nightfold.align.stage import placed_of
from nightfold.align.tangent import project, ra_dec_deg
from nightfold.align.wcs import directions, is_mirrored, scale_arcsec_px, through_transform, up_deg, wcs_cards
from nightfold.errors import FrameError
from nightfold.intake.stage import header_of_row
from nightfold.ledger.records import FrameRow, GridRow, PlacementRow
from nightfold.ledger.workspace import Workspace
from nightfold.measure.stage import load_readings
from nightfold.optics.reports import TrackingPoint, TrackingReport, TrackingTrend, values_of
from nightfold.optics.stage import facts_of, keep, middle_s, night_rows
from nightfold.optics.tracking import Tracking, measure_on_frame, measure_tracking
from nightfold.settings.models import Rig

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class OnSky:
    """A sub with its place on the sky, and how well its turn is known against the other subs'."""

    row: FrameRow
    cards: dict[str, Any]
    turn_error_deg: float
    through_grid: bool

    @property
    def middle(self) -> FloatArray:
        return np.array([[0.5 * (self.row.width_px - 1), 0.5 * (self.row.height_px - 1)]])

    @property
    def cd_deg(self) -> FloatArray:
        """Degrees per pixel."""
        return np.array([[self.cards[f"CD{i}_{j}"] for j in (1, 2)] for i in (1, 2)], np.float64)

    def place(self, dx_px: float = 0.0, dy_px: float = 0.0) -> tuple[float, float]:
        """RA and Dec, degrees, of the frame's middle, or so far beside it."""
        ra, dec = ra_dec_deg(directions(self.cards, self.middle + np.array([[dx_px, dy_px]])))
        return float(ra[0]), float(dec[0])


def on_sky(ws: Workspace, rows: Sequence[FrameRow]) -> dict[str, list[OnSky]]:
    """The subs of each target whose place is known, by target: through a solved grid, which is surest, or from their own stars."""
    found: dict[str, list[OnSky]] = defaultdict(list)
    grids: dict[tuple[str, int | None], Any] = {}
    solutions = ws.ledger.solutions([r.id for r in rows])
    for row in rows:
        key = (row.target or "", row.panel)
        if key not in grids:
            grid = ws.ledger.grid(*key)
            grids[key] = (grid, ws.ledger.placements(grid.id)) if grid is not None and grid.wcs else None
        if row.start is None:
            continue
        place = grids[key][1].get(row.id) if grids[key] is not None else None
        if place is not None and place.found:
            shape = (row.height_px, row.width_px)
            lies = placed_of(place)
            cards = wcs_cards(through_transform(lies.transform, grids[key][0].wcs, shape=shape))
            error = lies.error_px * 2.0 / float(np.hypot(*shape))
        elif (
            row.id in solutions and solutions[row.id].solved and "CD1_1" in solutions[row.id].document.get("cards", {})
        ):
            document = solutions[row.id].document
            cards = document["cards"]
            # Of matched stars spread evenly over the frame.
            error = float(document.get("rms_px") or 1.0) / np.sqrt(max(int(document.get("matched") or 1), 1))
            error *= float(np.sqrt(12.0) / np.hypot(row.width_px, row.height_px))
        else:
            continue
        found[key[0]].append(OnSky(row, cards, float(np.degrees(error)), place is not None and place.found))
    return {target: _with_errors(seen) for target, seen in found.items()}


def _with_errors(seen: list[OnSky]) -> list[OnSky]:
    """The reference lies on itself without error, but its own stars' errors part it from the others: theirs in the middle."""
    known = [s.turn_error_deg for s in seen if s.turn_error_deg > 0.0]
    usual = float(np.median(known)) if known else 1e-3
    return [s if s.turn_error_deg > 0.0 else replace(s, turn_error_deg=usual) for s in seen]


def not_placed(ws: Workspace, rows: Sequence[FrameRow], what: str, day: date) -> FrameError:
    """Why these subs have no place on the sky: what solving them said, or that nobody tried yet."""
    tried = ws.ledger.solutions([r.id for r in rows])
    said = Counter(str(s.document.get("reason") or "") for s in tried.values() if not s.solved)
    reasons = [words for words, _ in said.most_common() if words]
    if not reasons:
        return FrameError(
            f"{what} needs subs whose place on the sky is known", seen=f"none of {day}, and none was looked for yet",
            allowed="subs that were placed on a solved grid", next_step="run `nightfold judge`",
        )  # fmt: skip
    reason = reasons[0].removeprefix("its grid has no place: ").split("; ")[0]
    few = "too few catalogue stars" in reason
    return FrameError(
        f"{what} needs subs whose place on the sky is known, and those of {day} could not be solved", seen=reason,
        allowed="subs that were placed on a solved grid",
        next_step="add the field's stars with `nightfold catalogue add`, then run `nightfold judge`" if few
        else "see that the target's ra_deg and dec_deg, the camera's pixel_um and the telescope's focal_length_mm are right, or add the "
        "field's stars with `nightfold catalogue add`; then run `nightfold judge`",
    )  # fmt: skip


def tracking(ws: Workspace, *, night: date | None = None, rig: str | None = None) -> TrackingReport:
    """Drift, dithers and trailing of a night's subs of the target with most of them, kept as a finding."""
    report = tracking_of(ws, night=night, rig=rig)
    keep(
        ws, "optics-tracking", report, rig=report.rig, night=date.fromisoformat(str(report.night)), target=report.target
    )
    trend = tuple(
        TrackingTrend(
            night=f.night.isoformat(), ra_arcsec_per_h=f.document.get("ra_arcsec_per_h"),
            dec_arcsec_per_h=f.document.get("dec_arcsec_per_h"),
        )
        for f in sorted(ws.ledger.findings("optics-tracking", rig=report.rig), key=lambda f: f.night or date.min)
        if f.night is not None
    )  # fmt: skip
    return replace(report, trend=trend)


def tracking_of(ws: Workspace, *, night: date | None = None, rig: str | None = None) -> TrackingReport:
    """The same, nothing written."""
    named, day, rows = night_rows(ws, rig, night)
    places = on_sky(ws, rows)
    if not places:
        return _on_frame(ws, named, day, rows)
    target, seen = max(places.items(), key=lambda item: len(item[1]))
    found = _tracked(ws, seen)
    offsets = _offsets(seen)
    first = min(middle_s(s.row) for s in seen)
    points = tuple(
        TrackingPoint(hours=(middle_s(s.row) - first) / 3600.0, east_arcsec=float(e), north_arcsec=float(n))
        for s, (e, n) in zip(seen, offsets - np.median(offsets, axis=0), strict=True)
    )
    return TrackingReport(
        **values_of(found), rig=named.name if named else None, target=target, night=day.isoformat(), subs=len(seen),
        points=points,
    )  # fmt: skip


def _on_frame(ws: Workspace, named: Rig | None, day: date, rows: Sequence[FrameRow]) -> TrackingReport:
    """Without a place on the sky: how the stars moved over the grid's axes, from the subs' transforms onto it."""
    placed: dict[tuple[str, int | None], list[tuple[FrameRow, FloatArray]]] = defaultdict(list)
    grids: dict[tuple[str, int | None], GridRow] = {}
    lies: dict[int, dict[int, PlacementRow]] = {}
    for row in rows:
        key = (row.target or "", row.panel)
        grid = grids.get(key) or ws.ledger.grid(*key)
        if grid is None or row.start is None:
            continue
        grids[key] = grid
        if grid.id not in lies:
            lies[grid.id] = ws.ledger.placements(grid.id)
        place = lies[grid.id].get(row.id)
        if place is not None and place.found:
            middle = np.array([[0.5 * (row.width_px - 1), 0.5 * (row.height_px - 1)]])
            placed[key].append((row, placed_of(place).transform.apply(middle)[0]))
    if not placed:
        raise not_placed(ws, rows, "tracking", day)
    key, seen = max(placed.items(), key=lambda item: len(item[1]))
    # Where the frame moves to over the stars, the stars move from.
    xy = -np.array([at for _, at in seen])
    xy -= np.median(xy, axis=0)
    subs = [row for row, _ in seen]
    scale = _grid_scale(ws, grids[key])
    e_x, e_y = _elongations(ws, subs)
    times = np.array([middle_s(r) for r in subs])
    found = measure_on_frame(times, xy[:, 0], xy[:, 1], arcsec_px=scale, elongation_x=e_x, elongation_y=e_y)
    nan, first = float("nan"), float(times.min())
    points = tuple(
        TrackingPoint(
            hours=(float(t) - first) / 3600.0, east_arcsec=nan, north_arcsec=nan, x_px=float(x), y_px=float(y)
        )
        for t, (x, y) in zip(times, xy, strict=True)
    )
    return TrackingReport(
        **values_of(found), rig=named.name if named else None, target=key[0], night=day.isoformat(), subs=len(subs), points=points
    )  # fmt: skip


def _grid_scale(ws: Workspace, grid: GridRow) -> float:
    """Arcsec a pixel of a grid, as campaign and header state them; NaN where they do not."""
    for row in ws.ledger.frames(ids=[grid.reference_frame_id]):
        facts = facts_of(ws.settings.rig_named(row.rig), header_of_row(row))
        return 206.264806 * facts.pixel_um / facts.focal_length_mm
    return float("nan")


def _offsets(seen: Sequence[OnSky]) -> FloatArray:
    """Where the middles of the frames lie, arcsec east and north of their mean, shape (n, 2)."""
    vectors = np.concatenate([directions(s.cards, s.middle) for s in seen])
    centre = vectors.mean(axis=0)
    return np.asarray(np.degrees(project(vectors, centre / np.linalg.norm(centre))) * 3600.0)


def _tracked(ws: Workspace, seen: list[OnSky]) -> Tracking:
    plane = _offsets(seen)
    e_x, e_y = _elongations(ws, [s.row for s in seen])
    cd = seen[0].cd_deg
    return measure_tracking(
        [middle_s(s.row) for s in seen], plane[:, 0], plane[:, 1], error_arcsec=0.1 * scale_arcsec_px(cd), elongation_x=e_x,
        elongation_y=e_y, up_deg=up_deg(cd), mirrored=is_mirrored(cd),
    )  # fmt: skip


def _elongations(ws: Workspace, rows: Sequence[FrameRow]) -> tuple[FloatArray, FloatArray]:
    """Of each sub's stars, e cos 2a and e sin 2a on its frame; NaN where not known."""
    readings = load_readings(ws, list(rows))
    e_x, e_y = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    for i, row in enumerate(rows):
        reading = readings.get(row.id)
        if reading is not None and np.isfinite(reading.ellipticity):
            turn = 2.0 * np.radians(reading.ellipticity_angle_deg)
            known = np.isfinite(turn)
            # Without a significant direction the elongation is nobody's: none.
            e_x[i], e_y[i] = (reading.ellipticity * np.cos(turn), reading.ellipticity * np.sin(turn)) if known else (0.0, 0.0)  # fmt: skip
    return e_x, e_y
