"""Optics of a campaign: runs, fields, polar errors and tests become dated findings; nights are read from their readings."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from nightfold.align.stage import placed_of
from nightfold.align.tangent import project, ra_dec_deg
from nightfold.align.wcs import SkyFit, is_mirrored, scale_arcsec_px, through_transform, up_deg
from nightfold.engine.documents import to_document
from nightfold.errors import FrameError, NightfoldError, SettingsError
from nightfold.frames.records import FrameHeader
from nightfold.intake.night import night_of, zone_named
from nightfold.intake.rigs import match_rig
from nightfold.intake.stage import header_of_row, header_rules, rig_hints
from nightfold.ledger.records import FindingRow, FrameRow
from nightfold.ledger.workspace import Workspace
from nightfold.measure.records import Reading
from nightfold.measure.stage import load_readings
from nightfold.optics.apparent import position_angle_deg, seen_by_the_mount
from nightfold.optics.camera_report import CameraReport, Stated, camera_of_frames
from nightfold.optics.coma import Coma
from nightfold.optics.field import StarShapes, elongation_map, measure_field
from nightfold.optics.files import (
    MeasuredFrame,
    OpticsFacts,
    camera_frames,
    collimation_of_file,
    coma_of_frames,
    focus_of_files,
    measure_file,
    temperature_of,
)
from nightfold.optics.focus_law import FocusLaw, fit_focus_law, lagged_temperature, refocus_interval_c, sharpness_cost
from nightfold.optics.focus_run import fit_focus_run
from nightfold.optics.polar import corner_trail_arcsec, polar_error, refracted_pole_arcmin
from nightfold.optics.reports import (
    GREEN_NM,
    CollimationReport,
    FieldReport,
    FieldTrend,
    FilterOffset,
    FocusReport,
    LawPoint,
    LawReport,
    OpticsSummary,
    PolarReport,
    SubCost,
    TrackingPoint,
    TrackingReport,
    TrackingTrend,
    field_report,
    focus_losses,
    focus_report,
    values_of,
)
from nightfold.optics.tracking import Tracking, measure_tracking
from nightfold.rig.focus import depth_of_focus_um, seeing_tolerance_um
from nightfold.settings.models import Rig

FloatArray = npt.NDArray[np.float64]

TOLERANCE_SHARE = 0.05
"""Growth of the FWHM that a missed focus may cost before it is told. Common practice, no source."""
COMA_SUBS = 6
UNGUIDED_ARCSEC = 60.0
"""A field that wanders farther in a night without dithers is not guided."""
NEW_ANGLE_DEG = 3.0


# -- files ------------------------------------------------------------------------------------------------------------


def focus(ws: Workspace, paths: Sequence[Path], *, rig: str | None = None) -> FocusReport:
    """A focus run from files, kept as a finding."""
    files = [p for p in paths if p.suffix.lower() not in (".csv", ".txt")]
    facts = None
    header = _first_header(ws, files)
    named = _rig_of(ws, rig, header)
    if named is not None:
        facts = facts_of(named, header)
    ws.progress.start(max(1, len(files)), "Measuring", "frames")
    try:
        found = focus_of_files(
            paths, facts=facts, rules=header_rules(ws.settings), watch=lambda _: ws.progress.advance()
        )
    finally:
        ws.progress.finish()
    name = named.name if named else None
    night = _night_of(ws, found.headers[0] if found.headers else None)
    report = focus_report(found, rig=name, night=night.isoformat() if night else None)
    _keep(ws, "optics-focus", report, rig=name, night=night, filter=report.filter, same=("start", "points"))
    if report.field is not None and report.field.measured:
        _keep(ws, "optics-field", report.field, rig=name, night=night)
        report = replace(report, field=replace(report.field, trend=_field_trend(ws, name)))
    return report


def collimation(ws: Workspace, path: Path, *, rig: str | None = None) -> CollimationReport:
    """The shadow in the brightest defocused star of a frame, kept as a finding."""
    found, header = collimation_of_file(path, header_rules(ws.settings))
    named, night = _rig_of(ws, rig, header), _night_of(ws, header)
    name = named.name if named else None
    report = CollimationReport(**values_of(found), file=str(path), rig=name, night=night.isoformat() if night else None)
    _keep(ws, "optics-collimation", report, rig=name, night=night, same=("file",))
    return report


def camera(ws: Workspace, paths: Sequence[Path], *, rig: str | None = None) -> CameraReport:
    """A camera test from files, against campaign.toml, kept as a finding."""
    frames = camera_frames(paths, header_rules(ws.settings))
    header = next(f[0].header for f in frames.values())
    named, night = _rig_of(ws, rig, header), _night_of(ws, header)
    name = named.name if named else None
    report = camera_of_frames(frames, _stated(named, header), rig=name, night=night.isoformat() if night else None)
    report = _hot_growth(ws, report, name, night)
    _keep(ws, "optics-camera", report, rig=name, night=night)
    return report


def _stated(rig: Rig | None, header: FrameHeader) -> Stated:
    nan = float("nan")
    gain = rig.gain_for(header.gain) if rig else None
    if rig is None:
        return Stated()
    area = header.binning[0] * header.binning[1]
    return Stated(
        e_per_adu=gain.e_per_adu or nan if gain else nan,
        read_noise_e=gain.read_noise_e if gain and gain.read_noise_e is not None else nan,
        full_well_e=gain.full_well_e or nan if gain else nan,
        dark_e_per_s=tuple((float(t), float(v) * area) for t, v in rig.camera.dark_e_per_s),
    )


def _hot_growth(ws: Workspace, report: CameraReport, rig: str | None, night: date | None) -> CameraReport:
    """Against the last test of an earlier date whose hot pixels are on record."""
    if report.hot_pixels is None or night is None:
        return report
    for before in reversed(ws.ledger.findings("optics-camera", rig=rig)):
        places = before.document.get("hot_places")
        if before.night is None or before.night >= night or not places or not report.hot_places:
            continue
        years = (night - before.night).days / 365.25
        new, gone = len(set(report.hot_places) - set(places)), len(set(places) - set(report.hot_places))
        return replace(
            report, hot_per_year=(new - gone) / years, hot_per_year_uncertainty=float(np.sqrt(new + gone)) / years
        )
    return report


# -- focus law --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Law:
    """The law of a rig with what it was made of."""

    law: FocusLaw
    runs: list[FindingRow]
    trace_s: FloatArray
    trace_c: FloatArray

    def position(self, rows: Sequence[FrameRow]) -> FloatArray:
        """Where the focuser should have stood for each sub; NaN where that is not known."""
        out = np.full(len(rows), np.nan)
        if not self.law.told:
            return out
        times = np.array([_middle_s(r) for r in rows])
        felt = lagged_temperature(times, self.trace_s, self.trace_c, lag_s=self.law.lag_s)
        for i, row in enumerate(rows):
            if row.filter in self.law.offsets_steps:
                out[i] = float(self.law.position(felt[i], row.filter))
        return out


def law(ws: Workspace, *, rig: str | None = None) -> LawReport:
    """The focus law of a rig from its runs on record, and what missed focus cost its subs; kept as a finding."""
    named = _rig_named(ws, rig)
    name = named.name if named else None
    found = _law_of(ws, name)
    rows = [r for r in ws.ledger.frames(kind="sub", rig=name) if header_of_row(r).focuser_position is not None]
    costs, fwhm = _sub_costs(ws, named, found, rows)
    law_ = found.law
    facts = facts_of(named, header_of_row(rows[0]) if rows else None)
    tolerance, interval = float("nan"), float("nan")
    if np.isfinite(facts.focal_ratio):
        tolerance = depth_of_focus_um(GREEN_NM, facts.focal_ratio)
        if np.isfinite(fwhm):
            tolerance = max(tolerance, seeing_tolerance_um(fwhm, focal_ratio=facts.focal_ratio, focal_length_mm=facts.focal_length_mm, growth=TOLERANCE_SHARE))  # fmt: skip
        if law_.told and np.isfinite(facts.um_per_step):
            interval = refocus_interval_c(law_.steps_per_c, um_per_step=facts.um_per_step, tolerance_um=tolerance)
    times = np.array([_finding_s(f) for f in found.runs])
    felt = lagged_temperature(times, found.trace_s, found.trace_c, lag_s=law_.lag_s if law_.told else 0.0)
    points = tuple(
        LawPoint(
            night=f.night.isoformat() if f.night else None, filter=str(f.document.get("filter") or ""), temperature_c=float(t),
            position=float(f.document["best_position"]), used=bool(u),
        )
        for f, t, u in zip(found.runs, felt, law_.used, strict=True)
    )  # fmt: skip
    notes = []
    if not np.isfinite(facts.um_per_step):
        notes.append("the focuser's step_um is not in campaign.toml: no interval and no cost can be told")
    sentence = law_.sentence
    if np.isfinite(interval):
        sentence += f" Refocus every {interval:.1f} °C."
    report = LawReport(
        told=law_.told, sentence=sentence, rig=name, steps_per_c=law_.steps_per_c, uncertainty=law_.error_steps_per_c,
        lag_min=law_.lag_s / 60.0, lag_low_min=law_.lag_low_s / 60.0, lag_high_min=law_.lag_high_s / 60.0,
        reference_filter=law_.reference_filter, zero_steps=law_.zero_steps,
        filter_offsets=tuple(FilterOffset(filter=k, offset_steps=v, uncertainty=e) for k, (v, e) in law_.offsets_steps.items()),
        scatter_steps=law_.scatter_steps, tolerance_um=tolerance, tolerance_share=TOLERANCE_SHARE,
        refocus_interval_c=interval, runs=len(found.runs), points=points, subs=costs,
        losses=focus_losses(costs, _clock(ws), least=TOLERANCE_SHARE), notes=tuple(notes),
    )  # fmt: skip
    ws.ledger.replace_findings(
        "optics-law", [FindingRow(kind="optics-law", document=to_document(report), rig=name)], rig=name
    )
    return report


def _law_of(ws: Workspace, rig: str | None) -> _Law:
    """The law from the good runs since the last event of the rig."""
    since = _last_event(ws, rig)
    runs = [
        f
        for f in ws.ledger.findings("optics-focus", rig=rig)
        if f.document.get("good") and f.document.get("start") and (since is None or (f.night is not None and f.night >= since))
    ]  # fmt: skip
    trace: list[tuple[float, float]] = [(_finding_s(f), _number(f.document.get("temperature_c"))) for f in runs]
    for row in ws.ledger.frames(kind="sub", rig=rig):
        if row.start is not None:
            trace.append((_middle_s(row), temperature_of(header_of_row(row))))
    trace = sorted(t for t in trace if np.isfinite(t[1]))
    trace_s, trace_c = np.array([t for t, _ in trace]), np.array([c for _, c in trace])
    errors = np.array([_number(f.document.get("uncertainty")) for f in runs])
    fitted = fit_focus_law(
        [_finding_s(f) for f in runs], [_number(f.document["best_position"]) for f in runs],
        [str(f.document.get("filter") or "") for f in runs], trace_time_s=trace_s, trace_c=trace_c,
        position_error=np.where(errors > 0.0, errors, np.nan) if len(runs) else None,
    )  # fmt: skip
    return _Law(fitted, runs, trace_s, trace_c)


def _sub_costs(ws: Workspace, rig: Rig | None, found: _Law, rows: list[FrameRow]) -> tuple[tuple[SubCost, ...], float]:
    """What each sub paid, and the usual FWHM in arcsec."""
    if not rows:
        return (), float("nan")
    readings = load_readings(ws, rows)
    best = found.position(rows)
    costs, widths = [], []
    for row, should in zip(rows, best, strict=True):
        header, reading = header_of_row(row), readings.get(row.id)
        facts = facts_of(rig, header)
        if reading is None or not np.isfinite(facts.focal_length_mm * facts.pixel_um):
            continue
        fwhm = reading.fwhm_px * 206.264806 * facts.pixel_um / facts.focal_length_mm
        widths.append(fwhm)
        if not np.isfinite(should) or not np.isfinite(facts.um_per_step * facts.focal_ratio):
            continue
        steps = float(header.focuser_position or 0.0) - float(should)
        cost = float(
            sharpness_cost(fwhm, steps * facts.um_per_step, focal_ratio=facts.focal_ratio, focal_length_mm=facts.focal_length_mm)
        )  # fmt: skip
        if np.isfinite(cost):
            costs.append(
                SubCost(
                    file=str(row.path), night=row.night.isoformat() if row.night else None, start=row.start, filter=row.filter,
                    defocus_steps=steps, cost=cost,
                )
            )  # fmt: skip
    return tuple(costs), float(np.nanmedian(widths)) if widths else float("nan")


# -- field ------------------------------------------------------------------------------------------------------------


def field(ws: Workspace, *, night: date | None = None, rig: str | None = None) -> FieldReport:
    """The field as a night's subs show it, kept as a finding."""
    named, day, rows = _night_rows(ws, rig, night)
    name = named.name if named else None
    readings = load_readings(ws, rows)
    rows = [r for r in rows if r.id in readings]
    header = header_of_row(rows[0])
    alike = [r for r in rows if (r.width_px, r.height_px) == (rows[0].width_px, rows[0].height_px)]
    facts = facts_of(named, header)
    z, sign_note = _places_along_axis(ws, named, facts, alike, readings)
    shapes = [_shapes_of(readings[r.id], float(zk)) for r, zk in zip(alike, z, strict=True)]
    size = (rows[0].width_px, rows[0].height_px)
    shape = measure_field(
        shapes, width_px=size[0], height_px=size[1], expected_slope_px_um=facts.slope_px_um,
        slope_is_known=bool(np.isfinite(facts.slope_px_um)), name=f"the subs of {day}",
    )  # fmt: skip
    if shape.measured and sign_note:
        shape = replace(shape, notes=(*shape.notes, sign_note))
    coma = _coma_of_night(ws, alike, readings)
    report = field_report(
        shape, coma, elongation_map(shapes, width_px=size[0], height_px=size[1]), facts, size=size, rig=name, night=day.isoformat()
    )  # fmt: skip
    # A full-frame focus run of the same night tells more than its subs: it is not overwritten by "not measurable".
    known = ws.ledger.findings("optics-field", rig=name, night=day)
    if not (known and known[-1].document.get("measured") and not report.measured):
        _keep(ws, "optics-field", report, rig=name, night=day)
    return replace(report, trend=_field_trend(ws, name))


