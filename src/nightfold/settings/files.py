"""campaign.toml in and out: read with every mistake named by line and key, written with tomlkit."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, get_args

import tomlkit
from pydantic import ValidationError

from nightfold.errors import SettingsError
from nightfold.settings.lines import KeyLines
from nightfold.settings.models import CampaignSettings
from nightfold.settings.table import Table
from nightfold.settings.toml import BYTE_ORDER_MARK, read_toml

FILE_NAME = "campaign.toml"


def load_settings(path: Path) -> CampaignSettings:
    """The campaign's settings; a SettingsError lists every mistake with its line and key."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise SettingsError(
            f"{path} does not exist",
            next_step="make a campaign with `nightfold new DIR`, or name its folder with --campaign",
        ) from error
    except UnicodeDecodeError as error:
        raise SettingsError(
            f"{path} is not UTF-8 text", seen=str(error.reason), next_step="save it as UTF-8"
        ) from error
    return parse_settings(text, str(path))


def parse_settings(text: str, name: str = FILE_NAME) -> CampaignSettings:
    """The settings in a TOML text."""
    try:
        data = read_toml(text)
    except tomllib.TOMLDecodeError as error:
        words = str(error).replace(
            "at end of document", f"at line {max(1, len(text.splitlines()))}, the end of the file"
        )
        raise SettingsError(f"{name} is not TOML: {words}", next_step="mend that line") from error
    try:
        return CampaignSettings.model_validate(data)
    except ValidationError as error:
        lines = KeyLines(text)
        told: dict[str, str] = {}
        for mistake in error.errors():
            key, words = _mistake(mistake, lines)
            told.setdefault(key, words)  # a value that fits none of several kinds is one mistake
        raise SettingsError(
            f"{name}: " + " | ".join(told.values()), next_step="mend these keys and run the command again"
        ) from error


def _mistake(error: Any, lines: KeyLines) -> tuple[str, str]:
    """The dotted key of a mistake, and the mistake in words; elements count from 1 as people do."""
    path, table = _walk(error["loc"])
    path += error.get("ctx", {}).get("path", ())
    key = ".".join(f"{p + 1}" if isinstance(p, int) else str(p) for p in path) or "the file"
    message = (
        str(error["msg"])
        .removeprefix("Value error, ")
        .replace("Input should be", "must be")
        .replace("String should", "must")
    )
    message = message.replace("List should have", "must have").replace(" after validation", "")
    if error["type"] == "extra_forbidden":
        message = f"this key is not known{_nearest(str(path[-1]), table)}"
    elif error["type"] == "missing":
        message = "this key is needed"
    line = lines.find(path)
    where = f"line {line}, " if line else ""
    seen = repr(error.get("input"))
    hidden = error["type"] in ("missing", "extra_forbidden", "rule") or isinstance(error.get("input"), dict | Table)
    shown = "" if hidden else f" (seen: {seen if len(seen) <= 60 else seen[:57] + '...'})"
    return key, f"{where}{key}: {message}{shown}"


def _walk(location: Sequence[str | int]) -> tuple[list[str | int], type[Table]]:
    """The keys of a pydantic location, without its names of union members; and the table that the last key stands in."""
    path: list[str | int] = []
    owner: type[Table] = CampaignSettings
    inside: type[Table] | None = CampaignSettings  # None below a plain value
    for part in location:
        if isinstance(part, int):
            path.append(part)
        elif inside is not None:
            path.append(part)
            owner = inside
            field = inside.model_fields.get(part)
            inside = _table_in(field.annotation) if field else None
        elif path[-1] in _FREE:
            path.append(part)
    return path, owner


_FREE = {"filter_names", "match"}
"""Tables whose keys are the person's own words."""


def _table_in(annotation: Any) -> type[Table] | None:
    """The table that a field holds, alone or in a list."""
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return annotation
    return next((found for part in get_args(annotation) if (found := _table_in(part)) is not None), None)


