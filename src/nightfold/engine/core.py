"""How work runs here: progress, a token to stop, threads in order, and files that are written whole or not at all."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, Protocol, TypeVar

from nightfold.errors import CancelledError, SettingsError
from nightfold.frames.unfinished import SUFFIX, is_leftover, unfinished

Item = TypeVar("Item")
Result = TypeVar("Result")

MOST_OPEN_FILES = 4096
DEFAULT_MEMORY_BYTES = 1_000_000_000
"""Ceiling of the buffers of one run unless an option lowers or raises it."""
UNLOCKED = "views"
"""Folder of a campaign in which small pictures are written by whoever looks, without the lock of those who change things."""
LATELY_S = 3600.0


class Progress(Protocol):
    """Where a stage tells how far it is."""

    def start(self, total: int, what: str, unit: str = "") -> None:
        """Begin a piece of work of `total` steps."""

    def advance(self, n: int = 1) -> None:
        """`n` more steps are done."""

    def finish(self) -> None:
        """The piece of work is over."""

    def say(self, text: str) -> None:
        """A message beside the steps."""


class NullProgress:
    """Tells nobody."""

    def start(self, total: int, what: str, unit: str = "") -> None:
        """Nothing."""

    def advance(self, n: int = 1) -> None:
        """Nothing."""

    def finish(self) -> None:
        """Nothing."""

    def say(self, text: str) -> None:
        """Nothing."""


class CancelToken:
    """A request to stop after the piece in hand; safe from any thread."""

    def __init__(self) -> None:
        self._event = threading.Event()

    @property
    def cancelled(self) -> bool:
        """True once somebody asked."""
        return self._event.is_set()

    def cancel(self) -> None:
        """Ask."""
        self._event.set()

    def check(self, what: str) -> None:
        """Raise CancelledError if somebody asked."""
        if self.cancelled:
            raise CancelledError(f"{what} was stopped on request", next_step="run the command again to go on")


def default_workers() -> int:
    """As many threads as cores this process may use."""
    try:
        return max(1, len(os.sched_getaffinity(0)))
    except AttributeError:
        return max(1, os.cpu_count() or 1)


def parallel_map(
    function: Callable[[Item], Result],
    items: Iterable[Item],
    *,
    workers: int,
    cancelled: CancelToken | None = None,
    ahead: int = 1,
) -> Iterator[Result]:
    """Results of `function` on `items` in their order, at most ``workers + ahead`` of them begun and not yet taken.

    The first error stops what has not begun and is raised; so does a cancel, as CancelledError.
    """
    if workers <= 1:
        for item in items:
            if cancelled is not None:
                cancelled.check("the work")
            yield function(item)
        return
    with ThreadPoolExecutor(workers) as pool:
        pending: deque[Future[Result]] = deque()
        source = iter(items)
        try:
            while True:
                if cancelled is not None:
                    cancelled.check("the work")
                while len(pending) < workers + ahead:
                    try:
                        item = next(source)
                    except StopIteration:
                        break
                    pending.append(pool.submit(function, item))
                if not pending:
                    return
                yield pending.popleft().result()
        finally:
            for future in pending:
                future.cancel()


def allow_open_files(count: int) -> None:
    """Raise this process's own limit of open files where it stands in the way; no more than the system allows it."""
    if sys.platform == "win32":
        return
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = min(count + 256, hard if hard != resource.RLIM_INFINITY else MOST_OPEN_FILES + count)
    if soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))


@contextmanager
def atomic_write(path: Path) -> Iterator[BinaryIO]:
    """A file that appears under `path` only when the block ends well: temporary beside it, synced, renamed.

    The temporary is opened the plain way, not as a private one: a master is to be read by whoever may read the folder.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = unfinished(path)
    try:
        with open(temporary, "xb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
        _sync_folder(path.parent)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def write_text(path: Path, text: str) -> None:
    """Write a text file as UTF-8, whole or not at all; line ends stay as they are in `text`."""
    with atomic_write(path) as file:
        file.write(text.encode("utf-8"))


def _sync_folder(folder: Path) -> None:
    """Make a rename last through a power cut, where the system lets a folder be synced."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def clean_leftovers(folder: Path) -> int:
    """Remove temporary files that a killed run left under `folder`; how many.

    Only names as `unfinished` makes them are touched, and only plain files. Call it while `Ledger.writing` is held:
    another process may be in the middle of such a file. Hidden folders are passed over: the page keeps its own there, without
    that lock. In `views/` the page writes without it too: there only files that nobody has touched for an hour go.
    """
    count = 0
    if folder.is_dir():
        for leftover in folder.rglob(f".*{SUFFIX}"):
            folders = leftover.relative_to(folder).parts[:-1]
            if any(part.startswith(".") for part in folders) or not is_leftover(leftover.name):
                continue
            if not leftover.is_file() or leftover.is_symlink():
                continue
            if folders[:1] == (UNLOCKED,) and _touched_lately(leftover):
                continue
            leftover.unlink(missing_ok=True)
            count += 1
    return count


def _touched_lately(path: Path) -> bool:
    try:
        return time.time() - path.stat().st_mtime < LATELY_S
    except FileNotFoundError:  # whoever wrote it has just finished
        return True


def memory_limit_bytes(text: str | None) -> int:
    """Bytes of `800M`, `2G`, `1.5GB` or a plain number; the default for None."""
    if text is None:
        return DEFAULT_MEMORY_BYTES
    units = {"": 1, "K": 10**3, "M": 10**6, "G": 10**9}
    plain = text.strip().upper().removesuffix("B")
    unit = plain[-1:] if plain[-1:] in units and plain[-1:] else ""
    try:
        value = int(float(plain.removesuffix(unit)) * units[unit])
    except (ValueError, OverflowError):
        value = 0
    if value < 100 * 10**6:
        raise SettingsError("the memory ceiling is not usable", seen=text, allowed="100M or more, such as 800M or 2G")
    return value
