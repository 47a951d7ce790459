"""Which darks, flats, flat-darks and bias frames go with which subs, and what is missing.

Darks belong to a camera body, its size, binning, gain, offset, readout mode and sensor temperature. Flats belong to an
optical state: rig, filter, camera angle, readout mode and binning, with no dated event of the rig between; among those
the nearest in time are taken. What is not known on one side is taken as matching, and said.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Sequence
from datetime import UTC, date, datetime
from statistics import median

from nightfold.frames.records import FrameKind
from nightfold.intake.records import FrameFacts, Matched, Missing, RigEvent, Tolerances

_LONG_AGO = datetime(1900, 1, 1, tzinfo=UTC)


def match_calibration(
    subs: Sequence[FrameFacts],
    calibration: Sequence[FrameFacts],
    *,
    tolerances: Tolerances | None = None,
    events: Sequence[RigEvent] = (),
) -> list[Matched]:
    """Calibration frames for each group of subs that need the same, in the order of the groups' first subs.

    Parameters
    ----------
    subs, calibration : sequence of FrameFacts
        Frames of kind "sub", and all others.
    tolerances : Tolerances, optional
        How far darks and flats may differ.
    events : sequence of RigEvent
        Dated events that end the validity of flats.

    Returns
    -------
    list of Matched
        Every sub is in exactly one. `reasons` tells why something is missing or only taken to match.
    """
    limits = tolerances or Tolerances()
    pools = _by_kind(calibration)
    intervals = _Intervals(events)
    return [_match_group(group, pools, limits, intervals) for group in _groups(subs, limits, intervals)]


class _Intervals:
    """Stretches of time between the dated events of a rig."""

    def __init__(self, events: Iterable[RigEvent]) -> None:
        self._events = sorted(events, key=lambda e: e.at)

    def of(self, frame: FrameFacts) -> int | None:
        """Number of the stretch in which a frame was exposed; None if its time is not known and it matters."""
        times = [e.at for e in self._events if e.rig is None or frame.rig is None or e.rig == frame.rig]
        if not times:
            return 0
        return None if frame.start is None else bisect_right(times, frame.start)

    def last(self, frame: FrameFacts) -> str:
        """Words on the event that opened a frame's stretch."""
        before = [e for e in self._events if e.rig in (None, frame.rig) and frame.start and e.at <= frame.start]
        return f" since {before[-1].at:%Y-%m-%d} ({before[-1].what or 'a change of the rig'})" if before else ""


def _by_kind(frames: Iterable[FrameFacts]) -> dict[FrameKind, list[FrameFacts]]:
    pools: dict[FrameKind, list[FrameFacts]] = defaultdict(list)
    for frame in frames:
        pools[frame.kind].append(frame)
    return pools


def _groups(subs: Sequence[FrameFacts], limits: Tolerances, intervals: _Intervals) -> list[list[FrameFacts]]:
    """Subs that need the same frames; those of a night whose sensor drifted are split by temperature."""
    groups: dict[Hashable, list[FrameFacts]] = {}
    for sub in subs:
        key = (
            *_body_key(sub),
            sub.exposure_s,
            sub.rig,
            sub.filter,
            sub.night,
            None if sub.camera_angle_deg is None else round(sub.camera_angle_deg % 180.0 / limits.camera_angle_deg),
            intervals.of(sub),
            sub.calibrated,
        )
        groups.setdefault(key, []).append(sub)
    return [part for group in groups.values() for part in _split_by_temperature(group, limits.sensor_c)]


def _split_by_temperature(group: list[FrameFacts], tolerance_c: float) -> list[list[FrameFacts]]:
    """Parts in which all temperatures lie within the tolerance of their middle."""
    felt = [f.sensor_c for f in group if f.sensor_c is not None]
    if not felt or (len(felt) == len(group) and max(felt) - min(felt) <= tolerance_c):
        return [group]
    unknown = [f for f in group if f.sensor_c is None]
    known = sorted((f for f in group if f.sensor_c is not None), key=lambda f: f.sensor_c or 0.0)
    parts: list[list[FrameFacts]] = [unknown] if unknown else []
    for frame in known:
        first = parts[-1][0].sensor_c if parts else None
        if first is not None and frame.sensor_c is not None and frame.sensor_c - first <= tolerance_c:
            parts[-1].append(frame)
        else:
            parts.append([frame])
    order = {f.id: i for i, f in enumerate(group)}
    return sorted((sorted(p, key=lambda f: order[f.id]) for p in parts), key=lambda p: order[p[0].id])


