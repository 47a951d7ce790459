"""What may be thrown at Nightfold from outside, one function a door: bytes in, how it ended out, and only our own errors.

A target says whether it could read or refused with a `NightfoldError`, in one line; whatever else comes out of it is a
fault. `tests/hostile` runs them on drawn and kept inputs, `fuzz/run.py` searches for new ones.
"""

from __future__ import annotations

import math
import tempfile
import warnings
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path

from nightfold.errors import NightfoldError

MOST_SECONDS = 5.0
MOST_BYTES = 1 << 30
"""Ceiling of what one small hostile file may make us allocate: an image that is unpacked in memory may be so large."""
READ, REFUSED = "read", "refused"
"""How a target may end."""
_ROOM = Path("/dev/shm") if Path("/dev/shm").is_dir() else Path(tempfile.gettempdir())


def _as_file(data: bytes, suffix: str, read: Callable[[Path], object]) -> str:
    with tempfile.TemporaryDirectory(prefix="fuzz-", dir=_ROOM) as name:
        path = Path(name) / f"hostile{suffix}"
        path.write_bytes(data)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # what libraries think of broken files is theirs
                read(path)
        except NightfoldError as error:
            told = error.line
        else:
            return READ
    assert told
    assert "\n" not in told
    return REFUSED


def header(data: bytes) -> str:
    """A file that says it is a frame."""
    from nightfold.frames.header import read_header

    def read(path: Path) -> None:
        found = read_header(path)
        for field in fields(found):
            value = getattr(found, field.name)
            assert not isinstance(value, float) or math.isfinite(value), field.name
        assert 0 < found.width_px * found.height_px <= 1 << 31

    return _as_file(data, ".fits", read)


def pixels(data: bytes) -> str:
    """The same file, its pixels read."""
    from nightfold.frames.pixels import open_pixels

    def read(path: Path) -> None:
        with open_pixels(path, scratch_dir=path.parent / "scratch") as source:
            height = source.shape[0]
            source.read_rows(0, min(4, height))
            source.read_rows(max(0, height - 4), height)

    return _as_file(data, ".fits", read)


def master(data: bytes) -> str:
    """A file in the place of a master."""
    from nightfold.fold.masters import read_master

    return _as_file(data, ".fits", read_master)


def calibration(data: bytes) -> str:
    """A file in the place of a master calibration frame."""
    from nightfold.calibrate.files import read_calibration

    return _as_file(data, ".fits", read_calibration)


def star_list(data: bytes) -> str:
    """A star list as it may be added to a campaign."""
    from nightfold.align.catalogue import read_cone

    told = [_as_file(data, suffix, read_cone) for suffix in (".ecsv", ".fits")]
    return READ if READ in told else REFUSED


def campaign_file(data: bytes) -> str:
    """A campaign.toml."""
    from nightfold.settings.files import load_settings, parse_settings, settings_text

    def read(path: Path) -> None:
        found = load_settings(path)
        assert parse_settings(settings_text(found)) == found

    return _as_file(data, ".toml", read)


def recipe(data: bytes) -> str:
    """A picture's recipe."""
    from nightfold.picture.recipe import load_recipe, parse_recipe, recipe_text

    def read(path: Path) -> None:
        found = load_recipe(path)
        assert parse_recipe(recipe_text(found)) == found

    return _as_file(data, ".toml", read)


def simulation_plan(data: bytes) -> str:
    """A plan of invented frames."""
    from nightfold.simulate.plan_file import read_plan

    return _as_file(data, ".toml", read_plan)


def secrets(data: bytes) -> str:
    """A campaign's secrets.toml."""
    from nightfold.watch.phone import phone_addresses

    def read(path: Path) -> None:
        path.rename(path.parent / "secrets.toml")
        phone_addresses(path.parent)

    return _as_file(data, ".toml", read)


TARGETS: dict[str, Callable[[bytes], str]] = {
    f.__name__: f
    for f in (header, pixels, master, calibration, star_list, campaign_file, recipe, simulation_plan, secrets)
}
