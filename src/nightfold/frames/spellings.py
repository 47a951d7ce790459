"""How headers spell kinds of frames, filters, angles and numbers, and what we call them."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from pathlib import PurePath

from nightfold.frames.records import FrameKind

_NUMBER = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[EeDd][-+]?\d+)?)\s*([A-Za-z°µ\"'/]*)\s*$")
_NUMBERS = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[EeDd][-+]?\d+)?")


def as_number(value: object) -> float | None:
    """A finite number from a number or a text such as `'-10.0 C'` or `'2,5'`; else None."""
    if isinstance(value, bool) or value is None:
        return None
    if isinstance(value, (int, float)):
        return float(value) if math.isfinite(value) else None
    if not isinstance(value, str):
        return None
    match = _NUMBER.match(value if value.count(",") != 1 or "." in value else value.replace(",", "."))
    number = float(match[1].upper().replace("D", "E")) if match else math.nan
    return number if math.isfinite(number) else None


def as_numbers(value: object) -> list[float]:
    """All numbers of a text, for cards that hold one for each amplifier."""
    if isinstance(value, str):
        found = (float(t.upper().replace("D", "E")) for t in _NUMBERS.findall(value))
        return [n for n in found if math.isfinite(n)]
    number = as_number(value)
    return [] if number is None else [number]


_SEXAGESIMAL = re.compile(
    r"\s*([-+−]?)\s*(\d{1,3})\s*[:\s hd°]\s*(\d{1,2}(?:\.\d*)?)(?:\s*[:\s m'′]\s*(\d{1,2}(?:\.\d*)?)?)?\s*[s\"″]?\s*([NSEWnsew]?)\s*$"
)


def as_sexagesimal(value: object) -> float | None:
    """Value of `'+12 34 56.7'`, `'12:34.5'`, `'12h34m56s'` in its leading unit; None if it is not written so."""
    if not isinstance(value, str):
        return None
    match = _SEXAGESIMAL.match(value)
    if match is None:
        return None
    minutes, seconds = float(match[3]), float(match[4] or 0.0)
    if minutes >= 60.0 or seconds > 60.0:
        return None
    size = float(match[2]) + minutes / 60.0 + seconds / 3600.0
    return -size if match[1] in ("-", "−") or match[5].upper() in ("S", "W") else size


_KINDS: tuple[tuple[re.Pattern[str], FrameKind], ...] = (
    (re.compile(r"flat[^a-z]*dark|dark[^a-z]*flat|flatbias|biasflat"), "flat_dark"),
    (re.compile(r"bias|^zero|^offset"), "bias"),
    (re.compile(r"dark"), "dark"),
    (re.compile(r"flat|^skyflat|^twilight"), "flat"),
    (re.compile(r"light|object|science|^sci$|^sub|^target|^expose"), "sub"),
)


def kind_of(text: str) -> FrameKind | None:
    """The kind that an IMAGETYP text names; None if it is none of ours."""
    low = text.strip().lower()
    return next((kind for pattern, kind in _KINDS if pattern.search(low)), None)


_NAMED: tuple[tuple[re.Pattern[str], FrameKind], ...] = tuple(
    (re.compile(rf"(?<![a-z])(?:{words})(?![a-z])"), kind)  # type: ignore[misc]
    for words, kind in (
        (r"flat[\s_-]?darks?|dark[\s_-]?flats?", "flat_dark"),
        (r"bias|biases|zeros?|offsets?", "bias"),
        (r"darks?", "dark"),
        (r"(?:sky)?flats?", "flat"),
        (r"lights?|subs?|objects?", "sub"),
    )
)


def kind_from_name(name: str) -> FrameKind | None:
    """The kind that a file's name tells, or else its two nearest folders'."""
    parts = PurePath(name).parts[-3:]
    for part in reversed(parts):
        low = part.lower()
        for pattern, kind in _NAMED:
            if pattern.search(low):
                return kind
    return None


_FILTERS = {
    "Ha": ("ha", "halpha", "hydrogenalpha", "hα"),
    "Hb": ("hb", "hbeta", "hydrogenbeta", "hβ"),
    "OIII": ("oiii", "o3", "oxygen3", "oxygeniii"),
    "SII": ("sii", "s2", "sulfur2", "sulphur2", "sulfurii", "sulphurii"),
    "NII": ("nii", "n2", "nitrogen2", "nitrogenii"),
    "L": ("l", "lum", "luminance", "luminosity"),
    "R": ("r", "red"),
    "G": ("g", "green"),
    "B": ("b", "blue"),
    "Clear": ("clear", "clr"),
    "Open": ("open",),
}
_FILTER_BY_SPELLING = {spelling: name for name, spellings in _FILTERS.items() for spelling in spellings}
_NO_FILTER = {"", "none", "n/a", "na", "unknown", "null", "-", "no filter", "nofilter"}
WIDEST_FILTER_NM = 350.0
"""A greater number behind a name is a wavelength."""
_BANDWIDTH = re.compile(r"[\s_(-]*\d+(?:[.,]\d+)?\s*nm\)?\s*$", re.IGNORECASE)

_LENGTHS = re.compile(r"[\s_(-]*\d+(?:[.,]\d+)?\s*nm\b\)?", re.IGNORECASE)


def filter_of(text: str, names: Mapping[str, str]) -> str | None:
    """Our name of a filter: the person's own map first, then common spellings, else the text itself; None if it is none.

    Bandwidth and wavelength behind a line's name are not part of it: `H-alpha 3nm` and `Ha (656nm) 3nm` are `Ha`.
    """
    text = " ".join(text.split())
    if text in names:
        return names[text]
    low = text.lower()
    for spelling, name in names.items():
        if " ".join(spelling.split()).lower() == low:
            return name
    if low in _NO_FILTER:
        return None
    key = re.sub(r"[\s_\-\[\]().]", "", _LENGTHS.sub(" ", low))
    return _FILTER_BY_SPELLING.get(key, text)


def width_nm_of(text: str) -> float | None:
    """The bandwidth that a filter's name tells behind a line's name, in nm: 7 of `H-alpha 7nm`; None if it tells none."""
    found = _BANDWIDTH.search(text)
    if found is None or not text[: found.start()].strip():
        return None
    width = float(re.findall(r"\d+(?:[.,]\d+)?", found.group())[0].replace(",", "."))
    return width if 0.0 < width < WIDEST_FILTER_NM else None


_CFA_CELLS = {"RGGB", "BGGR", "GRBG", "GBRG"}


def stored_cfa(pattern: str, *, x_offset: int, y_offset: int, bottom_up: bool, height_px: int) -> str:
    """Colours of the first stored 2x2 cell, row by row; "" if `pattern` is not a 2x2 cell of R, G, G, B.

    The pattern of a header is that of the picture's top left corner. With `bottom_up` the first stored row is the
    picture's last, so the rows of the cell change places where the height is even.
    """
    cell = re.sub(r"[^A-Z]", "", pattern.upper())
    if cell not in _CFA_CELLS:
        return ""
    rows = (cell[:2], cell[2:])
    first = y_offset + (height_px - 1 if bottom_up else 0)
    step = -1 if bottom_up else 1
    return "".join(rows[(first + step * y) % 2][(x_offset + x) % 2] for y in (0, 1) for x in (0, 1))