def _body_key(frame: FrameFacts) -> tuple[Hashable, ...]:
    return (
        _fold(frame.camera),
        frame.width_px,
        frame.height_px,
        frame.binning,
        frame.gain,
        frame.offset,
        _fold(frame.readout_mode),
    )


def _fold(text: str | None) -> str | None:
    return text.casefold().strip() if text else None


class _Unknowns:
    """Words for what one side does not say."""

    def __init__(self) -> None:
        self.words: dict[str, None] = {}

    def same(self, what: str, a: object, b: object) -> bool:
        """True if equal; also if one is not known, which is remembered."""
        if a is None or b is None:
            if a is not b:
                self.words[what] = None
            return True
        return a == b

    def near(self, what: str, a: float | None, b: float | None, tolerance: float) -> bool:
        """As `same`, within a tolerance."""
        if a is None or b is None:
            return self.same(what, a, b)
        return abs(a - b) <= tolerance + 1e-9


def _same_body(a: FrameFacts, b: FrameFacts, unknown: _Unknowns) -> str | None:
    """None if two frames come from the same camera in the same state, else what differs."""
    if (a.width_px, a.height_px) != (b.width_px, b.height_px):
        return "size"
    if a.binning != b.binning:
        return "binning"
    for what, x, y in (
        ("camera", _fold(a.camera), _fold(b.camera)),
        ("gain", a.gain, b.gain),
        ("offset", a.offset, b.offset),
        ("readout mode", _fold(a.readout_mode), _fold(b.readout_mode)),
    ):
        if not unknown.same(what, x, y):
            return what
    return None


def _same_exposure(a: FrameFacts, b: FrameFacts, limits: Tolerances, unknown: _Unknowns) -> bool:
    size = max(a.exposure_s or 0.0, b.exposure_s or 0.0)
    return unknown.near("exposure", a.exposure_s, b.exposure_s, max(limits.exposure_s, limits.exposure_fraction * size))


def _choose(
    pool: Iterable[FrameFacts], differs: Callable[[FrameFacts, _Unknowns], str | None]
) -> tuple[list[FrameFacts], dict[str, int], list[str]]:
    """Frames that differ in nothing, how many differ in what, and what is only taken to match."""
    chosen: list[FrameFacts] = []
    counts: dict[str, int] = defaultdict(int)
    doubts: dict[str, None] = {}
    for frame in pool:
        unknown = _Unknowns()
        what = differs(frame, unknown)
        if what is None:
            chosen.append(frame)
            doubts.update(unknown.words)
        else:
            counts[what] += 1
    return chosen, counts, list(doubts)


def _nothing_fits(kind: str, wanted: str, counts: dict[str, int]) -> str:
    if not counts:
        return f"no {kind} at all; wanted: {wanted}"
    tally = ", ".join(f"{n} differ in {what}" for what, n in sorted(counts.items(), key=lambda c: (-c[1], c[0])))
    return f"no {kind} matches {wanted}: {tally}"


def _state(frame: FrameFacts, *, exposure: bool = True) -> str:
    words = [f"{frame.exposure_s:g} s"] if exposure and frame.exposure_s is not None else []
    words += [f"gain {frame.gain:g}"] if frame.gain is not None else []
    words += [f"offset {frame.offset:g}"] if frame.offset is not None else []
    words += [f"{frame.sensor_c:.1f} °C"] if frame.sensor_c is not None else []
    words += [f"binning {frame.binning[0]}x{frame.binning[1]}"] if frame.binning != (1, 1) else []
    words += [f"mode {frame.readout_mode}"] if frame.readout_mode else []
    return ", ".join(words) or f"{frame.width_px} x {frame.height_px} pixels"


def _dark_differs(sub: FrameFacts, sensor_c: float | None, limits: Tolerances) -> Callable[..., str | None]:
    def differs(dark: FrameFacts, unknown: _Unknowns) -> str | None:
        body = _same_body(sub, dark, unknown)
        if body is not None:
            return body
        if not _same_exposure(sub, dark, limits, unknown):
            return "exposure"
        if not unknown.near("sensor temperature", sensor_c, dark.sensor_c, limits.sensor_c):
            return "sensor temperature"
        return None

    return differs


