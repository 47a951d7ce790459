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
from nightfold.optics.coma import Coma
from nightfold.optics.expected import GREEN_NM
from nightfold.optics.field import elongation_map, measure_field
from nightfold.optics.field_cells import StarShapes
from nightfold.optics.files import (
    MeasuredFrame,
    OpticsFacts,
    collimation_of_file,
    coma_of_frames,
    focus_of_files,
    measure_file,
    temperature_of,
)
from nightfold.optics.focus_law import FocusLaw, fit_focus_law, lagged_temperature, refocus_interval_c, sharpness_cost
from nightfold.optics.focus_run import fit_focus_run
from nightfold.optics.reports import (
    CollimationReport,
    FieldReport,
    FieldTrend,
    FilterOffset,
    FocusReport,
    LawPoint,
    LawReport,
    SubCost,
    field_report,
    focus_losses,
    focus_report,
    values_of,
)
from nightfold.rig.focus import depth_of_focus_um, seeing_tolerance_um
from nightfold.settings.models import Rig

FloatArray = npt.NDArray[np.float64]

TOLERANCE_SHARE = 0.05
"""Growth of the FWHM that a missed focus may cost before it is told. Common practice, no source."""
COMA_SUBS = 6


# -- files ------------------------------------------------------------------------------------------------------------


def focus(ws: Workspace, paths: Sequence[Path], *, rig: str | None = None) -> FocusReport:
    """A focus run from files, kept as a finding."""
    files = [p for p in paths if p.suffix.lower() not in (".csv", ".txt")]
    facts = None
    header = _first_header(ws, files)
    named = rig_of(ws, rig, header)
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
    night = night_of_header(ws, found.headers[0] if found.headers else None)
    report = focus_report(found, rig=name, night=night.isoformat() if night else None)
    keep(ws, "optics-focus", report, rig=name, night=night, filter=report.filter, same=("start", "points"))
    if report.field is not None and report.field.measured:
        keep(ws, "optics-field", report.field, rig=name, night=night)
        report = replace(report, field=replace(report.field, trend=_field_trend(ws, name)))
    return report


def collimation(ws: Workspace, path: Path, *, rig: str | None = None) -> CollimationReport:
    """The shadow in the brightest defocused star of a frame, kept as a finding."""
    found, header = collimation_of_file(path, header_rules(ws.settings))
    named, night = rig_of(ws, rig, header), night_of_header(ws, header)
    name = named.name if named else None
    report = CollimationReport(**values_of(found), file=str(path), rig=name, night=night.isoformat() if night else None)
    keep(ws, "optics-collimation", report, rig=name, night=night, same=("file",))
    return report


# -- focus law --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Law:
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
        times = np.array([middle_s(r) for r in rows])
        felt = lagged_temperature(times, self.trace_s, self.trace_c, lag_s=self.law.lag_s)
        for i, row in enumerate(rows):
            if row.filter in self.law.offsets_steps:
                out[i] = float(self.law.position(felt[i], row.filter))
        return out


def law(ws: Workspace, *, rig: str | None = None) -> LawReport:
    """The focus law of a rig from its runs on record, and what missed focus cost its subs; kept as a finding."""
    named = rig_named_or_only(ws, rig)
    name = named.name if named else None
    found = law_of(ws, name)
    rows = [r for r in ws.ledger.frames(kind="sub", rig=name) if header_of_row(r).focuser_position is not None]
    costs, fwhm = sub_costs(ws, named, found, rows)
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
        losses=focus_losses(costs, local_clock(ws), least=TOLERANCE_SHARE), notes=tuple(notes),
    )  # fmt: skip
    ws.ledger.replace_findings(
        "optics-law", [FindingRow(kind="optics-law", document=to_document(report), rig=name)], rig=name
    )
    return report


def law_of(ws: Workspace, rig: str | None) -> Law:
    """The law from the good runs since the last event of the rig."""
    since = last_event(ws, rig)
    runs = [
        f
        for f in ws.ledger.findings("optics-focus", rig=rig)
        if f.document.get("good") and f.document.get("start") and (since is None or (f.night is not None and f.night >= since))
    ]  # fmt: skip
    trace: list[tuple[float, float]] = [(_finding_s(f), number(f.document.get("temperature_c"))) for f in runs]
    for line in ws.ledger.temperature_lines(rig):
        middle = line.start.replace(tzinfo=UTC).timestamp() + 0.5 * (line.exposure_s or 0.0)
        trace.append((middle, number(line.focuser_c if line.focuser_c is not None else line.ambient_c)))
    trace = sorted(t for t in trace if np.isfinite(t[1]))
    trace_s, trace_c = np.array([t for t, _ in trace]), np.array([c for _, c in trace])
    errors = np.array([number(f.document.get("uncertainty")) for f in runs])
    fitted = fit_focus_law(
        [_finding_s(f) for f in runs], [number(f.document["best_position"]) for f in runs],
        [str(f.document.get("filter") or "") for f in runs], trace_time_s=trace_s, trace_c=trace_c,
        position_error=np.where(errors > 0.0, errors, np.nan) if len(runs) else None,
    )  # fmt: skip
    return Law(fitted, runs, trace_s, trace_c)


