"""Master calibration frames of a campaign: made once for each set of raws, kept in `calibration/`, handed to every sub."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache, reduce
from pathlib import Path

import numpy as np
import numpy.typing as npt

from nightfold.calibrate.apply import build_calibration
from nightfold.calibrate.core import Combined, ReadRows, master_bias, master_dark, master_flat, scale_dark
from nightfold.calibrate.defects import dead_pixels, hot_pixels
from nightfold.calibrate.files import (
    CalibrationDocument,
    CalibrationKind,
    plane_of,
    read_calibration,
    read_plane,
    write_calibration,
)
from nightfold.calibrate.records import Calibration, MasterPlane, Plane
from nightfold.errors import CalibrationError, FrameError
from nightfold.frames.ceiling import full_value
from nightfold.frames.pixels import PixelSource, open_pixels
from nightfold.intake.matching import match_calibration
from nightfold.intake.records import Matched, Tolerances
from nightfold.intake.stage import calibration_groups, facts_of_row, header_of_row
from nightfold.ledger.lines import FactLine
from nightfold.ledger.records import CalibrationRow, FrameRow
from nightfold.ledger.workspace import Workspace
from nightfold.settings.models import Rig

RECIPE_VERSION = 3
"""Raised when masters are made in another way, so that old ones are made anew."""
CEILING_SUBS = 3
"""Subs that are looked at for the value at which pixels are full, where neither header nor rig tell it."""


@dataclass(frozen=True, slots=True)
class SubCalibration:
    """The calibration of a group of subs, and a key that changes whenever it would."""

    key: str
    calibration: Calibration
    problems: tuple[str, ...]


class CalibrationRoom:
    """Gives each sub its calibration; masters are made when first asked for and the latest few are kept in memory.

    With `in_files` darks and flats are left in their files, big-endian, to be read where they are used.
    """

    def __init__(self, ws: Workspace, *, in_files: bool = False) -> None:
        self._ws = ws
        self._in_files = in_files
        self._rows = {row.id: row for row in ws.ledger.frames()}
        self._groups = calibration_groups(ws)
        self._first: dict[object, int] = {}
        self._group_of = {i: n for n, group in enumerate(self._groups) for i in group.subs}
        self._load = lru_cache(maxsize=3)(self._build)
        self._planes = lru_cache(maxsize=6)(self._master)
        self._masks: list[tuple[MasterPlane | None, MasterPlane | None, npt.NDArray[np.bool_] | None]] = []

    def key_of(self, frame_id: int) -> str:
        """What a sub's calibration is made from, as a short hash; the same key means the same electrons."""
        group = self._groups[self._group_of[frame_id]]
        row = self._rows[frame_id]
        parts = [str(RECIPE_VERSION), str(self._ws.settings.scale_darks), *self._numbers_key(row)]
        for ids in (group.darks, group.bias, group.flats, group.flat_darks):
            parts.append(",".join(sorted(self._rows[i].fingerprint for i in ids)))
        return hashlib.sha256("|".join(parts).encode()).hexdigest()

    def of(self, frame_id: int) -> SubCalibration:
        """The calibration of a sub."""
        group = self._groups[self._group_of[frame_id]]
        ids = (group.darks, group.bias, group.flats, group.flat_darks, group.flat_calibration, group.reasons)
        row = self._rows[frame_id]
        numbers = (*self._numbers_key(row), str(row.height_px), str(row.width_px), self._current_key(row))
        key = (ids, numbers)
        # Groups of different nights often need the same masters: one calibration serves them all.
        self._first.setdefault(key, frame_id)
        return self._load(self._first[key])

    def flat_of(self, frame_id: int) -> Plane | None:
        """The flat of a sub, made before, to be looked at here and there; None if there is none. The rest stays unread."""
        group, row = self._groups[self._group_of[frame_id]], self._rows[frame_id]
        rig = self._ws.settings.rig_named(row.rig)
        gain = rig.gain_for(header_of_row(row).gain) if rig else None
        e_per_adu = (gain.e_per_adu if gain else None) or header_of_row(row).e_per_adu
        path = self._kept("flat", group.flats, group.flat_darks, e_per_adu) if group.flats else None
        return None if path is None else read_plane(path, glance=True).mean

    def _current_key(self, row: FrameRow) -> str:
        return str(_dark_current(self._ws.settings.rig_named(row.rig), header_of_row(row).sensor_c))

    def _numbers_key(self, row: FrameRow) -> tuple[str, ...]:
        header = header_of_row(row)
        rig = self._ws.settings.rig_named(row.rig)
        gain = rig.gain_for(header.gain) if rig else None
        numbers = (
            gain.e_per_adu if gain else None,
            gain.read_noise_e if gain else None,
            gain.full_well_e if gain else None,
            gain.offset_adu if gain else None,
            header.e_per_adu,
            header.pedestal_adu,
            header.saturation_adu,
            header.calibrated,
            row.exposure_s,
        )
        return tuple(str(n) for n in numbers)

    def _build(self, frame_id: int) -> SubCalibration:
        group = self._groups[self._group_of[frame_id]]
        row = self._rows[frame_id]
        header = header_of_row(row)
        rig = self._ws.settings.rig_named(row.rig)
        gain = rig.gain_for(header.gain) if rig else None
        problems = list(group.reasons)
        notes: tuple[str, ...] = ()
        ws_scales = self._ws.settings.scale_darks
        e_per_adu = (gain.e_per_adu if gain else None) or header.e_per_adu
        shape = (row.height_px, row.width_px)
        dark = self._try("dark", group.darks, shape, problems, e_per_adu)
        # Beside a dark the bias tells how much of it is dark current, whose photons are noise in every sub.
        known_current = _dark_current(rig, header.sensor_c)
        wanted = dark is None or known_current is None or gain is None or gain.read_noise_e is None
        glance = dark is not None  # then some of its rows are enough
        bias = self._try("bias", group.bias, shape, problems, e_per_adu, glance=glance) if wanted else None
        if dark is None and ws_scales and bias is not None:
            dark, told = self._scaled_dark(row, group.bias, shape, e_per_adu)
            notes += told
        flat = None
        if group.flats:
            flat = self._try("flat", group.flats, shape, problems, e_per_adu, group)
        bad = self._bad_pixels(dark, flat)
        pedestal = header.pedestal_adu or (gain.offset_adu if gain and gain.offset_adu else 0.0)
        if header.calibrated:
            pedestal = header.pedestal_adu
        ceiling = header.saturation_adu or _ceiling_adu(
            gain.full_well_e if gain else None, e_per_adu, pedestal, rig.camera.bits if rig else 16
        )
        if header.saturation_adu is None and not (gain and gain.full_well_e):
            ceiling = min(ceiling, 0.99 * self._seen_ceiling(group.subs))
        calibration = build_calibration(
            e_per_adu=e_per_adu,
            read_noise_e=gain.read_noise_e if gain else None,
            dark=dark,
            bias=bias,
            flat=flat,
            bad=bad,
            pedestal_adu=pedestal,
            dark_e_per_s=known_current,
            dark_exposure_s=row.exposure_s,
            saturation_adu=ceiling,
            already_calibrated=header.calibrated,
            notes=notes,
        )
        return SubCalibration(self.key_of(row.id), calibration, tuple(dict.fromkeys(problems)))

    def _bad_pixels(self, dark: MasterPlane | None, flat: MasterPlane | None) -> npt.NDArray[np.bool_] | None:
        """The mask of two masters, one array for all subs that have both: what is made of it is made once."""
        for known_dark, known_flat, mask in self._masks:
            if known_dark is dark and known_flat is flat:
                return mask
        mask = _bad_pixels(dark, flat)
        self._masks.append((dark, flat, mask))
        del self._masks[:-3]
        return mask

    def _seen_ceiling(self, frame_ids: Sequence[int]) -> float:
        """Where the pixels of these subs are full, as some of them show; infinite if none does. Kept for later runs."""
        row, ledger = self._rows[frame_ids[0]], self._ws.ledger
        header = header_of_row(row)
        key = f"full value of {row.rig or header.camera} at gain {header.gain}, binning {header.binning}, {header.bitpix} bits"[
            :120
        ]
        kept = ledger.kept_setting(key)
        if kept is not None and (kept["value"] is not None or 2 * kept["subs"] >= len(frame_ids)):
            return float(kept["value"]) if kept["value"] is not None else math.inf
        found: list[float] = []
        for i in frame_ids[:: max(1, len(frame_ids) // CEILING_SUBS)][:CEILING_SUBS]:
            try:
                with open_pixels(self._rows[i].path, scratch_dir=self._ws.scratch_folder) as source:
                    value = full_value(source.read_box(0, row.height_px, 0, row.width_px))
            except (FrameError, OSError):
                continue  # it is told when it is measured
            if value is not None:
                found.append(value)
        ceiling = max(found) if found else None
        ledger.keep_setting(key, {"value": ceiling, "subs": len(frame_ids)})
        return ceiling if ceiling is not None else math.inf

    def _scaled_dark(
        self, row: FrameRow, bias_ids: tuple[int, ...], shape: tuple[int, int], e_per_adu: float | None
    ) -> tuple[MasterPlane | None, tuple[str, ...]]:
        """The dark of the nearest other exposure brought to this one by time; asked for by `scale_darks` only."""
        others = self._darks_of_any_exposure(row)
        if not others or not row.exposure_s:
            return None, ()
        exposure_s = min(
            {d.exposure_s for d in others if d.exposure_s}, key=lambda t: abs(np.log(t / (row.exposure_s or 1.0)))
        )
        ids = tuple(d.id for d in others if d.exposure_s == exposure_s)
        bias, dark = self._whole("bias", bias_ids, shape, e_per_adu), self._whole("dark", ids, shape, e_per_adu)
        scaled = scale_dark(dark, bias, row.exposure_s / exposure_s)
        plane = plane_of(CalibrationDocument(kind="dark", combined=scaled, bad=hot_pixels(dark)))
        return plane, (
            f"dark scaled from {exposure_s:g} s to {row.exposure_s:g} s by time; amplifier glow may not follow",
        )

    def _darks_of_any_exposure(self, row: FrameRow) -> list[FrameRow]:
        facts = facts_of_row(row)
        pool = [facts_of_row(r) for r in self._rows.values() if r.kind == "dark" and r.exposure_s]
        anything = Tolerances(exposure_s=1e9)
        matched = match_calibration([facts], pool, tolerances=anything)
        return [self._rows[i] for i in matched[0].darks] if matched else []

    def _try(
        self,
        kind: CalibrationKind,
        ids: tuple[int, ...],
        shape: tuple[int, int],
        problems: list[str],
        e_per_adu: float | None,
        group: Matched | None = None,
        glance: bool = False,
    ) -> MasterPlane | None:
        """A master of these frames, or None with the reason among the problems: the subs are then used without."""
        if not ids:
            return None
        flat_darks = group.flat_darks if group else ()
        under = group.flat_calibration if group else "none"
        try:
            return self._planes(kind, ids, shape, e_per_adu, flat_darks, under, glance or self._in_files)
        except (CalibrationError, FrameError, OSError) as error:
            problems.append(error.line if isinstance(error, CalibrationError | FrameError) else str(error))
            return None

    def _master(
        self,
        kind: CalibrationKind,
        ids: tuple[int, ...],
        shape: tuple[int, int],
        e_per_adu: float | None,
        flat_darks: tuple[int, ...],
        under: str,
        glance: bool = False,
    ) -> MasterPlane:
        known = self._kept(kind, ids, flat_darks, e_per_adu)
        if known is None:
            made = self._make(kind, ids, shape, e_per_adu, flat_darks, under)
            known = self._kept(kind, ids, flat_darks, e_per_adu) if self._in_files else None
            if known is None:
                return plane_of(made)
        return read_plane(known, glance=glance)

    def _kept(
        self, kind: CalibrationKind, ids: tuple[int, ...], flat_darks: tuple[int, ...], e_per_adu: float | None
    ) -> Path | None:
        """Where the master of these frames lies, if it was made before."""
        known = self._ws.ledger.calibration_master(
            _master_key(kind, [self._rows[i] for i in ids], [self._rows[i] for i in flat_darks], e_per_adu)
        )
        path = None if known is None else self._ws.folder / known.path
        return path if path is not None and path.exists() else None

    def _whole(
        self, kind: CalibrationKind, ids: tuple[int, ...], shape: tuple[int, int], e_per_adu: float | None
    ) -> Combined:
        """A master with its variance plane, as making another master from it needs."""
        known = self._kept(kind, ids, (), e_per_adu)
        if known is not None:
            return read_calibration(known).combined
        return self._make(kind, ids, shape, e_per_adu, (), "none").combined

    def _make(
        self,
        kind: CalibrationKind,
        ids: tuple[int, ...],
        shape: tuple[int, int],
        e_per_adu: float | None,
        flat_darks: tuple[int, ...],
        under: str,
    ) -> CalibrationDocument:
        """Combine frames into a master, keep it on disk and in the ledger."""
        rows = [self._rows[i] for i in ids]
        key = _master_key(kind, rows, [self._rows[i] for i in flat_darks], e_per_adu)
        self._ws.progress.say(f"Making a master {kind.replace('_', '-')} from {len(rows)} frames.")
        offset: Combined | float = _pedestal(rows, self._ws)
        if kind == "flat" and flat_darks:
            offset = self._whole("flat_dark" if under == "flat_dark" else "bias", flat_darks, shape, e_per_adu)
        refused: list[str] = []
        with _readers(rows, shape, self._ws.scratch_folder, refused) as readers:
            whole_adu = 255.0 if all(header_of_row(r).bitpix == 8 for r in rows) else None
            combined = self._combine(kind, readers, shape, offset, e_per_adu, whole_adu, refused)
        del offset  # its planes would lie beside those of the new master while that is looked at and written
        name = f"{kind}-{key[:12]}.fits"
        self._ws.calibration_folder.mkdir(parents=True, exist_ok=True)
        path = self._ws.calibration_folder / name
        bad = hot_pixels(combined) if kind == "dark" else dead_pixels(combined) if kind == "flat" else None
        made = CalibrationDocument(kind=kind, combined=combined, bad=bad, sources=tuple(r.name for r in rows))
        write_calibration(path, made)
        document = {"inputs": [r.fingerprint for r in rows], "refused": refused}
        self._ws.ledger.save_calibration_master(
            CalibrationRow(key=key, kind=kind, path=path.relative_to(self._ws.folder), document=document)
        )
        for reason in refused:
            self._ws.progress.say(reason)
        return made

    def _combine(
        self,
        kind: CalibrationKind,
        readers: list[tuple[str, ReadRows]],
        shape: tuple[int, int],
        offset: Combined | float,
        e_per_adu: float | None,
        whole_adu: float | None,
        refused: list[str],
    ) -> Combined:
        if not readers:
            raise CalibrationError(
                f"no {kind} frame can be read", seen="; ".join(refused), next_step="take good ones in"
            )
        frames = [r for _, r in readers]
        memory = min(self._ws.memory_bytes // 4, 192 * 1024 * 1024)
        if kind == "flat":
            made = master_flat(
                frames,
                shape,
                dark=offset,
                ceiling_adu=whole_adu,
                names=[n for n, _ in readers],
                memory_bytes=memory,
                workers=self._ws.workers,
            )
            refused += [reason for _, reason in made.refused]
            return made.combined
        if kind == "bias":
            return master_bias(frames, shape, memory_bytes=memory, workers=self._ws.workers)
        return master_dark(frames, shape, e_per_adu=e_per_adu, memory_bytes=memory, workers=self._ws.workers)


def _dark_current(rig: Rig | None, sensor_c: float | None) -> float | None:
    """Dark current of the campaign's table at a sensor temperature, straight in its logarithm; None if it does not tell."""
    if rig is None or not rig.camera.dark_e_per_s or sensor_c is None:
        return None
    table = sorted((t, max(v, 1e-9)) for t, v in rig.camera.dark_e_per_s)
    return float(np.exp(np.interp(sensor_c, [t for t, _ in table], np.log([v for _, v in table]))))


def measured_read_noise_e(ws: Workspace, groups: Sequence[Matched] | None = None) -> dict[str, float]:
    """Read noise in electrons by rig, as the master biases of its latest subs tell it, where campaign.toml does not.

    Only subs at the gain setting of the rig's first `gains` entry count (any where it names none), unbinned, of known
    electrons a count. A rig without such a master is left out: nothing is made for it here.
    """
    rigs = {r.name: r for r in ws.settings.rig if not (r.camera.gains and r.camera.gains[0].read_noise_e is not None)}
    masters = {m.key: m.path for m in ws.ledger.calibration_masters() if m.kind == "bias"} if rigs else {}
    if not masters:
        return {}
    lines = {line.frame_id: line for line in ws.ledger.fact_lines() if line.kind == "sub" and line.rig in rigs}
    latest: dict[tuple[str, tuple[int, ...], float], FactLine] = {}
    for group in calibration_groups(ws) if groups is None else groups:
        for line in (lines[i] for i in group.subs if i in lines):
            rig = rigs[line.rig or ""]
            setting = rig.camera.gains[0].setting if rig.camera.gains else None
            gain = rig.gain_for(line.gain)
            e_per_adu = (gain.e_per_adu if gain else None) or line.e_per_adu
            if not group.bias or e_per_adu is None or line.binning_x != 1 or setting not in (None, line.gain):
                continue
            key = (rig.name, group.bias, e_per_adu)
            if key not in latest or _moment(latest[key]) < _moment(line):
                latest[key] = line
    found: dict[str, float] = {}
    for (name, bias, e_per_adu), _ in sorted(latest.items(), key=lambda item: _moment(item[1])):
        path = masters.get(_master_key("bias", ws.ledger.frames(ids=bias), (), e_per_adu))
        try:
            noise = read_plane(ws.folder / path, glance=True).noise * e_per_adu if path is not None else math.nan
        except CalibrationError:  # it is told, and made anew, by the next judge
            continue
        if math.isfinite(noise) and noise > 0.0:
            found[name] = noise  # the latest stays
    return found


def _moment(line: FactLine) -> datetime:
    return line.start or datetime.min


def _master_key(kind: str, rows: Sequence[FrameRow], under: Sequence[FrameRow], e_per_adu: float | None) -> str:
    parts = [
        str(RECIPE_VERSION),
        kind,
        str(e_per_adu),
        *sorted(r.fingerprint for r in rows),
        "under",
        *sorted(r.fingerprint for r in under),
    ]
    return hashlib.sha256("|".join(parts).encode()).hexdigest()


def _pedestal(rows: Sequence[FrameRow], ws: Workspace) -> float:
    header = header_of_row(rows[0])
    rig = ws.settings.rig_named(rows[0].rig)
    gain = rig.gain_for(header.gain) if rig else None
    return float(header.pedestal_adu or (gain.offset_adu if gain and gain.offset_adu else 0.0))


def _ceiling_adu(full_well_e: float | None, e_per_adu: float | None, pedestal_adu: float, bits: int) -> float:
    """Where a pixel is full: the converter's end, or the well's, whichever comes first; 1 % below, for noise at the top."""
    converter = float(2 ** min(bits, 16) - 1) if bits <= 16 else 2.0**bits - 1
    if bits < 16:
        converter = 65535.0  # cameras of 12 and 14 bits often stretch their values to 16: only the well tells then
    if full_well_e and e_per_adu:
        return min(converter, full_well_e / e_per_adu + pedestal_adu) * 0.99
    return converter * 0.99


def _bad_pixels(*masters: MasterPlane | None) -> npt.NDArray[np.bool_] | None:
    """The pixels that any of the masters shows to be bad."""
    masks = [m.bad for m in masters if m is not None and m.bad is not None]
    return None if not masks else reduce(np.logical_or, masks)  # its own `reduce` would stack the masks first


@contextmanager
def _readers(
    rows: Sequence[FrameRow], shape: tuple[int, int], scratch: Path, refused: list[str]
) -> Iterator[list[tuple[str, ReadRows]]]:
    """Open row readers on frames; those that cannot be used are named in `refused`."""
    with ExitStack() as stack:
        readers: list[tuple[str, ReadRows]] = []
        for row in rows:
            try:
                source: PixelSource = stack.enter_context(open_pixels(row.path, scratch_dir=scratch))
            except FrameError as error:
                refused.append(error.line)
                continue
            if source.shape != shape:
                refused.append(
                    f"{row.name}: {source.shape[1]}x{source.shape[0]} pixels where {shape[1]}x{shape[0]} are needed"
                )
                continue
            readers.append((row.name, source.read_rows))
        yield readers