def _shapes_of(reading: Reading, z_um: float) -> StarShapes:
    s = reading.stars.take(reading.stars.clean)
    return StarShapes.from_radii(
        s.x, s.y, s.half_flux_radius_px, ellipticity=s.ellipticity, angle_deg=s.angle_deg, snr=s.snr, z_um=z_um
    )


def _places_along_axis(
    ws: Workspace, rig: Rig | None, facts: OpticsFacts, rows: list[FrameRow], readings: dict[int, Reading]
) -> tuple[FloatArray, str]:
    """Where the sensor stood from the best focus in each sub, um, and how its sign is known; NaN where it is not."""
    unknown = np.full(len(rows), np.nan)
    found = _law_of(ws, rig.name if rig else None)
    if found.law.told and np.isfinite(facts.um_per_step):
        stood = np.array([_number(header_of_row(r).focuser_position) for r in rows])
        return (stood - found.position(rows)) * facts.um_per_step, ""
    expansion = _expansion(rig)
    if expansion is None or expansion <= 0.0 or not np.isfinite(facts.slope_px_um):
        return unknown, ""
    stood = np.array([_number(header_of_row(r).focuser_position) for r in rows])
    if np.isfinite(stood).any() and np.nanmax(stood) > np.nanmin(stood):
        return unknown, ""  # the focuser followed the temperature, by how much too far or too little nobody knows
    felt = np.array([temperature_of(header_of_row(r)) for r in rows])
    radius = np.array([readings[r.id].half_flux_radius_px for r in rows])
    if np.isfinite(felt).sum() < 8 or np.nanmax(felt) - np.nanmin(felt) < 2.0:
        return unknown, ""
    run = fit_focus_run(felt, radius)
    if run.verdict != "good":
        return unknown, ""
    um_per_c = run.slope_px / facts.slope_px_um
    return (felt - run.best_position) * um_per_c, "the sign is that of a tube that grows with warmth"


