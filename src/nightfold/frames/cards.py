"""Header blocks of a FITS file, read without its pixels: the cards, and where the image lies.

FITS Standard 4.0, section 3 and 4: blocks of 2880 bytes, cards of 80 characters, `END` closes a header. Values are
parsed only when asked for, so that thousands of headers a second can be looked through.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Literal

from nightfold.errors import FrameError

BLOCK = 2880
CARD = 80
MOST_HEADER_BYTES = 1 << 20
MOST_PIXELS = 1 << 31
MOST_HDUS = 100
MOST_SKIPPED_BYTES = 1 << 28  # of a gzip stream, on the way to the image
GZIP_MAGIC = b"\x1f\x8b"
BITPIX_ALLOWED = (8, 16, 32, 64, -32, -64)

Container = Literal["plain", "gzip", "tiles"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where the image of a file lies and how its values are stored.

    `physical = bscale * stored + bzero`; stored integers equal to `blank` mean "no value". `data_offset` counts in the
    unpacked stream for `gzip`; for `tiles` it is that of the table that holds the compressed tiles.
    """

    container: Container
    hdu: int
    width_px: int
    height_px: int
    bitpix: int
    bscale: float
    bzero: float
    blank: int | None
    data_offset: int
    data_bytes: int  # of the table for `tiles`

    @property
    def pixel_bytes(self) -> int:
        """Bytes of the image once unpacked."""
        return self.width_px * self.height_px * abs(self.bitpix) // 8


class Cards(Mapping[str, object]):
    """Values by keyword; the first card wins where a keyword stands twice. Values are parsed on demand."""

    __slots__ = ("_fields", "history")

    def __init__(self, fields: dict[str, str], history: str = "") -> None:
        self._fields = fields
        self.history = history

    def __getitem__(self, key: str) -> object:
        return parse_field(self._fields[key])[0]

    def __contains__(self, key: object) -> bool:
        return key in self._fields

    def __iter__(self) -> Iterator[str]:
        return iter(self._fields)

    def __len__(self) -> int:
        return len(self._fields)

    def comment(self, key: str) -> str:
        """The comment beside a value, "" if none."""
        field = self._fields.get(key)
        return parse_field(field)[1] if field is not None else ""

    def under(self, primary: Cards) -> Cards:
        """These cards, with those of the primary header where these are silent."""
        return Cards({**primary._fields, **self._fields}, f"{primary.history}\n{self.history}".strip())


_QUOTED = re.compile(r"'((?:[^']|'')*)'?")


def parse_field(field: str) -> tuple[object, str]:
    """Value and comment of a card's text after `= `; None for an undefined value, the text itself if it is no value."""
    text = field.strip()
    if text.startswith("'"):
        match = _QUOTED.match(text)
        assert match is not None  # it starts with a quote
        value = match[1].replace("''", "'").rstrip()
        return value, text[match.end() :].partition("/")[2].strip()
    token, _, comment = text.partition("/")
    token = token.strip()
    comment = comment.strip()
    if not token:
        return None, comment
    if token == "T":
        return True, comment
    if token == "F":
        return False, comment
    try:
        return int(token), comment
    except ValueError:
        pass
    try:
        return float(token.replace("D", "E").replace("d", "e")), comment
    except ValueError:
        return token, comment


def parse_cards(text: str) -> Cards:
    """Cards of one header; `text` is whole cards without the closing `END`."""
    fields: dict[str, str] = {}
    history: list[str] = []
    last = ""
    for i in range(0, len(text), CARD):
        key = text[i : i + 8].rstrip()
        if text[i + 8 : i + 9] == "=" and key:
            last = key.upper()
            fields.setdefault(last, text[i + 9 : i + CARD])
        elif key == "HISTORY":
            history.append(text[i + 8 : i + CARD].rstrip())
        elif key == "CONTINUE" and last:
            fields[last] = _continued(fields[last], text[i + 8 : i + CARD])
        elif key == "HIERARCH":
            name, found, field = text[i + 8 : i + CARD].partition("=")
            if found:
                last = name.strip().upper()
                fields.setdefault(last, field)
    return Cards(fields, "\n".join(history))


