"""Readings as the ledger keeps them: scalars as numbers, stars and sky as one block of bytes.

The block is `NFR1`, the length of a table of contents (4 bytes, little-endian), that table (JSON: name, type and shape of each
array) and the arrays one after another. Not compressed: that would save a fifth, for measurements are mostly noise, and take ten
times as long. Older ledgers hold NumPy archives, which are still read.
"""

from __future__ import annotations

import io
import json
import math
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import numpy as np
import numpy.typing as npt

from nightfold.measure.records import Reading, SkyMesh, Stars, Streak

_SCALARS = [f.name for f in fields(Reading) if f.name not in ("stars", "sky", "streaks")]
_MAGIC = b"NFR1"


def pack_reading(reading: Reading) -> tuple[dict[str, Any], bytes]:
    """Scalars and arrays of a reading. Positions keep float64, all else float32; NaN becomes None among the scalars."""
    scalars: dict[str, Any] = {name: _number(getattr(reading, name)) for name in _SCALARS}
    scalars["streaks"] = [[s.x0, s.y0, s.x1, s.y1, s.width_px, s.brightness_e] for s in reading.streaks]
    arrays: dict[str, npt.NDArray[Any]] = {}
    for f in fields(Stars):
        kind = "<f8" if f.name in ("x", "y") else "<i4" if f.name == "flags" else "<f4"
        arrays[f"star_{f.name}"] = np.asarray(getattr(reading.stars, f.name), kind)
    for f in fields(SkyMesh):
        arrays[f"sky_{f.name}"] = np.asarray(getattr(reading.sky, f.name), "<f4")
    contents = json.dumps([[name, a.dtype.str, a.shape] for name, a in arrays.items()]).encode()
    parts = [_MAGIC, len(contents).to_bytes(4, "little"), contents, *(a.tobytes() for a in arrays.values())]
    return scalars, b"".join(parts)


def unpack_reading(scalars: dict[str, Any], blob: bytes) -> Reading:
    """The reading that `pack_reading` packed."""
    arrays = _arrays(blob) if blob[:4] == _MAGIC else np.load(io.BytesIO(blob), allow_pickle=False)
    columns: dict[str, Any] = {
        f.name: arrays[f"star_{f.name}"].astype(np.int64 if f.name == "flags" else np.float64) for f in fields(Stars)
    }
    sky = SkyMesh(**{f.name: arrays[f"sky_{f.name}"].astype(np.float64) for f in fields(SkyMesh)})
    values: dict[str, Any] = {name: (float("nan") if scalars.get(name) is None else scalars[name]) for name in _SCALARS}
    streaks = tuple(
        Streak(x0=s[0], y0=s[1], x1=s[2], y1=s[3], width_px=s[4], brightness_e=s[5]) for s in scalars["streaks"]
    )
    return Reading(stars=Stars(**columns), sky=sky, streaks=streaks, **values)


def _arrays(blob: bytes) -> Mapping[str, npt.NDArray[Any]]:
    start = 8 + int.from_bytes(blob[4:8], "little")
    found: dict[str, npt.NDArray[Any]] = {}
    for name, kind, shape in json.loads(blob[8:start]):
        found[name] = np.frombuffer(blob, kind, math.prod(shape), start).reshape(shape)
        start += found[name].nbytes
    return found


def _number(value: float | int) -> float | int | None:
    if isinstance(value, int | np.integer):
        return int(value)
    return float(value) if np.isfinite(value) else None
