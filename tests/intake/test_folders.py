"""Folders to choose from: what is shown, and that nothing beyond a person's own places is."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from nightfold.errors import FrameError
from nightfold.intake.folders import list_folder, list_places, usual_places


@pytest.fixture
def home(tmp_path: Path) -> Path:
    for name in ("nights/2026-05-14/ha", "nights/2026-05-15", ".secret", "empty"):
        (tmp_path / "home" / name).mkdir(parents=True)
    for name in ("nights/2026-05-14/ha/a.fits", "nights/2026-05-14/ha/b.FIT", "nights/c.fits.gz", "nights/notes.txt"):
        (tmp_path / "home" / name).write_bytes(b"")
    return (tmp_path / "home").resolve()


def test_a_folder_tells_its_folders_and_counts_frames(home: Path) -> None:
    listing = list_folder(str(home / "nights"), (home,))
    assert [f.name for f in listing.folders] == ["2026-05-14", "2026-05-15"]
    assert (listing.frames_here, listing.frames_below, listing.cut_short) == (1, 3, False)
    assert listing.up == str(home)
    assert list_folder(str(home), (home,)).up == ""
    assert [f.name for f in list_folder(str(home), (home,)).folders] == ["empty", "nights"]  # hidden ones are not shown


def test_the_top_lists_the_places(home: Path) -> None:
    assert [f.path for f in list_places((home,)).folders] == [str(home)]
    assert home in usual_places(home)


@pytest.mark.parametrize("path", ["..", "nights/../..", ".secret", "nights/c.fits.gz", "nowhere", "a\0b"])
def test_what_lies_outside_is_refused(home: Path, path: str) -> None:
    with pytest.raises(FrameError, match="cannot be opened from the page"):
        list_folder(str(home / path), (home,))


def test_a_relative_path_and_none_are_refused(home: Path) -> None:
    for path in ("", "/", "/etc", "etc"):
        with pytest.raises(FrameError):
            list_folder(path, (home,))


@pytest.mark.skipif(os.name == "nt", reason="making links needs rights there")
def test_a_link_that_leads_out_is_refused(home: Path, tmp_path: Path) -> None:
    (tmp_path / "outside").mkdir()
    (home / "way-out").symlink_to(tmp_path / "outside")
    with pytest.raises(FrameError):
        list_folder(str(home / "way-out"), (home,))
