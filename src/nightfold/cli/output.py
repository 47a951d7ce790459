"""What a command prints: one JSON document for machines, plain tables and sentences for people, errors on one line."""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Annotated, Any

from cyclopts import Parameter
from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    Task,
    TaskID,
    TextColumn,
    TimeRemainingColumn,
)
from rich.text import Text

from nightfold.engine.core import CancelToken
from nightfold.engine.documents import document_lines, to_document
from nightfold.errors import CancelledError, NightfoldError

_state: dict[str, Path] = {}

ClusterAddress = Annotated[
    str | None, Parameter(help="Address of a Dask scheduler whose workers do the work, such as tcp://10.0.0.5:8786.")
]
"""The option of commands that can work on other machines."""


@Parameter(name="*")
@dataclass(frozen=True)
class Common:
    """Options that every command takes."""

    json: Annotated[
        bool, Parameter(negative="", help="Print one JSON document on standard output, nothing else there.")
    ] = False
    campaign: Annotated[
        Path | None, Parameter(help="The campaign's folder; else $NIGHTFOLD_CAMPAIGN, else this folder.")
    ] = None


def set_campaign_folder(folder: Path | None) -> None:
    """Remember the folder given before the command's name."""
    _state.pop("campaign", None)
    if folder is not None:
        _state["campaign"] = folder


def campaign_folder(common: Common) -> Path:
    """The campaign's folder: given here, given before the command, or this folder if it holds one, else the variable."""
    given = common.campaign or _state.get("campaign")
    if given is not None:
        return given
    here = Path.cwd()
    variable = os.environ.get("NIGHTFOLD_CAMPAIGN")
    if not (here / "campaign.toml").exists() and variable:
        return Path(variable)
    return here


def finish(common: Common, document: Any, people: Callable[[], str]) -> int:
    """Print the result and return the exit status 0."""
    if common.json:
        sys.stdout.writelines(document_lines(to_document(document)))
        sys.stdout.write("\n")
    else:
        text = people()
        if text:
            print(text)
    return 0


def tell_error(error: NightfoldError, *, as_json: bool, beside: Any = None) -> int:
    """One line on standard error, and the error document where a document was asked for; exit status 1.

    `beside` is a report of what was tried, whose keys stand beside the error.
    """
    print(f"nightfold: {error.line}", file=sys.stderr)
    if as_json:
        json.dump({"error": error.as_json(), **(to_document(beside) or {})}, sys.stdout, ensure_ascii=False)
        sys.stdout.write("\n")
    return 1


def table(headings: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """Columns in plain text, numbers to the right, that can be pasted into a mail."""
    cells = [[_cell(c) for c in row] for row in rows]
    widths = [max([len(h), *(len(r[i]) for r in cells)]) for i, h in enumerate(headings)]
    numeric = [all(_is_number(row[i]) for row in rows) for i in range(len(headings))]

    def line(values: Sequence[str]) -> str:
        parts = [v.rjust(w) if right else v.ljust(w) for v, w, right in zip(values, widths, numeric)]
        return "  ".join(parts).rstrip()

    return "\n".join([line(headings), line(["-" * w for w in widths]), *(line(r) for r in cells)])


def _is_number(value: object) -> bool:
    return value is None or isinstance(value, int | float)


def _cell(value: object) -> str:
    if value is None or (isinstance(value, float) and value != value):
        return "–"
    if isinstance(value, float):
        return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
    return str(value)


def hours(seconds: float) -> str:
    """A span of exposure in hours as people say it."""
    return f"{seconds / 3600:.1f} h" if seconds >= 3600 else f"{seconds / 60:.0f} min"


class _Rate(ProgressColumn):
    """Steps a second, or seconds a step where they are slow."""

    def render(self, task: Task) -> Text:
        """The rate in words; nothing before there is one."""
        if not task.speed:
            return Text("")
        return Text(f"{task.speed:.1f}/s" if task.speed >= 1.0 else f"{1.0 / task.speed:.1f} s each")


class TerminalProgress:
    """Bars on standard error: what is done, how far, time left. One bar at a time, removed when done."""

    def __init__(self) -> None:
        self._console = Console(stderr=True)
        self._progress: Progress | None = None
        self._task: TaskID | None = None
        self._last_line = 0.0
        self._count = 0
        self._total = 0
        self._what = ""

    def start(self, total: int, what: str, unit: str = "") -> None:
        """Begin a piece of work of `total` steps."""
        self.finish()
        self._count, self._total, self._what = 0, total, what
        if self._console.is_terminal:
            self._progress = Progress(
                TextColumn("{task.description}"),
                BarColumn(),
                MofNCompleteColumn(),
                TextColumn(unit),
                _Rate(),
                TimeRemainingColumn(),
                console=self._console,
                transient=True,
            )
            self._progress.start()
            self._task = self._progress.add_task(what, total=total)
        else:
            if total:  # nothing to do is nothing to tell
                counted = unit.removesuffix("s") if total == 1 else unit
                print(f"{what}: {total} {counted}".rstrip(), file=sys.stderr, flush=True)
            self._last_line = time.monotonic()

    def advance(self, n: int = 1) -> None:
        """`n` more steps are done."""
        self._count += n
        if self._progress is not None and self._task is not None:
            self._progress.advance(self._task, n)
        elif time.monotonic() - self._last_line > 10.0:
            print(f"{self._what}: {self._count} of {self._total}", file=sys.stderr, flush=True)
            self._last_line = time.monotonic()

    def finish(self) -> None:
        """The piece of work is over."""
        if self._progress is not None:
            self._progress.stop()
        self._progress, self._task = None, None

    def say(self, text: str) -> None:
        """A message beside the bars."""
        print(text, file=sys.stderr, flush=True)


@contextmanager
def stoppable() -> Iterator[CancelToken]:
    """A token that Ctrl-C sets: the first asks for a clean stop, the second stops at once."""
    token = CancelToken()

    def handler(_signal: int, _frame: FrameType | None) -> None:
        if token.cancelled:
            raise KeyboardInterrupt
        print("\nStopping after the piece in hand; what is finished stays. Again to stop at once.", file=sys.stderr)
        token.cancel()

    try:
        before = signal.signal(signal.SIGINT, handler)
    except ValueError:  # not the main thread: nobody can press Ctrl-C here
        yield token
        return
    try:
        yield token
    finally:
        signal.signal(signal.SIGINT, before)


def guarded(common: Common, work: Callable[[CancelToken, TerminalProgress], int]) -> int:
    """Run a command's one call; errors that a person can read become one line and exit status 1."""
    progress = TerminalProgress()
    try:
        with stoppable() as token:
            return work(token, progress)
    except CancelledError as error:
        progress.finish()
        return tell_error(error, as_json=common.json)
    except NightfoldError as error:
        progress.finish()
        return tell_error(error, as_json=common.json)
    except BrokenPipeError:
        # Whoever read the output, such as `head`, has enough; nothing more may be written, not even at the end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except OSError as error:
        progress.finish()
        name = error.filename or "a file"
        wrapped = NightfoldError(
            f"{name}: {error.strerror or error}",
            next_step="check that the disk has room and that the folder may be written, then run the command again",
        )
        return tell_error(wrapped, as_json=common.json)
