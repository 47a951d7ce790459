"""Lists beside the plan: calibration frames still to shoot, what to do at dawn, and whether the disk holds out."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime

from nightfold.intake.matching import missing_calibration
from nightfold.intake.records import FrameFacts, Missing
from nightfold.plan.blocks import Block
from nightfold.plan.dawn import dawn_flats
from nightfold.plan.equipment import Equipment, optics_for
from nightfold.plan.records import CalibrationLine, DawnLine, DiskLine
from nightfold.plan.state import State
from nightfold.settings.models import Rig
from nightfold.sky.night import Night

__all__ = ["calibration_list", "dawn_list", "disk_list", "offers", "planned_facts"]


def planned_facts(blocks: Sequence[Block], rigs: dict[str, Rig], state: State, night: date) -> tuple[FrameFacts, ...]:
    """Tonight's subs as matching will see them: like the rig's latest sub, else as campaign.toml describes its camera."""
    found: list[FrameFacts] = []
    for number, block in enumerate(blocks):
        rig = rigs[block.rig]
        like = next((f for f in reversed(state.sub_facts) if f.rig == rig.name), None)
        gain = rig.camera.gains[0] if rig.camera.gains else None
        found.append(
            FrameFacts(
                id=-1 - number,
                name=f"{block.filter} of {block.start:%H:%M}",
                kind="sub",
                width_px=like.width_px if like else rig.camera.width_px or 0,
                height_px=like.height_px if like else rig.camera.height_px or 0,
                start=block.start,
                night=night,
                rig=rig.name,
                camera=like.camera if like else None,
                filter=block.filter,
                exposure_s=block.sub_s,
                gain=like.gain if like else (gain.setting if gain else None),
                offset=like.offset if like else (gain.offset_setting if gain else None),
                sensor_c=like.sensor_c if like else None,
                set_point_c=like.set_point_c if like else None,
                binning=like.binning if like else (1, 1),
                readout_mode=like.readout_mode if like else rig.readout_mode,
            )
        )
    return tuple(found)


def _missing(subs: Sequence[FrameFacts], state: State) -> list[Missing]:
    return missing_calibration(subs, state.calibration_facts, events=state.events)


def calibration_list(planned: Sequence[FrameFacts], state: State) -> tuple[CalibrationLine, ...]:
    """What the ledger's subs and tonight's plan still need, darks first."""
    return tuple(
        CalibrationLine(
            kind=m.kind, rig=m.rig, filter=m.filter, exposure_s=m.exposure_s, have=m.have, wanted=m.wanted, sentence=m.words
        )
        for m in _missing([*state.sub_facts, *planned], state)
    )  # fmt: skip


def offers(lines: Sequence[CalibrationLine], equipment: dict[str, Equipment]) -> tuple[str, ...]:
    """What to do under cloud: the darks and bias frames that are missing, with the time they take."""
    found = []
    for line in lines:
        if line.kind not in ("dark", "flat_dark", "bias"):
            continue
        rig = equipment.get(line.rig or "")
        each = (line.exposure_s or 0.0) + (rig.download_s if rig else 3.0)
        hours = (line.wanted - line.have) * each / 3600.0
        found.append(f"{line.sentence}: {hours:.1f} h with the cap on")
    return tuple(found)


def dawn_list(
    blocks: Sequence[Block],
    planned: Sequence[FrameFacts],
    state: State,
    equipment: dict[str, Equipment],
    night: Night,
) -> tuple[DawnLine, ...]:
    """Flats that tonight's subs need at this camera angle, in the order of their sky's windows."""
    by_filter = {(b.rig, b.filter) for b in blocks}
    found: list[DawnLine] = []
    for need in (m for m in _missing(planned, state) if m.kind == "flat"):
        if need.rig is None or need.filter is None or (need.rig, need.filter) not in by_filter:
            continue
        rig = equipment[need.rig]
        wheel = rig.wheels[need.filter]
        count = need.wanted - need.have
        window = dawn_flats(
            night, wheel.band, optics_for(rig, wheel), full_well_e=rig.full_well_e, between_s=rig.download_s, wanted=count
        )  # fmt: skip
        told = f"{need.rig}: before you touch the camera, {count} {need.filter} flats at this angle"
        if window is not None:
            begin, end = night.local(window.start), night.local(window.end)
            told += (
                f"; the sky is right from {begin:%H:%M} to {end:%H:%M}, subs from {window.first_s:.0f} s "
                f"down to {window.last_s:.0f} s, time for {window.count}"
            )
        found.append(
            DawnLine(
                rig=need.rig,
                filter=need.filter,
                count=count,
                sky_from=window.start if window else None,
                sky_until=window.end if window else None,
                first_s=window.first_s if window else None,
                last_s=window.last_s if window else None,
                sentence=told,
            )
        )
    return tuple(sorted(found, key=lambda d: (d.sky_from is None, d.sky_from or night.end, d.rig, d.filter)))


def disk_list(
    blocks: Sequence[Block], equipment: dict[str, Equipment], state: State, night: Night
) -> tuple[DiskLine, ...]:
    """What tonight's subs take on the disk that raws were last seen on, and when it would be full."""
    if state.free_bytes is None or not blocks:
        return ()
    total, full_at = 0, None
    stream: list[tuple[datetime, int]] = []
    for block in blocks:
        size = equipment[block.rig].bytes_per_sub
        if size is None:
            continue
        total += block.subs * size
        step = (block.end - block.start) / max(block.subs, 1)
        stream += [(block.start + step * (i + 1), size) for i in range(block.subs)]
    if not total:
        return ()
    written = 0
    for at, size in sorted(stream):
        written += size
        if written > state.free_bytes:
            full_at = at
            break
    told = f"{_gigabytes(total)} to come, {_gigabytes(state.free_bytes)} free"
    told += f": full at {night.local(full_at):%H:%M}" if full_at is not None else ": there is room"
    return (
        DiskLine(folder=state.folder, to_come_bytes=total, free_bytes=state.free_bytes, full_at=full_at, sentence=told),
    )


def _gigabytes(count: int) -> str:
    return f"{count / 1e9:.1f} GB" if count >= 1e8 else f"{count / 1e6:.0f} MB"