def _nearest(key: str, table: type[Table]) -> str:
    allowed = sorted(table.model_fields)
    close = difflib.get_close_matches(key, allowed, n=1)
    return f"; do you mean {close[0]}?" if close else f"; allowed: {', '.join(allowed)}"


def starter_text(name: str) -> str:
    """A commented campaign.toml to fill in; it loads as it stands."""
    return _STARTER.replace("@NAME@", name.replace("\\", "\\\\").replace('"', '\\"'))


def settings_text(settings: CampaignSettings | Mapping[str, Any], comments: Sequence[str] = ()) -> str:
    """A campaign.toml from settings or plain tables, with `comments` at its head; checked before it is returned."""
    tables = plain_tables(settings) if isinstance(settings, CampaignSettings) else settings
    document = tomlkit.document()
    for comment in comments:
        document.add(tomlkit.comment(comment))
    for key, value in tables.items():
        document.add(key, tomlkit.item(value))
    text = tomlkit.dumps(document)
    parse_settings(text)
    return text


def plain_tables(settings: CampaignSettings) -> dict[str, Any]:
    """What was set, as TOML can hold it: defaults and unknowns left out."""
    return {k: _known(v) for k, v in settings.model_dump(exclude_unset=True).items() if v is not None}


def _known(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _known(v) for k, v in value.items() if v is not None}
    return [_known(v) for v in value] if isinstance(value, list) else value


def patched_text(text: str, changes: Mapping[tuple[str | int, ...], Any]) -> str:
    """A campaign.toml with some values changed, its comments, order and blanks kept; checked before it is returned.

    Parameters
    ----------
    text : str
        The file as it is.
    changes : mapping of path to value
        A path names tables, keys and elements (counted from 0), as ``("rig", 0, "camera", "pixel_um")``. Tables on the
        way are made where they are missing; None takes a key away. ``("target", n)`` with n the number of targets adds one.
    """
    document = tomlkit.parse(text.removeprefix(BYTE_ORDER_MARK))
    for path, value in changes.items():
        _set(document, path, value)
    changed = tomlkit.dumps(document)
    parse_settings(changed)
    return changed


def _set(document: Any, path: tuple[str | int, ...], value: Any) -> None:
    place = document
    for i, part in enumerate(path[:-1]):
        if isinstance(part, str) and part not in place:
            place[part] = tomlkit.aot() if isinstance(path[i + 1], int) else tomlkit.table()
        place = place[part]
    last = path[-1]
    if value is None:
        if isinstance(last, int) or last in place:
            del place[last]
    elif isinstance(last, int) and last == len(place):
        place.append(tomlkit.item(value))
    else:
        place[last] = value


_STARTER = """# What this campaign wants. Lines that start with # are examples to fill in.
name = "@NAME@"

# [site]
# latitude_deg = -31.3        # north positive
# longitude_deg = 149.1       # east positive
# elevation_m = 600
# time_zone = "Australia/Sydney"
# sky_mag_arcsec2 = 21.2      # V at the zenith without Moon
# extinction_mag = 0.20       # V, per air mass
# seeing_arcsec = 2.5         # FWHM at the zenith

# [[rig]]
# name = "Scout"
# [rig.telescope]
# aperture_mm = 106
# focal_length_mm = 530
# [rig.camera]
# width_px = 4144
# height_px = 2822
# pixel_um = 4.63
# bits = 14
# gains = [ { setting = 100, e_per_adu = 0.25, read_noise_e = 1.6, full_well_e = 16000, offset_adu = 200 } ]
# [rig.mount]
# flips = true
# min_altitude_deg = 30
# [[rig.filter]]
# name = "Ha"
# centre_nm = 656.28
# width_nm = 3.0

# [[target]]
# name = "a nebula"
# ra_deg = 250.2
# dec_deg = -48.8
# rigs = ["Scout"]
# [[target.goal]]
# filter = "Ha"
# surface_brightness_rayleigh = 5.0
# snr = 10
# box_arcsec = 10

# [header]                    # where files name things differently
# filter_names = { "H-alpha 3nm" = "Ha" }
"""
