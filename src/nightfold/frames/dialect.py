"""One meaning for the many dialects of camera headers: cards in, a `FrameHeader` in our units out.

Everything converted, guessed or doubted is told in one plain sentence of `notes`. The keywords are those met in real
headers and in the data pages of observatories; where two meanings circulate, the comment beside the value decides.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from datetime import UTC, datetime
from fnmatch import fnmatchcase
from pathlib import PurePath, PurePosixPath
from typing import Any

from nightfold.errors import SettingsError
from nightfold.frames import spellings, times
from nightfold.frames.records import FRAME_KINDS, FrameHeader, FrameKind, HeaderRules
from nightfold.units import KELVIN_AT_ZERO_C

_KELVIN = re.compile(r"kelvin|\[K\]|\(K\)|\bdeg K\b", re.IGNORECASE)
_ELECTRONS = re.compile(r"e-?\s*(?:/|per)\s*(?:adu|dn|count)|electrons?\s*(?:/|per)", re.IGNORECASE)
_APPLIED = re.compile(
    r"process calibrate|dark[- ]?(?:subtract|correct)|bias[- ]?(?:subtract|correct)|flat[- ]?(?:field|correct|divid)"
    r"|calibrated",
    re.IGNORECASE,
)
_PICTTYPE: dict[int, FrameKind] = {1: "sub", 2: "bias", 3: "dark", 4: "flat"}
_COLDEST_C = -200.0  # colder than liquid nitrogen: a value that was never filled in
_WARM_LIMIT_K = 100.0  # no amateur or observatory sensor runs at +100 °C; those of observatories run at 100–300 K


class _Reading:
    """The cards of one header with the notes taken on the way."""

    def __init__(self, cards: Mapping[str, object], comment: Callable[[str], str]) -> None:
        self.cards = cards
        self.comment = comment
        self.notes: list[str] = []

    def first(self, *keys: str) -> tuple[str, object] | None:
        """The first of these keywords that holds anything."""
        for key in keys:
            if key in self.cards:
                value = self.cards[key]
                if value is not None and value != "":
                    return key, value
        return None

    def number(self, *keys: str) -> float | None:
        """The first of these keywords that holds a number, also one written as text."""
        found = self.named_number(*keys)
        return found[1] if found else None

    def named_number(self, *keys: str) -> tuple[str, float] | None:
        for key in keys:
            if key in self.cards:
                value = spellings.as_number(self.cards[key])
                if value is not None:
                    return key, value
        return None

    def positive(self, *keys: str) -> float | None:
        """The first of these that is a number above zero; zeros stand for "not known"."""
        for key in keys:
            value = self.number(key)
            if value is not None and value > 0.0:
                return value
        return None

    def text(self, *keys: str) -> str | None:
        """The first of these keywords that holds text, without surrounding blanks."""
        for key in keys:
            if key in self.cards:
                value = self.cards[key]
                if value is None or isinstance(value, bool):
                    continue
                words = " ".join(str(value).split())
                if words:
                    return words
        return None


def interpret_cards(
    cards: Mapping[str, object],
    *,
    name: str,
    width_px: int,
    height_px: int,
    hdu: int = 0,
    bitpix: int = 16,
    comment: Callable[[str], str] = lambda key: "",
    history: str = "",
    rules: HeaderRules | None = None,
) -> FrameHeader:
    """What a header says, in our units.

    Parameters
    ----------
    cards : mapping
        Values by upper-case keyword.
    name : str
        Path of the file, from which its kind is guessed where the header is silent and on which rules match.
    width_px, height_px, hdu, bitpix : int
        The image as stored.
    comment : callable
        Gives the comment beside a keyword's value, "" if none.
    history : str
        The HISTORY lines.
    rules : HeaderRules, optional
        The person's own map; it wins over the file.
    """
    r = _Reading(cards, comment)
    rules = rules or HeaderRules()
    exposure_s = _exposure(r)
    start, time_notes = times.exposure_start(cards.get, comment, exposure_s)
    r.notes += time_notes
    offset_h = times.local_minus_utc_h(cards.get, comment, start)
    ra_deg, dec_deg = _pointing(r)
    gain, e_per_adu = _gains(r)
    sensor_c, set_point_c = _sensor_temperature(r)
    latitude, longitude = _site(r, start, offset_h)
    binning = _binning(r)
    filter_text = _filter_text(r)
    header = FrameHeader(
        kind=_kind(r, name),
        width_px=width_px,
        height_px=height_px,
        hdu=hdu,
        bitpix=bitpix,
        start=start,
        utc_offset_h=offset_h,
        exposure_s=exposure_s,
        filter=_filter(r, filter_text, rules),
        filter_width_nm=spellings.width_nm_of(filter_text) if filter_text else None,
        object=r.text("OBJECT", "OBJNAME"),
        camera=r.text("INSTRUME", "CAMERA", "CAMERAID", "DETECTOR", "DETNAME"),
        telescope=r.text("TELESCOP"),
        gain=gain,
        e_per_adu=e_per_adu,
        offset=r.number("OFFSET", "BLKLEVEL", "BLACKLVL", "CAMOFFS"),
        sensor_c=sensor_c,
        set_point_c=set_point_c,
        binning=binning,
        readout_mode=r.text("READOUTM", "READMODE", "READOUT"),
        pixel_um=_pixel(r, binning),
        focal_length_mm=r.positive("FOCALLEN", "FOCLEN", "FOCAL"),
        aperture_mm=r.positive("APTDIA", "APERTURE"),
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        site_latitude_deg=latitude,
        site_longitude_deg=longitude,
        site_elevation_m=_elevation_m(r),
        focuser_position=r.number("FOCPOS", "FOCUSPOS", "CAMFOCUS", "FOCUS", "TELFOCUS"),
        focuser_c=_celsius(r, "FOCTEMP", "FOCUSTEM", "FOCUSTMP"),
        ambient_c=_celsius(r, "AMB-TEMP", "AMBTEMP", "TAMBIENT", "OUTTEMP", "AIRTEMP", "TELTEMP", "AMBIENT"),
        rotator_deg=r.number("ROTATANG", "ROTATOR", "ROTANG", "ROTPA", "ROTATPOS", "CRPA"),
        pier_side=_pier_side(r),
        airmass=_airmass(r),
        cfa=_cfa(r, height_px),
        pedestal_adu=_pedestal(r),
        saturation_adu=_saturation(r),
        calibrated=_calibrated(r, history),
        notes=(),
    )
    return _apply_rules(replace(header, notes=tuple(r.notes)), name, rules)


def _kind(r: _Reading, name: str) -> FrameKind:
    for key in ("IMAGETYP", "IMAGETY", "FRAME", "FRAMETYP", "OBSTYPE", "EXPTYPE", "DATATYPE"):
        text = r.text(key)
        if text is None:
            continue
        kind = spellings.kind_of(text)
        if kind is not None:
            if "master" in text.lower():
                r.notes.append(f"{key} {text!r} names a frame that was combined before")
            if kind == "dark" and spellings.kind_from_name(name) == "flat_dark":
                r.notes.append(f"{key} says dark; taken as flat-dark by the names of file and folder")
                return "flat_dark"
            return kind
        if key.startswith("IMAGETY"):
            r.notes.append(f"{key} {text!r} is no kind of frame known here")
    number = r.number("PICTTYPE")
    if number is not None and int(number) in _PICTTYPE:
        return _PICTTYPE[int(number)]
    guess = spellings.kind_from_name(name)
    if guess is not None:
        r.notes.append(f"the header names no kind of frame; {guess.replace('_', '-')} guessed from the name")
        return guess
    r.notes.append("the header names no kind of frame; taken as a sub")
    return "sub"


def _exposure(r: _Reading) -> float | None:
    found = r.named_number("EXPTIME", "EXPOSURE", "EXP_TIME", "EXP-TIME", "EXPTIM", "ITIME")
    if found is None:
        return None
    key, value = found
    if value < 0.0:
        r.notes.append(f"{key} {value:g} is negative; taken as not known")
        return None
    comment = r.comment(key).lower()
    if re.search(r"\bms\b|millisec", comment):
        r.notes.append(f"{key} is in milliseconds, converted")
        return value * 1e-3
    if re.search(r"\bmin(?:utes?)?\b", comment):
        r.notes.append(f"{key} is in minutes, converted")
        return value * 60.0
    other = r.number("EXPOSURE") if key == "EXPTIME" else None
    if value == 0.0 and other is not None and other > 0.0:
        r.notes.append(f"EXPTIME is 0 and EXPOSURE {other:g}; EXPOSURE taken")
        return other
    if other is not None and abs(other - value) > 0.01 * max(value, other) + 1e-3:
        r.notes.append(f"EXPTIME {value:g} and EXPOSURE {other:g} differ; EXPTIME taken")
    return value


def _filter_text(r: _Reading) -> str | None:
    text = r.text("FILTER", "FILTERS", "FILTNAM", "FILTNAME", "FILTERID")
    if text is None:
        wheels = [t for key in ("FILTER1", "FILTER2", "FILTER3") if (t := r.text(key))]
        used = [t for t in wheels if not re.match(r"(?:open|clear|none|empty)", t, re.IGNORECASE)]
        text = " + ".join(used or wheels[:1])
    return text or None


def _filter(r: _Reading, text: str | None, rules: HeaderRules) -> str | None:
    if not text:
        return None
    name = spellings.filter_of(text, rules.filter_names)
    if name is not None and name.isdigit():
        r.notes.append(f"the filter is a number, {name}; name it under filter_names")
    return name


def _gains(r: _Reading) -> tuple[float | None, float | None]:
    """The camera's gain setting, and electrons per ADU."""
    e_per_adu = r.positive("EGAIN", "E-GAIN", "EPERADU")
    found = r.first("GAIN", "CAMGAIN", "ISOSPEED", "ISO")
    if found is None:
        return None, e_per_adu
    key, value = found
    several = spellings.as_numbers(value)
    if not several:
        r.notes.append(f"{key} {value!r} is not a number")
        return None, e_per_adu
    number = several[0]
    if len(several) > 1:
        number = math.fsum(several) / len(several)
        r.notes.append(f"{key} holds {len(several)} numbers; their mean {number:g} is taken")
    if number < 0.0:
        r.notes.append(f"{key} {number:g} is no setting; taken as not known")
        return None, e_per_adu
    if e_per_adu is not None:
        return number, e_per_adu
    if number > 0.0 and _ELECTRONS.search(r.comment(key)):
        return None, number
    if 0.0 < number < 20.0 and number != round(number):
        r.notes.append(
            f"{key} {number:g} is taken as electrons per ADU, since camera settings are whole numbers; "
            "set gain or e_per_adu under [header] if it is not"
        )
        return None, number
    return number, None


