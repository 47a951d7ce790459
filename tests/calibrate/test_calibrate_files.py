"""Master calibration frames go to disk and come back, byte for byte the same each time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from nightfold.calibrate.core import combine_frames, plane_reader
from nightfold.calibrate.files import CalibrationDocument, read_calibration, write_calibration
from nightfold.errors import CalibrationError, NightfoldError

SHAPE = (30, 50)


def document() -> CalibrationDocument:
    frames = np.random.default_rng(1).normal(200, 5, (5, *SHAPE)).astype(np.float32)
    bad = np.zeros(SHAPE, bool)
    bad[4, 5] = True
    return CalibrationDocument(
        kind="flat_dark",
        combined=combine_frames([plane_reader(f) for f in frames], SHAPE),
        bad=bad,
        facts={"GAIN": 100, "EXPTIME": 2.5, "INSTRUME": "camera of ours"},
        sources=("nacht-ü.fits", "b.fits"),
    )


def test_round_trip(tmp_path: Path) -> None:
    path = tmp_path / "dark.fits"
    original = document()
    write_calibration(path, original)
    back = read_calibration(path)
    for name in ("mean", "variance_of_mean", "used"):
        ours, theirs = getattr(original.combined, name), getattr(back.combined, name)
        np.testing.assert_array_equal(ours, theirs)
        assert theirs.dtype == ours.dtype
        assert theirs.dtype.isnative
    assert back.combined.levels == original.combined.levels
    assert back.combined.noise == original.combined.noise
    assert back.kind == "flat_dark"
    assert back.bad is not None
    assert np.argwhere(back.bad).tolist() == [[4, 5]]
    assert back.facts == original.facts
    assert back.sources == ("nacht-\\xfc.fits", "b.fits")


def test_same_bytes_and_valid_fits(tmp_path: Path) -> None:
    first, second = tmp_path / "a.fits", tmp_path / "b.fits"
    write_calibration(first, document())
    write_calibration(second, document())
    assert first.read_bytes() == second.read_bytes()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.fits", "b.fits"]
    with fits.open(first, checksum=True) as units:
        units.verify("exception")


def test_a_write_that_fails_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "dark.fits"
    path.write_bytes(b"old")

    def full_disk(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(fits.HDUList, "writeto", full_disk)
    with pytest.raises(NightfoldError, match=r"dark\.fits: cannot be written.*No space left"):
        write_calibration(path, document())
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["dark.fits"]


def test_foreign_files_are_told(tmp_path: Path) -> None:
    path = tmp_path / "x.fits"
    path.write_bytes(b"not fits at all")
    with pytest.raises(CalibrationError, match=r"x\.fits is not a master calibration frame of ours"):
        read_calibration(path)
    fits.PrimaryHDU(np.ones((3, 3))).writeto(path, overwrite=True)
    with pytest.raises(CalibrationError, match="not a master calibration frame of ours"):
        read_calibration(path)
