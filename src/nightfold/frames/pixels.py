"""Pixels of one exposure: any rows, any box, as float32 in ADU, without reading the rest.

A plain file is read in place, a piece at a time into a small buffer that stays in the processor's cache, and converted
from there. Packed files (gzip, compressed tiles) are unpacked once, into a scratch file or into memory.

Measured on one thread, 6248 x 4176 16-bit pixels in the file cache: 5 ms a frame into a kept array (astropy and a cast:
30 ms); pieces of 128 KiB take 6.5 ms, of 2 MiB 4.9 ms. With SHA-256 in the same pass 33 ms, of which 25 ms is the hash.
"""

from __future__ import annotations

import hashlib
import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import numpy.typing as npt

from nightfold.errors import FrameError
from nightfold.frames.cards import Cards, GzipBytes, Layout
from nightfold.frames.header import read_layout
from nightfold.frames.shares import FULL_RANGE_COUNTS, are_shares
from nightfold.frames.unpack import inflate, unpack_to_memory
from nightfold.kernels.decode import decode_unsigned16
from nightfold.kernels.read_rows import AT_HAND, read_rows

Rows = npt.NDArray[np.float32]

CHUNK_BYTES = 1 << 19
"""Bytes read at a time; half a mebibyte and its float32 stay in the second-level cache."""

STREAM_PIXELS = 1 << 17
"""Pixels handed out at a time, so that raw, dark, flat and result of as many stay in the second-level cache."""

