"""The optics' part of a night's summary: what is on record, and what the night's readings tell without opening a file."""

from __future__ import annotations

from datetime import date

from nightfold.errors import NightfoldError
from nightfold.intake.stage import header_of_row
from nightfold.ledger.workspace import Workspace
from nightfold.optics.mount.stage import tracking_of
from nightfold.optics.reports import OpticsSummary, focus_losses
from nightfold.optics.stage import TOLERANCE_SHARE, law_of, local_clock, sub_costs

KINDS = (
    "optics-focus", "optics-field", "optics-collimation", "optics-polar", "optics-tracking", "optics-camera",
)  # fmt: skip


def summary(ws: Workspace, *, night: date | None = None) -> OpticsSummary:
    """What the optics did in a night, in sentences; the last night by default. Nothing is written."""
    nights = ws.ledger.nights()
    day = night or (nights[-1] if nights else None)
    if day is None:
        return OpticsSummary(night=None, sentences=())
    lines = [line for kind in KINDS for line in _on_record(ws, kind, day)]
    for rig in sorted({r.rig for r in ws.ledger.frames(kind="sub", night=day) if r.rig}):
        lines += _told_by_readings(ws, rig, day)
    return OpticsSummary(night=day.isoformat(), sentences=tuple(dict.fromkeys(line for line in lines if line)))


def _on_record(ws: Workspace, kind: str, day: date) -> list[str]:
    lines = []
    for f in ws.ledger.findings(kind, night=day):
        told = [str(f.document.get("sentence") or "")]
        if kind == "optics-tracking":
            told.append(str(f.document.get("elongation_sentence") or ""))
        if kind == "optics-field" and (coma := f.document.get("coma")):
            told.append(str(coma.get("sentence") or ""))
        lines.append(_named(ws, f.rig, " ".join(t for t in told if t)))
    return lines


def _told_by_readings(ws: Workspace, rig: str, day: date) -> list[str]:
    """Tracking where it is not on record yet, and what missed focus cost."""
    lines = []
    if not ws.ledger.findings("optics-tracking", rig=rig, night=day):
        try:
            found = tracking_of(ws, night=day, rig=rig)
        except NightfoldError:
            found = None  # no places on the sky yet: nothing to say of the mount
        if found is not None and found.told:
            lines.append(_named(ws, rig, " ".join(t for t in (found.sentence, found.elongation_sentence) if t)))
    if not ws.ledger.findings("optics-focus", rig=rig):
        return lines  # no run on record: no law, and no need to look how warm every night was
    law = law_of(ws, rig)
    if law.law.told:
        rows = [
            r for r in ws.ledger.frames(kind="sub", rig=rig, night=day) if header_of_row(r).focuser_position is not None
        ]
        costs, _ = sub_costs(ws, ws.settings.rig_named(rig), law, rows)
        losses = focus_losses(costs, local_clock(ws), least=TOLERANCE_SHARE)
        lines += [_named(ws, rig, loss.sentence) for loss in losses]
    return lines


def _named(ws: Workspace, rig: str | None, words: str) -> str:
    """With the rig's name where there are several."""
    return f"{rig}: {words}" if rig and words and len(ws.settings.rig) > 1 else words
