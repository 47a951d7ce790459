"""JSON documents hold no NaN, no local time, no numpy."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest

from nightfold.engine.documents import LONG, document_lines, iso_z, nearest_minute, to_document


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


def test_a_short_document_is_written_indented_and_a_long_list_one_entry_a_line() -> None:
    short = {"a": 1, "b": [1, {"c": "é"}], "e": [], "f": {}, "g": None}
    assert "".join(document_lines(short)) == json.dumps(short, indent=1, ensure_ascii=False)
    assert "".join(document_lines([1, 2])) == json.dumps([1, 2], indent=1)
    assert "".join(document_lines({})) == "{}"
    long = {"subs": [{"n": i} for i in range(2 * LONG + 1)], "z": [1]}
    text = "".join(document_lines(long))
    assert json.loads(text) == long
    assert text.count("\n") == 2 * LONG + 1 + 6


def test_times_are_told_to_the_nearest_minute() -> None:
    at = datetime(2026, 5, 14, 23, 59, tzinfo=UTC)
    assert nearest_minute(at + timedelta(seconds=29.9)) == at
    assert nearest_minute(at + timedelta(seconds=30)) == at + timedelta(minutes=1)