def _to_celsius(r: _Reading, key: str, value: float) -> float | None:
    comment = r.comment(key)
    if value == -1.0 and "-1 if no data" in comment:
        return None
    if value >= _WARM_LIMIT_K or _KELVIN.search(comment):
        r.notes.append(f"{key} {value:g} is in kelvin, converted")
        value -= KELVIN_AT_ZERO_C
    if not _COLDEST_C <= value < 100.0:
        r.notes.append(f"{key} {value:g} is no temperature; taken as not known")
        return None
    return round(value, 6)


def _celsius(r: _Reading, *keys: str) -> float | None:
    found = r.named_number(*keys)
    return _to_celsius(r, *found) if found else None


def _sensor_temperature(r: _Reading) -> tuple[float | None, float | None]:
    sensor = _celsius(r, "CCD-TEMP", "DET-TEMP", "CCDTEMP", "DETTEMP", "CAMTEMP", "CAM-TEMP", "SENSTEMP", "TEMPERAT")
    set_point = _celsius(r, "SET-TEMP", "SETTEMP", "CCDTSET", "TEMP-SET")
    if sensor is None and set_point is not None:
        r.notes.append("sensor temperature is not given; its set point is taken")
        return set_point, set_point
    if sensor is not None and set_point is not None and abs(sensor - set_point) > 2.0:
        r.notes.append(
            f"the sensor stood at {sensor:.1f} °C, its set point at {set_point:.1f} °C; the sensor's is taken"
        )
    return sensor, set_point


