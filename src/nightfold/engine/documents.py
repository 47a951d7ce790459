"""Records into the JSON documents of the commands: plain numbers, null for unknown, times in UTC with Z."""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import UTC, date, datetime
from enum import Enum
from pathlib import Path
from typing import Any


def to_document(value: Any) -> Any:
    """`value` as JSON can hold it: dataclasses by field name, NaN and infinities as None, arrays as lists.

    Floats keep nine significant digits: beyond a float32's precision, and stable to read.
    """
    if value is None or isinstance(value, bool | str):
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
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_document(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(k): to_document(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [to_document(v) for v in value]
    raise TypeError(f"a document cannot hold {type(value).__name__}")


def iso_z(time: datetime) -> str:
    """An aware time as ISO 8601 in UTC with Z, to the millisecond where there is one."""
    if time.tzinfo is None:
        raise ValueError(f"time without zone: {time}")
    utc = time.astimezone(UTC).replace(tzinfo=None)
    return utc.isoformat(timespec="milliseconds" if utc.microsecond else "seconds") + "Z"