def _expansion(rig: Rig | None) -> float | None:
    from nightfold.rig.focus import expansion_of

    return expansion_of(rig.telescope.tube, rig.telescope.expansion_per_c) if rig else None


def _coma_of_night(ws: Workspace, rows: list[FrameRow], readings: dict[int, Reading]) -> Coma | None:
    """From the pixels of the sharpest subs of the filter with most of them; None if none can be opened."""
    by_filter: dict[str | None, list[FrameRow]] = defaultdict(list)
    for row in rows:
        if np.isfinite(readings[row.id].fwhm_px):
            by_filter[row.filter].append(row)
    if not by_filter:
        return None
    largest = max(by_filter, key=lambda name: len(by_filter[name]))
    most = sorted(by_filter[largest], key=lambda r: readings[r.id].fwhm_px)[:COMA_SUBS]
    frames: list[MeasuredFrame] = []
    ws.progress.start(len(most), "Looking for coma", "subs")
    try:
        for row in most:
            ws.progress.advance()
            ws.cancelled.check("the search for coma")
            try:
                frames.append(measure_file(row.path, header_rules(ws.settings)))
            except (NightfoldError, OSError):
                continue  # the file is gone or has gone bad since: the others tell
    finally:
        ws.progress.finish()
    return coma_of_frames(frames)