def _binning(r: _Reading) -> tuple[int, int]:
    x = r.number("XBINNING", "CCDXBIN", "BINX")
    y = r.number("YBINNING", "CCDYBIN", "BINY")
    if x is None and y is None:
        found = r.first("BINNING", "CCDSUM", "CCDBIN")
        several = spellings.as_numbers(found[1]) if found else []
        if several:
            x, y = several[0], several[-1]
    x = x if x is not None else y
    y = y if y is not None else x
    if x is None or y is None:
        return 1, 1
    if not (1 <= x <= 64 and 1 <= y <= 64):
        r.notes.append(f"binning {x:g} x {y:g} cannot be; taken as 1 x 1")
        return 1, 1
    return int(x), int(y)


def _pixel(r: _Reading, binning: tuple[int, int]) -> float | None:
    x = r.positive("XPIXSZ", "PIXSIZE1", "PIXSIZE", "PIXELSZ")
    y = r.positive("YPIXSZ", "PIXSIZE2")
    if x is None:
        return None
    if y is not None and abs(x - y) > 0.01 * x and binning[0] == binning[1]:
        r.notes.append(f"pixels of {x:g} x {y:g} µm are not square; their mean is taken")
        return math.sqrt(x * y)
    if max(binning) > 1 and "binning" not in r.comment("XPIXSZ").lower():
        r.notes.append(f"pixel size {x:g} µm is taken as that after binning")
    return x


