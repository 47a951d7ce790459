"""Folders of raw files into the ledger: recognised, dated, matched to rig and target, with the list of what is missing."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from nightfold.errors import LedgerError
from nightfold.frames.records import FRAME_KINDS, FrameHeader, HeaderRules
from nightfold.intake.matching import match_calibration, missing_calibration
from nightfold.intake.night import night_of, nights_by_gap
from nightfold.intake.records import FrameFacts, Matched, Missing, RigEvent, RigHints
from nightfold.intake.rigs import match_rig, why_no_rig
from nightfold.intake.scan import Scanned, find_files, scan
from nightfold.ledger.lines import FactLine
from nightfold.ledger.records import FrameRow, NewFrame
from nightfold.ledger.workspace import Workspace
from nightfold.settings.models import CampaignSettings, Target

UNFILTERED = "unfiltered"
"""Name of the filter of subs that name none."""

_BATCH = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A file that was not taken in."""

    file: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MissingFrames:
    """Calibration frames still to be exposed, as the commands' documents hold it."""

    kind: str
    rig: str | None
    filter: str | None
    exposure_s: float | None
    gain: float | None
    offset: float | None
    sensor_c: float | None
    binning: tuple[int, int]
    readout_mode: str | None
    night: str | None
    have: int
    wanted: int
    sentence: str

    @classmethod
    def of(cls, missing: Missing) -> MissingFrames:
        """The document's form of a matching record."""
        return cls(
            kind=missing.kind,
            rig=missing.rig,
            filter=missing.filter,
            exposure_s=missing.exposure_s,
            gain=missing.gain,
            offset=missing.offset,
            sensor_c=missing.sensor_c,
            binning=missing.binning,
            readout_mode=missing.readout_mode,
            night=missing.night.isoformat() if missing.night else None,
            have=missing.have,
            wanted=missing.wanted,
            sentence=missing.words,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeInReport:
    """What a take-in did; the counts are this run's."""

    taken_in: int
    already_known: int
    moved: int
    refused: tuple[Refused, ...]
    frames: dict[str, int]
    nights: tuple[str, ...]
    missing_calibration: tuple[MissingFrames, ...]
    notes: tuple[str, ...] = ()

    @property
    def nothing_taken(self) -> LedgerError | None:
        """What to say where every file was refused; None if any was taken in or is known."""
        if not self.refused or self.taken_in or self.already_known or self.moved:
            return None
        first = self.refused[0].reason
        return LedgerError(
            "nothing could be taken in",
            seen=first if len(self.refused) == 1 else f"{len(self.refused)} refused, the first: {first}",
            allowed="FITS files that can be read",
        )


def take_in(ws: Workspace, paths: Iterable[Path]) -> TakeInReport:
    """Read new files under `paths` into the ledger; nothing is moved, changed or deleted.

    Files that cannot be used are recorded with their reason and the rest goes on. Running it again on the same folders
    looks only at what is new or changed.
    """
    refused: list[Refused] = []
    files = find_files(paths, lambda path, reason: refused.append(Refused(file=str(path), reason=reason)))
    known = ws.ledger.known_files()
    rules = header_rules(ws.settings)
    before = {(str(p), k[0], k[1]) for p, k in known.items()}
    ws.progress.start(len(files), "Reading headers", "files")
    counts = Counter[str]()
    nights: set[str] = set()
    kinds = Counter[str](dict.fromkeys(FRAME_KINDS, 0))
    notes: dict[str, int] = Counter()
    looked_at = 0
    done = 0

    def advance(now: int, _all: int) -> None:
        nonlocal done
        ws.progress.advance(now - done)
        done = now

    batch: list[Scanned] = []

    def store() -> None:
        new = [frame for scanned in batch if (frame := _new_frame(scanned, ws.settings, notes)) is not None]
        for scanned in batch:
            if scanned.reason is not None:
                refused.append(Refused(file=str(scanned.path), reason=scanned.reason))
        batch.clear()
        if new:
            result = ws.ledger.add_frames(new)
            counts["taken_in"] += result.taken_in
            counts["known"] += result.already_known
            counts["moved"] += result.moved
            fresh = set(result.new_fingerprints)
            for frame in new:
                if frame.fingerprint in fresh:
                    fresh.discard(frame.fingerprint)
                    kinds[frame.kind] += 1
                    if frame.kind == "sub" and frame.night is not None:
                        nights.add(frame.night.isoformat())

    try:
        for scanned in scan(files, rules, known=before, progress=advance, cancelled=lambda: ws.cancelled.cancelled):
            looked_at += 1
            batch.append(scanned)
            if len(batch) >= _BATCH:
                store()
    finally:
        store()
        ws.progress.finish()
    ws.ledger.add_refused([(Path(r.file), r.reason) for r in refused])
    if _date_by_gaps(ws):
        notes["no site and no local clock: nights are told apart by the longest gap in the day"] += 1
        nights |= {night.isoformat() for night in ws.ledger.nights()}
    subs, calibration = facts_of(ws)
    missing = missing_calibration(subs, calibration, events=rig_events(ws)) if subs else []
    if not files and not refused:
        raise LedgerError(
            "no FITS files were found",
            seen=", ".join(str(p) for p in paths),
            allowed="folders with .fits, .fit, .fts, .gz or .fz files",
        )
    return TakeInReport(
        taken_in=counts["taken_in"],
        already_known=counts["known"] + len(files) - looked_at,
        moved=counts["moved"],
        refused=tuple(refused),
        frames={kind: kinds[kind] for kind in FRAME_KINDS},
        nights=tuple(sorted(nights)),
        missing_calibration=tuple(MissingFrames.of(m) for m in missing),
        notes=tuple(f"{text} ({n} files)" if n > 1 else text for text, n in notes.items()),
    )


def header_rules(settings: CampaignSettings) -> HeaderRules:
    """The person's map of header words from campaign.toml."""
    header = settings.header
    override = dict(header.override)
    by_name = tuple((rule.match, rule.fields()) for rule in header.by_name)
    return HeaderRules(filter_names=dict(header.filter_names), override=override, by_name=by_name)


def rig_hints(settings: CampaignSettings) -> list[RigHints]:
    """What the frames of each rig look like."""
    hints = []
    for rig in settings.rig:
        hints.append(
            RigHints(
                name=rig.name,
                width_px=rig.camera.width_px,
                height_px=rig.camera.height_px,
                pixel_um=rig.camera.pixel_um,
                focal_length_mm=rig.telescope.focal_length_mm,
                match=dict(rig.match),
            )
        )
    return hints


def rig_events(ws: Workspace) -> list[RigEvent]:
    """Dated events of the rigs; a note without a time of day counts from the local noon of its date."""
    zone = ZoneInfo(ws.settings.site.time_zone) if ws.settings.site and ws.settings.site.time_zone else UTC
    events = []
    for event in ws.ledger.events():
        at = datetime.combine(event.on, time(12), zone).astimezone(UTC)
        events.append(RigEvent(rig=event.rig, at=at, what=event.text))
    return events


def facts_of(ws: Workspace) -> tuple[list[FrameFacts], list[FrameFacts]]:
    """Matching facts of all subs and of all calibration frames in the ledger."""
    subs: list[FrameFacts] = []
    calibration: list[FrameFacts] = []
    for line in ws.ledger.fact_lines():
        (subs if line.kind == "sub" else calibration).append(facts_of_line(line))
    return subs, calibration


def facts_of_line(line: FactLine) -> FrameFacts:
    """Matching facts of one frame of the ledger, as `facts_of_row` has them; its file's name is left out."""
    return FrameFacts(
        id=line.frame_id,
        name="",
        kind=line.kind,  # type: ignore[arg-type]
        width_px=line.width_px,
        height_px=line.height_px,
        start=None if line.start is None else line.start.replace(tzinfo=UTC),
        night=line.night,
        rig=line.rig,
        camera=line.camera,
        filter=line.filter,
        exposure_s=line.exposure_s,
        gain=line.gain,
        offset=line.offset,
        sensor_c=line.sensor_c,
        set_point_c=line.set_point_c,
        binning=(line.binning_x, line.binning_y),
        readout_mode=line.readout_mode,
        camera_angle_deg=line.rotator_deg,
        calibrated=line.calibrated,
    )


def facts_of_row(row: FrameRow) -> FrameFacts:
    """Matching facts of one frame of the ledger."""
    header = header_of_row(row)
    return replace(FrameFacts.of(header, id=row.id, name=row.name, night=row.night, rig=row.rig), filter=row.filter)


def header_of_row(row: FrameRow) -> FrameHeader:
    """The header as it was read at take-in."""
    values = dict(row.header)
    values["start"] = datetime.fromisoformat(values["start"]) if values.get("start") else None
    values["binning"] = tuple(values["binning"])
    values["notes"] = tuple(values.get("notes", ()))
    return FrameHeader(**values)


def calibration_groups(ws: Workspace, facts: tuple[list[FrameFacts], list[FrameFacts]] | None = None) -> list[Matched]:
    """Which calibration frames go with which subs; `facts`, as `facts_of` has them, spare reading them again."""
    subs, calibration = facts_of(ws) if facts is None else facts
    return match_calibration(subs, calibration, events=rig_events(ws))


def _new_frame(scanned: Scanned, settings: CampaignSettings, notes: dict[str, int]) -> NewFrame | None:
    header = scanned.header
    if header is None:
        return None
    for note in header.notes:
        notes[note] += 1
    hints = rig_hints(settings)
    rig = match_rig(header, hints)
    if rig is None and hints and header.kind == "sub":
        notes[f"rig not recognised: {why_no_rig(header, hints)}"] += 1
    target = _target_of(header, settings) if header.kind == "sub" else None
    if header.kind == "sub" and target is None:
        notes["target not recognised: neither its OBJECT nor its place is in campaign.toml"] += 1
    return NewFrame(
        path=scanned.path,
        size=scanned.size,
        mtime_ns=scanned.mtime_ns,
        fingerprint=scanned.fingerprint,
        kind=header.kind,
        rig=rig,
        target=target or (header.object or "target" if header.kind == "sub" else None),
        panel=_panel_of(header, settings.target_named(target)) if header.kind == "sub" else None,
        filter=header.filter or (UNFILTERED if header.kind == "sub" else None),
        night=_night(header, settings),
        start=header.start,
        exposure_s=header.exposure_s,
        width_px=header.width_px,
        height_px=header.height_px,
        header=header_document(header),
    )


def header_document(header: FrameHeader) -> dict[str, Any]:
    """A header as JSON can hold it."""
    values = {name: getattr(header, name) for name in header.__dataclass_fields__}
    values["start"] = header.start.isoformat() if header.start else None
    values["binning"] = list(header.binning)
    values["notes"] = list(header.notes)
    return values


def _night(header: FrameHeader, settings: CampaignSettings) -> Any:
    if header.start is None:
        return None
    site = settings.site
    return night_of(
        header.start,
        zone=site.time_zone if site and site.time_zone else None,
        site_longitude_deg=site.longitude_deg if site else None,
        utc_offset_h=header.utc_offset_h,
        header_longitude_deg=header.site_longitude_deg,
    ).date


def _target_of(header: FrameHeader, settings: CampaignSettings) -> str | None:
    """The target by OBJECT, else the nearest within half its size or a degree, else the only one there is."""
    names = {t.name.casefold().strip(): t.name for t in settings.target}
    for target in settings.target:
        for wanted in target.match_objects:
            names[wanted.casefold().strip()] = target.name
    if header.object:
        told = header.object.casefold().strip()
        # A name as it stands comes before a pattern that fits it.
        patterns = ((wanted, name) for wanted, name in names.items() if "*" in wanted)
        found = names.get(told) or next((name for wanted, name in patterns if fnmatchcase(told, wanted)), None)
        if found is not None:
            return found
    if header.ra_deg is not None and header.dec_deg is not None:
        near = [
            (d, t.name)
            for t in settings.target
            if (d := _separation_deg(t, header.ra_deg, header.dec_deg)) < _reach_deg(t)
        ]
        if near:
            return min(near)[1]
    if not header.object and len(settings.target) == 1:
        return settings.target[0].name
    return None


def _panel_of(header: FrameHeader, target: Target | None) -> int | None:
    """The panel of a mosaic that a sub points nearest to; None without panels or without a pointing."""
    if target is None or not target.panel or header.ra_deg is None or header.dec_deg is None:
        return None
    ra, dec = header.ra_deg, header.dec_deg
    return min(target.panel, key=lambda p: _angle_deg(p.ra_deg, p.dec_deg, ra, dec)).panel


def _separation_deg(target: Target, ra_deg: float, dec_deg: float) -> float:
    """Angle to a target, or to the nearest of its panels; infinite without a place."""
    places = [(target.match.get("ra_deg", target.ra_deg), target.match.get("dec_deg", target.dec_deg))]
    places += [(p.ra_deg, p.dec_deg) for p in target.panel]
    return min(
        (_angle_deg(ra, dec, ra_deg, dec_deg) for ra, dec in places if ra is not None and dec is not None),
        default=math.inf,
    )


def _angle_deg(ra: float, dec: float, ra_deg: float, dec_deg: float) -> float:
    """Angle between two places, degrees, by the haversine form, which keeps its digits for small angles."""
    d1, d2 = math.radians(dec), math.radians(dec_deg)
    half = math.sin((d2 - d1) / 2) ** 2 + math.cos(d1) * math.cos(d2) * math.sin(math.radians(ra_deg - ra) / 2) ** 2
    return math.degrees(2.0 * math.asin(min(1.0, math.sqrt(half))))


def _reach_deg(target: Target) -> float:
    if "within_deg" in target.match:
        return float(target.match["within_deg"])
    size = max(target.size_arcmin) / 60.0 if target.size_arcmin else 0.0
    return max(1.0, 0.5 * size)


def _date_by_gaps(ws: Workspace) -> bool:
    """Date the nights of frames whose site and clock are not known by the longest gap in the day."""
    if ws.settings.site is not None:
        return False
    rows = [r for r in ws.ledger.frames() if r.start is not None and _has_no_clock(r)]
    if not rows:
        return False
    nights = nights_by_gap([r.start for r in rows if r.start is not None])
    changed = {row.id: night for row, night in zip(rows, nights) if row.night != night}
    if changed:
        ws.ledger.set_nights(changed)
    return True


def _has_no_clock(row: FrameRow) -> bool:
    return row.header.get("utc_offset_h") is None and row.header.get("site_longitude_deg") is None


def counted(frames: dict[str, int]) -> str:
    """Frames by kind in words: "48 subs, 10 bias frames, 12 darks"; empty for none."""
    words = {"sub": "sub", "bias": "bias frame", "dark": "dark", "flat": "flat", "flat_dark": "flat-dark"}
    return ", ".join(f"{n} {words[kind]}{'s' if n != 1 else ''}" for kind, n in frames.items() if n)
