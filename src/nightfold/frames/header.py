"""Header of one exposure, without its pixels."""

from __future__ import annotations

from pathlib import Path

from nightfold.errors import FrameError
from nightfold.frames.cards import Cards, Layout, locate
from nightfold.frames.dialect import interpret_cards
from nightfold.frames.records import FrameHeader, HeaderRules

__all__ = ["interpret_cards", "read_header", "read_layout"]


def read_layout(path: Path) -> tuple[Layout, Cards]:
    """Where the image of a file lies, and its cards over those of the primary header.

    Raises
    ------
    FrameError
        The file cannot be opened or holds no usable image.
    """
    try:
        with path.open("rb", buffering=0) as file:
            return locate(path, file)
    except OSError as error:
        raise FrameError(
            f"{path.name}: cannot be read", seen=error.strerror or str(error), next_step="check the path and its rights"
        ) from error


def read_header(path: Path, rules: HeaderRules | None = None) -> FrameHeader:
    """What the header of a file says, in our units; only header blocks are read.

    Parameters
    ----------
    path : Path
        FITS file, also packed by gzip or in compressed tiles; told by content, not by name.
    rules : HeaderRules, optional
        The person's own map; it wins over the file.

    Raises
    ------
    FrameError
        Not FITS, empty, truncated, no two-dimensional image, a colour cube, or an absurd size.
    """
    layout, cards = read_layout(path)
    return interpret_cards(
        cards,
        name=str(path),
        width_px=layout.width_px,
        height_px=layout.height_px,
        hdu=layout.hdu,
        bitpix=layout.bitpix,
        comment=cards.comment,
        history=cards.history,
        rules=rules,
    )