def _angle(r: _Reading, key: str, *, hours_if_sexagesimal: bool) -> float | None:
    value = r.cards.get(key)
    number = spellings.as_number(value)
    if number is not None:
        if (
            hours_if_sexagesimal
            and re.search(r"\bhours?\b|\bhrs?\b|\[h\]", r.comment(key), re.IGNORECASE)
            and (not re.search(r"deg", r.comment(key), re.IGNORECASE))
        ):
            return number * 15.0
        return number
    leading = spellings.as_sexagesimal(value)
    if leading is None:
        return None
    return leading * 15.0 if hours_if_sexagesimal else leading


def _pointing(r: _Reading) -> tuple[float | None, float | None]:
    pairs = (("RA", "DEC"), ("OBJCTRA", "OBJCTDEC"), ("RA_OBS", "DEC_OBS"), ("TELRA", "TELDEC"), ("RA-OBS", "DEC-OBS"))
    for ra_key, dec_key in pairs:
        if ra_key not in r.cards or dec_key not in r.cards:
            continue
        ra = _angle(r, ra_key, hours_if_sexagesimal=True)
        dec = _angle(r, dec_key, hours_if_sexagesimal=False)
        if ra is None or dec is None:
            continue
        if -360.0 <= ra <= 360.0 and -90.0 <= dec <= 90.0:
            equinox = r.number("EQUINOX", "EPOCH")
            if equinox is not None and abs(equinox - 2000.0) > 0.1:
                r.notes.append(f"the pointing is given for equinox {equinox:g}")
            return ra % 360.0, dec
        r.notes.append(f"{ra_key} {ra:g} and {dec_key} {dec:g} are no place in the sky")
    if str(r.cards.get("CTYPE1", "")).startswith("RA--"):
        ra_value, dec_value = r.number("CRVAL1"), r.number("CRVAL2")
        if ra_value is not None and dec_value is not None and -90.0 <= dec_value <= 90.0:
            r.notes.append("the pointing is that of the header's reference pixel")
            return ra_value % 360.0, dec_value
    return None, None


def _site(r: _Reading, start: datetime | None, offset_h: float | None) -> tuple[float | None, float | None]:
    latitude = _degrees(r, "SITELAT", "LAT-OBS", "OBSLAT", "OBS-LAT", "GEOLAT", "LATITUDE", "OBSGEO-B")
    longitude = _degrees(r, "SITELONG", "LONG-OBS", "OBSLONG", "OBS-LONG", "OBSLON", "GEOLON", "LONGITUD", "OBSGEO-L")
    latitude_deg = latitude[1] if latitude and -90.0 <= latitude[1] <= 90.0 else None
    if longitude is None or not -360.0 <= longitude[1] <= 360.0:
        return latitude_deg, None
    key, value = longitude
    if value == 0.0 and not latitude_deg:  # both zero: never filled in
        return None, None
    return latitude_deg, _east_positive(r, key, value, start, offset_h)