def _continued(field: str, more: str) -> str:
    """A long string whose last character `&` asks for the next card (FITS Standard 4.2.1.2)."""
    value, _ = parse_field(field)
    extra, comment = parse_field(more)
    if not isinstance(value, str) or not isinstance(extra, str) or not value.endswith("&"):
        return field
    joined = (value[:-1] + extra).replace("'", "''")
    return f"'{joined}' / {comment}"


class PlainBytes:
    """Any piece of an uncompressed file."""

    def __init__(self, file: BinaryIO, size: int) -> None:
        self._file = file
        self.size: int | None = size

    def read_at(self, offset: int, count: int) -> bytes:
        """Up to `count` bytes from `offset`; fewer at the end."""
        self._file.seek(offset)
        return self._file.read(count)


class GzipBytes:
    """The unpacked stream of a gzip file, from its start as far as asked for (RFC 1952, several members allowed)."""

    def __init__(self, file: BinaryIO, name: str) -> None:
        self._file = file
        self._name = name
        self._unpack = zlib.decompressobj(wbits=31)
        self._buffer = bytearray()
        self._pending = b""
        self._ended = False
        self.size: int | None = None

    def read_at(self, offset: int, count: int) -> bytes:
        """Up to `count` unpacked bytes from `offset`; fewer at the end."""
        if offset + count > MOST_SKIPPED_BYTES:
            raise FrameError(
                f"{self._name}: no image near the start of the packed file",
                allowed=f"an image within {MOST_SKIPPED_BYTES >> 20} MiB",
                next_step="unpack the file and take it in again",
            )
        while len(self._buffer) < offset + count and not self._ended:
            self._buffer += self.more(max(offset + count - len(self._buffer), 1 << 14))
        return bytes(self._buffer[offset : offset + count])

    def more(self, most: int) -> bytes:
        """The next piece of the stream, at most `most` bytes; b"" at its end.

        Raises
        ------
        FrameError
            Where the packed stream breaks off or is corrupt.
        """
        while True:
            if self._unpack.eof:
                rest = self._unpack.unused_data
                if not rest:
                    rest = self._file.read(1 << 16)
                if not rest.startswith(GZIP_MAGIC):  # padding after the last member
                    self._ended = True
                    return b""
                self._unpack = zlib.decompressobj(wbits=31)
                self._pending = rest
            packed = self._pending or self._file.read(1 << 16)
            if not packed:
                raise FrameError(f"{self._name}: the packed file breaks off", next_step="copy it again from its source")
            try:
                piece = self._unpack.decompress(packed, most)
            except zlib.error as error:
                raise FrameError(
                    f"{self._name}: the packed file is corrupt", seen=str(error), next_step="copy it from its source"
                ) from error
            self._pending = self._unpack.unconsumed_tail
            if piece:
                return piece


Source = PlainBytes | GzipBytes


@dataclass(frozen=True, slots=True)
class Hdu:
    """One header of a file with the span of its data."""

    index: int
    cards: Cards
    data_offset: int
    data_bytes: int


def open_source(path: Path, file: BinaryIO) -> Source:
    """The bytes of a file, unpacked on the way if its first two say gzip."""
    size = file.seek(0, 2)
    file.seek(0)
    if size == 0:
        raise FrameError(f"{path.name}: the file is empty", next_step="copy it again from its source")
    magic = file.read(2)
    file.seek(0)
    return GzipBytes(file, path.name) if magic == GZIP_MAGIC else PlainBytes(file, size)


