"""A ledger on each kind of database."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from nightfold.ledger.core import Ledger
from nightfold.ledger.records import NewFrame

START = datetime(2026, 5, 13, 10, tzinfo=UTC)


@pytest.fixture(params=["sqlite", "server"])
def ledger(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Ledger]:
    url = None
    if request.param == "server":
        url = request.getfixturevalue("server_url")
    with Ledger.open(tmp_path, database_url=url) as opened:
        yield opened


@pytest.fixture
def new_frame(tmp_path: Path) -> Any:
    """Makes frames to take in: the i-th of a night under one folder."""

    def make(i: int, **change: Any) -> NewFrame:
        values: dict[str, Any] = {
            "path": tmp_path / f"sub-{i:05d}.fits", "size": 100 + i, "mtime_ns": i, "fingerprint": f"print-{i}", "kind": "sub",
            "rig": "Scout", "target": "Ridge", "panel": None, "filter": "Ha", "night": date(2026, 5, 13),
            "start": START + timedelta(minutes=i), "exposure_s": 180.0, "width_px": 90, "height_px": 60, "header": {"gain": 100.0},
        }  # fmt: skip
        return NewFrame(**{**values, **change})

    return make
