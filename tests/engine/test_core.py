"""Order, errors and stopping of the thread map; files whole or not at all."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from nightfold.engine.core import (
    CancelToken,
    atomic_write,
    clean_leftovers,
    memory_limit_bytes,
    parallel_map,
    write_text,
)
from nightfold.errors import CancelledError, SettingsError
from nightfold.frames.unfinished import unfinished


@pytest.mark.parametrize("workers", [1, 4])
def test_results_keep_their_order(workers: int) -> None:
    def slow_first(i: int) -> int:
        time.sleep(0.02 if i == 0 else 0.0)
        return i * i

    assert list(parallel_map(slow_first, range(20), workers=workers)) == [i * i for i in range(20)]


@pytest.mark.parametrize("workers", [1, 3])
def test_the_first_error_stops_the_rest(workers: int) -> None:
    begun: list[int] = []

    def fail_at_three(i: int) -> int:
        begun.append(i)
        if i == 3:
            raise ValueError("three")
        return i

    with pytest.raises(ValueError, match="three"):
        list(parallel_map(fail_at_three, range(1000), workers=workers))
    assert len(begun) < 20


def test_cancel_stops_soon() -> None:
    token = CancelToken()
    seen = []
    with pytest.raises(CancelledError, match="run the command again"):
        for i in parallel_map(lambda i: i, range(1000), workers=2, cancelled=token):
            seen.append(i)
            if i == 5:
                token.cancel()
    assert seen[-1] < 12


@pytest.mark.parametrize("workers", [1, 2])
def test_nothing_begins_after_a_cancel(workers: int) -> None:
    token = CancelToken()
    token.cancel()
    begun: list[int] = []
    with pytest.raises(CancelledError):
        next(parallel_map(begun.append, range(5), workers=workers, cancelled=token))
    assert begun == []


def test_reading_ahead_is_bounded_and_many_work_at_once() -> None:
    taken: list[int] = []
    meeting = threading.Barrier(3, timeout=10)

    def source() -> Iterator[int]:
        for i in range(30):
            taken.append(i)
            yield i

    def meet(i: int) -> int:
        meeting.wait()  # breaks unless three run at the same time
        return i

    for done, i in enumerate(parallel_map(meet, source(), workers=3, ahead=2), start=1):
        assert i == done - 1
        assert len(taken) <= done - 1 + 3 + 2


def test_a_source_that_fails_ends_the_map() -> None:
    def source() -> Iterator[int]:
        yield 1
        raise OSError("the disk went away")

    with pytest.raises(OSError, match="went away"):
        list(parallel_map(lambda i: i, source(), workers=2))


def test_a_failed_write_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "m.fits"
    with atomic_write(path) as file:
        file.write(b"old")
    with pytest.raises(RuntimeError), atomic_write(path) as file:
        file.write(b"half")
        raise RuntimeError
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["m.fits"]


def test_leftovers_of_a_killed_run_are_removed_and_nothing_else(tmp_path: Path) -> None:
    code = (
        "import os, signal, sys, pathlib; from nightfold.engine.core import atomic_write\n"
        "with atomic_write(pathlib.Path(sys.argv[1]) / 'm.fits') as file:\n"
        "    file.write(b'half'); file.flush(); os.kill(os.getpid(), getattr(signal, 'SIGKILL', signal.SIGTERM))\n"
    )
    (tmp_path / "m.fits").write_bytes(b"whole")
    (tmp_path / ".theirs.unfinished").write_bytes(b"a file of the person")
    assert subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False).returncode != 0
    assert len(list(tmp_path.iterdir())) == 3
    assert clean_leftovers(tmp_path) == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == [".theirs.unfinished", "m.fits"]
    assert (tmp_path / "m.fits").read_bytes() == b"whole"
    assert clean_leftovers(tmp_path / "nowhere") == 0


def test_what_the_page_is_writing_is_no_leftover(tmp_path: Path) -> None:
    kept = unfinished(tmp_path / ".jobs" / "one.json")
    kept.parent.mkdir()
    kept.write_text("half")
    assert clean_leftovers(tmp_path) == 0
    assert kept.exists()
    assert clean_leftovers(tmp_path / ".jobs") == 1


def test_a_small_picture_being_written_is_no_leftover_for_an_hour(tmp_path: Path) -> None:
    kept = unfinished(tmp_path / "views" / "subs" / "one.jpg")
    elsewhere = unfinished(tmp_path / "masters" / "views" / "one.fits")
    for file in (kept, elsewhere):
        file.parent.mkdir(parents=True)
        file.write_text("half")
    assert clean_leftovers(tmp_path) == 1
    assert kept.exists()
    assert not elsewhere.exists()
    long_ago = time.time() - 3700
    os.utime(kept, (long_ago, long_ago))
    assert clean_leftovers(tmp_path) == 1
    assert not kept.exists()


@pytest.mark.skipif(os.name == "nt", reason="modes of POSIX")
def test_a_written_file_has_the_mode_of_a_plain_one(tmp_path: Path) -> None:
    (tmp_path / "plain").write_bytes(b"")
    with atomic_write(tmp_path / "ours") as file:
        file.write(b"")
    assert (tmp_path / "ours").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_text_keeps_its_line_ends(tmp_path: Path) -> None:
    write_text(tmp_path / "deep" / "a.toml", "ä\nb\r\n")
    assert (tmp_path / "deep" / "a.toml").read_bytes() == "ä\nb\r\n".encode()


def test_memory_words() -> None:
    assert memory_limit_bytes("800M") == 800_000_000
    assert memory_limit_bytes("1.5GB") == 1_500_000_000
    for wrong in ("ten", "5M", "-2G", "nan"):
        with pytest.raises(SettingsError, match="100M or more"):
            memory_limit_bytes(wrong)