def read_hdus(source: Source, name: str) -> Iterator[Hdu]:
    """Header after header, skipping the data between them."""
    offset = 0
    for index in range(MOST_HDUS):
        if index and source.size is not None and offset >= source.size:
            return
        text, data_offset = _header_text(source, offset, name, first=index == 0)
        if text is None:
            return
        cards = parse_cards(text)
        count = _data_bytes(cards, name)
        yield Hdu(index, cards, data_offset, count)
        offset = data_offset + -(-count // BLOCK) * BLOCK


def _header_text(source: Source, offset: int, name: str, *, first: bool) -> tuple[str | None, int]:
    """Text of the header at `offset` without its END, and where its data starts; None after the last HDU."""
    raw = source.read_at(offset, 4 * BLOCK)
    if first and not raw.startswith(b"SIMPLE"):
        raise FrameError(
            f"{name}: not a FITS file", seen=f"first bytes {raw[:8]!r}", allowed="a file that starts with SIMPLE"
        )
    if not first and not raw.startswith(b"XTENSION"):
        return None, offset
    pieces = [raw]
    total = len(raw)
    searched = 0
    text = raw.decode("latin-1")
    while True:
        for at in range(searched, len(text) - 2, CARD):
            if text.startswith("END", at) and not text[at + 3 : at + CARD].strip():
                return text[:at], offset + (at // BLOCK + 1) * BLOCK
        searched = len(text) // CARD * CARD
        if total >= MOST_HEADER_BYTES:
            raise FrameError(
                f"{name}: the header has no END card", seen=f"none in {total} bytes", allowed="END within 1 MiB"
            )
        raw = source.read_at(offset + total, 16 * BLOCK)
        if not raw:
            raise FrameError(
                f"{name}: truncated, the file ends inside its header",
                seen=f"{total} bytes without an END card",
                next_step="copy it again from its source",
            )
        pieces.append(raw)
        total += len(raw)
        text = b"".join(pieces).decode("latin-1")


def _whole(cards: Cards, key: str, name: str, default: int | None = None) -> int:
    """A card that must be a whole number."""
    value = cards.get(key, default)
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    if isinstance(value, str) and re.fullmatch(r"\s*[-+]?\d+\s*", value):
        value = int(value)
    if isinstance(value, bool) or not isinstance(value, int):
        raise FrameError(f"{name}: absurd header", seen=f"{key} = {value!r}", allowed="a whole number")
    return value


def _axes(cards: Cards, name: str, prefix: str = "") -> list[int]:
    """Lengths of the axes, x first."""
    count = _whole(cards, f"{prefix}NAXIS", name, 0)
    if not 0 <= count <= 999:
        raise FrameError(f"{name}: absurd header", seen=f"{prefix}NAXIS = {count}", allowed="0 to 999")
    axes = [_whole(cards, f"{prefix}NAXIS{i + 1}", name) for i in range(count)]
    if any(n < 0 for n in axes):
        raise FrameError(f"{name}: absurd header", seen=f"axes {axes}", allowed="lengths of 1 or more")
    return axes


def _bitpix(cards: Cards, name: str, key: str = "BITPIX") -> int:
    value = _whole(cards, key, name)
    if value not in BITPIX_ALLOWED:
        raise FrameError(
            f"{name}: absurd header", seen=f"{key} = {value}", allowed=", ".join(str(b) for b in BITPIX_ALLOWED)
        )
    return value


def _data_bytes(cards: Cards, name: str) -> int:
    """Length of the data after a header (FITS Standard 4.0, eq. 1 and 2)."""
    axes = _axes(cards, name)
    if not axes:
        return 0
    product = 1
    for i, n in enumerate(axes):
        if not (i == 0 and n == 0 and cards.get("GROUPS") is True):
            product *= n
    groups = _whole(cards, "GCOUNT", name, 1)
    heap = _whole(cards, "PCOUNT", name, 0)
    return abs(_bitpix(cards, name)) // 8 * groups * (heap + product)


def locate(path: Path, file: BinaryIO) -> tuple[Layout, Cards]:
    """The first two-dimensional image of an open file, with its cards over those of the primary header.

    Raises
    ------
    FrameError
        Not FITS, empty, truncated, without a two-dimensional image, or of an absurd size.
    """
    name = path.name
    source = open_source(path, file)
    primary: Cards | None = None
    seen = "no image in any part"
    for hdu in read_hdus(source, name):
        cards = hdu.cards if primary is None else hdu.cards.under(primary)
        primary = primary or hdu.cards
        tiles = hdu.cards.get("ZIMAGE") is True
        if not tiles and str(hdu.cards.get("XTENSION", "IMAGE")).strip() not in {"IMAGE", "IUEIMAGE"}:
            continue
        axes = _axes(hdu.cards, name, "Z" if tiles else "")
        while len(axes) > 2 and axes[-1] == 1:
            axes = axes[:-1]
        if len(axes) < 2:
            continue
        if len(axes) > 2:
            seen = _cube_words(axes)
            continue
        layout = _layout(hdu, cards, axes, name, tiles=tiles, gzip=source.size is None)
        _check_length(path, file, source, layout)
        return layout, cards
    raise FrameError(
        f"{name}: no two-dimensional image in the file",
        seen=seen,
        allowed="one monochrome or colour-filter-array image",
    )


def _cube_words(axes: list[int]) -> str:
    shape = " x ".join(str(n) for n in axes)
    if len(axes) == 3 and (axes[2] in (3, 4) or axes[0] in (3, 4)):
        return f"a colour image of {shape}; give one file per filter, or the raw frame before its colours were made"
    return f"a cube of {shape}; give one file per exposure"


def _layout(hdu: Hdu, cards: Cards, axes: list[int], name: str, *, tiles: bool, gzip: bool) -> Layout:
    width, height = axes
    if width < 1 or height < 1 or width * height > MOST_PIXELS:
        raise FrameError(
            f"{name}: absurd image size", seen=f"{width} x {height} pixels", allowed="1 to 2^31 pixels in all"
        )
    bitpix = _bitpix(hdu.cards, name, "ZBITPIX" if tiles else "BITPIX")
    blank = hdu.cards.get("BLANK", hdu.cards.get("ZBLANK") if tiles else None)
    return Layout(
        container="tiles" if tiles else "gzip" if gzip else "plain",
        hdu=hdu.index,
        width_px=width,
        height_px=height,
        bitpix=bitpix,
        bscale=_scale(hdu.cards, "BSCALE", 1.0),
        bzero=_scale(hdu.cards, "BZERO", 0.0),
        blank=blank if bitpix > 0 and isinstance(blank, int) and not isinstance(blank, bool) else None,
        data_offset=hdu.data_offset,
        data_bytes=hdu.data_bytes,
    )


def _scale(cards: Cards, key: str, default: float) -> float:
    value = cards.get(key, default)
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return default
    return number if number == number else default


def _check_length(path: Path, file: BinaryIO, source: Source, layout: Layout) -> None:
    """Refuse a file whose image is not all there."""
    needed = layout.data_offset + layout.data_bytes
    if source.size is not None:
        if source.size < needed:
            raise _truncated(path.name, source.size, needed)
        return
    # The last four bytes of a gzip file tell its unpacked length modulo 2^32. A broken-off file ends in other bytes, so
    # whatever does not fit exactly is unpacked to count.
    file.seek(-4, 2)
    told = int.from_bytes(file.read(4), "little")
    if told in (needed & 0xFFFFFFFF, -(-needed // BLOCK) * BLOCK & 0xFFFFFFFF):
        return
    file.seek(0)
    stream = GzipBytes(file, path.name)
    total = 0
    while total < needed:
        piece = stream.more(1 << 20)
        if not piece:
            raise _truncated(path.name, total, needed)
        total += len(piece)


def _truncated(name: str, size: int, needed: int) -> FrameError:
    return FrameError(
        f"{name}: truncated, {needed - size} bytes are missing",
        seen=f"{size} bytes",
        allowed=f"{needed} bytes or more by its header",
        next_step="copy it again from its source",
    )
