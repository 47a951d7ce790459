"""Follows the folder where a controller writes: takes in what is whole, judges it, and speaks up when a person is needed."""

from __future__ import annotations

import math
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as TooLong
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from nightfold.engine.documents import iso_z
from nightfold.errors import LedgerError, NightfoldError
from nightfold.intake.scan import find_files
from nightfold.intake.stage import calibration_groups, header_of_row, take_in
from nightfold.judge.facts.stage import Group, load_groups
from nightfold.judge.records import SubFacts
from nightfold.judge.stage import is_kept, judge
from nightfold.ledger.records import FindingRow, FrameRow
from nightfold.ledger.workspace import Workspace
from nightfold.sky.ephemeris import Place, sun_track
from nightfold.watch.alarms import alarms_of
from nightfold.watch.first_look import first_look, is_first
from nightfold.watch.phone import Phone, phone_addresses
from nightfold.watch.records import NAN, EventKind, WatchedSub, WatchEvent
from nightfold.watch.steady import FileState, Steady

KIND = "watch"
"""Kind of the findings that keep what was said."""
STALL_S = 20.0
"""A folder that does not answer for so long is away."""
REFUSED_AFTER_S = 60.0
"""A file that cannot be read is told only when it has stood still for so long: until then it may be half written."""
SUN_DOWN_DEG = -6.0
"""With the Sun higher nothing new is what one expects."""


def watch(
    ws: Workspace,
    paths: Sequence[Path],
    *,
    interval_s: float = 2.0,
    settle_s: float = 3.0,
    quiet_minutes: float | None = None,
    once: bool = False,
    clock: Callable[[], float] = time.time,
    sleep: Callable[[float], None] = time.sleep,
) -> Iterator[WatchEvent]:
    """Follow folders until the workspace's token is cancelled, and yield what happens.

    Parameters
    ----------
    interval_s, settle_s : float
        How often to look, and how long a file must have stood still to be whole.
    quiet_minutes : float, optional
        After how long without a new sub, with the Sun down, to say so; five sub lengths and at least ten minutes when
        not given.
    once : bool
        Stop when all that is there has been taken in.
    clock, sleep
        Other than the system's for a replay.
    """
    watcher = _Watcher(ws, paths, settle_s=settle_s, quiet_minutes=quiet_minutes, clock=clock)
    yield watcher.event("started", f"Watching {', '.join(str(p) for p in paths)}. Files are only read.")
    try:
        while not ws.cancelled.cancelled:
            yield from watcher.round()
            if once and not watcher.busy:
                break
            sleep(interval_s)
    finally:
        watcher.close()
    yield watcher.event("stopped", watcher.summary())


