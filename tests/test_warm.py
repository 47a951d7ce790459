"""Compiling before anybody waits: what is started when, and that the tiny campaign goes the whole way."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path
from typing import Any

import pytest

from nightfold import warm
from nightfold.campaign import Campaign


def test_a_cold_machine_is_warmed_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    started: list[Any] = []
    monkeypatch.setattr(subprocess, "Popen", lambda command, **_: started.append(command))
    assert warm.warm_up_in_background()
    assert started[0][1:] == ["-m", "nightfold.warm"]
    (tmp_path / "kernels_x").mkdir()
    (tmp_path / "kernels_x" / "combine.combine_tile-1.py311.nbi").touch()
    assert not warm.warm_up_in_background()
    assert len(started) == 1


def test_one_process_at_a_time_warms_a_machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "kept"))
    done: list[bool] = []
    monkeypatch.setattr(warm, "warm_up", lambda: done.append(warm.warm_up_alone()))
    assert warm.warm_up_alone()
    assert done == [False]  # asked again while it was at work
    (tmp_path / "kept" / "combine.combine_tile-1.py311.nbi").touch()
    assert not warm.warm_up_alone()


def test_code_that_may_not_be_written_beside_keeps_its_compiled_form_at_home(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    monkeypatch.setattr(os, "access", lambda *_: False)
    for name in ("HOME", "LOCALAPPDATA", "USERPROFILE"):
        monkeypatch.setenv(name, str(tmp_path))
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / ".cache"))
    assert not warm.is_warm()
    below = warm._kept_in() / "kernels_0a1b"
    assert tmp_path in below.parents
    below.mkdir(parents=True)
    (below / "combine.combine_tile-1.py311.nbi").touch()
    assert warm.is_warm()


def test_a_system_that_starts_nothing_is_no_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))

    def refuse(*_: Any, **__: Any) -> None:
        raise OSError("no more processes")

    monkeypatch.setattr(subprocess, "Popen", refuse)
    assert not warm.warm_up_in_background()


def test_the_tiny_campaign_goes_the_whole_way(monkeypatch: pytest.MonkeyPatch) -> None:
    folds: list[Any] = []
    fold = Campaign.fold
    monkeypatch.setattr(Campaign, "fold", lambda self, **request: folds.append(fold(self, **request)))
    warm.warm_up()
    (report,) = folds
    (master,) = report.masters
    assert master.subs_used >= 6
    assert not Path(master.file).exists()  # nothing is left behind
