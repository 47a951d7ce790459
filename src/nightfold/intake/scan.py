"""Folders in, frames out: which files there are, and what each header says. Nothing is moved, changed or deleted."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from nightfold.errors import CancelledError, NightfoldError
from nightfold.frames.header import read_header
from nightfold.frames.identity import quick_fingerprint
from nightfold.frames.records import FrameHeader, HeaderRules

SUFFIXES = tuple(f"{name}{packed}" for name in (".fits", ".fit", ".fts") for packed in ("", ".gz", ".fz"))
_TEMPORARY = (".part", ".tmp", ".temp", ".crdownload", ".download", "~")
_BATCH = 16  # files a task: enough to make the cost of a task small, few enough to stop within a blink

FileKey = tuple[str, int, int]
"""Path, size in bytes and time of last change in nanoseconds: as long as these stay, a file is not read again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scanned:
    """One file looked at: its header, or the reason why it is refused."""

    path: Path
    size: int
    mtime_ns: int
    fingerprint: str
    header: FrameHeader | None
    reason: str | None = None

    @property
    def key(self) -> FileKey:
        """What tells that the file has not changed since."""
        return str(self.path), self.size, self.mtime_ns


def is_frame_name(name: str) -> bool:
    """True for names that frames have; hidden and unfinished files are left alone."""
    low = name.lower()
    return low.endswith(SUFFIXES) and not low.startswith((".", "~")) and not low.endswith(_TEMPORARY)


def find_files(paths: Iterable[Path], on_refused: Callable[[Path, str], None] | None = None) -> list[Path]:
    """All frame files under `paths`, absolute, each once, in order of their names.

    Folders are gone through to any depth; links to folders are followed, each folder once. A file that is named itself is
    listed whatever its suffix.

    Parameters
    ----------
    paths : iterable of Path
        Files and folders.
    on_refused : callable, optional
        Called with the path and the reason for each folder that cannot be opened and each path that does not exist.
    """
    refuse = on_refused or (lambda path, reason: None)
    found: set[Path] = set()
    seen: set[tuple[int, int]] = set()
    for path in paths:
        path = Path(os.path.abspath(path))
        if path.is_dir():
            _walk(path, found, seen, refuse)
        elif path.exists():
            found.add(path)
        else:
            refuse(path, f"{path.name}: there is no such file or folder")
    return sorted(found)


def _walk(folder: Path, found: set[Path], seen: set[tuple[int, int]], refuse: Callable[[Path, str], None]) -> None:
    todo = [folder]
    while todo:
        here = todo.pop()
        try:
            status = here.stat()
            if status.st_ino and (status.st_dev, status.st_ino) in seen:
                continue
            seen.add((status.st_dev, status.st_ino))
            with os.scandir(here) as entries:
                for entry in entries:
                    if entry.name.startswith("."):
                        continue
                    if entry.is_dir():
                        todo.append(here / entry.name)
                    elif is_frame_name(entry.name) and entry.is_file():
                        found.add(here / entry.name)
        except OSError as error:
            refuse(
                here,
                f"{here.name}: the folder cannot be opened; seen: {error.strerror or error}; next: check its rights",
            )


def scan(
    files: Sequence[Path],
    rules: HeaderRules | None = None,
    *,
    workers: int | None = None,
    known: Collection[FileKey] | Callable[[FileKey], bool] = (),
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Iterator[Scanned]:
    """What the headers of `files` say, in their order; files that are known and unchanged are passed over.

    Parameters
    ----------
    files : sequence of Path
        As `find_files` gives them.
    rules : HeaderRules, optional
        The person's own map.
    workers : int, optional
        Threads; by default as many as processors, at least four, since most of the time goes by waiting for the disk.
    known : collection or callable
        Keys (path, size, time of change) of files that need no second look, or a function that tells.
    progress : callable, optional
        Called with the count of files done and of all.
    cancelled : callable, optional
        Asked now and then; once it says True no further file is opened, and `CancelledError` is raised after what was
        finished has been handed out.

    Yields
    ------
    Scanned
        Also for files that are refused: `reason` says why, on one line.
    """
    is_known = known if callable(known) else frozenset(known).__contains__
    stop = cancelled or (lambda: False)
    workers = workers or max(4, os.cpu_count() or 1)
    batches = deque(files[i : i + _BATCH] for i in range(0, len(files), _BATCH))
    done = 0
    stopped = False
    with ThreadPoolExecutor(workers, thread_name_prefix="scan") as pool:
        running: deque[tuple[int, Future[list[Scanned]]]] = deque()
        while running or (batches and not stopped):
            while batches and not stopped and len(running) < 2 * workers:
                stopped = stop()
                if not stopped:
                    batch = batches.popleft()
                    running.append((len(batch), pool.submit(_look_at_all, batch, rules, is_known)))
            if not running:
                break
            count, future = running.popleft()
            yield from future.result()
            done += count
            if progress is not None:
                progress(done, len(files))
    if stopped:
        raise CancelledError(
            "stopped while looking at files", seen=f"{done} of {len(files)} done", next_step="take in again to go on"
        )


def _look_at_all(
    files: Sequence[Path], rules: HeaderRules | None, is_known: Callable[[FileKey], bool]
) -> list[Scanned]:
    return [found for path in files if (found := look_at(path, rules, is_known)) is not None]


def look_at(
    path: Path, rules: HeaderRules | None = None, is_known: Callable[[FileKey], bool] = lambda key: False
) -> Scanned | None:
    """One file's header and fingerprint, or the reason why it is refused; None if it is known and unchanged."""
    try:
        status = path.stat()
    except OSError as error:
        reason = f"{path.name}: cannot be read; seen: {error.strerror or error}"
        return Scanned(path=path, size=0, mtime_ns=0, fingerprint="", header=None, reason=reason)
    size, mtime_ns = status.st_size, status.st_mtime_ns
    if is_known((str(path), size, mtime_ns)):
        return None
    fingerprint = ""
    try:
        fingerprint = quick_fingerprint(path)
        header = read_header(path, rules)
        if header.bitpix < 0 and _holds_shares(path):
            header = replace(header, notes=(*header.notes, "values from 0 to 1 are taken as shares of 65535 counts"))
    except NightfoldError as error:
        return Scanned(path=path, size=size, mtime_ns=mtime_ns, fingerprint=fingerprint, header=None, reason=error.line)
    return Scanned(path=path, size=size, mtime_ns=mtime_ns, fingerprint=fingerprint, header=header)


def _holds_shares(path: Path) -> bool:
    from nightfold.frames.pixels import (
        holds_shares,
    )  # and with it compiled loops, which take longer to load than headers to read

    return holds_shares(path)
