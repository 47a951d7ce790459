"""Packed frames, unpacked once: gzip streams and compressed tiles.

Nothing is written beyond what the header promises, so that a few packed bytes cannot fill the disk.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from nightfold.errors import FrameError
from nightfold.frames.cards import BLOCK, GzipBytes, Layout
from nightfold.frames.header import read_layout
from nightfold.frames.identity import quick_fingerprint
from nightfold.frames.unfinished import unfinished

MOST_IN_MEMORY = 1 << 30
_PIECE = 1 << 20


def inflate(path: Path, scratch_dir: Path) -> Path:
    """An unpacked copy of a packed file in `scratch_dir`; a copy made before of the same content is used again.

    The copy holds everything up to the end of the image and appears under its name only when it is whole. The caller
    removes it.

    Raises
    ------
    FrameError
        The packed file breaks off, is corrupt, or the disk has no room for it.
    """
    layout, _ = read_layout(path)
    if layout.container == "plain":
        return path
    target = scratch_dir / f"{quick_fingerprint(path)}.fits"
    if target.exists():
        return target
    end = (layout.data_offset + layout.pixel_bytes) if layout.container == "gzip" else layout.pixel_bytes + 2 * BLOCK
    scratch_dir.mkdir(parents=True, exist_ok=True)
    free = shutil.disk_usage(scratch_dir).free
    if end > free:
        raise FrameError(
            f"{path.name}: no room to unpack it",
            seen=f"{free >> 20} MiB free in {scratch_dir}",
            allowed=f"{(end >> 20) + 1} MiB",
            next_step="free some space or name another scratch folder",
        )
    pieces = _gzip_pieces(path, end) if layout.container == "gzip" else _tile_pieces(path, layout)
    _write_whole(target, pieces)
    return target


def unpack_to_memory(path: Path, layout: Layout) -> bytes:
    """The stored values of a packed image, big-endian, row by row."""
    if layout.pixel_bytes > MOST_IN_MEMORY:
        raise FrameError(
            f"{path.name}: too large to unpack into memory",
            seen=f"{layout.pixel_bytes >> 20} MiB",
            allowed=f"{MOST_IN_MEMORY >> 20} MiB",
            next_step="give a scratch folder",
        )
    out = bytearray(layout.pixel_bytes)
    if layout.container == "tiles":
        _copy(_stored_rows(path, layout), out, 0)
    else:
        _copy(_gzip_pieces(path, layout.data_offset + layout.pixel_bytes), out, layout.data_offset)
    return bytes(out)


def _copy(pieces: Iterator[bytes], out: bytearray, skip: int) -> None:
    """Put the stream after its first `skip` bytes into `out`."""
    at = -skip
    for piece in pieces:
        start = max(0, -at)
        if start < len(piece):
            out[at + start : at + len(piece)] = piece[start:]
        at += len(piece)


def _gzip_pieces(path: Path, end: int) -> Iterator[bytes]:
    """The unpacked stream up to `end`, and on to its own end where that is near, so that its check sum is verified."""
    with path.open("rb", buffering=0) as file:
        stream = GzipBytes(file, path.name)
        total = 0
        while total < end:
            piece = stream.more(min(_PIECE, end - total))
            if not piece:
                raise FrameError(
                    f"{path.name}: truncated, {end - total} bytes are missing",
                    seen=f"{total} bytes",
                    allowed=f"{end} bytes or more by its header",
                    next_step="copy it again from its source",
                )
            total += len(piece)
            yield piece
        beyond = 0
        while beyond < BLOCK and (piece := stream.more(BLOCK)):
            beyond += len(piece)


def _tile_pieces(path: Path, layout: Layout) -> Iterator[bytes]:
    """A plain FITS file with the image of a file of compressed tiles."""
    from astropy.io import fits  # takes longer to load than most files to read

    header = fits.Header()
    header["SIMPLE"] = True
    header["BITPIX"] = layout.bitpix
    header["NAXIS"] = 2
    header["NAXIS1"] = layout.width_px
    header["NAXIS2"] = layout.height_px
    header["BSCALE"] = layout.bscale
    header["BZERO"] = layout.bzero
    if layout.blank is not None:
        header["BLANK"] = layout.blank
    yield header.tostring().encode("ascii")
    yield from _stored_rows(path, layout)
    yield bytes(-layout.pixel_bytes % BLOCK)


def _stored_rows(path: Path, layout: Layout) -> Iterator[bytes]:
    """Stored values of an image of compressed tiles, big-endian, some rows at a time."""
    from astropy.io import fits

    dtype = np.dtype({8: ">u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}[layout.bitpix])
    rows = max(1, _PIECE // (layout.width_px * dtype.itemsize))
    try:
        with fits.open(path, mode="readonly", memmap=False, do_not_scale_image_data=True) as hdus:
            section: Any = hdus[layout.hdu].section
            for y in range(0, layout.height_px, rows):
                piece = np.asarray(section[y : min(y + rows, layout.height_px), :])
                if piece.dtype.kind == "f" and layout.bitpix > 0:
                    raise FrameError(f"{path.name}: its tiles do not hold what the header says", seen=str(piece.dtype))
                yield piece.astype(dtype, copy=False).tobytes()
    except FrameError:
        raise
    except Exception as error:  # whatever the unpacker makes of corrupt tiles: it names no errors of its own
        raise FrameError(
            f"{path.name}: its compressed tiles cannot be unpacked",
            seen=str(error),
            next_step="copy it again from its source",
        ) from error


def _write_whole(target: Path, pieces: Iterator[bytes]) -> None:
    """Write a file that appears only when it is whole."""
    name = unfinished(target)
    try:
        with name.open("xb") as file:
            for piece in pieces:
                file.write(piece)
        os.replace(name, target)
    except OSError as error:
        name.unlink(missing_ok=True)
        raise FrameError(
            f"{target.name}: cannot be written to scratch",
            seen=error.strerror or str(error),
            next_step=f"free some space in {target.parent} or name another scratch folder",
        ) from error
    except BaseException:
        name.unlink(missing_ok=True)
        raise
