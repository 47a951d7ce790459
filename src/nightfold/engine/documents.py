"""Records into the JSON documents of the commands: plain numbers, null for unknown, times in UTC with Z."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from datetime import UTC, date, datetime, timedelta
from enum import Enum
from functools import cache
from pathlib import Path
from typing import Any

LONG = 1000
"""Entries from which on a list is written with one a line."""


def to_document(value: Any) -> Any:
    """`value` as JSON can hold it: dataclasses by field name, NaN and infinities as None, arrays as lists.

    Floats keep nine significant digits: beyond a float32's precision, and stable to read.
    """
    kind = type(value)
    if kind is str or value is None or kind is bool or kind is int:
        return value
    if kind is float:
        return float(f"{value:.9g}") if math.isfinite(value) else None
    if (names := _names_of(kind)) is not None:  # type: ignore[arg-type]
        return {name: to_document(getattr(value, name)) for name in names}
    if isinstance(value, bool | str):
        return value
    if isinstance(value, Enum):
        return value.value
    arrays = sys.modules.get(
        "numpy"
    )  # where it is not loaded, there is none of its values; loading it is a tenth of a start
    if arrays is not None and isinstance(value, arrays.ndarray):
        return [to_document(v) for v in value.tolist()]
    if arrays is not None and isinstance(value, arrays.generic):
        return to_document(value.item())
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return float(f"{value:.9g}") if math.isfinite(value) else None
    if isinstance(value, datetime):
        return iso_z(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, Mapping):
        return {str(k): to_document(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [to_document(v) for v in value]
    raise TypeError(f"a document cannot hold {type(value).__name__}")


@cache
def _names_of(kind: type) -> tuple[str, ...] | None:
    """A record's field names; None for what is no record."""
    return tuple(f.name for f in fields(kind)) if is_dataclass(kind) else None


def document_lines(document: Any) -> Iterator[str]:
    """A document as JSON text, piece by piece: indented, but a long list with one entry a line.

    Long lists are a large campaign's: the indented form takes five times as long to write and to read.
    """
    if not isinstance(document, dict):
        yield json.dumps(document, indent=1, allow_nan=False, ensure_ascii=False)
        return
    encode = json.JSONEncoder(allow_nan=False, ensure_ascii=False).encode
    before = "{\n "
    for key, value in document.items():
        yield f"{before}{encode(key)}: "
        before = ",\n "
        if isinstance(value, list) and len(value) >= LONG:
            yield "[\n  "
            for i in range(0, len(value), LONG):
                yield (",\n  " if i else "") + ",\n  ".join(map(encode, value[i : i + LONG]))
            yield "\n ]"
        else:
            yield json.dumps(value, indent=1, allow_nan=False, ensure_ascii=False).replace("\n", "\n ")
    yield "\n}" if document else "{}"


def iso_z(time: datetime) -> str:
    """An aware time as ISO 8601 in UTC with Z, to the millisecond where there is one."""
    if time.tzinfo is None:
        raise ValueError(f"time without zone: {time}")
    utc = time.astimezone(UTC).replace(tzinfo=None)
    return utc.isoformat(timespec="milliseconds" if utc.microsecond else "seconds") + "Z"


def nearest_minute(at: datetime) -> datetime:
    """An instant as every page, sheet and table tells it to the minute: the nearest one, half a minute upwards."""
    return (at + timedelta(seconds=30)).replace(second=0, microsecond=0)
