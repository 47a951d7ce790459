"""Work that takes longer than a second: one job at a time in a thread, told step by step, stopped on request, kept on record.

A job goes on when the page is closed. Its record lies in a small file, so that after a restart of the server the page can
say what was finished and what was cut short.
"""

from __future__ import annotations

import json
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from nightfold.engine.core import CancelToken, Progress, clean_leftovers, write_text
from nightfold.engine.documents import to_document
from nightfold.errors import CancelledError, NightfoldError

State = Literal["running", "done", "failed", "stopped", "cut short"]
Work = Callable[[Progress, CancelToken], Any]

MOST_SAID = 40
BESIDE = "watch"
"""The kind of work that goes on beside others: it holds the campaign only while a file is taken in."""
MOST_KEPT = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """The piece of work in hand."""

    what: str = ""
    unit: str = ""
    done: int = 0
    total: int = 0
    seconds: float = 0.0
    seconds_left: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JobRecord:
    """One job as the page and the API see it."""

    id: str
    kind: str
    what: str
    state: State
    began_at: datetime
    ended_at: datetime | None = None
    step: Step = field(default_factory=Step)
    said: tuple[str, ...] = ()
    result: Any = None
    error: dict[str, str] | None = None
    again: dict[str, Any] | None = None
    """The request that started it, with which it can be started again."""


class _JobProgress:
    """A stage's progress into the job's record. The stage may tell from any thread."""

    def __init__(self, job: _Job) -> None:
        self._job = job
        self._began = time.monotonic()

    def start(self, total: int, what: str, unit: str = "") -> None:
        """Begin a piece of work of `total` steps."""
        self._began = time.monotonic()
        self._job.change(step=Step(what=what, unit=unit, total=total))

    def advance(self, n: int = 1) -> None:
        """`n` more steps are done."""
        with self._job.lock:
            step = self._job.record.step
            done = step.done + n
            seconds = time.monotonic() - self._began
            left = seconds / done * max(step.total - done, 0) if done > 0 and seconds > 0.5 else None
            self._job.change(step=replace(step, done=done, seconds=seconds, seconds_left=left))

    def finish(self) -> None:
        """The piece of work is over."""
        with self._job.lock:
            step = self._job.record.step
            self._job.change(step=replace(step, done=step.total, seconds_left=None))

    def say(self, text: str) -> None:
        """A message beside the steps."""
        with self._job.lock:
            self._job.change(said=(*self._job.record.said, text)[-MOST_SAID:])


class _Job:
    def __init__(self, record: JobRecord) -> None:
        self.lock = threading.RLock()
        self.record = record
        self.version = 0
        self.token = CancelToken()
        self.thread: threading.Thread | None = None

    def change(self, **values: Any) -> None:
        with self.lock:
            self.record = replace(self.record, **values)
            self.version += 1


