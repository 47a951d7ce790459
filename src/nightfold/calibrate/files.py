"""Master calibration frames as FITS files: written whole or not at all, the same bytes for the same inputs."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Literal

import numpy as np
import numpy.typing as npt

from nightfold.calibrate.core import Combined
from nightfold.calibrate.records import MasterPlane
from nightfold.errors import CalibrationError, FrameError
from nightfold.frames.cards import Hdu, open_source, read_hdus
from nightfold.frames.header import read_layout

CalibrationKind = Literal["bias", "dark", "flat", "flat_dark"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationDocument:
    """A master calibration frame with what is known of it.

    `facts` are extra header cards, keyword to value; `sources` the file names that it was made from.
    """

    kind: CalibrationKind
    combined: Combined
    bad: npt.NDArray[np.bool_] | None = None
    facts: dict[str, str | int | float | bool] = field(default_factory=dict)
    sources: tuple[str, ...] = ()


def write_calibration(path: Path, document: CalibrationDocument) -> None:
    """Write a master calibration frame: primary image, VARIANCE, USED and (where known) BAD."""
    from astropy.io import fits

    from nightfold.frames.write import write_fits

    combined = document.combined
    primary = fits.PrimaryHDU(np.asarray(combined.mean, np.float32))
    header = primary.header
    header["IMAGETYP"] = ("master " + document.kind.replace("_", " "), "kind of calibration frame")
    header["BUNIT"] = ("" if document.kind == "flat" else "adu", "unit of the values; a flat has mean 1")
    header["NCOMBINE"] = (combined.frames, "frames combined")
    header["SMPNOISE"] = (combined.noise, "noise of one frame at the typical level")
    header["VARTYP"] = (combined.typical_variance, "typical variance of the mean")
    for keyword, value in document.facts.items():
        header[keyword] = value
    for name in document.sources:
        header.add_history(f"from {_ascii(name)}")
    units = [
        primary,
        fits.ImageHDU(np.asarray(combined.variance_of_mean, np.float32), name="VARIANCE"),
        fits.ImageHDU(np.asarray(combined.used, np.int32), name="USED"),
        fits.BinTableHDU.from_columns([fits.Column("LEVEL", "D", array=np.asarray(combined.levels))], name="FRAMES"),
    ]
    if document.bad is not None:
        units.append(fits.ImageHDU(document.bad.astype(np.uint8), name="BAD"))
    write_fits(path, *units)


def read_calibration(path: Path) -> CalibrationDocument:
    """The master calibration frame in `path`."""
    from astropy.io import fits

    try:
        read_layout(path)  # refuses a file that promises more than it holds before room is made for it
        with fits.open(path, memmap=False) as units:
            header = units[0].header
            kind = str(header["IMAGETYP"]).removeprefix("master ").replace(" ", "_")
            if kind not in ("bias", "dark", "flat", "flat_dark"):
                raise KeyError(kind)
            combined = Combined(
                mean=units[0].data.astype(np.float32),
                variance_of_mean=units["VARIANCE"].data.astype(np.float32),
                used=units["USED"].data.astype(np.int32),
                frames=int(header["NCOMBINE"]),
                levels=tuple(float(v) for v in units["FRAMES"].data["LEVEL"]),
                noise=float(header["SMPNOISE"]),
            )
            bad = units["BAD"].data.astype(bool) if "BAD" in units else None
            own = {
                "IMAGETYP",
                "BUNIT",
                "NCOMBINE",
                "SMPNOISE",
                "VARTYP",
                "SIMPLE",
                "BITPIX",
                "NAXIS",
                "NAXIS1",
                "NAXIS2",
            }
            own |= {"EXTEND", "CHECKSUM", "DATASUM", "HISTORY", "COMMENT", ""}
            facts = {k: v for k, v in header.items() if k not in own}
            history = [str(line) for line in header.get("HISTORY", [])]
    except Exception as problem:  # a file that is none of ours ends in any of astropy's errors
        raise CalibrationError(
            f"{path.name} is not a master calibration frame of ours",
            seen=f"{type(problem).__name__}: {problem}",
            next_step="remove it; it is made again from the raw frames",
        ) from problem
    sources = tuple(line.removeprefix("from ") for line in history if line.startswith("from "))
    return CalibrationDocument(kind=kind, combined=combined, bad=bad, facts=facts, sources=sources)  # type: ignore[arg-type]


def _ascii(text: str) -> str:
    """Text that a FITS card may hold."""
    return text.encode("ascii", "backslashreplace").decode("ascii")


def read_plane(path: Path, *, glance: bool = False) -> MasterPlane:
    """The mean of the master in `path` with its typical numbers and bad pixels; its variance plane is left unread.

    With `glance` the planes stay in the file, the mean big-endian, and are read where they are looked at.
    """
    try:
        with path.open("rb", buffering=0) as file:
            units = {u.cards.get("EXTNAME", ""): u for u in read_hdus(open_source(path, file), path.name)}
            cards = units[""].cards
            bad = np.asarray(_data(file, units["BAD"], glance)).view(np.bool_) if "BAD" in units else None
            mean = _data(file, units[""], glance)
            return MasterPlane(
                mean=np.asarray(mean, mean.dtype if glance else np.float32),
                typical_variance=_number(cards["VARTYP"]),
                noise=_number(cards["SMPNOISE"]),
                frames=int(_number(cards["NCOMBINE"])),
                bad=bad,
            )
    except (OSError, KeyError, ValueError, TypeError, AttributeError, FrameError) as problem:
        raise CalibrationError(
            f"{path.name} is not a master calibration frame of ours",
            seen=f"{type(problem).__name__}: {problem}",
            next_step="remove it; it is made again from the raw frames",
        ) from problem


def _data(file: BinaryIO, unit: Hdu, glance: bool = False) -> npt.NDArray[np.generic]:
    """The image of a part, in this machine's order of bytes unless it is only glanced at."""
    kinds = {8: "u1", 16: ">i2", 32: ">i4", -32: ">f4", -64: ">f8"}
    dtype = np.dtype(kinds[int(_number(unit.cards["BITPIX"]))])
    shape = (int(_number(unit.cards["NAXIS2"])), int(_number(unit.cards["NAXIS1"])))
    if glance:
        return np.memmap(file, dtype, "r", unit.data_offset, shape)
    file.seek(unit.data_offset)
    values = np.fromfile(file, dtype, shape[0] * shape[1]).reshape(shape)
    # In place: a second plane of a full frame would take longer to be given than to be filled.
    return values if dtype.isnative else values.byteswap(inplace=True).view(dtype.newbyteorder("="))


def _number(value: object) -> float:
    if not isinstance(value, int | float):
        raise TypeError(f"{value!r} is no number")
    return float(value)


def plane_of(document: CalibrationDocument) -> MasterPlane:
    """The same from a master in memory."""
    c = document.combined
    return MasterPlane(
        mean=c.mean, typical_variance=c.typical_variance, noise=c.noise, frames=c.frames, bad=document.bad
    )