def _match_group(
    group: list[FrameFacts], pools: dict[FrameKind, list[FrameFacts]], limits: Tolerances, intervals: _Intervals
) -> Matched:
    sub = group[0]
    if sub.calibrated:
        return Matched(subs=_ids(group), reasons=("calibrated before, by its own header; nothing is applied",))
    reasons: list[str] = []
    sensor_c = _middle_temperature(group)
    darks = _pick_darks(sub, sensor_c, pools["dark"], limits, reasons)
    bias, _, _ = _choose(pools["bias"], lambda f, u: _same_body(sub, f, u))
    flats = _pick_flats(sub, pools["flat"], limits, intervals, reasons)
    kind, flat_darks = _pick_flat_calibration(flats, pools, limits, reasons)
    return Matched(
        subs=tuple(f.id for f in group),
        darks=_ids(darks),
        bias=_ids(bias),
        flats=_ids(flats),
        flat_calibration=kind,  # type: ignore[arg-type]
        flat_darks=_ids(flat_darks),
        reasons=tuple(reasons),
    )


def _ids(frames: Iterable[FrameFacts]) -> tuple[int, ...]:
    return tuple(f.id for f in frames)


def _middle_temperature(group: Sequence[FrameFacts]) -> float | None:
    known = [f.sensor_c for f in group if f.sensor_c is not None]
    return median(known) if known else None


def _pick_darks(
    sub: FrameFacts, sensor_c: float | None, pool: list[FrameFacts], limits: Tolerances, reasons: list[str]
) -> list[FrameFacts]:
    darks, counts, doubts = _choose(pool, _dark_differs(sub, sensor_c, limits))
    if not darks:
        reasons.append(_nothing_fits("dark", _state(sub), counts))
        return darks
    if doubts:
        reasons.append(f"darks taken to match though not both say: {', '.join(doubts)}")
    ages = [abs((sub.start - d.start).total_seconds()) / 86400.0 for d in darks if sub.start and d.start]
    if ages and min(ages) > limits.dark_age_days:
        reasons.append(f"the nearest darks are {min(ages):.0f} days away; sensors change, expose new ones")
    return darks


def _flat_differs(sub: FrameFacts, limits: Tolerances, intervals: _Intervals) -> Callable[..., str | None]:
    interval = intervals.of(sub)

    def differs(flat: FrameFacts, unknown: _Unknowns) -> str | None:
        if (sub.width_px, sub.height_px) != (flat.width_px, flat.height_px):
            return "size"
        if sub.binning != flat.binning:
            return "binning"
        for what, x, y in (
            ("rig", sub.rig, flat.rig),
            ("camera", _fold(sub.camera), _fold(flat.camera)),
            ("filter", sub.filter, flat.filter),
            ("readout mode", _fold(sub.readout_mode), _fold(flat.readout_mode)),
        ):
            if not unknown.same(what, x, y):
                return what
        if not unknown.same("time", interval, intervals.of(flat)):
            return "a change of the rig between"
        if sub.camera_angle_deg is None or flat.camera_angle_deg is None:
            unknown.words["camera angle"] = None
        elif _turn_deg(sub.camera_angle_deg, flat.camera_angle_deg) > limits.camera_angle_deg:
            return "camera angle"
        return None

    return differs


def _turn_deg(a: float, b: float) -> float:
    """Angle between two, modulo a half turn."""
    return abs((a - b + 90.0) % 180.0 - 90.0)


def _pick_flats(
    sub: FrameFacts, pool: list[FrameFacts], limits: Tolerances, intervals: _Intervals, reasons: list[str]
) -> list[FrameFacts]:
    flats, counts, doubts = _choose(pool, _flat_differs(sub, limits, intervals))
    if not flats:
        wanted = f"{sub.filter or 'no filter'} on {sub.rig or sub.camera or 'this rig'}{intervals.last(sub)}"
        reasons.append(_nothing_fits("flat", wanted, counts))
        return flats
    if doubts == ["camera angle"]:
        reasons.append("flats: angle not known")
    elif doubts:
        reasons.append(f"flats taken to match though not both say: {', '.join(doubts)}")
    return _nearest(sub, flats, limits.least_flats)


def _nearest(sub: FrameFacts, flats: list[FrameFacts], least: int) -> list[FrameFacts]:
    """Flats of the night nearest in time, and of the next nearest while there are too few."""
    nights: dict[date | None, list[FrameFacts]] = defaultdict(list)
    for flat in flats:
        nights[flat.night].append(flat)

    def distance(frames: list[FrameFacts]) -> tuple[float, float]:
        spans = [(f.start - sub.start).total_seconds() for f in frames if f.start and sub.start]
        nearest = min((abs(s) for s in spans), default=float("inf"))
        return nearest, min(spans, default=0.0)

    chosen: list[FrameFacts] = []
    for frames in sorted(nights.values(), key=distance):
        if len(chosen) >= least:
            break
        chosen += frames
    return chosen