class Jobs:
    """All jobs of this server; at most one runs, because a campaign has one writer, and one watch beside it."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        clean_leftovers(folder)
        self._lock = threading.Lock()
        self._jobs: dict[str, _Job] = {}
        for record in _read_records(folder):
            if record.state == "running":
                record = replace(record, state="cut short", ended_at=None)
                self._write(record)
            self._jobs[record.id] = _Job(record)

    def start(self, kind: str, what: str, work: Work, *, again: dict[str, Any] | None = None) -> JobRecord:
        """Begin `work` in a thread; a NightfoldError if another job runs."""
        with self._lock:
            running = self.watching() if kind == BESIDE else self.running()
            if running is not None:
                raise NightfoldError(
                    "one thing at a time: other work is going on",
                    seen=running.what,
                    next_step="wait until it is done, or stop it",
                )
            record = JobRecord(
                id=secrets.token_hex(8), kind=kind, what=what, state="running", began_at=datetime.now(UTC), again=again
            )
            job = _Job(record)
            self._jobs[record.id] = job
            self._write(record)
            job.thread = threading.Thread(target=self._run, args=(job, work), name=f"job-{kind}", daemon=True)
            job.thread.start()
        return record

    def _run(self, job: _Job, work: Work) -> None:
        try:
            result = to_document(work(_JobProgress(job), job.token))
            ended: dict[str, Any] = {"state": "done", "result": result}
        except CancelledError as error:
            ended = {"state": "stopped", "error": error.as_json()}
        except NightfoldError as error:
            ended = {"state": "failed", "error": error.as_json()}
        except OSError as error:
            what = f"{error.filename or 'a file'}: {error.strerror or error}"
            step = "check that the disk has room and that the folder may be written, then try again"
            ended = {"state": "failed", "error": NightfoldError(what, next_step=step).as_json()}
        except Exception as error:  # the thread's last stand: the page must learn that the job ended
            what = "something went wrong that Nightfold has no words for"
            ended = {
                "state": "failed",
                "error": NightfoldError(what, seen=f"{type(error).__name__}: {error}", next_step="try again").as_json(),
            }
        job.change(ended_at=datetime.now(UTC), **ended)
        self._write(job.record)

    def running(self) -> JobRecord | None:
        """The job at work, if one is; a watch does not count."""
        return next((r for r in self._running() if r.kind != BESIDE), None)

    def watching(self) -> JobRecord | None:
        """The watch, if one goes on."""
        return next((r for r in self._running() if r.kind == BESIDE), None)

    def _running(self) -> list[JobRecord]:
        return [j.record for j in list(self._jobs.values()) if j.record.state == "running"]

    def ended(self) -> int:
        """How many pieces of work have ended."""
        return sum(j.record.state != "running" for j in list(self._jobs.values()))

    def all(self) -> list[JobRecord]:
        """Every job on record, the latest first."""
        return sorted((j.record for j in self._jobs.values()), key=lambda r: r.began_at, reverse=True)

    def get(self, job_id: str) -> tuple[JobRecord, int] | None:
        """A job's record and a number that grows with each change of it."""
        job = self._jobs.get(job_id)
        return None if job is None else (job.record, job.version)

    def stop(self, job_id: str) -> bool:
        """Ask a job to end after the piece in hand; False if it does not run."""
        job = self._jobs.get(job_id)
        if job is None or job.record.state != "running":
            return False
        job.token.cancel()
        return True

    def close(self, patience_s: float = 5.0) -> None:
        """The server ends: ask what runs to stop, and wait a little for it."""
        for job in list(self._jobs.values()):
            if job.thread is not None and job.thread.is_alive():
                job.token.cancel()
                job.thread.join(patience_s)

    def _write(self, record: JobRecord) -> None:
        self._folder.mkdir(parents=True, exist_ok=True)
        text = json.dumps(to_document(record), ensure_ascii=False, indent=1)
        write_text(self._folder / f"{record.id}.json", text + "\n")
        for old in self.all()[MOST_KEPT:]:
            if self._jobs.pop(old.id, None) is not None:
                (self._folder / f"{old.id}.json").unlink(missing_ok=True)


def _read_records(folder: Path) -> list[JobRecord]:
    """Records that earlier servers left; a file that is not one is passed over."""
    found: list[JobRecord] = []
    for file in sorted(folder.glob("*.json")) if folder.is_dir() else []:
        try:
            d = json.loads(file.read_text(encoding="utf-8"))
            ended = d["ended_at"]
            found.append(
                JobRecord(
                    id=str(d["id"]),
                    kind=str(d["kind"]),
                    what=str(d["what"]),
                    state=d["state"],
                    began_at=datetime.fromisoformat(d["began_at"]),
                    ended_at=None if ended is None else datetime.fromisoformat(ended),
                    step=Step(**d["step"]),
                    said=tuple(d["said"]),
                    result=d["result"],
                    error=d["error"],
                    again=d["again"],
                )
            )
        except (OSError, ValueError, KeyError, TypeError):
            continue
    return found
