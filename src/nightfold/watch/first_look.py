"""The first sub of a night, of a filter and after a flip, against all that came before: what no later step can mend.

A wrong offset or set point costs every dark, a turned camera costs a strip of every frame, a filter in the wrong slot costs
the night; all show in the first sub.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np

from nightfold.watch.records import WatchedSub

COMMON_SHARE = 0.1
"""A setting that a tenth of the earlier subs had is one that the person uses."""
SKY_FACTOR = 3.5
"""Sky against what this filter had: a neighbouring filter of the same width differs less, a broad one by tens."""
WIDE = 1.25
TURNED_DEG = 1.0
OVERLAP_LEAST = 0.9
SATURATED_MOST = 0.002
SET_POINT_OFF_C = 2.0


@dataclass(frozen=True, slots=True)
class Remark:
    """Something that is not as before: its cause and a sentence."""

    cause: str
    text: str


def is_first(sub: WatchedSub, before: Sequence[WatchedSub]) -> str:
    """Why a sub is looked at in full: "night", "filter" or "flip"; empty if it is one of a series.

    `before` are the same rig's subs of the same night that came earlier.
    """
    if not before:
        return "night"
    last = before[-1]
    if last.filter != sub.filter:
        return "filter"
    if sub.pier_side and last.pier_side and sub.pier_side != last.pier_side:
        return "flip"
    both = math.isfinite(sub.angle_deg) and math.isfinite(last.angle_deg)
    if both and abs(_turn_deg(sub.angle_deg, last.angle_deg, 360.0)) > 90.0:
        return "flip"
    return ""


def first_look(sub: WatchedSub, earlier: Sequence[WatchedSub]) -> list[Remark]:
    """What is not as in earlier nights; with no earlier nights only what is wrong by itself.

    Parameters
    ----------
    earlier : sequence of WatchedSub
        The same rig's subs of earlier nights, all filters.
    """
    same_filter = [s for s in earlier if s.filter == sub.filter]
    remarks = [
        *_setting("gain", "gain is {new}, all earlier nights {old}: no darks, no flats and no gain of this campaign fit",
                  sub.gain, [s.gain for s in earlier]),
        *_setting("offset", "offset is {new}, all earlier nights {old}: no dark fits",
                  sub.offset, [s.offset for s in earlier]),
        *_setting("set-point", "sensor is set to {new} °C, all earlier nights to {old} °C: other darks are needed",
                  sub.set_point_c, [s.set_point_c for s in earlier]),
        *_setting("readout-mode", "readout mode is {new}, all earlier nights {old}: no dark and no flat fits",
                  sub.readout_mode, [s.readout_mode for s in earlier]),
        *_setting("binning", "pixels are binned {new}, all earlier nights {old}",
                  f"{sub.binning[0]}x{sub.binning[1]}", [f"{s.binning[0]}x{s.binning[1]}" for s in earlier]),
        *_setting("sub-length", f"subs of {sub.filter} are {{new}} s long, all earlier nights {{old}} s",
                  _whole(sub.exposure_s), [_whole(s.exposure_s) for s in same_filter]),
    ]  # fmt: skip
    if sub.sensor_c is not None and sub.set_point_c is not None and sub.sensor_c - sub.set_point_c > SET_POINT_OFF_C:
        remarks.append(
            Remark("set-point", f"sensor is at {sub.sensor_c:.1f} °C and set to {sub.set_point_c:.1f} °C: not cold yet")
        )
    if sub.dark_fits is False and not any(r.cause in {"gain", "offset", "set-point", "readout-mode"} for r in remarks):
        remarks.append(Remark("no-dark", f"no dark fits this sub: {sub.dark_words}"))
    remarks += _from_pixels(sub, earlier, same_filter)
    return remarks


def _setting(cause: str, text: str, new: Hashable | None, old: Sequence[Hashable | None]) -> list[Remark]:
    """A remark if a setting is none of those that were in use."""
    counts = Counter(v for v in old if v is not None)
    if new is None or not counts:
        return []
    common = [v for v, n in counts.most_common() if n >= COMMON_SHARE * sum(counts.values())]
    if new in common:
        return []
    told = " or ".join(_told(v) for v in common[:3])
    return [Remark(cause, text.format(new=_told(new), old=told))]


def _from_pixels(sub: WatchedSub, earlier: Sequence[WatchedSub], same_filter: Sequence[WatchedSub]) -> list[Remark]:
    remarks = []
    sky = _usual([s.sky_over_expected for s in same_filter if s.kept])
    ratio = sub.sky_over_expected / sky if sky > 0 else math.nan
    if ratio > SKY_FACTOR or ratio < 1.0 / SKY_FACTOR:
        remarks.append(
            Remark(
                "wrong-filter",
                f"sky is {ratio:.1f} times what {sub.filter} had under like conditions: is another filter in the beam?",
            )
        )
    width = _usual([s.fwhm_px for s in same_filter if s.kept])
    if sub.fwhm_px > WIDE * width:
        remarks.append(
            Remark(
                "focus",
                f"stars are {sub.fwhm_px / width:.2f} times as wide as usual in {sub.filter}: focus before going on",
            )
        )
    nights = [s for s in earlier if math.isfinite(s.angle_deg)]
    if nights and math.isfinite(sub.angle_deg):
        last = nights[-1]
        turn = _turn_deg(sub.angle_deg, last.angle_deg, 180.0)
        if abs(turn) > TURNED_DEG:
            remarks.append(
                Remark(
                    "camera-turned",
                    f"camera is turned by {abs(turn):.1f}° against the night of {last.night}: turn it back, or shoot flats at this angle",
                )
            )
    if sub.overlap < OVERLAP_LEAST:
        remarks.append(
            Remark(
                "pointing", f"the frame shares only {100 * sub.overlap:.0f} % of the target's field: centre it again"
            )
        )
    elif not math.isfinite(sub.overlap) and any(c == "pointing" for c, _ in sub.causes):
        remarks.append(
            Remark("pointing", "the frame could not be matched to the target's field: is this the right place?")
        )
    usual = _usual([s.saturated_fraction for s in same_filter if s.kept])
    if sub.saturated_fraction > max(SATURATED_MOST, 3.0 * (usual if math.isfinite(usual) else 0.0)):
        remarks.append(Remark("overexposed", f"{100 * sub.saturated_fraction:.1f} % of the pixels are at the ceiling"))
    return remarks


def _usual(values: Sequence[float]) -> float:
    """Median of the better three quarters (small is good); NaN without values."""
    finite = np.sort([v for v in values if math.isfinite(v)])
    return float(np.median(finite[: max(1, (3 * finite.size + 3) // 4)])) if finite.size else math.nan


def _turn_deg(a: float, b: float, period: float) -> float:
    """a - b folded into half a period to each side."""
    return (a - b + 0.5 * period) % period - 0.5 * period


def _whole(value: float) -> float | None:
    return round(value, 1) if math.isfinite(value) else None


def _told(value: Hashable) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)
