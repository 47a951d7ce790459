"""Folders to choose from: what is shown, and that nothing beyond a person's own places is."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from nightfold.errors import FrameError
from nightfold.intake.folders import allowed_path, list_folder, list_places, usual_places


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


def test_files_are_named_only_where_one_is_to_be_chosen(home: Path) -> None:
    (home / "nights" / "run.csv").write_text("position,radius\n")
    (home / "nights" / "letter.txt").write_text("no frame")
    (home / "nights" / ".hidden.csv").write_text("")
    assert list_folder(str(home / "nights"), (home,)).files == ()
    names = [f.name for f in list_folder(str(home / "nights"), (home,), with_files=True).files]
    assert "run.csv" in names
    assert "letter.txt" not in names
    assert not any(n.startswith(".") for n in names)


def test_only_frames_and_tables_inside_are_opened(home: Path, tmp_path: Path) -> None:
    (home / "nights" / "run.csv").write_text("position,radius\n")
    assert allowed_path(str(home / "nights" / "run.csv"), (home,)) == (home / "nights" / "run.csv").resolve()
    assert allowed_path(str(home / "nights"), (home,)) == (home / "nights").resolve()
    outside = tmp_path / "outside.csv"
    outside.write_text("secret")
    (home / "nights" / "way.csv").symlink_to(outside)
    (home / "nights" / "letter.txt").write_text("no frame")
    for path in (outside, home / "nights" / "way.csv", home / "nights" / "letter.txt", home / "nights" / "gone.csv"):
        with pytest.raises(FrameError):
            allowed_path(str(path), (home,))
