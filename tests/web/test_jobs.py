"""Work in a thread: progress, stop, failure in a sentence, one at a time, and what a restart makes of it."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from nightfold.engine.core import CancelToken, Progress
from nightfold.errors import FoldError, NightfoldError
from nightfold.web.jobs import MOST_KEPT, JobRecord, Jobs


def ended(jobs: Jobs, record: JobRecord) -> JobRecord:
    """The record once the work is over."""
    for _ in range(500):
        found = jobs.get(record.id)
        assert found is not None
        if found[0].state != "running":
            return found[0]
        time.sleep(0.01)
    raise AssertionError("the work did not end")


def test_progress_is_told_step_by_step(tmp_path: Path) -> None:
    jobs, go, seen = Jobs(tmp_path), threading.Event(), threading.Event()

    def work(progress: Progress, _token: CancelToken) -> dict[str, int]:
        progress.start(4, "Folding", "tiles")
        progress.advance(3)
        progress.say("a word")
        seen.set()
        go.wait(5)
        progress.finish()
        return {"masters": 2}

    record = jobs.start("fold", "Folding the masters", work)
    assert seen.wait(5)
    found = jobs.get(record.id)
    assert found is not None
    now = found[0]
    assert (now.state, now.step.done, now.step.total, now.step.unit, now.said) == (
        "running",
        3,
        4,
        "tiles",
        ("a word",),
    )
    assert jobs.running() == now
    go.set()
    last = ended(jobs, record)
    assert (last.state, last.result, last.step.done) == ("done", {"masters": 2}, 4)
    assert last.ended_at is not None
    assert jobs.running() is None


def test_time_left_comes_from_the_rate_so_far(tmp_path: Path) -> None:
    jobs, go, seen = Jobs(tmp_path), threading.Event(), threading.Event()

    def work(progress: Progress, _token: CancelToken) -> None:
        progress.start(10, "Measuring", "subs")
        time.sleep(0.6)
        progress.advance(2)
        seen.set()
        go.wait(5)

    record = jobs.start("judge", "Judging", work)
    assert seen.wait(5)
    step = jobs.get(record.id)[0].step  # type: ignore[index]
    go.set()
    assert step.seconds_left == pytest.approx(4 * step.seconds, rel=0.01)
    ended(jobs, record)


def test_only_one_at_a_time(tmp_path: Path) -> None:
    jobs, go = Jobs(tmp_path), threading.Event()
    record = jobs.start("fold", "Folding the masters", lambda _p, _t: go.wait(5))
    with pytest.raises(NightfoldError, match=r"one thing at a time.*Folding the masters"):
        jobs.start("judge", "Judging", lambda _p, _t: None)
    go.set()
    ended(jobs, record)


def test_a_stop_is_asked_and_kept(tmp_path: Path) -> None:
    jobs, begun = Jobs(tmp_path), threading.Event()

    def work(_progress: Progress, token: CancelToken) -> None:
        begun.set()
        while True:
            token.check("the fold")
            time.sleep(0.01)

    record = jobs.start("fold", "Folding", work, again={"work": "fold", "wish": {}})
    assert begun.wait(5)
    assert jobs.stop(record.id)
    last = ended(jobs, record)
    assert last.state == "stopped"
    assert last.again == {"work": "fold", "wish": {}}
    assert not jobs.stop(record.id)
    assert not jobs.stop("nothing")


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (FoldError("no kept subs", next_step="judge first"), "no kept subs"),
        (OSError(28, "No space left on device", "masters/x.fits"), "masters/x.fits: No space left on device"),
        (ZeroDivisionError("division by zero"), "no words for"),
    ],
)
def test_a_failure_is_a_sentence(tmp_path: Path, error: Exception, words: str) -> None:
    jobs = Jobs(tmp_path)

    def work(_progress: Progress, _token: CancelToken) -> None:
        raise error

    last = ended(jobs, jobs.start("fold", "Folding", work))
    assert last.state == "failed"
    assert last.error is not None
    assert words in last.error["what"]
    assert "Traceback" not in json.dumps(last.error)


def test_a_restart_knows_what_was_done_and_what_was_cut_short(tmp_path: Path) -> None:
    jobs, go = Jobs(tmp_path), threading.Event()
    done = ended(jobs, jobs.start("judge", "Judging", lambda _p, _t: {"kept": 3}))
    for _ in range(100):  # the record is written after its state changed
        if '"done"' in (tmp_path / f"{done.id}.json").read_text(encoding="utf-8"):
            break
        time.sleep(0.01)
    going = jobs.start("fold", "Folding", lambda _p, _t: go.wait(5), again={"work": "fold", "wish": {"filter": "Ha"}})
    (tmp_path / "broken.json").write_text("{", encoding="utf-8")

    later = Jobs(tmp_path)
    states = {r.id: (r.state, r.result) for r in later.all()}
    assert states == {done.id: ("done", {"kept": 3}), going.id: ("cut short", None)}
    assert later.running() is None
    assert later.get(going.id)[0].again == {"work": "fold", "wish": {"filter": "Ha"}}  # type: ignore[index]
    go.set()
    ended(jobs, going)


def test_old_records_go(tmp_path: Path) -> None:
    jobs = Jobs(tmp_path)
    for _ in range(MOST_KEPT + 5):
        ended(jobs, jobs.start("judge", "Judging", lambda _p, _t: None))
        time.sleep(0.002)
    assert len(jobs.all()) <= MOST_KEPT + 1


def test_the_end_of_the_server_stops_the_work(tmp_path: Path) -> None:
    jobs, begun = Jobs(tmp_path), threading.Event()

    def work(_progress: Progress, token: CancelToken) -> None:
        begun.set()
        while True:
            token.check("the fold")
            time.sleep(0.01)

    record = jobs.start("fold", "Folding", work)
    assert begun.wait(5)
    jobs.close()
    assert ended(jobs, record).state == "stopped"


def test_a_watch_goes_on_beside_other_work(tmp_path: Path) -> None:
    jobs, go = Jobs(tmp_path), threading.Event()
    watch = jobs.start("watch", "Watching", lambda _p, _t: go.wait(5))
    assert jobs.running() is None
    assert jobs.watching() == watch
    with pytest.raises(NightfoldError, match="one thing at a time"):
        jobs.start("watch", "Watching more", lambda _p, _t: None)
    assert ended(jobs, jobs.start("judge", "Judging", lambda _p, _t: 1)).result == 1
    go.set()
    ended(jobs, watch)
    assert jobs.watching() is None


# -- through the page --------------------------------------------------------------------------------------------------


def test_work_goes_on_without_anybody_looking(copied: Path, serve: Callable[[Path], Any]) -> None:
    page = serve(copied)
    job = page.post("/api/do/judge", {})
    assert job["state"] == "running"
    record = page.wait_for(job)
    assert record["state"] == "done", record["error"]
    assert record["result"]["kept"] > 0
    assert page.get("/api/jobs")["jobs"][0]["id"] == job["id"]


def test_the_event_stream_ends_with_the_work(copied: Path, serve: Callable[[Path], Any]) -> None:
    page = serve(copied)
    job = page.post("/api/do/judge", {})
    status, headers, body = page.ask("GET", f"/api/jobs/{job['id']}/events")
    assert status == 200
    assert headers["content-type"].startswith("text/event-stream")
    events = [json.loads(line[6:]) for line in body.decode().splitlines() if line.startswith("data: ")]
    assert events[-1]["state"] == "done"
    assert page.ask("GET", "/api/jobs/nothing/events")[0] == 400


def test_the_page_survives_a_restart(copied: Path, serve: Callable[[Path], Any]) -> None:
    first = serve(copied)
    job = first.post("/api/do/judge", {})
    first.wait_for(job)
    time.sleep(0.2)
    second = serve(copied)
    assert second.get(f"/api/jobs/{job['id']}")["state"] == "done"
    assert second.get("/api/session")["job"] is None
    assert second.get("/api/nights") == first.get("/api/nights")


def test_what_was_cut_short_is_offered_again(copied: Path, serve: Callable[[Path], Any]) -> None:
    jobs, go = Jobs(copied / ".nightfold-jobs"), threading.Event()
    again = {"work": "judge", "wish": {}}
    record = jobs.start("judge", "Judging the subs", lambda _p, _t: go.wait(30), again=again)
    page = serve(copied)  # as after a power cut: the record still says that it runs
    job = page.get("/api/session")["job"]
    assert (job["id"], job["state"], job["again"]) == (record.id, "cut short", again)
    page.wait_for(page.post("/api/do/judge", {}))
    assert page.get("/api/session")["job"] is None
    go.set()
    ended(jobs, record)


@pytest.mark.slow
def test_the_watch_is_switched_on_and_off(
    copied: Path, small_frames: Path, serve: Callable[[Path], Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOME", str(small_frames.parent))
    page = serve(copied)
    job = page.post("/api/do/watch", {"folder": str(small_frames)})
    for _ in range(600):
        watch = page.get("/api/watching")["watch"]
        assert watch is not None
        if watch["said"]:
            break
        time.sleep(0.05)
    assert "Files are only read" in watch["said"][0]
    assert page.get("/api/session")["job"] is None
    assert page.post(f"/api/jobs/{job['id']}/stop")["asked"]
    assert page.wait_for(job)["state"] in ("done", "stopped")
    assert page.get("/api/watching")["watch"] is None