def _elevation_m(r: _Reading) -> float | None:
    """Height of the site; OBSGEO-H counts from the ellipsoid, within 110 m of the sea. ELEVATIO is where a telescope points."""
    found = r.named_number("SITEELEV", "ALT-OBS", "SITEALT", "OBSALT", "OBSELEV", "GEOELEV", "OBSGEO-H")
    if found is None:
        return None
    key, value = found
    if re.search(r"\b(ft|feet|foot)\b", r.comment(key).lower()):
        value *= 0.3048
    return value if -500.0 <= value <= 9000.0 else None


def _degrees(r: _Reading, *keys: str) -> tuple[str, float] | None:
    for key in keys:
        if key in r.cards:
            value = _angle(r, key, hours_if_sexagesimal=False)
            if value is not None:
                return key, value
    return None


def _east_positive(r: _Reading, key: str, value: float, start: datetime | None, offset_h: float | None) -> float:
    """A longitude counted positive to the east. Sidereal time tells the sign best, the local clock next."""
    said = value
    value = (value + 180.0) % 360.0 - 180.0
    comment = r.comment(key).lower()
    if key == "OBSGEO-L" or re.search(r"east(?:[ -]?positive| is positive)|positive east|\+ ?east|\(\+?e\)", comment):
        return value
    if re.search(r"west(?:[ -]?positive| is positive)|positive west|\+ ?west|degrees west|deg west", comment):
        r.notes.append(f"{key} counts west as positive, turned round")
        return -value
    sign = _sign_from_sidereal_time(r, value, start) or _sign_from_clock(value, offset_h)
    if sign == -1:
        r.notes.append(f"{key} {value:g} counts west as positive by the header's own times, turned round")
        return -value
    if sign is None and said > 0.0:
        r.notes.append(f"{key} {said:g} is taken as east; nothing in the header confirms it")
    return value


def _sign_from_sidereal_time(r: _Reading, longitude_deg: float, start: datetime | None) -> int | None:
    """+1 or -1 where local sidereal time fits one sign of the longitude within 3°, and not the other.

    Greenwich mean sidereal time: IAU 1982 in its linear form (Meeus, Astronomical Algorithms, eq. 12.4), good to an
    arcsecond over a century.
    """
    if start is None:
        return None
    for key in ("LST", "LST-OBS", "ST"):
        hours = spellings.as_sexagesimal(r.cards.get(key))
        if hours is not None:
            break
    else:
        return None
    days = (start - datetime(2000, 1, 1, 12, tzinfo=UTC)).total_seconds() / 86400.0
    there = hours * 15.0 - (280.46061837 + 360.98564736629 * days)
    fits = [sign for sign in (1, -1) if abs((there - sign * longitude_deg + 180.0) % 360.0 - 180.0) < 3.0]
    return fits[0] if len(fits) == 1 else None


def _sign_from_clock(longitude_deg: float, offset_h: float | None) -> int | None:
    """+1 or -1 where the local clock is within 3 h of the Sun's for one sign, and over 4 h off for the other."""
    if offset_h is None:
        return None
    east, west = abs(offset_h - longitude_deg / 15.0), abs(offset_h + longitude_deg / 15.0)
    if east <= 3.0 and west > 4.0:
        return 1
    return -1 if west <= 3.0 and east > 4.0 else None


def _pier_side(r: _Reading) -> str | None:
    text = (r.text("PIERSIDE", "PIER") or "").lower().removeprefix("pier")
    return {"e": "east", "w": "west"}.get(text[:1]) if text in {"e", "w", "east", "west"} else None


def _airmass(r: _Reading) -> float | None:
    value = r.number("AIRMASS", "SECZ", "AMSTART")
    return value if value is not None and 0.99 <= value < 45.0 else None


