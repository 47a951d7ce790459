"""JSON documents hold no NaN, no local time, no numpy."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest

from nightfold.engine.documents import iso_z, to_document


@dataclass
class Record:
    at: datetime
    value: float
    values: np.ndarray


def test_records_become_json() -> None:
    record = Record(
        datetime(2026, 3, 1, 20, tzinfo=timezone(timedelta(hours=10))), float("nan"), np.array([1.5, np.inf])
    )
    document = to_document({"r": record, "p": Path("a/b"), "n": np.int16(3), "b": True})
    assert json.loads(json.dumps(document, allow_nan=False)) == {
        "r": {"at": "2026-03-01T10:00:00Z", "value": None, "values": [1.5, None]},
        "p": "a/b",
        "n": 3,
        "b": True,
    }


def test_times_need_a_zone() -> None:
    assert iso_z(datetime(2026, 1, 2, 3, 4, 5, 250000, tzinfo=UTC)) == "2026-01-02T03:04:05.250Z"
    with pytest.raises(ValueError, match="without zone"):
        iso_z(datetime(2026, 1, 2))


def test_unknown_kinds_are_refused() -> None:
    with pytest.raises(TypeError, match="object"):
        to_document(object())
