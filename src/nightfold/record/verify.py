"""Everything read again and compared with its hash: raws, masters, pictures; what changed, what is missing, what moved."""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from astropy.io import fits
from astropy.utils.exceptions import AstropyWarning

from nightfold.engine.core import parallel_map
from nightfold.errors import FoldError, FrameError
from nightfold.fold.masters import read_master
from nightfold.frames.identity import hash_file, quick_fingerprint
from nightfold.intake.scan import find_files
from nightfold.ledger.records import FrameRow, MasterRow
from nightfold.ledger.workspace import Workspace


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifyLine:
    """One file that is not as it was."""

    kind: str  # raw, master, picture, calibration
    file: str
    what: str
    found: str | None = None  # where a moved file lies now


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifyReport:
    """What was read and what was found; `sound` is True if nothing changed and nothing is missing."""

    sound: bool
    checked: int
    bytes_read: int
    hashed_first: int  # contents that had no full hash until now
    changed: tuple[VerifyLine, ...]
    missing: tuple[VerifyLine, ...]
    moved: tuple[VerifyLine, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Look:
    """What was found of one file."""

    line: VerifyLine | None
    state: str  # ok, changed, missing
    size: int = 0
    first_hash: tuple[int, str] | None = None


def verify(ws: Workspace, *, search: Sequence[Path] = ()) -> VerifyReport:
    """Read all raws, masters and pictures of the campaign again.

    Parameters
    ----------
    search : sequence of Path
        Folders in which raws that are missing are looked for, by their content.
    """
    rows = ws.ledger.frames()
    jobs: list[FrameRow | MasterRow | tuple[Path, str]] = [*rows, *ws.ledger.masters()]
    jobs += list(_latest_pictures(ws).items())
    ws.progress.start(len(jobs), "Reading everything again", "files")
    looks: list[tuple[object, _Look]] = []
    try:
        for job, look in parallel_map(lambda j: (j, _look_at(ws, j)), jobs, workers=ws.workers, cancelled=ws.cancelled):
            looks.append((job, look))
            ws.progress.advance()
    finally:
        ws.progress.finish()
    for _, look in looks:
        if look.first_hash is not None:
            ws.ledger.set_sha256(*look.first_hash)
    lost = {job.id: job for job, look in looks if look.state == "missing" and isinstance(job, FrameRow)}
    moved = _find_moved(ws, lost.values(), search)
    missing = [
        look.line
        for job, look in looks
        if look.state == "missing" and look.line and not (isinstance(job, FrameRow) and job.id in moved)
    ]
    changed = [look.line for _, look in looks if look.state == "changed" and look.line]
    return VerifyReport(
        sound=not changed and not missing,
        checked=len(looks),
        bytes_read=sum(look.size for _, look in looks),
        hashed_first=sum(look.first_hash is not None for _, look in looks),
        changed=tuple(sorted(changed, key=lambda x: x.file)),
        missing=tuple(sorted(missing, key=lambda x: x.file)),
        moved=tuple(
            VerifyLine(kind="raw", file=str(lost[i].path), what="lies elsewhere now", found=str(path))
            for i, path in moved.items()
        ),
        notes=_notes(ws),
    )


def _notes(ws: Workspace) -> tuple[str, ...]:
    state = ws.ledger.check()
    return () if state == "ok" else (f"The ledger itself complains: {state}",)


def _look_at(ws: Workspace, job: FrameRow | MasterRow | tuple[Path, str]) -> _Look:
    if isinstance(job, FrameRow):
        return _look_at_raw(ws, job)
    if isinstance(job, MasterRow):
        return _look_at_master(ws, job)
    path, sha256 = job
    return _compare("picture", path, sha256)


def _look_at_raw(ws: Workspace, row: FrameRow) -> _Look:
    """The content at any of its places; it is missing only if no place holds a file."""
    places = [p.path for p in ws.ledger.places([row.id]).get(row.id, []) if not p.gone] or [row.path]
    looks = [_compare("raw", path, row.sha256, row.fingerprint, row.id) for path in places]
    looks.sort(key=lambda look: ("changed", "ok", "missing").index(look.state))
    return looks[0]


def _compare(kind: str, path: Path, sha256: str | None, fingerprint: str = "", frame_id: int = 0) -> _Look:
    if not path.exists():
        return _Look(VerifyLine(kind=kind, file=str(path), what="is not there"), "missing")
    try:
        size = path.stat().st_size
        now = hash_file(path)
        if sha256 is None:
            same = quick_fingerprint(path) == fingerprint
            if same and _sums_hold(path):
                return _Look(None, "ok", size, (frame_id, now))
            return _Look(VerifyLine(kind=kind, file=str(path), what="is not what was taken in"), "changed", size)
    except (FrameError, OSError) as error:
        what = error.what if isinstance(error, FrameError) else (error.strerror or str(error))
        return _Look(VerifyLine(kind=kind, file=str(path), what=f"cannot be read: {what}"), "changed")
    if now == sha256:
        return _Look(None, "ok", size)
    what = f"changed: SHA-256 is {now[:12]}…, on record is {sha256[:12]}…"
    return _Look(VerifyLine(kind=kind, file=str(path), what=what), "changed", size)


def _look_at_master(ws: Workspace, row: MasterRow) -> _Look:
    """The bytes of a master, its own checksums, and whether its inputs are those that the ledger knows."""
    look = _compare("master", row.path, row.sha256)
    if look.state != "ok":
        return look
    if not _sums_hold(row.path):
        return _Look(
            VerifyLine(kind="master", file=str(row.path), what="its DATASUM does not hold"), "changed", look.size
        )
    try:
        subs = read_master(row.path).subs
    except FoldError as error:
        return _Look(VerifyLine(kind="master", file=str(row.path), what=error.what), "changed", look.size)
    unknown = [s.file for s in subs if s.sha256 and not ws.ledger.frames_by_name([s.sha256])[s.sha256]]
    if unknown:
        what = f"names inputs that the ledger does not know: {', '.join(unknown[:3])}"
        return _Look(VerifyLine(kind="master", file=str(row.path), what=what), "changed", look.size)
    return look


def _sums_hold(path: Path) -> bool:
    """Whether the DATASUM cards of a FITS file hold; True where there are none, or it is no plain FITS file."""
    with warnings.catch_warnings():
        warnings.simplefilter("error", AstropyWarning)
        try:
            with fits.open(path, checksum=True, memmap=False) as parts:
                for part in parts:
                    _ = part.header
        except AstropyWarning as complaint:
            return "verification failed" not in str(complaint)
        except (OSError, ValueError):
            return True  # not for this check to say: the hash or the reader does
    return True


def _latest_pictures(ws: Workspace) -> dict[Path, str]:
    """The pictures on record by path, each with the hash of its latest making."""
    return {p.path: p.sha256 for p in ws.ledger.pictures()}


def _find_moved(ws: Workspace, lost: Iterable[FrameRow], search: Sequence[Path]) -> dict[int, Path]:
    """Missing raws found by content under `search` and in the folders where other raws lie; their new places are kept."""
    wanted = {row.fingerprint: row for row in lost}
    if not wanted:
        return {}
    sizes = {p.size for rows in ws.ledger.places([r.id for r in wanted.values()]).values() for p in rows}
    folders = {p for p in search if p.exists()}
    folders |= {row.path.parent for row in ws.ledger.frames() if row.path.parent.is_dir()}
    found: dict[int, Path] = {}
    for path in find_files(sorted(folders)):
        try:
            if path.stat().st_size not in sizes:
                continue
            row = wanted.get(quick_fingerprint(path))
            if row is not None and (row.sha256 is None or hash_file(path) == row.sha256):
                found[row.id] = path
        except (FrameError, OSError):
            continue
    return found


__all__ = ["VerifyLine", "VerifyReport", "verify"]