def _cfa(r: _Reading, height_px: int) -> str:
    pattern = r.text("BAYERPAT", "CFAPAT", "COLORTYP", "COLORTYPE")
    if pattern is None:
        return ""
    order = (r.text("ROWORDER") or "").upper()
    cfa = spellings.stored_cfa(
        pattern,
        x_offset=int(r.number("XBAYROFF", "BAYOFFX") or 0),
        y_offset=int(r.number("YBAYROFF", "BAYOFFY") or 0),
        bottom_up=order.startswith("BOTTOM"),
        height_px=height_px,
    )
    if not cfa:
        if pattern.upper() not in {"NONE", "MONO", "MONOCHROME"}:
            r.notes.append(f"the colour pattern {pattern!r} is not a 2x2 cell of R, G, G, B; taken as monochrome")
    elif not order:
        r.notes.append("ROWORDER is not given; the colour pattern is taken to start at the first stored row")
    return cfa


def _pedestal(r: _Reading) -> float:
    """What the values carry and must be taken off.

    The keyword's older meaning is "add this to each value to get zero-based values", so that −500 means 500 to take
    off; a positive one without such words is the newer meaning, a constant that was added.
    """
    value = r.number("PEDESTAL")
    if not value:
        return 0.0
    if value < 0.0 or re.search(r"\badd this|to add", r.comment("PEDESTAL"), re.IGNORECASE):
        return -value
    r.notes.append(f"PEDESTAL {value:g} is taken as a constant that was added to the values")
    return value


def _saturation(r: _Reading) -> float | None:
    value = r.positive("SATURATE", "SATLEVEL", "SATURATN")
    if value is not None:
        return value
    # DATAMAX is by the standard the largest value present; only where it looks like a ceiling is it one.
    value = r.positive("DATAMAX")
    ceilings = {float(2**bits - shift) for bits in (8, 10, 12, 14, 16) for shift in (0, 1)}
    return value if value in ceilings or (value and "satur" in r.comment("DATAMAX").lower()) else None


def _calibrated(r: _Reading, history: str) -> bool:
    status = (r.text("CALSTAT") or "").upper()
    if (status and set(status) <= set("BDFM ,")) or _APPLIED.search(history):
        r.notes.append("the header says that calibration was applied already")
        return True
    return False


_FIELDS = {f.name: str(f.type) for f in fields(FrameHeader)}
_FIXED = {"width_px", "height_px", "hdu", "bitpix", "notes"}


def _apply_rules(header: FrameHeader, name: str, rules: HeaderRules) -> FrameHeader:
    path = PurePath(name)
    named = next((values for pattern, values in rules.by_name if _fits(path, pattern.lower())), {})
    values: dict[str, Any] = {key: _field(key, value) for key, value in {**rules.override, **named}.items()}
    return replace(header, **values) if values else header


def _fits(path: PurePath, pattern: str) -> bool:
    """True if a file's name fits a shell pattern; one with a stroke is for the end of its path, folders included."""
    if "/" in pattern:
        return PurePosixPath(path.as_posix().lower()).match(pattern.lstrip("/"))
    return fnmatchcase(path.name.lower(), pattern)


def _field(key: str, value: object) -> object:
    """A value of the person's map in the type of the field it fills."""
    if key not in _FIELDS or key in _FIXED:
        allowed = ", ".join(sorted(set(_FIELDS) - _FIXED))
        raise SettingsError("[header] fills a field that a frame does not have", seen=key, allowed=allowed)
    wanted = _FIELDS[key]
    if value is None and "None" in wanted:
        return None
    if key == "kind":
        if value in FRAME_KINDS:
            return value
    elif key == "start":
        moment = value if isinstance(value, datetime) else times.parse_moment(str(value))[0]
        if moment is not None:
            return moment.astimezone(UTC) if moment.tzinfo else moment.replace(tzinfo=UTC)
    elif key == "binning":
        several = value if isinstance(value, (list, tuple)) else spellings.as_numbers(value)
        if several:
            return int(several[0]), int(several[-1])
    elif wanted == "bool":
        if isinstance(value, bool):
            return value
    elif wanted.startswith("float"):
        number = spellings.as_number(value)
        if number is not None:
            return number
    elif wanted.startswith("str"):
        return str(value).strip()
    raise SettingsError(f"[header] gives {key} a value it cannot have", seen=repr(value), allowed=wanted)