def sub_costs(ws: Workspace, rig: Rig | None, found: Law, rows: list[FrameRow]) -> tuple[tuple[SubCost, ...], float]:
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
    named, day, rows = night_rows(ws, rig, night)
    name = named.name if named else None
    readings = load_readings(ws, rows)
    rows = [r for r in rows if r.id in readings]
    header = header_of_row(rows[0])
    alike = [r for r in rows if (r.width_px, r.height_px) == (rows[0].width_px, rows[0].height_px)]
    facts = facts_of(named, header)
    z, sign_note = _places_along_axis(ws, named, facts, alike, readings)
    shapes = [_shapes_of(readings[r.id], float(zk)) for r, zk in zip(alike, z, strict=True)]
    size = (rows[0].width_px, rows[0].height_px)
    if sign_note:
        facts = replace(facts, outward=True)  # the sign came from the tube, not from the focuser
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
        keep(ws, "optics-field", report, rig=name, night=day)
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
    found = law_of(ws, rig.name if rig else None)
    if found.law.told and np.isfinite(facts.um_per_step):
        stood = np.array([number(header_of_row(r).focuser_position) for r in rows])
        return (stood - found.position(rows)) * facts.z_um_per_step, ""
    expansion = _expansion(rig)
    if expansion is None or expansion <= 0.0 or not np.isfinite(facts.slope_px_um):
        return unknown, ""
    stood = np.array([number(header_of_row(r).focuser_position) for r in rows])
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
    since = last_event(ws, rig)
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
        outward=rig.focuser.outward,
    )


def rig_named_or_only(ws: Workspace, name: str | None) -> Rig | None:
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


def rig_of(ws: Workspace, name: str | None, header: FrameHeader | None) -> Rig | None:
    """The rig named, else the one whose frames look like this header, else the only one."""
    if name is not None:
        return rig_named_or_only(ws, name)
    if header is not None:
        return ws.settings.rig_named(match_rig(header, rig_hints(ws.settings)))
    return ws.settings.rig[0] if len(ws.settings.rig) == 1 else None


def _first_header(ws: Workspace, files: Sequence[Path]) -> FrameHeader | None:
    from nightfold.frames.header import read_header
    from nightfold.intake.scan import find_files

    found = find_files(files) if files else []
    return read_header(found[0], header_rules(ws.settings)) if found else None


def night_rows(ws: Workspace, rig: str | None, night: date | None) -> tuple[Rig | None, date, list[FrameRow]]:
    """The subs of one rig and night; by default the rig with most subs of the last night."""
    nights = ws.ledger.nights(rig=rig)
    if rig is not None:
        rig_named_or_only(ws, rig)
    if not nights:
        raise FrameError("no subs of a dated night here yet", seen=f"rig {rig}" if rig else "none", allowed="subs that were taken in", next_step="take some in first")  # fmt: skip
    day = night or nights[-1]
    rows = ws.ledger.frames(kind="sub", rig=rig, night=day)
    measured = ws.ledger.readings([r.id for r in rows], with_arrays=False)
    rows = [r for r in rows if r.id in measured]
    if not rows:
        told = ", ".join(d.isoformat() for d in ws.ledger.nights()) or "none"
        raise FrameError(f"no measured subs of {day}", allowed=f"nights with subs: {told}", next_step="run `nightfold judge` first")  # fmt: skip
    by_rig: dict[str | None, list[FrameRow]] = defaultdict(list)
    for row in rows:
        by_rig[row.rig].append(row)
    name, mine = max(by_rig.items(), key=lambda item: len(item[1]))
    return ws.settings.rig_named(name), day, mine


def night_of_header(ws: Workspace, header: FrameHeader | None) -> date | None:
    if header is None or header.start is None:
        return None
    site = ws.settings.site
    return night_of(
        header.start, zone=site.time_zone if site else None, site_longitude_deg=site.longitude_deg if site else None,
        utc_offset_h=header.utc_offset_h, header_longitude_deg=header.site_longitude_deg,
    ).date  # fmt: skip


def last_event(ws: Workspace, rig: str | None) -> date | None:
    """When something was last done to the rig."""
    return max((e.on for e in ws.ledger.events() if e.rig is None or e.rig == rig), default=None)


def keep(
    ws: Workspace, kind: str, report: Any, *, rig: str | None, night: date | None, target: str | None = None,
    filter: str | None = None, same: tuple[str, ...] = (),
) -> None:  # fmt: skip
    """Record a finding in place of an earlier one of the same night that is of the same thing."""
    document = to_document(report)
    earlier = ws.ledger.findings(kind, rig=rig, night=night, target=target)
    others = [f for f in earlier if any(f.document.get(k) != document.get(k) for k in same)] if same else []
    new = FindingRow(kind=kind, document=document, rig=rig, target=target, filter=filter, night=night)
    ws.ledger.replace_findings(kind, [*others, new], rig=rig, night=night, target=target)


def local_clock(ws: Workspace) -> Any:
    """Local HH:MM of a moment: the site's zone, else mean time of its longitude to the hour, else UTC."""
    site = ws.settings.site
    zone: Any = UTC
    if site is not None and site.time_zone:
        zone = zone_named(site.time_zone)
    elif site is not None:
        zone = timezone(timedelta(hours=round(((site.longitude_deg + 180.0) % 360.0 - 180.0) / 15.0)))
    return lambda moment: moment.astimezone(zone).strftime("%H:%M")


def middle_s(row: FrameRow) -> float:
    """Unix time of the middle of an exposure."""
    return row.start.timestamp() + 0.5 * (row.exposure_s or 0.0) if row.start is not None else float("nan")


def _finding_s(finding: FindingRow) -> float:
    return datetime.fromisoformat(str(finding.document["start"]).replace("Z", "+00:00")).timestamp()


def number(value: Any) -> float:
    return float("nan") if value is None else float(value)
