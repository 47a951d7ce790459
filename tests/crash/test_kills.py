"""SIGKILL at random moments: raws untouched, ledger sound, nothing left over, and the next run ends as an undisturbed one."""

from __future__ import annotations

import json
import sqlite3
import time
from contextlib import closing
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

KEPT = Path(__file__).parents[2] / "docs" / "figures" / "kills.json"
SAMPLE = 12
SEASON = 216

pytestmark = [pytest.mark.xdist_group("crash")]


def test_a_sample_of_kills_loses_nothing(kills: ModuleType, prepared: Any) -> None:
    tally = kills.spread(prepared, SAMPLE, anew_every=6, whole_way_every=12, say=lambda _text: None)
    assert tally.troubles == []
    assert sum(tally.kills.values()) == SAMPLE
    assert set(tally.kills) == set(kills.STAGES)


def test_the_looks_see_what_they_are_for(kills: ModuleType, prepared: Any, tmp_path: Path) -> None:
    campaign = tmp_path / "campaign"
    kills.copy_campaign(prepared.after["picture"], campaign)
    assert kills.complaints_of(campaign) == []
    assert kills.temporaries_of(campaign) == []
    (campaign / "masters" / ".x.fits.0123456789abcdef.unfinished").touch()
    assert len(kills.temporaries_of(campaign)) == 1
    with closing(sqlite3.connect(campaign / "ledger.sqlite")) as connection:
        connection.execute("DELETE FROM place WHERE frame_id = 1")
        connection.execute("UPDATE verdict SET weight = 0.123 WHERE frame_id = (SELECT min(frame_id) FROM verdict)")
        connection.commit()
    next((campaign / "masters").glob("*.fits")).write_bytes(b"SIMPLE")
    complaints = kills.complaints_of(campaign)
    assert any("without a place" in c for c in complaints)
    assert any("is not what its row says" in c for c in complaints)
    mine = kills.rows_of(campaign / "ledger.sqlite")
    theirs = kills.rows_of(prepared.after["picture"] / "ledger.sqlite")
    assert [t for t in mine if mine[t] != theirs[t]] == ["place", "verdict"]
    assert kills.products_of(campaign) != kills.products_of(prepared.after["picture"])


@pytest.mark.full
def test_a_season_of_kills(kills: ModuleType, tmp_path: Path) -> None:
    began = time.monotonic()
    with kills.season(tmp_path / "season", 20260514) as made:
        tally = kills.spread(made, SEASON, anew_every=5, whole_way_every=10, say=print)
    document = kills.document_of(tally, seconds=time.monotonic() - began)
    KEPT.parent.mkdir(parents=True, exist_ok=True)
    KEPT.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
    assert tally.troubles == []
    assert sum(tally.kills.values()) >= 200
