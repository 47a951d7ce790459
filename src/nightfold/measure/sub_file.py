"""From one sub's file to its reading: the same function in this process's threads and on a cluster's workers."""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace
from pathlib import Path

from nightfold.calibrate.handing import Handed
from nightfold.calibrate.packed import let_packed_go
from nightfold.calibrate.records import Calibration
from nightfold.errors import FrameError, NightfoldError
from nightfold.measure.background import bin_frame
from nightfold.measure.blank import blank_noise_e
from nightfold.measure.cfa import superpixel
from nightfold.measure.core import measure_frame, measure_sub
from nightfold.measure.prepare import Buffers, Prepared, prepare_sub
from nightfold.measure.records import Reading

_kept = threading.local()


@dataclass(frozen=True, slots=True, kw_only=True)
class SubFile:
    """A sub to be measured. `cfa` is "" or the pattern of its colour filters."""

    path: Path
    width_px: int
    height_px: int
    exposure_s: float
    cfa: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A reading and the hash of the whole file; or, with neither, why there is none."""

    reading: Reading | None = None
    sha256: str | None = None
    fault: str = ""


def measure_file(sub: SubFile, calibration: Calibration) -> Measured:
    """Read a sub once and measure it; a file that cannot be used is a fault, not an error."""
    buffers = getattr(_kept, "buffers", None) or Buffers()
    _kept.buffers = buffers
    try:
        prepared = prepare_sub(sub.path, calibration, buffers)
        reading = _reading(sub, prepared, calibration.read_noise_e)
        blank = blank_noise_e(reading, calibration, sub.exposure_s)
        return Measured(reading=replace(reading, blank_noise_e=blank), sha256=prepared.sha256)
    except NightfoldError as error:
        return Measured(fault=error.line)
    except OSError as error:
        return Measured(fault=f"{sub.path}: {error.strerror or error}")


def let_buffers_go() -> None:
    """Give this thread's planes back, and the packed calibrations."""
    _kept.buffers = None
    let_packed_go()


def measure_elsewhere(task: tuple[SubFile, Handed]) -> Measured:
    """A worker's task: `measure_file` with the calibration from its files."""
    sub, handed = task
    return measure_file(sub, handed.load())


def files_of(task: tuple[SubFile, Handed]) -> list[Path]:
    """The files that a worker's task opens."""
    sub, handed = task
    return [sub.path, *handed.files]


def _reading(sub: SubFile, prepared: Prepared, read_noise_e: float) -> Reading:
    if not prepared.any_finite:
        raise FrameError(f"{sub.path.name} holds no finite pixel", next_step="take the file in again from its source")
    frame = prepared.frame
    if sub.cfa:
        cells = measure_sub(superpixel(frame.image, sub.cfa), read_noise_e=read_noise_e / 2.0)
        return _from_cells(cells, sub)
    binned = prepared.binned or bin_frame(frame.image, 1)[0]
    return measure_frame(frame, binned, read_noise_e=read_noise_e, saturated_count=prepared.saturated_count)


def _from_cells(reading: Reading, sub: SubFile) -> Reading:
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
        width_px=sub.width_px,
        height_px=sub.height_px,
        stars=stars,
        sky=sky,
        fwhm_px=2.0 * reading.fwhm_px,
        fwhm_error_px=2.0 * reading.fwhm_error_px,
        half_flux_radius_px=2.0 * reading.half_flux_radius_px,
        half_flux_radius_error_px=2.0 * reading.half_flux_radius_error_px,
    )
