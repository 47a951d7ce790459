"""campaign.toml in and out: read with every mistake named by line and key, written with tomlkit."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import tomlkit
from pydantic import ValidationError

from nightfold.errors import SettingsError
from nightfold.settings.models import CampaignSettings

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
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{name} is not TOML: {error}", next_step="mend that line") from error
    try:
        return CampaignSettings.model_validate(data)
    except ValidationError as error:
        lines = _LineFinder(text)
        told = [_mistake(e, lines) for e in error.errors()]
        raise SettingsError(
            f"{name}: " + " | ".join(told), next_step="mend these keys and run the command again"
        ) from error


def _mistake(error: Any, lines: _LineFinder) -> str:
    path = [p for p in error["loc"] if not (isinstance(p, str) and ("[" in p or p in _VARIANTS))]
    key = ".".join(f"{p + 1}" if isinstance(p, int) else str(p) for p in path) or "the file"
    message = str(error["msg"]).removeprefix("Value error, ")
    message = {"extra_forbidden": "this key is not known", "missing": "this key is needed"}.get(error["type"], message)
    line = lines.find(path)
    where = f"line {line}, " if line else ""
    seen = error.get("input")
    shown = "" if error["type"] == "missing" or isinstance(seen, dict | list) else f" (seen: {seen!r})"
    return f"{where}{key}: {message}{shown}"


_VARIANTS = {"constrained-float", "constrained-int", "float", "int", "list"}


class _LineFinder:
    """Line numbers of dotted keys, found by walking the text: headers of tables and the keys below them."""

    def __init__(self, text: str) -> None:
        self._lines: dict[tuple[str | int, ...], int] = {}
        table: tuple[str | int, ...] = ()
        counts: dict[tuple[str | int, ...], int] = {}
        for number, raw in enumerate(text.splitlines(), start=1):
            line = raw.strip()
            if line.startswith("[["):
                names = self._current(line[2:].split("]]")[0], counts)
                counts[names] = counts.get(names, -1) + 1
                table = (*names, counts[names])
                self._lines.setdefault(table, number)
            elif line.startswith("["):
                table = self._current(line[1:].split("]")[0], counts)
                self._lines.setdefault(table, number)
            elif "=" in line and not line.startswith("#"):
                key = tuple(part.strip().strip("\"'") for part in line.split("=", 1)[0].split("."))
                self._lines.setdefault((*table, *key), number)

    @staticmethod
    def _current(header: str, counts: dict[tuple[str | int, ...], int]) -> tuple[str | int, ...]:
        """A header's path with the index of the latest element of each array of tables on the way."""
        path: tuple[str | int, ...] = ()
        parts = [p.strip().strip("\"'") for p in header.split(".")]
        for i, part in enumerate(parts):
            path = (*path, part)
            if path in counts and i < len(parts) - 1:
                path = (*path, counts[path])
        return path

    def find(self, path: Sequence[str | int]) -> int | None:
        """The line of a key, or of the nearest table above it."""
        for end in range(len(path), 0, -1):
            if (line := self._lines.get(tuple(path[:end]))) is not None:
                return line
        return None


def starter_text(name: str) -> str:
    """A commented campaign.toml to fill in; it loads as it stands."""
    return _STARTER.replace("@NAME@", name.replace("\\", "\\\\").replace('"', '\\"'))


def settings_text(tables: dict[str, Any], comments: Sequence[str] = ()) -> str:
    """A campaign.toml from plain tables, with `comments` at its head; checked before it is returned."""
    document = tomlkit.document()
    for comment in comments:
        document.add(tomlkit.comment(comment))
    for key, value in tables.items():
        document.add(key, tomlkit.item(value))
    text = tomlkit.dumps(document)
    parse_settings(text)
    return text


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
