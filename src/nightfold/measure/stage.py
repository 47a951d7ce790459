"""Measures every sub of the ledger that has no reading yet: each file is read once, hashed on the way, and never again."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from shutil import rmtree

from nightfold.calibrate.handing import Handed, hand_over
from nightfold.calibrate.stage import CalibrationRoom, SubCalibration
from nightfold.engine.cluster import Cluster
from nightfold.engine.core import parallel_map
from nightfold.errors import FrameError, NightfoldError
from nightfold.intake.stage import header_of_row
from nightfold.ledger.records import FrameRow, ReadingRow
from nightfold.ledger.workspace import Workspace
from nightfold.measure.pack import pack_reading, unpack_reading
from nightfold.measure.records import READING_VERSION, Reading
from nightfold.measure.sub_file import Measured, SubFile, files_of, let_buffers_go, measure_elsewhere, measure_file

CALIBRATION_BYTES_A_PIXEL = 9
"""Dark and flat as float32 and the mask of bad pixels, while they are packed; less than half of it afterwards."""
WORKER_BYTES_A_PIXEL = 8
"""A frame as float32, its halved copy, and what finding stars and trails takes for a while."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureReport:
    """How many subs were measured now, and what stood against others."""

    measured: int
    unreadable: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]


def measure_subs(ws: Workspace, *, again: bool = False) -> MeasureReport:
    """Measure all subs that lack a reading of this version and calibration; with `again`, all."""
    room = CalibrationRoom(ws, in_files=True)
    done = {} if again else ws.ledger.reading_versions()
    todo = [row for row in ws.ledger.frames(kind="sub") if done.get(row.id) != (READING_VERSION, room.key_of(row.id))]
    # Subs that share a calibration follow each other, so that its planes are made and loaded once.
    todo.sort(key=lambda row: room.key_of(row.id))
    notes: dict[str, None] = {}
    measured = 0
    unreadable: list[tuple[str, str]] = []
    ws.progress.start(len(todo), "Measuring", "subs")
    try:
        for row, calibration, found in _results(ws, room, todo):
            ws.progress.advance()
            if found.reading is None or calibration is None:
                unreadable.append((row.name, found.fault))
                ws.ledger.save_fault(row.id, found.fault)
                continue
            notes.update(dict.fromkeys((*calibration.notes, *calibration.problems)))
            scalars, arrays = pack_reading(found.reading)
            ws.ledger.save_reading(
                ReadingRow(
                    frame_id=row.id,
                    version=READING_VERSION,
                    calibration=calibration.key,
                    scalars=scalars,
                    arrays=arrays,
                ),
                sha256=found.sha256,
            )
            measured += 1
    finally:
        let_buffers_go()
        ws.progress.finish()
    return MeasureReport(measured=measured, unreadable=tuple(unreadable), notes=tuple(notes))


@dataclass(frozen=True, slots=True)
class _Used:
    """What the ledger and the person are told of a calibration; its planes are not held."""

    key: str
    notes: tuple[str, ...]
    problems: tuple[str, ...]


def _results(
    ws: Workspace, room: CalibrationRoom, todo: Sequence[FrameRow]
) -> Iterator[tuple[FrameRow, _Used | None, Measured]]:
    """What measuring each sub gives, in their order: from this machine's threads, or from a cluster's workers."""
    if ws.cluster is not None:
        yield from _results_elsewhere(ws, ws.cluster, room, todo)
        return
    lock = threading.Lock()

    def measure(row: FrameRow) -> tuple[FrameRow, _Used | None, Measured]:
        try:
            with lock:
                calibration = room.of(row.id)
        except NightfoldError as error:
            return row, None, Measured(fault=error.line)
        except OSError as error:
            return row, None, Measured(fault=f"{row.path}: {error.strerror or error}")
        return row, _used(calibration), measure_file(_file_of(row), calibration.calibration)

    largest = max((row.width_px * row.height_px for row in todo), default=0)
    workers = workers_within(ws.memory_bytes, largest, ws.workers)
    yield from parallel_map(measure, todo, workers=workers, cancelled=ws.cancelled)


def _results_elsewhere(
    ws: Workspace, cluster: Cluster, room: CalibrationRoom, todo: Sequence[FrameRow]
) -> Iterator[tuple[FrameRow, _Used | None, Measured]]:
    """Masters are made here and handed over as files; a file that this machine does not see is not asked for elsewhere."""
    folder = ws.handing_folder()
    handed: dict[str, tuple[_Used, Handed]] = {}
    asked: deque[tuple[FrameRow, _Used]] = deque()
    faults: list[tuple[FrameRow, _Used | None, Measured]] = []

    def tasks() -> Iterator[tuple[SubFile, Handed]]:
        for row in todo:
            try:
                calibration = room.of(row.id)
                if calibration.key not in handed:
                    name = calibration.key[:16]
                    handed[calibration.key] = _used(calibration), hand_over(calibration.calibration, folder, name)
                if not row.path.exists():
                    raise FrameError(f"{row.path}: No such file or directory")
            except (NightfoldError, OSError) as error:
                fault = error.line if isinstance(error, NightfoldError) else f"{row.path}: {error.strerror or error}"
                faults.append((row, None, Measured(fault=fault)))
                continue
            used, planes = handed[calibration.key]
            planes = planes.with_numbers_of(calibration.calibration)
            asked.append((row, used))
            yield _file_of(row), planes

    try:
        for found in cluster.map(measure_elsewhere, tasks(), needs=files_of, cancelled=ws.cancelled):
            row, used = asked.popleft()
            yield row, used, found
        yield from faults
    finally:
        rmtree(folder, ignore_errors=True)


def _used(calibration: SubCalibration) -> _Used:
    return _Used(calibration.key, calibration.calibration.notes, calibration.problems)


def _file_of(row: FrameRow) -> SubFile:
    return SubFile(
        path=row.path,
        width_px=row.width_px,
        height_px=row.height_px,
        exposure_s=row.exposure_s or 1.0,
        cfa=header_of_row(row).cfa,
    )


def workers_within(memory_bytes: int, pixels: int, workers: int) -> int:
    """As many of the workers as fit under the ceiling of memory, at least one: each holds a frame, all share the calibration."""
    room = memory_bytes - CALIBRATION_BYTES_A_PIXEL * pixels
    return max(1, min(workers, room // max(1, WORKER_BYTES_A_PIXEL * pixels)))


def load_readings(ws: Workspace, rows: list[FrameRow]) -> dict[int, Reading]:
    """The readings of frames, by frame."""
    return {i: unpack_reading(r.scalars, r.arrays) for i, r in ws.ledger.readings([row.id for row in rows]).items()}