def _field_trend(ws: Workspace, rig: str | None) -> tuple[FieldTrend, ...]:
    """The field night by night since the rig's last event."""
    since = _last_event(ws, rig)
    found = []
    for f in sorted(ws.ledger.findings("optics-field", rig=rig), key=lambda f: f.night or date.min):
        if f.night is None or (since is not None and f.night < since):
            continue
        d, coma = f.document, f.document.get("coma") or {}
        found.append(
            FieldTrend(
                night=f.night.isoformat(), tilt_x_um=d.get("tilt_x_um"), tilt_x_uncertainty_um=d.get("tilt_x_uncertainty_um"),
                tilt_y_um=d.get("tilt_y_um"), tilt_y_uncertainty_um=d.get("tilt_y_uncertainty_um"),
                curvature_um=d.get("curvature_um"), coma_px=coma.get("size_px"), coma_angle_deg=coma.get("angle_deg"),
            )
        )  # fmt: skip
    return tuple(found)


# -- mount ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _OnSky:
    """A sub with its place on the sky."""

    row: FrameRow
    sky: SkyFit

    @property
    def middle(self) -> FloatArray:
        return np.array([[0.5 * (self.row.width_px - 1), 0.5 * (self.row.height_px - 1)]])

    def place(self, dy_px: float = 0.0) -> tuple[float, float]:
        """RA and Dec, degrees, of the frame's middle, or so far above it."""
        ra, dec = ra_dec_deg(self.sky.to_sky(self.middle + np.array([[0.0, dy_px]])))
        return float(ra[0]), float(dec[0])