class _Watcher:
    """State of one watch: files seen, what was said, when the last sub came."""

    def __init__(
        self,
        ws: Workspace,
        paths: Sequence[Path],
        *,
        settle_s: float,
        quiet_minutes: float | None,
        clock: Callable[[], float],
    ) -> None:
        self._ws, self._paths, self._clock = ws, list(paths), clock
        self._steady = Steady(settle_s)
        self._quiet_minutes = quiet_minutes
        self._phone = Phone(phone_addresses(ws.folder))
        self._looker = ThreadPoolExecutor(1, thread_name_prefix="look")
        self._pending: Future[dict[Path, FileState]] | None = None
        self._retry: set[Path] = set()
        self._refused: dict[Path, float] = {}
        self._away = False
        self._waiting_for_lock = False
        self._judged = False
        self._last_new: float | None = None
        self._exposure_s = 0.0
        self._quiet_told = False
        self._told = {self._key(f) for f in ws.ledger.findings(KIND)}
        self._subs = self._messages = 0

    @property
    def busy(self) -> bool:
        """Whether files wait to stand still or to be taken in."""
        return bool(self._steady.waiting or self._retry or self._pending or self._waiting_for_lock)

    def close(self) -> None:
        self._looker.shutdown(wait=False, cancel_futures=True)

    def summary(self) -> str:
        subs = f"{self._subs} new sub{'s' if self._subs != 1 else ''}"
        return f"Stopped after {subs} and {self._messages} message{'s' if self._messages != 1 else ''}."

    def event(self, kind: EventKind, text: str, **more: Any) -> WatchEvent:
        return WatchEvent(at=iso_z(datetime.fromtimestamp(self._clock(), UTC)), kind=kind, text=text, **more)

    # -- one round -------------------------------------------------------------------------------------------------

    def round(self) -> Iterator[WatchEvent]:
        files = self._look()
        if files is None:
            if not self._away:
                self._away = True
                yield self._message(
                    "folder-away",
                    "The folder does not answer: a share or a drive is gone. Nothing is lost; waiting for it.",
                )
            return
        if self._away:
            self._away = False
            yield self.event("clear", "The folder is back.", cause="folder-away")
        ready = [*self._retry, *(p for p in self._steady.look(files, self._clock()) if p not in self._retry)]
        if ready:
            yield from self._take(ready)
        yield from self._tell_refused(files)
        yield from self._tell_quiet()

    def _look(self) -> dict[Path, FileState] | None:
        """The files there are; None if the folder is away or does not answer in time."""
        if self._pending is None:
            self._pending = self._looker.submit(_files_under, self._paths)
        try:
            files = self._pending.result(timeout=STALL_S if not self._away else 0.1)
        except TooLong:
            return None  # the look goes on: its answer is taken when it comes
        except OSError:
            self._pending = None
            return None
        self._pending = None
        return files

    def _take(self, ready: list[Path]) -> Iterator[WatchEvent]:
        try:
            with self._ws.ledger.writing():
                report = take_in(self._ws, [p for p in ready if p.exists()])
                subs = self._subs_in(ready)
                new = sorted(subs - {*self._ws.ledger.verdicts(), *self._ws.ledger.faults()})
                if new or (subs and not self._judged):
                    # A watch before this one may have been killed amid judging: the first time all is judged again.
                    judge(self._ws)
                    self._judged = True
        except LedgerError as error:
            # Another command is at work: what is whole is taken in when it has finished.
            self._retry = set(ready)
            if not self._waiting_for_lock:
                self._waiting_for_lock = True
                yield self.event("message", f"Waiting: {error.line}", cause="busy")
            return
        except NightfoldError as error:
            self._retry.clear()
            yield self.event("message", f"These files could not be judged: {error.line}", cause="judge")
            return
        self._retry.clear()
        self._waiting_for_lock = False
        for refused in report.refused:
            self._refused.setdefault(Path(refused.file), self._clock())
        taken = {str(p) for p in ready}
        self._refused = {p: s for p, s in self._refused.items() if str(p) not in taken or self._is_refused(p, report)}
        if new:
            yield from self._tell_subs(new)

    @staticmethod
    def _is_refused(path: Path, report: Any) -> bool:
        return any(r.file == str(path) for r in report.refused)

    def _subs_in(self, ready: list[Path]) -> set[int]:
        """Frames of kind sub that these files hold."""
        found = self._ws.ledger.frames_by_name([str(p.absolute()) for p in ready])
        return {r.id for rows in found.values() for r in rows if r.kind == "sub"}

    # -- what is said ----------------------------------------------------------------------------------------------

    def _tell_subs(self, new: list[int]) -> Iterator[WatchEvent]:
        series = watched_subs(self._ws)
        by_id = {s.frame_id: s for subs in series.values() for s in subs}
        now = self._clock()
        for sub in sorted((by_id[i] for i in new if i in by_id), key=lambda s: s.start_s):
            self._subs += 1
            self._last_new, self._exposure_s, self._quiet_told = now, max(sub.exposure_s, 0.0), False
            yield self.event(
                "sub", _sub_text(sub), file=sub.file, rig=sub.rig, filter=sub.filter, numbers=_numbers(sub)
            )
        latest = max((s.night or "" for s in by_id.values()), default="")
        for rig, subs in series.items():
            tonight = [s for s in subs if s.night == latest]
            if not any(s.frame_id in new for s in tonight):
                continue
            yield from self._first_looks(rig, subs, tonight, set(new))
            yield from self._alarms(rig, tonight)

    def _first_looks(
        self, rig: str | None, subs: list[WatchedSub], tonight: list[WatchedSub], new: set[int]
    ) -> Iterator[WatchEvent]:
        earlier = [s for s in subs if s.night != tonight[0].night]
        for number, sub in enumerate(tonight):
            if sub.frame_id not in new or not is_first(sub, tonight[:number]):
                continue
            for remark in first_look(sub, earlier):
                yield from self._say_once(remark.cause, remark.text, sub, rig)

    def _alarms(self, rig: str | None, tonight: list[WatchedSub]) -> Iterator[WatchEvent]:
        by_id = {s.frame_id: s for s in tonight}
        for alarm in alarms_of(tonight):
            yield from self._say_once(alarm.cause, alarm.text, by_id[alarm.raised_by], rig)
            if alarm.cleared_by is not None:
                sub = by_id[alarm.cleared_by]
                if self._new((alarm.cause + ":clear", sub.frame_id, rig)):
                    self._keep(alarm.cause + ":clear", alarm.cleared_text, sub, rig)
                    yield self.event("clear", alarm.cleared_text, cause=alarm.cause, rig=rig, filter=sub.filter)

    def _say_once(self, cause: str, text: str, sub: WatchedSub, rig: str | None) -> Iterator[WatchEvent]:
        # A remark on the first sub and an alarm on the same cause are one message until it clears.
        if not self._new((cause, sub.frame_id, rig)) or self._standing(cause, sub, rig):
            return
        self._keep(cause, text, sub, rig)
        yield self._message(cause, text, file=sub.file, rig=rig, filter=sub.filter)

    def _new(self, key: tuple[str, int, str | None]) -> bool:
        return key not in self._told

    def _standing(self, cause: str, sub: WatchedSub, rig: str | None) -> bool:
        """Whether this cause was said this night and has not cleared since."""
        said = [
            f
            for f in self._ws.ledger.findings(KIND, rig=rig)
            if f.night is not None
            and f.night.isoformat() == sub.night
            and f.document["cause"] in (cause, cause + ":clear")
        ]
        return bool(said) and said[-1].document["cause"] == cause

    def _keep(self, cause: str, text: str, sub: WatchedSub, rig: str | None) -> None:
        self._told.add((cause, sub.frame_id, rig))
        document = {"cause": cause, "text": text, "file": sub.file, "frame": sub.frame_id}
        night = date.fromisoformat(sub.night) if sub.night else None
        self._ws.ledger.add_finding(FindingRow(kind=KIND, rig=rig, filter=sub.filter, night=night, document=document))

    @staticmethod
    def _key(finding: FindingRow) -> tuple[str, int, str | None]:
        return (str(finding.document["cause"]), int(finding.document["frame"]), finding.rig)

    def _message(self, cause: str, text: str, **more: Any) -> WatchEvent:
        self._messages += 1
        sentence = text[:1].upper() + text[1:]
        if not self._phone.send(self._ws.settings.name, sentence):
            self._ws.progress.say("The message did not reach the phone.")
        return self.event("message", sentence, cause=cause, **more)

    def _tell_refused(self, files: dict[Path, FileState]) -> Iterator[WatchEvent]:
        for path, since in list(self._refused.items()):
            if path not in files:
                del self._refused[path]
            elif self._clock() - since >= REFUSED_AFTER_S:
                del self._refused[path]
                reason = next((r for p, r in self._ws.ledger.refused() if Path(p) == path), "cannot be read")
                yield self.event("refused", f"{path.name}: {reason}", file=str(path))

    def _tell_quiet(self) -> Iterator[WatchEvent]:
        if self._last_new is None or self._quiet_told:
            return
        minutes = self._quiet_minutes if self._quiet_minutes is not None else max(10.0, 5.0 * self._exposure_s / 60.0)
        self._last_new = min(self._last_new, self._clock())  # a clock that was put back
        waited = (self._clock() - self._last_new) / 60.0
        if waited >= minutes and self._sun_is_down():
            self._quiet_told = True
            yield self._message("quiet", f"nothing new for {waited:.0f} minutes: has the controller stopped?")

    def _sun_is_down(self) -> bool:
        site = self._ws.settings.site
        if site is None:
            return True
        now = self._clock()
        sun = sun_track(Place(site.latitude_deg, site.longitude_deg, site.elevation_m), now - 600.0, now + 600.0)
        return float(sun.altitude_deg([now])[0]) < SUN_DOWN_DEG


