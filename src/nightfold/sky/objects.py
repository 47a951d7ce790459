"""Names and coordinates of targets: the NGC, IC and Messier objects of the installed OpenNGC list, or plain numbers.

The list is the database of the package `pyongc` (OpenNGC, Verga, CC BY-SA 4.0), read in place and never written.
"""

from __future__ import annotations

import difflib
import re
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import pyongc

from nightfold.errors import SettingsError

__all__ = ["SkyObject", "nearest_names", "objects_near", "parse_coordinates", "resolve"]

_SERIES = {"MESSIER": "M", "BARNARD": "B", "CALDWELL": "C", "MELOTTE": "MEL", "COLLINDER": "CR", "SHARPLESS": "SH2"}
_SUGGESTIONS = 4


@dataclass(frozen=True)
class SkyObject:
    """An object of the list. Position ICRS in degrees; sizes in arcmin and position angle, None where not known."""

    name: str
    kind: str
    ra_deg: float
    dec_deg: float
    major_arcmin: float | None = None
    minor_arcmin: float | None = None
    position_angle_deg: float | None = None
    common_names: tuple[str, ...] = ()


def _key(name: str) -> str:
    """A name without case, spaces, hyphens and leading zeros of its numbers: 'Messier 42', 'M 042' and 'm42' are one."""
    plain = re.sub(r"[^0-9A-Z+]", "", name.upper().replace("&", "AND"))
    for word, short in _SERIES.items():
        if plain.startswith(word) and plain[len(word) :][:1].isdigit():
            plain = short + plain[len(word) :]
    return re.sub(r"(?<!\d)0+(?=\d)", "", plain)


def _shown(name: str) -> str:
    """A catalogue name as people write it: 'NGC6188' becomes 'NGC 6188'."""
    match = re.fullmatch(r"(NGC|IC)0*(\d+.*)", name)
    if match:
        return f"{match[1]} {match[2]}"
    match = re.fullmatch(r"([A-Z]+[a-z]*)0*(\d+)", name)
    return f"{match[1]} {match[2]}" if match else name


@lru_cache(maxsize=1)
def _index() -> tuple[dict[str, SkyObject], dict[str, str]]:
    """Objects by key of every name they have, and the names as written by the same keys."""
    path = Path(pyongc.__file__).parent / "ongc.db"
    query = "SELECT name, type, ra, dec, majax, minax, pa, messier, ngc, ic, commonnames FROM objects"
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as database:
        kinds = dict(database.execute("SELECT type, typedesc FROM objTypes"))
        rows = database.execute(query).fetchall()
        identifiers = database.execute("SELECT identifier, name FROM objIdentifiers").fetchall()
    found: dict[str, SkyObject] = {}
    written: dict[str, str] = {}
    by_row: dict[str, SkyObject] = {}
    doubles: list[tuple[str, str]] = []
    for name, kind, ra, dec, major, minor, angle, messier, ngc, ic, common in rows:
        if kind == "Dup":
            doubles += [(name, f"{series}{number}") for series, number in (("NGC", ngc), ("IC", ic)) if number]
            continue
        if ra is None or dec is None:
            continue
        commons = tuple(part.strip() for part in (common or "").split(",") if part.strip())
        one = SkyObject(
            _shown(name), kinds[kind], float(np.degrees(ra)), float(np.degrees(dec)), major, minor, angle, commons
        )
        by_row[name] = one
        for other in (name, f"M{messier}" if messier else "", *commons):
            if other:
                found.setdefault(_key(other), one)
                written.setdefault(_key(other), other if other in commons else _shown(other))
    for identifier, name in identifiers:
        if name in by_row:
            found.setdefault(_key(identifier), by_row[name])
    for name, original in doubles:
        if original in by_row:
            found.setdefault(_key(name), by_row[original])
    return found, written


def nearest_names(name: str, count: int = _SUGGESTIONS) -> tuple[str, ...]:
    """Known names that are spelled most like a name."""
    _, written = _index()
    key = _key(name)
    close = difflib.get_close_matches(key, written, n=count, cutoff=0.6)
    if len(close) < count and len(key) >= 4:  # part of a longer name: "tarantula" for "Tarantula Nebula"
        close += [k for k in written if key in k and k not in close][: count - len(close)]
    return tuple(dict.fromkeys(written[k] for k in close))