def _on_sky(ws: Workspace, rows: Sequence[FrameRow]) -> dict[str, list[_OnSky]]:
    """The placed subs of each target whose grid is solved, by target."""
    found: dict[str, list[_OnSky]] = defaultdict(list)
    grids: dict[tuple[str, int | None], Any] = {}
    for row in rows:
        key = (row.target or "", row.panel)
        if key not in grids:
            grid = ws.ledger.grid(*key)
            grids[key] = (grid, ws.ledger.placements(grid.id)) if grid is not None and grid.wcs else None
        if grids[key] is None or row.start is None:
            continue
        grid, placements = grids[key]
        place = placements.get(row.id)
        if place is None or not place.found:
            continue
        sky = through_transform(placed_of(place).transform, grid.wcs, shape=(row.height_px, row.width_px))
        found[row.target or ""].append(_OnSky(row, sky))
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
    named, day, rows = _night_rows(ws, rig, night)
    target, seen = _most_seen(ws, rows, "tracking")
    found = _tracked(ws, seen)
    name = named.name if named else None
    places = _offsets(seen)
    first = min(_middle_s(s.row) for s in seen)
    points = tuple(
        TrackingPoint(hours=(_middle_s(s.row) - first) / 3600.0, east_arcsec=float(e), north_arcsec=float(n))
        for s, (e, n) in zip(seen, places - np.median(places, axis=0), strict=True)
    )
    report = TrackingReport(
        **values_of(found), rig=name, target=target, night=day.isoformat(), subs=len(seen), points=points
    )
    _keep(ws, "optics-tracking", report, rig=name, night=day, target=target)
    trend = tuple(
        TrackingTrend(
            night=f.night.isoformat(), ra_arcsec_per_h=f.document.get("ra_arcsec_per_h"),
            dec_arcsec_per_h=f.document.get("dec_arcsec_per_h"),
        )
        for f in sorted(ws.ledger.findings("optics-tracking", rig=name), key=lambda f: f.night or date.min)
        if f.night is not None
    )  # fmt: skip
    return replace(report, trend=trend)


