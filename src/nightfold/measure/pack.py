"""Readings as the ledger keeps them: scalars as numbers, stars and sky as one compressed blob."""

from __future__ import annotations

import io
from dataclasses import fields
from typing import Any

import numpy as np

from nightfold.measure.records import Reading, SkyMesh, Stars, Streak

_SCALARS = [f.name for f in fields(Reading) if f.name not in ("stars", "sky", "streaks")]


def pack_reading(reading: Reading) -> tuple[dict[str, Any], bytes]:
    """Scalars and arrays of a reading. Positions keep float64, all else float32; NaN becomes None among the scalars."""
    scalars: dict[str, Any] = {name: _number(getattr(reading, name)) for name in _SCALARS}
    scalars["streaks"] = [[s.x0, s.y0, s.x1, s.y1, s.width_px, s.brightness_e] for s in reading.streaks]
    arrays: dict[str, Any] = {}
    for f in fields(Stars):
        values = getattr(reading.stars, f.name)
        arrays[f"star_{f.name}"] = (
            values if f.name in ("x", "y") else values.astype(np.int32 if f.name == "flags" else np.float32)
        )
    for f in fields(SkyMesh):
        arrays[f"sky_{f.name}"] = np.asarray(getattr(reading.sky, f.name), np.float32)
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **arrays)
    return scalars, buffer.getvalue()


def unpack_reading(scalars: dict[str, Any], blob: bytes) -> Reading:
    """The reading that `pack_reading` packed."""
    with np.load(io.BytesIO(blob), allow_pickle=False) as arrays:
        stars = Stars(
            **{
                f.name: arrays[f"star_{f.name}"].astype(np.int64 if f.name == "flags" else np.float64)
                for f in fields(Stars)
            }
        )
        sky = SkyMesh(**{f.name: arrays[f"sky_{f.name}"].astype(np.float64) for f in fields(SkyMesh)})
    values: dict[str, Any] = {name: (float("nan") if scalars[name] is None else scalars[name]) for name in _SCALARS}
    streaks = tuple(
        Streak(x0=s[0], y0=s[1], x1=s[2], y1=s[3], width_px=s[4], brightness_e=s[5]) for s in scalars["streaks"]
    )
    return Reading(stars=stars, sky=sky, streaks=streaks, **values)


def _number(value: float | int) -> float | int | None:
    if isinstance(value, int | np.integer):
        return int(value)
    return float(value) if np.isfinite(value) else None