def _files_under(paths: Sequence[Path]) -> dict[Path, FileState]:
    """Size and time of all files that could be frames; OSError if a folder is not there."""
    for path in paths:
        path.stat()
    trouble: list[str] = []
    files: dict[Path, FileState] = {}
    for file in find_files(paths, lambda _path, reason: trouble.append(reason)):
        try:
            status = file.stat()
        except OSError:
            continue  # renamed or removed since it was listed
        files[file] = (status.st_size, status.st_mtime_ns)
    return files


# -- what the ledger tells of subs ---------------------------------------------------------------------------------------


def watched_subs(ws: Workspace) -> dict[str | None, list[WatchedSub]]:
    """All subs by rig, in the order of their start, as the watch looks at them."""
    dark_of: dict[int, tuple[bool, str]] = {}
    for matched in calibration_groups(ws):
        for i in matched.subs:
            words = next((r for r in matched.reasons if "dark" in r), "; ".join(matched.reasons))
            dark_of[i] = (bool(matched.darks), words)
    verdicts, decisions = ws.ledger.verdicts(), ws.ledger.decisions()
    series: dict[str | None, list[WatchedSub]] = defaultdict(list)
    for group in load_groups(ws):
        for row, facts in zip(group.rows, group.facts):
            verdict, decision = verdicts.get(row.id), decisions.get(row.id)
            causes = tuple((str(c), str(d)) for c, d in (verdict.causes if verdict else []))
            kept = is_kept(verdict, decision.verdict if decision else None)
            series[row.rig].append(_watched(row, facts, group, dark_of.get(row.id), causes, kept))
    for subs in series.values():
        subs.sort(key=lambda s: (s.start_s if math.isfinite(s.start_s) else math.inf, s.frame_id))
    return dict(series)