def _offsets(seen: Sequence[_OnSky]) -> FloatArray:
    """Where the middles of the frames lie, arcsec east and north of their mean, shape (n, 2)."""
    vectors = np.concatenate([s.sky.to_sky(s.middle) for s in seen])
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
    cd = seen[0].sky.cd_deg
    return measure_tracking(
        [_middle_s(s.row) for s in seen], plane[:, 0], plane[:, 1], error_arcsec=0.1 * scale_arcsec_px(cd), elongation_x=e_x,
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
    named, day, rows = _night_rows(ws, rig, night)
    site = ws.settings.site
    header = header_of_row(rows[0])
    latitude = site.latitude_deg if site else header.site_latitude_deg
    longitude = site.longitude_deg if site else header.site_longitude_deg
    if latitude is None or longitude is None:
        raise SettingsError("the polar error needs the site", seen="no [site] in campaign.toml and none in the headers", allowed="latitude_deg and longitude_deg")  # fmt: skip
    target, seen = _most_seen(ws, rows, "the polar error")
    times = np.array([_middle_s(s.row) for s in seen])
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
    scale = scale_arcsec_px(seen[0].sky.cd_deg)
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
    _keep(ws, "optics-polar", report, rig=name, night=day, target=target)
    return report


# -- summary ----------------------------------------------------------------------------------------------------------


def summary(ws: Workspace, *, night: date | None = None) -> OpticsSummary:
    """What is on record of the optics for a night, in sentences; the last night by default. Nothing is measured."""
    nights = ws.ledger.nights()
    day = night or (nights[-1] if nights else None)
    lines: list[str] = []
    several = len(ws.settings.rig) > 1
    for kind in (
        "optics-focus",
        "optics-field",
        "optics-collimation",
        "optics-polar",
        "optics-tracking",
        "optics-camera",
    ):
        for f in ws.ledger.findings(kind, night=day) if day else ():
            told = [str(f.document.get("sentence") or "")]
            if kind == "optics-tracking":
                told.append(str(f.document.get("elongation_sentence") or ""))
            if kind == "optics-field" and (coma := f.document.get("coma")):
                told.append(str(coma.get("sentence") or ""))
            words = " ".join(t for t in told if t)
            lines.append(f"{f.rig}: {words}" if several and f.rig else words)
    for f in ws.ledger.findings("optics-law"):
        lines += [loss["sentence"] for loss in f.document.get("losses", ()) if day and loss["night"] == day.isoformat()]
    return OpticsSummary(
        night=day.isoformat() if day else None, sentences=tuple(dict.fromkeys(line for line in lines if line))
    )


# -- shared -----------------------------------------------------------------------------------------------------------


def facts_of(rig: Rig | None, header: FrameHeader | None) -> OpticsFacts:
    """Telescope, pixel and focuser step as the campaign states them, the header where it is silent."""
    said = OpticsFacts.of_header(header) if header is not None else OpticsFacts()
    if rig is None:
        return said
    telescope, nan = rig.telescope, float("nan")
    focal = telescope.focal_length_mm or said.focal_length_mm
    aperture = telescope.aperture_mm
    binning = header.binning[0] if header is not None else 1
    pixel = rig.camera.pixel_um * binning if rig.camera.pixel_um else said.pixel_um
    return OpticsFacts(
        focal_ratio=focal / aperture if aperture and np.isfinite(focal) else said.focal_ratio,
        focal_length_mm=focal,
        pixel_um=pixel,
        obstruction=telescope.obstruction_mm / aperture if aperture else 0.0,
        um_per_step=rig.focuser.step_um or nan,
    )


def _rig_named(ws: Workspace, name: str | None) -> Rig | None:
    """The rig of that name; the only one if none is named."""
    if name is None:
        if len(ws.settings.rig) > 1:
            names = ", ".join(r.name for r in ws.settings.rig)
            raise SettingsError("the campaign has several rigs", seen=names, allowed="one of them", next_step="name it with --rig")  # fmt: skip
        return ws.settings.rig[0] if ws.settings.rig else None
    rig = ws.settings.rig_named(name)
    if rig is None:
        names = ", ".join(r.name for r in ws.settings.rig) or "none"
        raise SettingsError("no rig has this name", seen=name, allowed=names)
    return rig


def _rig_of(ws: Workspace, name: str | None, header: FrameHeader | None) -> Rig | None:
    """The rig named, else the one whose frames look like this header, else the only one."""
    if name is not None:
        return _rig_named(ws, name)
    if header is not None:
        return ws.settings.rig_named(match_rig(header, rig_hints(ws.settings)))
    return ws.settings.rig[0] if len(ws.settings.rig) == 1 else None


def _first_header(ws: Workspace, files: Sequence[Path]) -> FrameHeader | None:
    from nightfold.frames.header import read_header
    from nightfold.intake.scan import find_files

    found = find_files(files) if files else []
    return read_header(found[0], header_rules(ws.settings)) if found else None


def _night_rows(ws: Workspace, rig: str | None, night: date | None) -> tuple[Rig | None, date, list[FrameRow]]:
    """The subs of one rig and night; by default the rig with most subs of the last night."""
    rows = [r for r in ws.ledger.frames(kind="sub") if r.night is not None and (rig is None or r.rig == rig)]
    if rig is not None:
        _rig_named(ws, rig)
    if not rows:
        raise FrameError("no subs of a dated night here yet", seen=f"rig {rig}" if rig else "none", allowed="subs that were taken in", next_step="take some in first")  # fmt: skip
    day = night or max(r.night for r in rows if r.night is not None)
    rows = [r for r in rows if r.night == day]
    measured = ws.ledger.reading_versions()
    rows = [r for r in rows if r.id in measured]
    if not rows:
        nights = ", ".join(d.isoformat() for d in ws.ledger.nights()) or "none"
        raise FrameError(f"no measured subs of {day}", allowed=f"nights with subs: {nights}", next_step="run `nightfold judge` first")  # fmt: skip
    by_rig: dict[str | None, list[FrameRow]] = defaultdict(list)
    for row in rows:
        by_rig[row.rig].append(row)
    name, mine = max(by_rig.items(), key=lambda item: len(item[1]))
    return ws.settings.rig_named(name), day, mine


def _night_of(ws: Workspace, header: FrameHeader | None) -> date | None:
    if header is None or header.start is None:
        return None
    site = ws.settings.site
    return night_of(
        header.start, zone=site.time_zone if site else None, site_longitude_deg=site.longitude_deg if site else None,
        utc_offset_h=header.utc_offset_h, header_longitude_deg=header.site_longitude_deg,
    ).date  # fmt: skip


def _last_event(ws: Workspace, rig: str | None) -> date | None:
    """When something was last done to the rig."""
    return max((e.on for e in ws.ledger.events() if e.rig is None or e.rig == rig), default=None)


def _keep(
    ws: Workspace, kind: str, report: Any, *, rig: str | None, night: date | None, target: str | None = None,
    filter: str | None = None, same: tuple[str, ...] = (),
) -> None:  # fmt: skip
    """Record a finding in place of an earlier one of the same night that is of the same thing."""
    document = to_document(report)
    earlier = ws.ledger.findings(kind, rig=rig, night=night, target=target)
    others = [f for f in earlier if any(f.document.get(k) != document.get(k) for k in same)] if same else []
    new = FindingRow(kind=kind, document=document, rig=rig, target=target, filter=filter, night=night)
    ws.ledger.replace_findings(kind, [*others, new], rig=rig, night=night, target=target)


def _clock(ws: Workspace) -> Any:
    """Local HH:MM of a moment: the site's zone, else mean time of its longitude to the hour, else UTC."""
    site = ws.settings.site
    zone: Any = UTC
    if site is not None and site.time_zone:
        zone = zone_named(site.time_zone)
    elif site is not None:
        zone = timezone(timedelta(hours=round(((site.longitude_deg + 180.0) % 360.0 - 180.0) / 15.0)))
    return lambda moment: moment.astimezone(zone).strftime("%H:%M")


def _middle_s(row: FrameRow) -> float:
    """Unix time of the middle of an exposure."""
    return row.start.timestamp() + 0.5 * (row.exposure_s or 0.0) if row.start is not None else float("nan")


def _finding_s(finding: FindingRow) -> float:
    return datetime.fromisoformat(str(finding.document["start"]).replace("Z", "+00:00")).timestamp()


def _number(value: Any) -> float:
    return float("nan") if value is None else float(value)