_STORED = {8: ">u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}


class PixelSource:
    """The pixels of one image. Use it as a context manager; any number of threads may read at once.

    Attributes
    ----------
    path : Path
        The file that was asked for.
    file : Path
        The one that holds the pixels: the same, or what it was unpacked to.
    layout : Layout
        How its values are stored.
    shape : tuple of int
        (height, width).
    """

    def __init__(self, path: Path, layout: Layout, *, file: Path | None, memory: bytes | None = None) -> None:
        self.path = path
        self.file = file or path
        self.layout = layout
        self.shape = (layout.height_px, layout.width_px)
        self.stored_dtype = np.dtype(_STORED[layout.bitpix])
        self._memory = memoryview(memory) if memory is not None else None
        self._fd = -1
        self._lock = threading.Lock()
        self._local = threading.local()
        if file is not None:
            try:
                self._fd = os.open(file, os.O_RDONLY | getattr(os, "O_BINARY", 0))
            except OSError as error:
                raise _unreadable(path, error) from error

    def __enter__(self) -> PixelSource:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give the file back."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1
        self._memory = None

    @property
    def is_plain_unsigned16(self) -> bool:
        """True where `read_stored` gives the usual camera values: big-endian int16 with 32768 to add."""
        a = self.layout
        return a.bitpix == 16 and a.bzero == 32768.0 and a.bscale == 1.0 and a.blank is None

    def read_rows(self, y0: int, y1: int, out: Rows | None = None) -> Rows:
        """Rows `y0` to `y1` (not included) in ADU.

        Parameters
        ----------
        y0, y1 : int
            With 0 <= y0 <= y1 <= height.
        out : ndarray, optional
            Float32, shape (y1 - y0, width), C-contiguous; filled and returned.

        Returns
        -------
        ndarray
            Float32, shape (y1 - y0, width); NaN where the file holds no value (BLANK, NaN, infinite).
        """
        return self.read_box(y0, y1, 0, self.shape[1], out)

    def read_box(self, y0: int, y1: int, x0: int, x1: int, out: Rows | None = None) -> Rows:
        """Pixels ``[y0:y1, x0:x1]`` in ADU; as `read_rows`."""
        self._check_box(y0, y1, x0, x1)
        shape = (y1 - y0, x1 - x0)
        if out is None:
            out = np.empty(shape, np.float32)
        elif out.shape != shape or out.dtype != np.float32:
            raise ValueError(f"out is {out.dtype} {out.shape}, but float32 {shape} is read")
        if shape[0] == 0 or shape[1] == 0:
            return out
        if out.flags.c_contiguous:
            self._fill(y0, x0, out)
        else:
            packed = np.empty(shape, np.float32)
            self._fill(y0, x0, packed)
            out[...] = packed
        return out

    def read_stored(self, y0: int, y1: int, x0: int, x1: int) -> npt.NDArray[Any]:
        """Pixels ``[y0:y1, x0:x1]`` as they are stored: big-endian, unscaled; for kernels that convert on their way."""
        self._check_box(y0, y1, x0, x1)
        stored = np.empty((y1 - y0, x1 - x0), self.stored_dtype)
        if stored.size:
            self._fetch(y0, x0, stored)
        return stored

    def _check_box(self, y0: int, y1: int, x0: int, x1: int) -> None:
        height, width = self.shape
        if not (0 <= y0 <= y1 <= height and 0 <= x0 <= x1 <= width):
            raise ValueError(f"box [{y0}:{y1}, {x0}:{x1}] leaves the frame of {height} rows and {width} columns")

    def _fill(self, y0: int, x0: int, out: Rows) -> None:
        rows, width = out.shape
        step = max(1, CHUNK_BYTES // (width * self.stored_dtype.itemsize))
        stored = self._buffer(min(step, rows), width)
        for a in range(0, rows, step):
            b = min(a + step, rows)
            piece = stored[: b - a]
            self._fetch(y0 + a, x0, piece)
            decode(piece, self.layout, out[a:b])

    def _buffer(self, rows: int, width: int) -> npt.NDArray[Any]:
        """This thread's own buffer, kept from call to call."""
        count = rows * width * self.stored_dtype.itemsize
        held = getattr(self._local, "buffer", None)
        if held is None or held.size < count:
            held = np.empty(count, np.uint8)
            self._local.buffer = held
        view: npt.NDArray[Any] = held[:count].view(self.stored_dtype).reshape(rows, width)
        return view

    def _fetch(self, y0: int, x0: int, stored: npt.NDArray[Any]) -> None:
        """Fill `stored` (C-contiguous) with the box that starts at (x0, y0)."""
        rows, width = stored.shape
        item = self.stored_dtype.itemsize
        full = self.shape[1]
        start = self.layout.data_offset + (y0 * full + x0) * item
        if width == full:
            self._read_into(start, stored)
            return
        piecewise = AT_HAND and self._memory is None and self._fd >= 0
        if full * item <= 4096 or width * (1.1 if piecewise else 2) >= full:
            # One read over the gaps costs less than a call for each row.
            span = np.empty(((rows - 1) * full + width) * item, np.uint8)
            self._read_into(start, span)
            strided = np.lib.stride_tricks.as_strided(
                span[: span.size].view(self.stored_dtype), (rows, width), (full * item, item)
            )
            stored[...] = strided
            return
        done = 0
        while done < rows:
            if piecewise:
                done += read_rows(self._fd, start + done * full * item, full * item, stored[done:].view(np.uint8))
            if done < rows:  # whatever came between is met, or told, here
                self._read_into(start + done * full * item, stored[done])
                done += 1

    def _read_into(self, offset: int, target: npt.NDArray[Any]) -> None:
        view = target.reshape(-1).view(np.uint8).data
        if self._memory is not None:
            offset -= self.layout.data_offset
            view[:] = self._memory[offset : offset + len(view)]
            return
        if self._fd < 0:
            raise ValueError(f"{self.path.name} is closed")
        done = 0
        while done < len(view):
            try:
                count = self._read_some(offset + done, view[done:])
            except OSError as error:
                raise _unreadable(self.path, error) from error
            if count == 0:
                raise FrameError(
                    f"{self.path.name}: the file ends inside its pixels",
                    seen=f"{offset + done} bytes",
                    next_step="copy it again from its source",
                )
            done += count

    def _read_some(self, offset: int, view: memoryview) -> int:
        if hasattr(os, "preadv"):
            return os.preadv(self._fd, [view], offset)
        if hasattr(os, "pread"):
            data = os.pread(self._fd, len(view), offset)
        else:  # Windows has neither
            with self._lock:
                os.lseek(self._fd, offset, os.SEEK_SET)
                data = os.read(self._fd, len(view))
        view[: len(data)] = data
        return len(data)


def _is_unsigned16(layout: Layout) -> bool:
    """Whether the values are the plain unsigned counts of a camera."""
    return layout.bitpix == 16 and layout.bzero == 32768.0 and layout.bscale == 1.0 and layout.blank is None


def decode(stored: npt.NDArray[Any], layout: Layout, out: Rows) -> None:
    """Stored values to ADU in float32: BSCALE and BZERO applied; BLANK and everything not finite becomes NaN.

    Parameters
    ----------
    stored : ndarray
        Big-endian as in the file, C-contiguous.
    layout : Layout
        How they are stored.
    out : ndarray
        Float32 of the same shape, C-contiguous; filled.
    """
    plain_scale = layout.bscale == 1.0 and layout.bzero == 0.0
    if _is_unsigned16(layout):
        decode_unsigned16(stored.reshape(-1).view(np.uint16), out.reshape(-1))
        return
    with np.errstate(over="ignore", invalid="ignore"):
        if plain_scale:
            np.copyto(out, stored, casting="unsafe")
        else:
            # In float64, so that a 32-bit integer with a large BZERO loses nothing before the sum.
            out[...] = stored.astype(np.float64) * layout.bscale + layout.bzero
    if layout.bitpix < 0 or not np.isfinite(layout.bscale * layout.bzero):
        np.copyto(out, np.float32(np.nan), where=~np.isfinite(out))
    elif layout.blank is not None:
        np.copyto(out, np.float32(np.nan), where=stored == layout.blank)


def open_pixels(path: Path, hdu: int | None = None, *, scratch_dir: Path | None = None) -> PixelSource:
    """The pixels of a file.

    Parameters
    ----------
    path : Path
        FITS file, also packed.
    hdu : int, optional
        Refuse the file unless its image lies there (a check that it is still the same file).
    scratch_dir : Path, optional
        Where a packed file is unpacked to; without it, into memory.

    Raises
    ------
    FrameError
        As `read_header`, or a packed file that breaks off or is too large for memory.
    """
    layout, cards = read_layout(path)
    if hdu is not None and hdu != layout.hdu:
        raise FrameError(
            f"{path.name}: the image is not where it was", seen=f"part {layout.hdu}", allowed=f"part {hdu}"
        )
    if layout.container == "plain":
        source = PixelSource(path, layout, file=path)
    elif scratch_dir is not None:
        unpacked = inflate(path, scratch_dir)
        inner, _ = read_layout(unpacked)
        source = PixelSource(path, inner, file=unpacked)
    else:
        source = PixelSource(path, layout, file=None, memory=unpack_to_memory(path, layout))
    if _may_be_shares(layout, cards) and _holds_shares(source):
        source.layout = replace(source.layout, bscale=FULL_RANGE_COUNTS)
    return source


def holds_shares(path: Path) -> bool:
    """Whether the file's values are shares of the full range (`nightfold.frames.shares`), which are read as counts."""
    layout, cards = read_layout(path)
    if not _may_be_shares(layout, cards):
        return False
    with open_pixels(path) as source:
        return source.layout.bscale == FULL_RANGE_COUNTS


def _may_be_shares(layout: Layout, cards: Cards) -> bool:
    unit = cards.get("BUNIT")
    return layout.bitpix < 0 and layout.bscale == 1.0 and layout.bzero == 0.0 and not (unit and str(unit).strip())


def _holds_shares(source: PixelSource) -> bool:
    """By all values; those of counts end the look with the first rows. The answer for a file is kept while it is the same."""
    try:
        status = source.path.stat()
    except OSError as error:
        raise _unreadable(source.path, error) from error
    key = (str(source.path), status.st_size, status.st_mtime_ns)
    if key not in _SHARES:
        if len(_SHARES) >= 100_000:
            _SHARES.clear()
        _SHARES[key] = are_shares(_stored_pieces(source))
    return _SHARES[key]


_SHARES: dict[tuple[str, int, int], bool] = {}
"""Whether a file holds shares, by path, size and time of change."""


def _stored_pieces(source: PixelSource) -> Iterator[npt.NDArray[Any]]:
    height, width = source.shape
    step = max(1, CHUNK_BYTES // (width * source.stored_dtype.itemsize))
    for y in range(0, height, step):
        yield source.read_stored(y, min(y + step, height), 0, width)


def read_all(path: Path, *, hash_too: bool = False) -> tuple[Rows, str | None]:
    """All pixels in ADU, and the SHA-256 of the file if asked for, from one pass over its bytes.

    Returns
    -------
    pixels : ndarray
        Float32, shape (height, width); NaN as in `PixelSource.read_rows`.
    sha256 : str or None
        Of the file as it lies on the disk, in hexadecimal.
    """
    whole: list[Rows] = []

    def begin(shape: tuple[int, int]) -> RowsTo:
        out = np.empty(shape, np.float32)
        whole.append(out)
        return lambda y0, y1: out[y0:y1]

    digest = _read(path, begin, lambda _y0, _rows: None, hash_too, CHUNK_BYTES)
    return whole[0], digest


def stream_rows(
    path: Path,
    begin: Callable[[tuple[int, int]], None],
    take: Callable[[int, Rows], None],
    *,
    take_stored: Callable[[int, npt.NDArray[np.uint16]], None] | None = None,
    hash_too: bool = False,
) -> str | None:
    """Hand out all pixels in ADU, a few rows at a time while they are in the cache; the SHA-256 as by `read_all`.

    Parameters
    ----------
    begin : callable
        Told (height, width) before the first rows.
    take : callable
        Given the number of the first row and the rows, float32, an even number of them but for the last; they are
        overwritten by the next.
    take_stored : callable, optional
        Given in place of `take` the rows of 16-bit counts (BZERO 32768) as they lie in the file, seen as native uint16.
    """
    scratch: list[Rows] = []

    def ready(shape: tuple[int, int]) -> RowsTo:
        begin(shape)
        scratch.append(np.empty((_rows_at_once(shape[1], 1, STREAM_PIXELS), shape[1]), np.float32))
        return lambda y0, y1: scratch[0][: y1 - y0]

    return _read(path, ready, take, hash_too, STREAM_PIXELS * 2, take_stored)


RowsTo = Callable[[int, int], Rows]
"""Where rows y0 to y1 go."""


def _rows_at_once(width: int, item: int, most_bytes: int) -> int:
    """An even number of rows, at least two."""
    return max(2, most_bytes // max(1, width * item) // 2 * 2)


def _read(
    path: Path,
    begin: Callable[[tuple[int, int]], RowsTo],
    take: Callable[[int, Rows], None],
    hash_too: bool,
    most_bytes: int,
    take_stored: Callable[[int, npt.NDArray[np.uint16]], None] | None = None,
) -> str | None:
    """Decode all rows into what `begin` gives, piece by piece; `take` is told of each."""
    layout, cards = read_layout(path)
    shape = (layout.height_px, layout.width_px)
    step = _rows_at_once(layout.width_px, max(2, abs(layout.bitpix) // 8), most_bytes)
    if layout.container == "tiles" or _may_be_shares(layout, cards):
        from nightfold.frames.identity import hash_file

        digest = hash_file(path) if hash_too else None
        with open_pixels(path) as source:
            to = begin(shape)
            for a in range(0, shape[0], step):
                b = min(a + step, shape[0])
                take(a, source.read_rows(a, b, to(a, b)))
            return digest
    sha = hashlib.sha256() if hash_too else None
    to = begin(shape)
    try:
        with path.open("rb", buffering=0) as file:
            reader = _HashingReader(file, sha)
            if layout.container == "gzip":
                more = GzipBytes(reader, path.name).more  # type: ignore[arg-type]

                def fill(view: memoryview) -> int:
                    data = more(len(view))
                    view[: len(data)] = data
                    return len(data)

                _decode_stream(fill, layout, to, take, step, path.name, take_stored)
            else:
                _decode_stream(reader.readinto, layout, to, take, step, path.name, take_stored)
            reader.drain()
    except OSError as error:
        raise _unreadable(path, error) from error
    return sha.hexdigest() if sha else None


class _HashingReader:
    """Reads a file forward and hashes what it hands out."""

    def __init__(self, file: Any, sha: Any) -> None:
        self._file = file
        self._sha = sha

    def read(self, count: int) -> bytes:
        data: bytes = self._file.read(count)
        if self._sha is not None:
            self._sha.update(data)
        return data

    def readinto(self, view: memoryview) -> int:
        """Fill as much of `view` as one read gives."""
        count = int(self._file.readinto(view))
        if self._sha is not None:
            self._sha.update(view[:count])
        return count

    def drain(self) -> None:
        """Hash what was not needed."""
        while self._sha is not None and self.read(1 << 20):
            pass


def _decode_stream(
    fill: Callable[[memoryview], int],
    layout: Layout,
    to: RowsTo,
    take: Callable[[int, Rows], None],
    step: int,
    name: str,
    take_stored: Callable[[int, npt.NDArray[np.uint16]], None] | None = None,
) -> None:
    """Decode the image from a stream that starts at the file's first byte."""
    header = memoryview(bytearray(min(layout.data_offset, CHUNK_BYTES)))
    skip = layout.data_offset
    while skip > 0:
        count = fill(header[:skip])
        if not count:
            raise FrameError(f"{name}: the file ends inside its header")
        skip -= count
    dtype = np.dtype(_STORED[layout.bitpix])
    height, width = layout.height_px, layout.width_px
    stored = np.empty((min(step, height), width), dtype)
    for a in range(0, height, step):
        piece = stored[: min(step, height - a)]
        view = piece.reshape(-1).view(np.uint8).data
        done = 0
        while done < len(view):
            count = fill(view[done:])
            if not count:
                raise FrameError(f"{name}: the file ends inside its pixels", next_step="copy it again from its source")
            done += count
        if take_stored is not None and _is_unsigned16(layout):
            take_stored(a, piece.view(np.uint16))
            continue
        rows = to(a, a + piece.shape[0])
        decode(piece, layout, rows)
        take(a, rows)


def _unreadable(path: Path, error: OSError) -> FrameError:
    return FrameError(
        f"{path.name}: cannot be read",
        seen=error.strerror or str(error),
        next_step="check the disk and the file's rights",
    )
