"""A fold names its masters by whole paths, wherever the command stands, and keeps them inside the campaign."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from nightfold.campaign import Campaign
from nightfold.cli import main


def test_masters_are_told_by_whole_paths(
    small_campaign: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(small_campaign, tmp_path / "campaign")
    monkeypatch.chdir(tmp_path)
    assert main(["--campaign", "campaign", "fold", "--filter", "Ha", "--json"]) == 0
    files = [Path(m["file"]) for m in json.loads(capsys.readouterr().out)["masters"]]
    assert files
    for file in files:
        assert file.parent == tmp_path / "campaign" / "masters"
        assert file.is_file()
    # The ledger keeps them by the campaign's folder: it may move.
    shutil.move(tmp_path / "campaign", tmp_path / "moved")
    with Campaign.open(tmp_path / "moved") as campaign:
        here = {m["file"] for m in campaign.masters_with_ids()}
    assert {str(tmp_path / "moved" / "masters" / f.name) for f in files} <= here