def _pick_flat_calibration(
    flats: list[FrameFacts], pools: dict[FrameKind, list[FrameFacts]], limits: Tolerances, reasons: list[str]
) -> tuple[str, list[FrameFacts]]:
    """Flat-darks of the flats' exposure (a dark of that exposure is one too), else bias frames."""
    if not flats:
        return "none", []
    flat = flats[len(flats) // 2]
    differs = _dark_differs(flat, _middle_temperature(flats), limits)
    flat_darks, counts, _ = _choose([*pools["flat_dark"], *pools["dark"]], differs)
    if flat_darks:
        return "flat_dark", flat_darks
    bias, _, _ = _choose(pools["bias"], lambda f, u: _same_body(flat, f, u))
    if bias:
        return "bias", bias
    reasons.append(_nothing_fits("flat-dark or bias", f"the flats of {_state(flat)}", counts))
    return "none", []


def missing_calibration(
    subs: Sequence[FrameFacts],
    calibration: Sequence[FrameFacts],
    *,
    tolerances: Tolerances | None = None,
    events: Sequence[RigEvent] = (),
) -> list[Missing]:
    """Calibration frames still to be exposed for `subs`, darks first; empty if there are enough.

    A dark is asked for once for all nights that share its state, a flat once for each optical state, named by the last
    night that needs it. Flat-darks are asked for where neither they nor bias frames fit the flats at hand.
    """
    limits = tolerances or Tolerances()
    pools = _by_kind(calibration)
    intervals = _Intervals(events)
    found: dict[Hashable, Missing] = {}
    for group in _groups(subs, limits, intervals):
        if group[0].calibrated:
            continue
        matched = _match_group(group, pools, limits, intervals)
        sensor_c = _middle_temperature(group)
        set_point = group[0].set_point_c
        if set_point is not None and sensor_c is not None and abs(set_point - sensor_c) <= 2.0 * limits.sensor_c:
            sensor_c = set_point  # what the person sets; the sensor wanders about it
        for kind, have in (("dark", len(matched.darks)), ("flat", len(matched.flats))):
            if have < limits.wanted[kind]:  # type: ignore[index]
                _ask(found, kind, group[0], sensor_c, have, limits, intervals)  # type: ignore[arg-type]
        if matched.flats and matched.flat_calibration == "none":
            flat = next(f for f in calibration if f.id == matched.flats[0] and f.kind == "flat")
            _ask(found, "flat_dark", flat, flat.sensor_c, 0, limits, intervals)
    order = {"dark": 0, "flat": 1, "flat_dark": 2, "bias": 3, "sub": 4}
    return sorted(found.values(), key=lambda m: (order[m.kind], m.rig or "", m.filter or "", m.exposure_s or 0.0))


def _ask(
    found: dict[Hashable, Missing],
    kind: FrameKind,
    frame: FrameFacts,
    sensor_c: float | None,
    have: int,
    limits: Tolerances,
    intervals: _Intervals,
) -> None:
    flat = kind == "flat"
    rounded = None if sensor_c is None or flat else float(round(sensor_c / limits.sensor_c) * limits.sensor_c)
    key: tuple[Hashable, ...] = (kind, *_body_key(frame))
    if flat:
        angle = None if frame.camera_angle_deg is None else round(frame.camera_angle_deg % 180.0)
        key = (kind, frame.rig, frame.filter, frame.binning, _fold(frame.readout_mode), angle, intervals.of(frame))
    else:
        key = (*key, frame.exposure_s, rounded)
    before = found.get(key)
    nights = [n for n in (frame.night, before.night if before else None) if n is not None]
    found[key] = Missing(
        kind=kind,
        rig=frame.rig,
        filter=frame.filter if flat else None,
        exposure_s=None if flat else frame.exposure_s,
        gain=frame.gain,
        offset=frame.offset,
        sensor_c=rounded,
        binning=frame.binning,
        readout_mode=frame.readout_mode,
        night=max(nights, default=None) if flat else None,
        have=max(have, before.have if before else 0),
        wanted=limits.wanted[kind],
    )
