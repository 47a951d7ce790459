"""The mount of a night: drift and dithers, from where its subs lie on the sky."""

from __future__ import annotations

from collections import defaultdict
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
from nightfold.ledger.records import FrameRow
from nightfold.ledger.workspace import Workspace
from nightfold.measure.stage import load_readings
from nightfold.optics.reports import TrackingPoint, TrackingReport, TrackingTrend, values_of
from nightfold.optics.stage import keep, middle_s, night_rows
from nightfold.optics.tracking import Tracking, measure_tracking

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


def _most_seen(ws: Workspace, rows: Sequence[FrameRow], what: str) -> tuple[str, list[OnSky]]:
    places = on_sky(ws, rows)
    if not places:
        raise FrameError(
            f"{what} needs subs whose place on the sky is known", seen="none of this night's",
            allowed="subs that were placed on a solved grid", next_step="run `nightfold judge`; pixel size, focal length and pointing must be known",
        )  # fmt: skip
    return max(places.items(), key=lambda item: len(item[1]))


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
    target, seen = _most_seen(ws, rows, "tracking")
    found = _tracked(ws, seen)
    places = _offsets(seen)
    first = min(middle_s(s.row) for s in seen)
    points = tuple(
        TrackingPoint(hours=(middle_s(s.row) - first) / 3600.0, east_arcsec=float(e), north_arcsec=float(n))
        for s, (e, n) in zip(seen, places - np.median(places, axis=0), strict=True)
    )
    return TrackingReport(
        **values_of(found), rig=named.name if named else None, target=target, night=day.isoformat(), subs=len(seen),
        points=points,
    )  # fmt: skip


def _offsets(seen: Sequence[OnSky]) -> FloatArray:
    """Where the middles of the frames lie, arcsec east and north of their mean, shape (n, 2)."""
    vectors = np.concatenate([directions(s.cards, s.middle) for s in seen])
    centre = vectors.mean(axis=0)
    return np.asarray(np.degrees(project(vectors, centre / np.linalg.norm(centre))) * 3600.0)


def _tracked(ws: Workspace, seen: list[OnSky]) -> Tracking:
    readings = load_readings(ws, [s.row for s in seen])
    plane = _offsets(seen)
    e_x, e_y = np.full(len(seen), np.nan), np.full(len(seen), np.nan)
    for i, s in enumerate(seen):
        reading = readings.get(s.row.id)
        if reading is not None and np.isfinite(reading.ellipticity):
            turn = 2.0 * np.radians(reading.ellipticity_angle_deg)
            known = np.isfinite(turn)
            # Without a significant direction the elongation is nobody's: none.
            e_x[i], e_y[i] = (reading.ellipticity * np.cos(turn), reading.ellipticity * np.sin(turn)) if known else (0.0, 0.0)  # fmt: skip
    cd = seen[0].cd_deg
    return measure_tracking(
        [middle_s(s.row) for s in seen], plane[:, 0], plane[:, 1], error_arcsec=0.1 * scale_arcsec_px(cd), elongation_x=e_x,
        elongation_y=e_y, up_deg=up_deg(cd), mirrored=is_mirrored(cd),
    )  # fmt: skip
