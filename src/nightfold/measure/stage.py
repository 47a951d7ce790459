"""Measures every sub of the ledger that has no reading yet: each file is read once, hashed on the way, and never again."""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace

from nightfold.calibrate.stage import CalibrationRoom, SubCalibration
from nightfold.engine.core import parallel_map
from nightfold.errors import FrameError, NightfoldError
from nightfold.intake.stage import header_of_row
from nightfold.ledger.records import FrameRow, ReadingRow
from nightfold.ledger.workspace import Workspace
from nightfold.measure.background import bin_frame
from nightfold.measure.cfa import superpixel
from nightfold.measure.core import measure_frame, measure_sub
from nightfold.measure.pack import pack_reading, unpack_reading
from nightfold.measure.prepare import Buffers, Prepared, prepare_sub
from nightfold.measure.records import READING_VERSION, Reading

CALIBRATION_BYTES_A_PIXEL = 9
"""Dark and flat as float32, and the mask of bad pixels."""
WORKER_BYTES_A_PIXEL = 8
"""A frame as float32, its halved copy, its saturated pixels, and what finding stars and trails takes for a while."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureReport:
    """How many subs were measured now, and what stood against others."""

    measured: int
    unreadable: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]


def measure_subs(ws: Workspace, *, again: bool = False) -> MeasureReport:
    """Measure all subs that lack a reading of this version and calibration; with `again`, all."""
    room = CalibrationRoom(ws)
    done = {} if again else ws.ledger.reading_versions()
    todo = [row for row in ws.ledger.frames(kind="sub") if done.get(row.id) != (READING_VERSION, room.key_of(row.id))]
    # Subs that share a calibration follow each other, so that its planes are made and loaded once.
    todo.sort(key=lambda row: room.key_of(row.id))
    lock = threading.Lock()
    kept = threading.local()
    notes: dict[str, None] = {}

    def measure(row: FrameRow) -> tuple[FrameRow, SubCalibration | None, Reading | str, str | None]:
        try:
            with lock:
                calibration = room.of(row.id)
            buffers = getattr(kept, "buffers", None) or Buffers()
            kept.buffers = buffers
            prepared = prepare_sub(row.path, calibration.calibration, buffers)
            return row, calibration, _reading(row, prepared, calibration), prepared.sha256
        except NightfoldError as error:
            return row, None, error.line, None
        except OSError as error:
            return row, None, f"{row.path}: {error.strerror or error}", None

    largest = max((row.width_px * row.height_px for row in todo), default=0)
    workers = workers_within(ws.memory_bytes, largest, ws.workers)
    measured = 0
    unreadable: list[tuple[str, str]] = []
    ws.progress.start(len(todo), "Measuring", "subs")
    try:
        for row, calibration, result, sha256 in parallel_map(measure, todo, workers=workers, cancelled=ws.cancelled):
            ws.progress.advance()
            if isinstance(result, str) or calibration is None:
                unreadable.append((row.name, str(result)))
                ws.ledger.save_fault(row.id, str(result))
                continue
            notes.update(dict.fromkeys((*calibration.calibration.notes, *calibration.problems)))
            scalars, arrays = pack_reading(result)
            ws.ledger.save_reading(
                ReadingRow(
                    frame_id=row.id,
                    version=READING_VERSION,
                    calibration=calibration.key,
                    scalars=scalars,
                    arrays=arrays,
                ),
                sha256=sha256,
            )
            measured += 1
    finally:
        ws.progress.finish()
    return MeasureReport(measured=measured, unreadable=tuple(unreadable), notes=tuple(notes))


def workers_within(memory_bytes: int, pixels: int, workers: int) -> int:
    """As many of the workers as fit under the ceiling of memory, at least one: each holds a frame, all share the calibration."""
    room = memory_bytes - CALIBRATION_BYTES_A_PIXEL * pixels
    return max(1, min(workers, room // max(1, WORKER_BYTES_A_PIXEL * pixels)))


def _reading(row: FrameRow, prepared: Prepared, sub: SubCalibration) -> Reading:
    read_noise_e = sub.calibration.read_noise_e
    if not prepared.any_finite:
        raise FrameError(f"{row.name} holds no finite pixel", next_step="take the file in again from its source")
    frame = prepared.frame
    cfa = header_of_row(row).cfa
    if cfa:
        return _from_cells(measure_sub(superpixel(frame.image, cfa), read_noise_e=read_noise_e / 2.0), row)
    binned = prepared.binned or bin_frame(frame.image, 1)[0]
    return measure_frame(frame, binned, read_noise_e=read_noise_e, saturated_count=prepared.saturated_count)


def _from_cells(reading: Reading, row: FrameRow) -> Reading:
    """A reading of 2x2 cells in the pixels of the frame as stored."""
    stars = reading.stars
    stars = replace(
        stars,
        x=2.0 * stars.x + 0.5,
        y=2.0 * stars.y + 0.5,
        position_error_px=2.0 * stars.position_error_px,
        fwhm_px=2.0 * stars.fwhm_px,
        half_flux_radius_px=2.0 * stars.half_flux_radius_px,
        flux_e=4.0 * stars.flux_e,
        flux_error_e=4.0 * stars.flux_error_e,
    )
    sky = replace(reading.sky, x_px=2.0 * reading.sky.x_px + 0.5, y_px=2.0 * reading.sky.y_px + 0.5)
    return replace(
        reading,
        width_px=row.width_px,
        height_px=row.height_px,
        stars=stars,
        sky=sky,
        fwhm_px=2.0 * reading.fwhm_px,
        fwhm_error_px=2.0 * reading.fwhm_error_px,
        half_flux_radius_px=2.0 * reading.half_flux_radius_px,
        half_flux_radius_error_px=2.0 * reading.half_flux_radius_error_px,
    )


def load_readings(ws: Workspace, rows: list[FrameRow]) -> dict[int, Reading]:
    """The readings of frames, by frame."""
    return {i: unpack_reading(r.scalars, r.arrays) for i, r in ws.ledger.readings([row.id for row in rows]).items()}
