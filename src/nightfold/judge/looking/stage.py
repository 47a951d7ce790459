"""A night's subs to look through: their documents, small pictures, and tiles of each at full size."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt

from nightfold.align.records import Transform
from nightfold.align.stage import placed_of
from nightfold.calibrate.apply import calibrate_image
from nightfold.calibrate.stage import CalibrationRoom
from nightfold.engine.core import atomic_write
from nightfold.errors import LedgerError
from nightfold.frames.pixels import read_all
from nightfold.frames.pyramid import TILE_PX, LevelSize, Pyramid, Tile, level_sizes
from nightfold.intake.stage import header_of_row
from nightfold.judge.looking.core import SharedStretch, jpeg_of, placed_tile, shrunk
from nightfold.judge.stage import CauseLine, JudgedSub, losses_of, report
from nightfold.ledger.lines import SubLine
from nightfold.ledger.records import FrameRow
from nightfold.ledger.workspace import Workspace
from nightfold.measure.cfa import superpixel

Plane = npt.NDArray[np.float32]

SMALL_PX = 176
KEPT_SUBS = 4
"""Subs whose pixels stay in memory, as half floats: 70 MB each for 26 megapixels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NightSub:
    """One sub of a night: the judge's document, its number, its worth in clear sky, and the person's decision if any."""

    id: int
    name: str
    sub: JudgedSub
    clear_s: float | None
    decided: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseSum:
    """What one cause cost on a night."""

    cause: str
    subs: int
    exposure_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NightReport:
    """All subs of a night in their order, what dropped ones cost, and the nights before and after."""

    night: date
    before: date | None
    after: date | None
    subs: tuple[NightSub, ...]
    dropped_for: tuple[CauseSum, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SubView:
    """What a viewer needs of one sub. `placed` is false where it is shown in its own pixels, not on the grid.

    The curve's numbers are in units of the tiles.
    """

    id: int
    placed: bool
    width: int
    height: int
    tile: int
    levels: tuple[LevelSize, ...]
    black: float
    white: float
    softness: float
    pedestal: float
    unit: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofPair:
    """Two subs of one filter and rig that show side by side what a cause did: a good one and the worst hit."""

    cause: str
    night: date
    filter: str
    detail: str
    good: int
    bad: int


def _field_of(line: SubLine) -> tuple[str | int | None, ...]:
    """What two subs must share to be looked at side by side."""
    return line.rig, line.target, line.panel, line.filter


def proof_pair(ws: Workspace) -> ProofPair | None:
    """The pair for the cause that cost most; None where no dropped sub has a kept one to stand beside."""
    costs: dict[str, float] = {}
    nights: dict[str, dict[str | None, float]] = {}
    for loss in losses_of(ws):
        costs[loss.cause] = costs.get(loss.cause, 0.0) + loss.hours
        hours = nights.setdefault(loss.cause, {})
        hours[loss.night] = hours.get(loss.night, 0.0) + loss.hours
    lines, decisions = ws.ledger.sub_lines(), ws.ledger.decisions()
    kept: dict[tuple[str | int | None, ...], list[SubLine]] = {}
    dropped = []
    for line in lines:
        if line.frame_id in decisions:
            keep = decisions[line.frame_id].verdict == "keep"
        else:
            keep = bool(line.keep)
        if keep:
            kept.setdefault(_field_of(line), []).append(line)
        elif line.measured is not None and line.night is not None and line.frame_id not in decisions:
            dropped.append(line)
    verdicts = ws.ledger.verdicts([line.frame_id for line in dropped])
    told: dict[str, list[tuple[int, SubLine, str]]] = {}
    for line in dropped:
        for rank, (cause, detail) in enumerate(verdicts[line.frame_id].causes if line.frame_id in verdicts else ()):
            told.setdefault(cause, []).append((rank, line, detail))
    for cause in sorted({*costs, *told}, key=lambda c: (-costs.get(c, 0.0), c)):
        # Of the subs dropped for it those where it weighs most, of these the one worth least.
        for _, bad, detail in sorted(told.get(cause, []), key=lambda t: (t[0], t[1].worth or 0.0, t[1].frame_id)):
            if (pair := _beside(cause, bad, kept.get(_field_of(bad), []), detail)) is not None:
                return pair
        # A cause may cost much and drop nothing: then the poorest sub that was kept of the night where it cost most.
        night, hours_lost = min(nights.get(cause, {None: 0.0}).items(), key=lambda n: (-n[1], n[0] or ""))
        mine = [s for several in kept.values() for s in several if s.worth is not None and str(s.night) == night]
        for bad in sorted(mine if hours_lost > 0.0 else [], key=lambda s: (s.worth or 0.0, s.frame_id)):
            better = [s for s in kept[_field_of(bad)] if (s.worth or 0.0) > (bad.worth or 0.0)]
            detail = f"kept, worth {100 * (bad.worth or 0.0):.0f} % of a clear sub; {hours_lost:.1f} h of clear sky went that way in this night"
            if (pair := _beside(cause, bad, better, detail)) is not None:
                return pair
    return None


def _beside(cause: str, bad: SubLine, like: Sequence[SubLine], detail: str) -> ProofPair | None:
    """The sub with the best of its like beside it, of the same night if there is one."""
    if not like or bad.night is None:
        return None
    good = max(like, key=lambda line: (line.night == bad.night, line.worth or 0.0, -line.frame_id))
    return ProofPair(
        cause=cause, night=bad.night, filter=bad.filter or "", detail=detail, good=good.frame_id, bad=bad.frame_id
    )


def night_report(ws: Workspace, night: date) -> NightReport:
    """The subs of a night as they stand; nothing is measured."""
    nights = ws.ledger.nights()
    if night not in nights:
        told = ", ".join(n.isoformat() for n in nights) or "none yet"
        raise LedgerError("no sub is of this night", seen=night.isoformat(), allowed=told)
    by_file = {str(r.path): r for r in ws.ledger.frames(kind="sub", night=night)}
    ids = [row.id for row in by_file.values()]
    verdicts, decisions = ws.ledger.verdicts(ids), ws.ledger.decisions(ids)
    subs = []
    for sub in report(ws, night=night).subs:
        row = by_file[sub.file]
        verdict, decision = verdicts.get(row.id), decisions.get(row.id)
        worth = verdict.worth if verdict is not None else None
        clear_s = None if worth is None or row.exposure_s is None else row.exposure_s * worth
        decided = decision.verdict if decision is not None else None
        subs.append(NightSub(id=row.id, name=row.name, sub=sub, clear_s=clear_s, decided=decided))
    place = nights.index(night)
    return NightReport(
        night=night,
        before=nights[place - 1] if place else None,
        after=nights[place + 1] if place + 1 < len(nights) else None,
        subs=tuple(subs),
        dropped_for=_costs([s.sub for s in subs]),
    )


def _costs(subs: Sequence[JudgedSub]) -> tuple[CauseSum, ...]:
    """Dropped exposure by the cause that weighs most, the costliest first."""
    sums: dict[str, CauseSum] = {}
    for sub in subs:
        if sub.verdict == "drop":
            first: CauseLine | None = next(iter(sub.causes), None)
            cause = first.cause if first is not None else "unreadable"
            old = sums.get(cause, CauseSum(cause=cause, subs=0, exposure_s=0.0))
            sums[cause] = CauseSum(cause=cause, subs=old.subs + 1, exposure_s=old.exposure_s + (sub.exposure_s or 0.0))
    return tuple(sorted(sums.values(), key=lambda s: -s.exposure_s))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Looked:
    """A sub in memory: its own pixels, and where they lie on its grid."""

    view: SubView
    pyramid: Pyramid
    transform: Transform | None


class SubLooker:
    """Pictures of subs, calibrated as in a fold. One at a time is worked out; a few stay in memory.

    What it reads of the ledger when made stays as it was: make a new one after subs were taken in or judged.
    """

    def __init__(self, ws: Workspace) -> None:
        self._ws = ws
        self._lock = threading.Lock()
        self._room: CalibrationRoom | None = None
        self._read = frozenset(ws.ledger.reading_versions())
        self._looked: OrderedDict[int, _Looked] = OrderedDict()
        self._stretches: dict[tuple[str | None, str | None, str | None], SharedStretch] = {}

    def small(self, frame_id: int, width_px: int = SMALL_PX) -> bytes:
        """A small JPEG; kept on disk once made."""
        row = self._row(frame_id)
        stretch = self._stretch(row)
        transform, shape = self._placement(row)
        key = (
            f"{row.fingerprint[:24]}-{stretch.black:.6g}-{stretch.softness:.6g}-{int(transform is not None)}-{width_px}"
        )
        path = self._ws.views_folder / "subs" / f"{key}.jpg"
        if path.exists():
            return path.read_bytes()
        with self._lock:
            data = jpeg_of(stretch.shown(shrunk(self._plane(row), transform, shape, width_px)))
        with suppress(OSError), atomic_write(path) as file:  # it is only kept to be quicker next time
            file.write(data)
        return data

    def view(self, frame_id: int) -> SubView:
        """Sizes and curve of one sub."""
        return self._look(frame_id).view

    def tile(self, frame_id: int, level: int, column: int, row: int) -> Tile:
        """A tile of one sub, on its grid where it has a place there."""
        found = self._look(frame_id)
        if found.transform is None:
            return found.pyramid.tile(level, column, row)
        shape = (found.view.height, found.view.width)
        return placed_tile(found.pyramid, found.transform, shape, level, column, row)

    def _look(self, frame_id: int) -> _Looked:
        row = self._row(frame_id)
        with self._lock:
            if frame_id in self._looked:
                self._looked.move_to_end(frame_id)
                return self._looked[frame_id]
            stretch = self._stretch(row)
            transform, shape = self._placement(row)
            unit = stretch.softness
            pyramid = Pyramid.of(self._plane(row), pedestal=stretch.black, unit=unit)
            view = SubView(
                id=frame_id, placed=transform is not None, width=shape[1], height=shape[0], tile=TILE_PX, levels=level_sizes(shape),
                black=0.0, white=(stretch.white - stretch.black) / unit, softness=1.0, pedestal=pyramid.pedestal, unit=pyramid.unit,
            )  # fmt: skip
            self._looked[frame_id] = _Looked(view=view, pyramid=pyramid, transform=transform)
            while len(self._looked) > KEPT_SUBS:
                self._looked.popitem(last=False)
            return self._looked[frame_id]

    def _row(self, frame_id: int) -> FrameRow:
        rows = [r for r in self._ws.ledger.frames(ids=[frame_id]) if r.kind == "sub"]
        if not rows:
            raise LedgerError("no sub of this campaign has this number", seen=f"{frame_id}")
        return rows[0]

    def _placement(self, row: FrameRow) -> tuple[Transform | None, tuple[int, int]]:
        """The sub's transform and its grid's size; None and its own size where it has no place."""
        grid = self._ws.ledger.grid(row.target or "", row.panel)
        found = self._ws.ledger.placements(grid.id).get(row.id) if grid is not None else None
        if grid is None or found is None or not found.found:
            return None, (row.height_px, row.width_px)
        return placed_of(found).transform, (grid.height_px, grid.width_px)

    def _plane(self, row: FrameRow) -> Plane:
        """Electrons per second of the sub in its own pixels; as the file has them while it has no reading."""
        pixels, _sha256 = read_all(row.path)
        if row.id in self._read:
            if self._room is None:
                self._room = CalibrationRoom(self._ws)
            plane = calibrate_image(pixels, self._room.of(row.id).calibration)
        else:
            plane = np.asarray(pixels, np.float32)
        cfa = header_of_row(row).cfa
        if cfa:  # the colour cells' means, at the size of the frame
            plane = np.repeat(np.repeat(superpixel(plane, cfa), 2, axis=0), 2, axis=1)
        return np.asarray(plane / np.float32(row.exposure_s or 1.0), np.float32)

    def _stretch(self, row: FrameRow) -> SharedStretch:
        key = (row.target, row.rig, row.filter)
        if key not in self._stretches:
            rows = [r for r in self._ws.ledger.frames(kind="sub", filter=row.filter) if (r.target, r.rig) == key[:2]]
            readings = self._ws.ledger.readings([r.id for r in rows], with_arrays=False)
            known = [(readings[r.id].scalars, r.exposure_s or 1.0) for r in rows if r.id in readings]
            sky, noise = ([_number(s[name]) / t for s, t in known] for name in ("sky_e", "noise_e"))
            self._stretches[key] = SharedStretch.of(sky, noise)
        return self._stretches[key]


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else float("nan")
