"""Folders of this machine to choose from: where a person keeps frames, and nothing else of the disk."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from nightfold.errors import FrameError
from nightfold.intake.scan import is_frame_name

MOST_ENTRIES = 500
MOST_COUNTED = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderEntry:
    """A folder by its name and path."""

    name: str
    path: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FolderListing:
    """What one folder holds: folders, and how many files are named like frames, here and below.

    `files` are named only where a single file is to be chosen: frames, and tables of focus runs.
    `up` is the folder above, null at the top; `cut_short` is true where there was more than is listed or counted.
    """

    path: str
    name: str
    up: str | None
    folders: tuple[FolderEntry, ...]
    frames_here: int
    frames_below: int
    cut_short: bool
    files: tuple[FolderEntry, ...] = ()


def usual_places(*more: Path) -> tuple[Path, ...]:
    """Folders that may be browsed: the person's own, mounted disks and cards, and `more`; only those that exist."""
    wanted = [*more, Path.home(), Path("/media"), Path("/mnt"), Path("/run/media"), Path("/Volumes")]
    if os.name == "nt":
        wanted += [Path(f"{letter}:/") for letter in "CDEFGHIJKLMNOPQRSTUVWXYZ"]
    found: list[Path] = []
    for place in wanted:
        try:
            real = place.resolve()
            if real.is_dir() and real not in found:
                found.append(real)
        except OSError:
            continue
    return tuple(found)


def list_places(places: tuple[Path, ...]) -> FolderListing:
    """The top of all browsing."""
    entries = tuple(FolderEntry(name=str(p), path=str(p)) for p in places)
    return FolderListing(
        path="", name="This machine", up=None, folders=entries, frames_here=0, frames_below=0, cut_short=False
    )


def allowed_folder(path: str, places: tuple[Path, ...]) -> Path:
    """`path` with links followed, if it is a folder under one of `places`; a FrameError if not."""
    refused = FrameError(
        "this folder cannot be opened from the page",
        seen=path[:200],
        allowed="folders under " + ", ".join(str(p) for p in places),
        next_step="choose another folder, or start Nightfold in that one",
    )
    # A path that is not whole would count from wherever the server was started.
    if "\0" in path or not Path(path).is_absolute():
        raise refused
    try:
        real = Path(path).resolve(strict=True)
    except (OSError, RuntimeError) as error:
        raise refused from error
    hidden = any(
        part.startswith(".") for place in places if real.is_relative_to(place) for part in real.relative_to(place).parts
    )
    if hidden or not real.is_dir() or not any(real.is_relative_to(place) for place in places):
        raise refused
    return real


def allowed_file(path: str, places: tuple[Path, ...]) -> Path:
    """`path` with links followed, if it is a frame or a table in a folder under one of `places`; a FrameError if not."""
    given = Path(path[:2000])
    folder = allowed_folder(str(given.parent), places)
    try:
        real = (folder / given.name).resolve(strict=True)
    except (OSError, RuntimeError, ValueError):
        real = folder
    if not real.is_file() or not real.is_relative_to(folder) or not _may_be_chosen(real.name):
        raise FrameError(
            "this file cannot be opened from the page", seen=path[:200], allowed="frames, and tables as CSV"
        )
    return real


def allowed_path(path: str, places: tuple[Path, ...]) -> Path:
    """A folder or file that may be opened; a FrameError if neither."""
    return allowed_file(path, places) if _may_be_chosen(Path(path[:2000]).name) else allowed_folder(path, places)


def _may_be_chosen(name: str) -> bool:
    return is_frame_name(name) or (name.lower().endswith(".csv") and not name.startswith("."))


def list_folder(path: str, places: tuple[Path, ...], *, with_files: bool = False) -> FolderListing:
    """What a folder holds; hidden folders are left out, and no file is named unless `with_files`."""
    folder = allowed_folder(path, places)
    names: list[str] = []
    files: list[str] = []
    here = 0
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if entry.name.startswith("."):
                    continue
                if _is_folder(entry):
                    names.append(entry.name)
                    continue
                here += is_frame_name(entry.name)
                if with_files and _may_be_chosen(entry.name):
                    files.append(entry.name)
    except OSError as error:
        raise FrameError(f"{folder} cannot be opened", seen=error.strerror or str(error)) from error
    below, counted_all = _count_below(folder)
    top = folder in places
    return FolderListing(
        path=str(folder),
        name=folder.name or str(folder),
        up="" if top else str(folder.parent),
        folders=tuple(
            FolderEntry(name=n, path=str(folder / n)) for n in sorted(names, key=str.casefold)[:MOST_ENTRIES]
        ),
        frames_here=here,
        frames_below=below,
        cut_short=max(len(names), len(files)) > MOST_ENTRIES or not counted_all,
        files=tuple(FolderEntry(name=n, path=str(folder / n)) for n in sorted(files, key=str.casefold)[:MOST_ENTRIES]),
    )


def _is_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_dir()
    except OSError:
        return False


def _count_below(folder: Path) -> tuple[int, bool]:
    """Frames here and below, and whether all were counted; links to folders are not followed."""
    count = looked = 0
    for _here, folders, files in os.walk(folder):
        folders[:] = [f for f in folders if not f.startswith(".")]
        looked += len(files) + 1
        count += sum(is_frame_name(f) for f in files)
        if looked > MOST_COUNTED:
            return count, False
    return count, True