def _watched(
    row: FrameRow,
    facts: SubFacts,
    group: Group,
    dark: tuple[bool, str] | None,
    causes: tuple[tuple[str, str], ...],
    kept: bool,
) -> WatchedSub:
    header = header_of_row(row)
    placed = group.placed.get(row.id)
    angle = NAN
    if placed is not None:
        m = placed.transform.matrix
        angle = math.degrees(math.atan2(m[1, 0], m[0, 0])) % 360.0
    dark_sky = facts.predicted_dark_e_per_s
    expected = dark_sky + facts.predicted_moon_e_per_s + facts.predicted_twilight_e_per_s
    return WatchedSub(
        frame_id=row.id,
        file=str(row.path),
        rig=row.rig,
        filter=row.filter,
        night=row.night.isoformat() if row.night else None,
        start_s=row.start.timestamp() if row.start else NAN,
        exposure_s=row.exposure_s if row.exposure_s is not None else NAN,
        gain=header.gain,
        offset=header.offset,
        set_point_c=header.set_point_c,
        sensor_c=header.sensor_c,
        readout_mode=header.readout_mode,
        binning=header.binning,
        pier_side=header.pier_side,
        focuser_position=header.focuser_position,
        dark_fits=None if dark is None else dark[0],
        dark_words=dark[1] if dark is not None else "",
        fwhm_px=facts.fwhm_px,
        ellipticity=facts.ellipticity,
        transparency=facts.transparency,
        sky_over_expected=facts.sky_e_per_s / expected if expected > 0 else facts.sky_e_per_s,
        saturated_fraction=facts.saturated_fraction,
        airmass=facts.airmass,
        angle_deg=angle,
        overlap=placed.overlap if placed is not None else NAN,
        causes=causes,
        kept=kept,
    )


def _numbers(sub: WatchedSub) -> dict[str, float | int | str | None]:
    known = {
        "fwhm_px": sub.fwhm_px,
        "ellipticity": sub.ellipticity,
        "transparency": sub.transparency,
        "sky_over_expected": sub.sky_over_expected,
    }
    return {k: round(v, 4) if math.isfinite(v) else None for k, v in known.items()} | {
        "verdict": "keep" if sub.kept else "drop"
    }


def _sub_text(sub: WatchedSub) -> str:
    parts = [f"{Path(sub.file).name}: {sub.filter}"]
    if math.isfinite(sub.fwhm_px):
        parts.append(f"stars {sub.fwhm_px:.2f} px")
    if math.isfinite(sub.transparency):
        parts.append(f"transparency {100 * sub.transparency:.0f} %")
    if not sub.kept:
        parts.append("dropped: " + "; ".join(f"{c}: {d}" for c, d in sub.causes))
    return ", ".join(parts)


__all__ = ["watch", "watched_subs"]
