"""Compiling before anybody waits: what is started when, and that the tiny campaign goes the whole way."""

from __future__ import annotations

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
