"""When an exposure began, from the many ways in which headers say it."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime, time, timedelta, timezone

_ISO = re.compile(
    r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})"
    r"(?:[T\s]+(\d{1,2}):(\d{1,2})(?::(\d{1,2}(?:[.,]\d*)?))?)?"
    r"\s*(Z|UTC?|[-+]\d{2}:?\d{2})?$",
    re.IGNORECASE,
)
_OLD = re.compile(r"(\d{1,2})[/-](\d{1,2})[/-](\d{2}|\d{4})$")
_CLOCK = re.compile(r"(\d{1,2}):(\d{1,2})(?::(\d{1,2}(?:[.,]\d*)?))?\s*(?:Z|UTC?)?$", re.IGNORECASE)
_MONTH_FIRST = re.compile(
    r"(\d{1,2})/(\d{1,2})/(\d{4})\s+(\d{1,2}):(\d{2}):(\d{2}(?:\.\d*)?)\s*([AP]M)?", re.IGNORECASE
)
_LOCAL = re.compile(r"\blocal\b|\bLT\b", re.IGNORECASE)
_UNIX_EPOCH_JD = 2440587.5
_MJD_ZERO_JD = 2400000.5

Text = Callable[[str], object]


def _moment(year: int, month: int, day: int, hour: int, minute: int, second: float) -> datetime | None:
    """A datetime to the microsecond; 60 s and more carry over, impossible dates are None."""
    try:
        start = datetime(year, month, day, hour % 24, minute)
    except ValueError:
        return None
    if hour > 24 or second >= 62.0:
        return None
    return start + timedelta(days=hour // 24, seconds=second)


def parse_moment(text: str) -> tuple[datetime | None, bool]:
    """A date, aware if its text names a zone, and whether a time of day stood with it.

    `dd/mm/yy` is the date of files before 1998 (FITS Standard 4.0, 9.1.1); years 00–69 are read as 20yy, since no
    camera wrote FITS before 1970.
    """
    text = text.strip()
    match = _ISO.match(text)
    if match:
        year, month, day, hour, minute, second, zone = match.groups()
        moment = _moment(
            int(year), int(month), int(day), int(hour or 0), int(minute or 0), float((second or "0").replace(",", "."))
        )
        if moment is not None and zone:
            moment = moment.replace(tzinfo=_zone(zone))
        return moment, hour is not None
    match = _OLD.match(text)
    if match:
        day, month, year = (int(g) for g in match.groups())
        if year < 100:
            year += 1900 if year >= 70 else 2000
        return _moment(year, month, day, 0, 0, 0.0), False
    return None, False


def _zone(text: str) -> timezone:
    if text[0] not in "+-":
        return UTC
    digits = text[1:].replace(":", "")
    span = timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
    return timezone(-span if text[0] == "-" else span) if span < timedelta(hours=24) else UTC


def parse_clock(text: str) -> timedelta | None:
    """Time of day as a span since midnight."""
    match = _CLOCK.match(text.strip())
    if match is None:
        return None
    return timedelta(hours=int(match[1]), minutes=int(match[2]), seconds=float((match[3] or "0").replace(",", ".")))


def from_julian(days: float) -> datetime | None:
    """UTC of a Julian date or a modified one (told apart by their size)."""
    if days < 100000.0:
        days += _MJD_ZERO_JD
    if not 2430000.0 < days < 2600000.0:  # the years 1941 to 2406
        return None
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=days - _UNIX_EPOCH_JD)


def local_minus_utc_h(get: Text, comment: Callable[[str], str], start: datetime | None) -> float | None:
    """Hours of the local clock ahead of UTC, from a zone in DATE-OBS or from a local time beside it."""
    text = get("DATE-OBS")
    if isinstance(text, str):
        moment, _ = parse_moment(text)
        if moment is not None and moment.tzinfo is not None:
            offset = moment.utcoffset()
            if offset:  # a written zone of zero says UTC, not where the clock stood
                return offset.total_seconds() / 3600.0
    if start is None:
        return None
    for key in ("DATE-LOC", "LOCALTIM", "DATELOC", "LT-OBS"):
        text = get(key)
        if not isinstance(text, str):
            continue
        local = _local(text)
        if local is None:
            continue
        hours = (local - start.replace(tzinfo=None)).total_seconds() / 3600.0
        quarters = round(hours * 4.0) / 4.0
        if abs(quarters) <= 14.0 and abs(hours - quarters) < 0.1:
            return quarters
    return None


def _local(text: str) -> datetime | None:
    moment, has_clock = parse_moment(text)
    if moment is not None and has_clock:
        return moment.replace(tzinfo=None)
    match = _MONTH_FIRST.match(text.strip())
    if match is None:
        return None
    month, day, year, hour, minute = (int(match[i]) for i in range(1, 6))
    if match[7]:
        hour = hour % 12 + (12 if match[7].upper() == "PM" else 0)
    return _moment(year, month, day, hour, minute, float(match[6]))


def exposure_start(
    get: Text, comment: Callable[[str], str], exposure_s: float | None
) -> tuple[datetime | None, list[str]]:
    """Start of the exposure in UTC, and a sentence for everything converted or doubted."""
    notes: list[str] = []
    for key in ("DATE-BEG", "DATE-OBS", "DATE_OBS", "DATEOBS"):
        text = get(key)
        if not isinstance(text, str) or not text.strip():
            continue
        moment, has_clock = parse_moment(text)
        if moment is None:
            notes.append(f"{key} {text!r} is not a date")
            continue
        if re.match(r"\d{1,2}/\d{1,2}/\d{2}$", text.strip()):
            notes.append(f"{key} {text!r} has a two-digit year, read as {moment.year}")
        if moment.tzinfo is not None:
            if moment.utcoffset():
                notes.append(f"{key} is local time with its zone, converted to UTC")
            return moment.astimezone(UTC), notes
        if has_clock and not _LOCAL.search(comment(key)):
            return _plausible(moment.replace(tzinfo=UTC), notes)
        other = _beside(get, moment, has_clock=has_clock)
        if other is not None:
            notes.append(f"{key} gives {'local time' if has_clock else 'the day only'}; start taken from {other[1]}")
            return other[0], notes
        if has_clock:
            notes.append(f"{key} says local time without a zone; taken as UTC")
        else:
            notes.append(f"{key} gives the day only; its midnight is taken as the start")
        return _plausible(moment.replace(tzinfo=UTC), notes)
    return _last_resort(get, exposure_s, notes)


def _beside(get: Text, day: datetime, *, has_clock: bool) -> tuple[datetime, str] | None:
    """The time that another card gives for a day, or for a local time."""
    keys = ("UT-OBS", "DATE-UTC", "UTSTART", "UTC-OBS", "UT", "UTC") + (() if has_clock else ("TIME-OBS", "TIME-BEG"))
    for key in keys:
        text = get(key)
        if not isinstance(text, str):
            continue
        moment, full = parse_moment(text)
        if moment is not None and full:
            return (moment.astimezone(UTC) if moment.tzinfo else moment.replace(tzinfo=UTC)), key
        clock = parse_clock(text)
        if clock is not None and not has_clock:
            return datetime.combine(day.date(), time(), UTC) + clock, key
    julian = _julian(get)
    if julian is not None and (has_clock or julian[0].time() != time()):
        return julian
    return None


def _julian(get: Text) -> tuple[datetime, str] | None:
    for key in ("MJD-BEG", "MJD-OBS", "JD", "JD-OBS", "MJD"):
        value = get(key)
        try:
            days = float(value) if not isinstance(value, bool) else 0.0  # type: ignore[arg-type]
        except (TypeError, ValueError):
            continue
        moment = from_julian(days)
        if moment is not None:
            return moment, key
    return None


def _last_resort(get: Text, exposure_s: float | None, notes: list[str]) -> tuple[datetime | None, list[str]]:
    text = get("DATE-AVG")
    if isinstance(text, str):
        moment, has_clock = parse_moment(text)
        if moment is not None and has_clock:
            middle = moment.astimezone(UTC) if moment.tzinfo else moment.replace(tzinfo=UTC)
            notes.append("start taken from DATE-AVG, the middle of the exposure, less half of it")
            return middle - timedelta(seconds=0.5 * (exposure_s or 0.0)), notes
    julian = _julian(get)
    if julian is not None:
        notes.append(f"no usable DATE-OBS; start taken from {julian[1]}")
        return julian[0], notes
    notes.append("the header does not say when the exposure began")
    return None, notes


def _plausible(moment: datetime, notes: list[str]) -> tuple[datetime | None, list[str]]:
    if moment.year < 1975:  # before the first CCD exposures of the sky; a clock that was never set
        notes.append(f"the start {moment:%Y-%m-%d} cannot be right; taken as not known")
        return None, notes
    return moment, notes