def resolve(name: str) -> SkyObject:
    """The object of a name, or the place of written coordinates.

    Raises SettingsError, with the nearest known names, where it is neither.
    """
    found, _ = _index()
    known = found.get(_key(name)) if name.strip() else None
    if known is not None:
        return known
    if re.match(r"^\s*[+-]?\d", name):
        ra_deg, dec_deg = parse_coordinates(name)
        return SkyObject(name.strip(), "Place", ra_deg, dec_deg)
    near = nearest_names(name) if name.strip() else ()
    raise SettingsError(
        "the target's name is not in the installed list",
        seen=name.strip() or "nothing",
        allowed="a name of NGC, IC, Messier or OpenNGC's common names, or coordinates such as '16 40 48 -48 48 00'",
        next_step=f"did you mean {', '.join(near)}?" if near else "give ra_deg and dec_deg",
    )


_NUMBER = r"\d+(?:\.\d*)?"


def parse_coordinates(text: str) -> tuple[float, float]:
    """Right ascension and declination, degrees, of degrees ('250.2 -48.8') or of hours and degrees in sixties.

    Three numbers (or marks h m s, or colons) before the sign of the declination are hours; one is degrees.
    """
    match = re.fullmatch(r"\s*(?P<ra>[^+\-,]+?)\s*(?:,\s*(?P<c>[+-]?)|(?P<s>[+-]))\s*(?P<dec>[^+\-,]+?)\s*", text)
    parts = re.fullmatch(rf"\s*({_NUMBER})\s+({_NUMBER})\s*", text) if match is None else None
    if match is not None:
        ra_text, dec_text = match["ra"], match["dec"]
        sign = -1.0 if "-" in ((match["c"] or "") + (match["s"] or "")) else 1.0
    elif parts is not None:
        ra_text, dec_text, sign = parts[1], parts[2], 1.0
    else:
        raise _not_coordinates(text)
    ra_numbers, dec_numbers = _sixties(ra_text), _sixties(dec_text)
    if not ra_numbers or not dec_numbers:
        raise _not_coordinates(text)
    hours = len(ra_numbers) > 1 or "h" in ra_text.lower()
    ra_deg = _joined(ra_numbers) * (15.0 if hours else 1.0)
    dec_deg = sign * _joined(dec_numbers)
    if not (0.0 <= ra_deg < 360.0 and -90.0 <= dec_deg <= 90.0):
        raise _not_coordinates(text)
    return ra_deg, dec_deg


def _sixties(text: str) -> list[float]:
    """Up to three numbers divided by marks, colons or spaces; none where something else stands there or sixty is reached."""
    if not re.fullmatch(rf"{_NUMBER}(?:[\s:hmsd°'′\"″]+{_NUMBER}){{0,2}}[\s:hmsd°'′\"″]*", text.lower()):
        return []
    numbers = [float(n) for n in re.findall(_NUMBER, text)]
    return numbers if all(n < 60.0 for n in numbers[1:]) else []


def _joined(numbers: list[float]) -> float:
    return sum(n / 60.0**i for i, n in enumerate(numbers))


def _not_coordinates(text: str) -> SettingsError:
    return SettingsError(
        "the coordinates cannot be read",
        seen=text.strip(),
        allowed="'250.2 -48.8' in degrees, or '16 40 48 -48 48 00' in hours and degrees",
        next_step="write RA first, then Dec with its sign",
    )


def objects_near(ra_deg: float, dec_deg: float, within_deg: float) -> tuple[SkyObject, ...]:
    """Objects of the list within an angle of a place, nearest first."""
    found, _ = _index()
    unique = list({id(o): o for o in found.values()}.values())
    ra, dec = (np.radians([getattr(o, a) for o in unique]) for a in ("ra_deg", "dec_deg"))
    a, d = np.radians(ra_deg), np.radians(dec_deg)
    half = np.sin((dec - d) / 2.0) ** 2 + np.cos(dec) * np.cos(d) * np.sin((ra - a) / 2.0) ** 2
    apart = np.degrees(2.0 * np.arcsin(np.sqrt(np.clip(half, 0.0, 1.0))))
    order = np.argsort(apart, kind="stable")
    return tuple(unique[i] for i in order if apart[i] <= within_deg)
