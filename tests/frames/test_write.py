"""FITS out: the same bytes every time, right check sums, whole or not at all."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from nightfold.errors import NightfoldError
from nightfold.frames import write
from nightfold.frames.header import read_header
from nightfold.frames.write import frame_cards, raw_header, write_fits, write_raw


def parts() -> list[object]:
    primary = fits.PrimaryHDU(np.arange(12, dtype=np.float32).reshape(3, 4))
    primary.header["OBJECT"] = "field"
    return [primary, fits.ImageHDU(np.ones((3, 4), np.float32), name="VARIANCE")]


def test_the_same_parts_give_the_same_bytes(tmp_path: Path) -> None:
    one = write_fits(tmp_path / "a.fits", *parts()).read_bytes()
    two = write_fits(tmp_path / "b.fits", *parts()).read_bytes()
    assert one == two
    assert b"CHECKSUM" in one


def test_check_sums_hold_for_astropy(tmp_path: Path) -> None:
    path = write_fits(tmp_path / "a.fits", *parts())
    with fits.open(path, checksum=True) as hdus:  # a wrong sum warns, and warnings are errors
        hdus.verify("exception")
        np.testing.assert_array_equal(hdus[0].data, np.arange(12).reshape(3, 4))
        assert [h.verify_checksum() for h in hdus] == [1, 1]
        assert [h.verify_datasum() for h in hdus] == [1, 1]


def test_datasum_of_the_worked_example(tmp_path: Path) -> None:
    # CHECKS F4, by hand: int16 1, 2, 3, 4 are the words 0x00010002 and 0x00030004, whose sum is 262150.
    path = write_fits(tmp_path / "a.fits", fits.PrimaryHDU(np.array([[1, 2, 3, 4]], np.int16)))
    assert fits.getheader(path)["DATASUM"] == "262150"


def test_a_raw_frame_is_padded_and_read_back(tmp_path: Path) -> None:
    counts = np.random.default_rng(2).integers(0, 65536, (33, 21)).astype(np.uint16)
    cards = [
        ("IMAGETYP", "Light Frame", "kind"),
        ("EXPTIME", 150.0, "s"),
        ("HISTORY", "made here", ""),
        ("GAIN", 100, ""),
    ]
    path = write_raw(tmp_path / "a.fits", counts, cards)
    assert path.stat().st_size % 2880 == 0
    with fits.open(path) as hdus:
        hdus.verify("exception")
        np.testing.assert_array_equal(hdus[0].data, counts)
        assert hdus[0].header["EXPTIME"] == 150.0
        assert "made here" in str(hdus[0].header["HISTORY"])
    header = read_header(path)
    assert (header.kind, header.exposure_s, header.gain) == ("sub", 150.0, 100.0)
    np.testing.assert_array_equal(fits.getdata(write_raw(tmp_path / "t.fits", counts.T)), counts.T)


def test_header_blocks_keep_the_standards_order() -> None:
    # CHECKS F1: FITS Standard 4.0, 4.4.1.
    text = raw_header((250, 300), [("FILTER", "Ha", "")]).decode("ascii")
    assert len(text) % 2880 == 0
    keys = [text[i : i + 8].strip() for i in range(0, 400, 80)]
    assert keys == ["SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2"]
    assert all(32 <= ord(c) <= 126 for c in text)


def test_wrong_input_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="uint16 image, this is float32"):
        write_raw(tmp_path / "a.fits", np.zeros((2, 2), np.float32))  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="BZERO is set by the image"):
        write_raw(tmp_path / "a.fits", np.zeros((2, 2), np.uint16), [("BZERO", 0, "")])
    assert frame_cards([("A", 1), ("B", None)]) == [("A", 1, "")]


def test_a_full_disk_leaves_the_old_file_and_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_fits(tmp_path / "a.fits", *parts())
    before = path.read_bytes()

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(write.os, "fsync", full)
    with pytest.raises(NightfoldError, match=r"a\.fits: cannot be written; seen: No space left on device"):
        write_raw(path, np.zeros((5, 5), np.uint16))
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(NightfoldError, match="cannot be written; seen: No such file"):
        write_raw(tmp_path / "none" / "a.fits", np.zeros((5, 5), np.uint16))


@pytest.mark.skipif(shutil.which("fitsverify") is None, reason="fitsverify is not installed")
def test_fitsverify_finds_nothing(tmp_path: Path) -> None:
    path = write_fits(tmp_path / "a.fits", *parts())
    done = subprocess.run(["fitsverify", "-q", str(path)], capture_output=True, text=True, check=False)
    assert "verification OK" in done.stdout, done.stdout
