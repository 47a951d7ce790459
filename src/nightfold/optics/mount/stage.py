"""The mount of a night: polar error, drift and dithers, from where its subs lie on the sky."""

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
from nightfold.errors import FrameError, SettingsError
from nightfold.intake.stage import header_of_row
from nightfold.ledger.records import FrameRow
from nightfold.ledger.workspace import Workspace
from nightfold.measure.stage import load_readings
from nightfold.optics.apparent import position_angle_deg, seen_by_the_mount
from nightfold.optics.polar import corner_trail_arcsec, polar_error, refracted_pole_arcmin
from nightfold.optics.reports import PolarReport, TrackingPoint, TrackingReport, TrackingTrend, values_of
from nightfold.optics.stage import keep, middle_s, night_rows
from nightfold.optics.tracking import Tracking, measure_tracking

FloatArray = npt.NDArray[np.float64]

UNGUIDED_ARCSEC = 60.0
"""A field that wanders farther in a night without dithers is not guided."""
NEW_ANGLE_DEG = 3.0
"""A turn of the field between two subs that only a hand, a rotator or the pier's other side makes."""


@dataclass(frozen=True, slots=True)
class _OnSky:
    """A sub with its place on the sky."""

    row: FrameRow
    cards: dict[str, Any]

    @property
    def middle(self) -> FloatArray:
        return np.array([[0.5 * (self.row.width_px - 1), 0.5 * (self.row.height_px - 1)]])

    @property
    def cd_deg(self) -> FloatArray:
        """Degrees per pixel."""
        return np.array([[self.cards[f"CD{i}_{j}"] for j in (1, 2)] for i in (1, 2)], np.float64)

    def place(self, dy_px: float = 0.0) -> tuple[float, float]:
        """RA and Dec, degrees, of the frame's middle, or so far above it."""
        ra, dec = ra_dec_deg(directions(self.cards, self.middle + np.array([[0.0, dy_px]])))
        return float(ra[0]), float(dec[0])


def _on_sky(ws: Workspace, rows: Sequence[FrameRow]) -> dict[str, list[_OnSky]]:
    """The subs of each target whose place is known, by target: through a solved grid, which is surest, or from their own stars."""
    found: dict[str, list[_OnSky]] = defaultdict(list)
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
            cards = wcs_cards(through_transform(placed_of(place).transform, grids[key][0].wcs, shape=shape))
        elif (
            row.id in solutions and solutions[row.id].solved and "CD1_1" in solutions[row.id].document.get("cards", {})
        ):
            cards = solutions[row.id].document["cards"]
        else:
            continue
        found[key[0]].append(_OnSky(row, cards))
    return found


def _most_seen(ws: Workspace, rows: Sequence[FrameRow], what: str) -> tuple[str, list[_OnSky]]:
    places = _on_sky(ws, rows)
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


def _offsets(seen: Sequence[_OnSky]) -> FloatArray:
    """Where the middles of the frames lie, arcsec east and north of their mean, shape (n, 2)."""
    vectors = np.concatenate([directions(s.cards, s.middle) for s in seen])
    centre = vectors.mean(axis=0)
    return np.asarray(np.degrees(project(vectors, centre / np.linalg.norm(centre))) * 3600.0)


def _tracked(ws: Workspace, seen: list[_OnSky]) -> Tracking:
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


def polar(
    ws: Workspace, *, night: date | None = None, rig: str | None = None, guided: bool | None = None
) -> PolarReport:
    """The polar axis' error from a night's subs of one target, kept as a finding.

    Parameters
    ----------
    guided : bool, optional
        Whether declination was held by a guider; told from the subs by default.
    """
    named, day, rows = night_rows(ws, rig, night)
    site = ws.settings.site
    header = header_of_row(rows[0])
    latitude = site.latitude_deg if site else header.site_latitude_deg
    longitude = site.longitude_deg if site else header.site_longitude_deg
    if latitude is None or longitude is None:
        raise SettingsError("the polar error needs the site", seen="no [site] in campaign.toml and none in the headers", allowed="latitude_deg and longitude_deg")  # fmt: skip
    target, seen = _most_seen(ws, rows, "the polar error")
    times = np.array([middle_s(s.row) for s in seen])
    up_px = 0.2 * seen[0].row.height_px
    here, above = np.array([s.place() for s in seen]), np.array([s.place(up_px) for s in seen])
    where = {"latitude_deg": latitude, "longitude_deg": longitude}
    hour, dec = seen_by_the_mount(here[:, 0], here[:, 1], times, **where)
    up_hour, up_dec = seen_by_the_mount(above[:, 0], above[:, 1], times, **where)
    angle = position_angle_deg(hour, dec, up_hour, up_dec)
    notes = []
    if guided is None:
        path = _tracked(ws, seen)
        reach = float(np.ptp(here[:, 1])) * 3600.0
        guided = not (path.told and not path.dithered and path.pointings == 1 and reach > UNGUIDED_ARCSEC)
        notes.append(
            "taken as guided: azimuth and altitude are told from the turn of the field" if guided
            else f"taken as unguided: the field drifted over {reach:.0f}″ in declination without dithers"
        )  # fmt: skip
    group = np.concatenate([[0], np.cumsum(np.abs((np.diff(angle) + 180.0) % 360.0 - 180.0) > NEW_ANGLE_DEG)])
    middle_dec = float(np.nanmedian(dec))
    found = polar_error(
        hour, latitude_deg=latitude, declination_deg=middle_dec, position_angle_deg=angle, group=group,
        field_declination_deg=None if guided else dec,
    )  # fmt: skip
    trail = trail_px = float("nan")
    scale = scale_arcsec_px(seen[0].cd_deg)
    if found.separable:
        half_field = 0.5 * float(np.hypot(seen[0].row.width_px, seen[0].row.height_px)) * scale / 3600.0
        exposure = float(np.median([s.row.exposure_s or 0.0 for s in seen]))
        trail = corner_trail_arcsec(
            found.total_arcmin, exposure_s=exposure, declination_deg=middle_dec, field_deg=half_field
        )
        trail_px = trail / scale
    name = named.name if named else None
    report = PolarReport(
        **values_of(found), rig=name, target=target, night=day.isoformat(), guided=guided, subs=len(seen),
        refracted_pole_arcmin=refracted_pole_arcmin(latitude), corner_trail_arcsec=trail, corner_trail_px=trail_px,
        notes=tuple(notes),
    )  # fmt: skip
    keep(ws, "optics-polar", report, rig=name, night=day, target=target)
    return report
