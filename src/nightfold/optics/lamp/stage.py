"""The camera test: from files given, or from the campaign's own flats, biases and darks; kept as a finding."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np

from nightfold.errors import CalibrationError
from nightfold.frames.records import FrameHeader
from nightfold.intake.stage import header_of_row, header_rules
from nightfold.ledger.records import FrameRow
from nightfold.ledger.workspace import Workspace
from nightfold.optics.camera_report import CameraReport, Stated, camera_of_frames
from nightfold.optics.files import camera_frames
from nightfold.optics.stage import keep, night_of_header, rig_named_or_only, rig_of
from nightfold.settings.models import Rig

KINDS = {"flat": "flats", "bias": "biases", "dark": "darks"}
MOST_BIASES, MOST_DARKS, MOST_FLATS = 8, 4, 40
"""Of darks, of each temperature and exposure: more would sharpen little and take long to read."""

Setting = tuple[str | None, float | None, float | None, str | None, tuple[int, int], int, int]


def camera(ws: Workspace, paths: Sequence[Path], *, rig: str | None = None) -> CameraReport:
    """A camera test against campaign.toml; without paths, from the campaign's own calibration frames."""
    used = ""
    if not paths:
        if rig is not None:
            rig_named_or_only(ws, rig)
        paths, rig, used = own_frames(ws, rig)
    ws.progress.start(len(paths), "Reading", "calibration frames")
    try:
        frames = camera_frames(paths, header_rules(ws.settings), watch=lambda _: ws.progress.advance())
    finally:
        ws.progress.finish()
    header = next(f[0].header for f in frames.values())
    named = rig_of(ws, rig, header)
    night = max(
        (d for f in frames.values() for g in f if (d := night_of_header(ws, g.header)) is not None), default=None
    )
    name = named.name if named else None
    report = camera_of_frames(frames, _stated(named, header), rig=name, night=night.isoformat() if night else None)
    report = hot_growth(ws, report, name, night)
    if used:
        report = replace(report, notes=(used, *report.notes))
    keep(ws, "optics-camera", report, rig=name, night=night)
    return report


def own_frames(ws: Workspace, rig: str | None) -> tuple[list[Path], str | None, str]:
    """The campaign's frames of one rig and setting that tell most, the rig's name, and in words what was taken and left."""
    settings: dict[Setting, list[FrameRow]] = defaultdict(list)
    for kind in KINDS:
        for row in ws.ledger.frames(kind=kind, rig=rig):
            if row.path.exists():
                settings[_setting(row)].append(row)
    if not settings:
        raise CalibrationError(
            "the campaign has no flats, biases and darks of its own to test the camera with",
            seen=f"none of {rig}" if rig else "none", allowed="flats in pairs, biases and darks",
            next_step="take some in with `nightfold take-in`, or name files",
        )  # fmt: skip
    chosen = max(settings, key=lambda s: (_tells(settings[s]), len(settings[s])))
    rows = _enough(settings[chosen])
    several = len(settings) > 1
    words = f"of the campaign's frames {_counted(rows)} of {_named(chosen)} were used"
    if several:
        others = sorted((s for s in settings if s != chosen), key=lambda s: -len(settings[s]))
        words += "; left out: " + ", ".join(f"{_counted(settings[s])} of {_named(s)}" for s in others)
    return [r.path for r in rows], chosen[0], words


def _setting(row: FrameRow) -> Setting:
    h = header_of_row(row)
    return row.rig, h.gain, h.offset, h.readout_mode, h.binning, row.width_px, row.height_px


def _named(setting: Setting) -> str:
    rig, gain, offset, mode, binning, width, height = setting
    parts = [rig or "a rig that is not known", f"gain {gain:g}" if gain is not None else "no gain told"]
    if offset is not None:
        parts.append(f"offset {offset:g}")
    if mode:
        parts.append(mode)
    if binning != (1, 1):
        parts.append(f"binning {binning[0]}×{binning[1]}")
    return " ".join([*parts, f"({width}×{height} px)"])


def _counted(rows: Sequence[FrameRow]) -> str:
    count = Counter(r.kind for r in rows)
    words = [f"{count[k]} {k if count[k] == 1 else many}" for k, many in KINDS.items() if count[k]]
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _tells(rows: Sequence[FrameRow]) -> int:
    """What kinds tell: a gain before a dark current, both before one."""
    count = Counter(r.kind for r in rows)
    gain = 2 if count["flat"] >= 2 and count["bias"] >= 2 else 0
    return gain + (1 if count["dark"] and (count["bias"] or count["dark"] >= 2) else 0)


def _enough(rows: Sequence[FrameRow]) -> list[FrameRow]:
    """The latest of each kind: as many as sharpen the answer."""
    latest = sorted(rows, key=lambda r: r.start.timestamp() if r.start else 0.0, reverse=True)
    groups: dict[tuple[object, ...], list[FrameRow]] = defaultdict(list)
    for row in latest:
        h = header_of_row(row)
        key: tuple[object, ...] = (row.kind,)
        if row.kind == "dark":
            key = ("dark", row.exposure_s, None if h.sensor_c is None else round(h.sensor_c / 2.0))
        groups[key].append(row)
    most = {"bias": MOST_BIASES, "dark": MOST_DARKS, "flat": MOST_FLATS}
    chosen = [r for key, group in groups.items() for r in group[: most[str(key[0])]]]
    return sorted(chosen, key=lambda r: (r.kind, r.start or datetime.min, r.id))


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


def hot_growth(ws: Workspace, report: CameraReport, rig: str | None, night: date | None) -> CameraReport:
    """Against the last test of an earlier date that looked at the same pixels."""
    if report.hot_pixels is None or night is None:
        return report
    for before in reversed(ws.ledger.findings("optics-camera", rig=rig)):
        places = before.document.get("hot_places")
        if before.night is None or before.night >= night or not places or not report.hot_places:
            continue
        if list(before.document.get("looked_at_px") or ()) != list(report.looked_at_px):
            continue
        years = (night - before.night) / timedelta(days=365.25)
        new, gone = len(set(report.hot_places) - set(places)), len(set(places) - set(report.hot_places))
        return replace(
            report, hot_per_year=(new - gone) / years, hot_per_year_uncertainty=float(np.sqrt(new + gone)) / years
        )
    return report
