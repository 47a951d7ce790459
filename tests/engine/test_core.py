"""Order, errors and stopping of the thread map; files whole or not at all."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from nightfold.engine.core import CancelToken, atomic_write, clean_leftovers, memory_limit_bytes, parallel_map
from nightfold.errors import CancelledError, SettingsError


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


def test_a_failed_write_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "m.fits"
    with atomic_write(path) as file:
        file.write(b"old")
    with pytest.raises(RuntimeError), atomic_write(path) as file:
        file.write(b"half")
        raise RuntimeError
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["m.fits"]


def test_leftovers_of_a_killed_run_are_removed(tmp_path: Path) -> None:
    (tmp_path / ".m.fits.abc.unfinished").write_bytes(b"half")
    (tmp_path / "m.fits").write_bytes(b"whole")
    assert clean_leftovers(tmp_path) == 1
    assert [p.name for p in tmp_path.iterdir()] == ["m.fits"]


def test_memory_words() -> None:
    assert memory_limit_bytes("800M") == 800_000_000
    assert memory_limit_bytes("1.5GB") == 1_500_000_000
    for wrong in ("ten", "5M", "-2G", "nan"):
        with pytest.raises(SettingsError, match="100M or more"):
            memory_limit_bytes(wrong)
