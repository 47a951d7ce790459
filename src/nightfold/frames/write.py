"""FITS out: whole or not at all, the same bytes for the same content, check sums with a fixed comment."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
from astropy.io import fits

from nightfold.errors import NightfoldError
from nightfold.frames.unfinished import unfinished

CHECKSUM_COMMENT = "FITS checksum of this part"
Card = tuple[str, Any, str]
_STRUCTURE = {"SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "BZERO", "BSCALE", "EXTEND", "END"}


def write_fits(path: Path, *hdus: Any, when: str = CHECKSUM_COMMENT) -> Path:
    """Write parts (astropy HDUs, the primary first) to `path` with DATASUM and CHECKSUM.

    The file appears under its name only when it is whole and on the disk; an older one is replaced. The same parts give
    the same bytes, since `when` stands where the time of writing would (FITS Standard 4.0, 4.4.2.7).

    Raises
    ------
    NightfoldError
        The folder or the disk does not take the file.
    """
    parts = fits.HDUList(list(hdus))
    parts.update_extend()  # it changes the primary header, so it goes before the sums
    for part in parts:
        part.add_checksum(when=when)

    def fill(file: BinaryIO) -> None:
        parts.writeto(file, output_verify="exception")

    _write(path, fill)
    return path


def write_raw(path: Path, data: npt.NDArray[np.uint16], cards: Iterable[Card] = ()) -> Path:
    """Write counts as a camera does: 16-bit unsigned by BZERO 32768, one image, `cards` in their order.

    Parameters
    ----------
    path : Path
        Where to; its folder must exist.
    data : ndarray
        Counts in ADU, uint16, shape (height, width).
    cards : iterable of (keyword, value, comment)
        Further header cards. A keyword of HISTORY or COMMENT may stand several times.
    """
    if data.dtype != np.uint16 or data.ndim != 2:
        raise ValueError(f"a raw frame is a uint16 image, this is {data.dtype} of shape {data.shape}")
    header = raw_header(data.shape, cards)

    def fill(file: BinaryIO) -> None:
        file.write(header)
        stored = np.bitwise_xor(data, np.uint16(0x8000)).astype(">u2")  # turning the top bit takes off 32768
        file.write(stored.reshape(-1).view(np.uint8).data)
        file.write(bytes(-stored.nbytes % 2880))

    _write(path, fill)
    return path


def raw_header(shape: tuple[int, ...], cards: Iterable[Card] = ()) -> bytes:
    """Header blocks of a 16-bit unsigned image of `shape` (height, width)."""
    header = fits.Header()
    header["SIMPLE"] = (True, "conforms to FITS standard")
    header["BITPIX"] = (16, "bits a stored value")
    header["NAXIS"] = (2, "axes")
    header["NAXIS1"] = (shape[1], "columns")
    header["NAXIS2"] = (shape[0], "rows")
    header["BZERO"] = (32768, "added to stored values")
    header["BSCALE"] = (1, "multiplies stored values")
    for key, value, comment in cards:
        if key.upper() in _STRUCTURE:
            raise ValueError(f"{key} is set by the image itself")
        if key.upper() in {"HISTORY", "COMMENT"}:
            header.add_comment(value) if key.upper() == "COMMENT" else header.add_history(value)
        else:
            header.append((key, value, comment), end=True)
    text: str = header.tostring()
    return text.encode("ascii")


def frame_cards(values: Sequence[tuple[str, Any]]) -> list[Card]:
    """Cards without comments, those of None left out."""
    return [(key, value, "") for key, value in values if value is not None]


def _write(path: Path, fill: Any) -> None:
    name = ""
    try:
        name = str(unfinished(path))
        with open(name, "wb") as file:
            fill(file)
            file.flush()
            os.fsync(file.fileno())
        os.replace(name, path)
        _sync_folder(path.parent)
    except OSError as error:
        raise NightfoldError(
            f"{path.name}: cannot be written",
            seen=error.strerror or str(error),
            next_step=f"check the space and the rights of {path.parent}",
        ) from error
    finally:
        if name:
            Path(name).unlink(missing_ok=True)


def _sync_folder(folder: Path) -> None:
    """Make the new name last through a power cut, where the system can."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
