"""Folders in, frames out."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from nightfold.errors import CancelledError
from nightfold.frames.write import write_raw
from nightfold.intake.scan import find_files, is_frame_name, scan


def frame(path: Path, seed: int = 0) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    counts = np.random.default_rng(seed).integers(900, 1100, (8, 9), dtype=np.uint16)
    return write_raw(path, counts, [("EXPTIME", 150.0, ""), ("IMAGETYP", "light", "")])


def test_names_of_frames() -> None:
    good = ["a.fits", "a.FIT", "a.fts", "a.Fits.GZ", "a.fit.fz"]
    bad = [".a.fits", "~a.fits", "a.fits.part", "a.fits.tmp", "a.gz", "a.txt", "LICENSE.gz", "afits"]
    assert all(map(is_frame_name, good))
    assert not any(map(is_frame_name, bad))


def test_files_are_found_once_in_order(tmp_path: Path) -> None:
    b = frame(tmp_path / "night" / "b.fits")
    a = frame(tmp_path / "night" / "deep" / "a.FIT")
    frame(tmp_path / ".hidden" / "c.fits")
    (tmp_path / "night" / "notes.txt").write_text("cloudy")
    (tmp_path / "night" / "loop").symlink_to(tmp_path / "night")
    odd = tmp_path / "odd.bin"
    odd.write_bytes(b"x")
    refused: list[str] = []
    found = find_files([tmp_path, tmp_path / "night", odd, tmp_path / "gone"], lambda p, why: refused.append(why))
    assert found == sorted([a, b, odd])
    assert refused == ["gone: there is no such file or folder"]


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may open every folder")
def test_a_folder_without_permission_is_told(tmp_path: Path) -> None:
    good = frame(tmp_path / "a.fits")
    shut = tmp_path / "shut"
    shut.mkdir(mode=0)
    refused: list[str] = []
    assert find_files([tmp_path], lambda p, why: refused.append(why)) == [good]
    assert "cannot be opened" in refused[0]
    shut.chmod(0o700)


def test_a_folder_that_fails_is_told_and_the_rest_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    good = frame(tmp_path / "a.fits")
    (tmp_path / "shut").mkdir()
    real = os.scandir

    def scandir(path: Path) -> object:
        if Path(path).name == "shut":
            raise PermissionError(13, "Permission denied")
        return real(path)

    monkeypatch.setattr(os, "scandir", scandir)
    refused: list[tuple[Path, str]] = []
    assert find_files([tmp_path], lambda p, why: refused.append((p, why))) == [good]
    assert refused == [
        (tmp_path / "shut", "shut: the folder cannot be opened; seen: Permission denied; next: check its rights")
    ]


def test_scan_keeps_order_refuses_and_skips_what_is_known(tmp_path: Path) -> None:
    files = [frame(tmp_path / f"{i:03d}.fits", i) for i in range(70)]
    files[33].write_bytes(b"no frame")
    files[40].write_bytes(files[40].read_bytes()[:2900])
    ticks: list[tuple[int, int]] = []
    one = list(scan(files, workers=1))
    many = list(scan(files, workers=7, progress=lambda done, all_: ticks.append((done, all_))))
    assert one == many
    assert [s.path for s in many] == files
    assert [i for i, s in enumerate(many) if s.reason] == [33, 40]
    assert "not a FITS file" in (many[33].reason or "")
    assert "truncated" in (many[40].reason or "")
    assert len({s.fingerprint for s in many}) == 70
    assert ticks[-1] == (70, 70)
    known = {s.key for s in many[:60]}
    assert [s.path for s in scan(files, known=known)] == files[60:]
    os.utime(files[3], ns=(1, 1))
    assert [s.path for s in scan(files, known=known.__contains__)] == [files[3], *files[60:]]


def test_a_file_that_vanishes_is_refused(tmp_path: Path) -> None:
    (seen,) = scan([tmp_path / "gone.fits"])
    assert seen.header is None
    assert "gone.fits: cannot be read" in (seen.reason or "")


def test_stopping_hands_out_what_was_finished(tmp_path: Path) -> None:
    files = [frame(tmp_path / f"{i:03d}.fits", i) for i in range(80)]
    got: list[Path] = []
    with pytest.raises(CancelledError, match="of 80 done"):
        for found in scan(files, workers=1, cancelled=lambda: len(got) >= 16):
            got.append(found.path)
    assert got == files[: len(got)]
    assert 16 <= len(got) < 80
