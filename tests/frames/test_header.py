"""Headers of files: real ones, broken ones, and against astropy as the outside reader."""

from __future__ import annotations

import gzip
import shutil
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from nightfold.errors import FrameError
from nightfold.frames.cards import parse_cards, parse_field
from nightfold.frames.header import read_header, read_layout
from nightfold.frames.write import write_raw

DATA = Path(__file__).parents[2].parent / "shared" / "data"
needs_data = pytest.mark.skipif(not DATA.is_dir(), reason="the folder of open data is not beside the checkout")


def raw(path: Path, *, shape: tuple[int, int] = (20, 30), cards: tuple[tuple[str, object, str], ...] = ()) -> Path:
    rng = np.random.default_rng(3)
    return write_raw(path, rng.integers(0, 65535, shape, dtype=np.uint16), cards)


@needs_data
def test_local_time_kelvin_and_west_longitude() -> None:
    header = read_header(DATA / "raw/drifting-6inch/HATP-32171220013343.FITS.gz")
    assert header.start == datetime(2017, 12, 20, 1, 33, 43, 317000, tzinfo=UTC)
    assert (header.width_px, header.height_px, header.exposure_s, header.filter) == (650, 500, 60.0, "Clear")
    assert header.sensor_c == pytest.approx(-2.15)
    assert header.ambient_c == pytest.approx(13.85)
    assert header.site_longitude_deg == pytest.approx(-110.88)
    assert header.focuser_position == 2225.0


@needs_data
def test_focus_run() -> None:
    header = read_header(DATA / "raw/focus-run/lux-10.000secs.Light.Open.00000001.fit")
    assert (header.kind, header.focuser_position, header.focuser_c) == ("sub", 4023.0, 6.0)
    assert header.e_per_adu == 2.07
    assert header.pedestal_adu == 100.0
    assert header.site_longitude_deg == pytest.approx(-(71 + 29 / 60 + 6 / 3600))
    assert header.ra_deg == pytest.approx(15 * (4 + 12 / 60 + 12.242 / 3600))


@needs_data
def test_calibrated_with_pedestal() -> None:
    header = read_header(DATA / "raw/globular-5x5s/M13_blue_0001.fits.gz")
    assert header.calibrated
    assert header.pedestal_adu == 500.0


@needs_data
def test_image_in_an_extension() -> None:
    header = read_header(DATA / "raw/odd-single-frames/gmos.fits")
    assert (header.hdu, header.width_px, header.height_px, header.bitpix) == (1, 200, 150, -32)
    assert (header.object, header.exposure_s) == ("LTT7379", 90.0)
    nebula = read_header(DATA / "narrowband/pn-ground-based/nordic-ou5-ha-00-regrid.fits.gz")
    assert (nebula.hdu, nebula.bitpix, nebula.filter) == (1, -64, None)


@needs_data
def test_day_only_date_and_number_for_a_filter() -> None:
    header = read_header(DATA / "raw/odd-single-frames/a8280271.fits")
    assert header.start == datetime(2013, 7, 13, 0, 57, 33, tzinfo=UTC)
    assert header.sensor_c == pytest.approx(-92.95)
    assert header.e_per_adu == 1.9
    assert header.filter == "48"


@needs_data
@pytest.mark.filterwarnings("ignore::astropy.io.fits.verify.VerifyWarning")
@pytest.mark.parametrize(
    "name",
    [
        "raw/drifting-6inch/HATP-32171220013343.FITS.gz",
        "raw/focus-run/lux-10.000secs.Light.Open.00000001.fit",
        "raw/odd-single-frames/a8280271.fits",
        "wcs/gc_2mass_j.fits",
    ],
)
def test_values_are_those_of_astropy(name: str, tmp_path: Path) -> None:
    path = tmp_path / Path(name).name.replace(".FITS.gz", ".fits.gz")
    shutil.copy(DATA / name, path)
    _, cards = read_layout(path)
    header = fits.getheader(path)
    keys = [k for k in header if k not in ("", "COMMENT", "HISTORY", "CONTINUE")]
    assert len(keys) > 15
    for key in keys:
        theirs = header[key]
        theirs = theirs.strip() if isinstance(theirs, str) else theirs
        ours = cards[key]
        assert (ours.strip() if isinstance(ours, str) else ours) == theirs, key


def test_fields_of_cards() -> None:
    assert parse_field(" 'it''s / so'  / why") == ("it's / so", "why")
    assert parse_field("        1.5D+3 / x") == (1500.0, "x")
    assert parse_field(" T") == (True, "")
    assert parse_field("   / nothing") == (None, "nothing")
    assert parse_field(" -0 ") == (0, "")
    lines = ["OBJECT  = 'a long &'", "CONTINUE  'name' / both", "OBJECT  = 'later'", "HISTORY  one", "HIERARCH A B = 3"]
    cards = parse_cards("".join(line.ljust(80) for line in lines))
    assert (cards["OBJECT"], cards["A B"], cards.history) == ("a long name", 3, " one")


def test_gzip_and_tiles_tell_the_same(tmp_path: Path) -> None:
    path = raw(tmp_path / "a.fits", cards=(("EXPTIME", 30.0, ""), ("FILTER", "H-alpha", "")))
    packed = tmp_path / "a.fits.gz"
    packed.write_bytes(gzip.compress(path.read_bytes(), mtime=0))
    tiles = tmp_path / "a.fits.fz"
    with fits.open(path, do_not_scale_image_data=True) as hdus:
        fits.CompImageHDU(hdus[0].data, hdus[0].header, compression_type="RICE_1").writeto(tiles)
    headers = [read_header(p) for p in (path, packed, tiles)]
    assert {(h.width_px, h.height_px, h.bitpix, h.exposure_s, h.filter) for h in headers} == {(30, 20, 16, 30.0, "Ha")}
    assert [read_layout(p)[0].container for p in (path, packed, tiles)] == ["plain", "gzip", "tiles"]


def header_only(*cards: str) -> bytes:
    pairs = [card.partition("=") for card in cards]
    lines = [f"{key.strip():<8}= {value.strip():>20}".ljust(80) for key, _, value in pairs]
    return "".join([*lines, "END"]).ljust(2880).encode()


BROKEN = {
    "empty": (b"", "empty"),
    "text": (b"hello, this is no image", "not a FITS file"),
    "no end": (b"SIMPLE  =                    T".ljust(80) + b" " * 2800, "inside its header"),
    "endless": (b"SIMPLE  =                    T".ljust(80) + b" " * (1 << 21), "no END"),
    "no image": (header_only("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 0"), "no two-dimensional image"),
    "spectrum": (header_only("SIMPLE  = T", "BITPIX  = 8", "NAXIS   = 1", "NAXIS1  = 0"), "no two-dimensional image"),
    "colour": (
        header_only("SIMPLE  = T", "BITPIX  = 16", "NAXIS = 3", "NAXIS1 = 9", "NAXIS2 = 8", "NAXIS3 = 3"),
        "colour image of 9 x 8 x 3",
    ),
    "cube": (
        header_only("SIMPLE  = T", "BITPIX  = 16", "NAXIS = 3", "NAXIS1 = 9", "NAXIS2 = 8", "NAXIS3 = 30"),
        "a cube of 9 x 8 x 30",
    ),
    "zero": (header_only("SIMPLE  = T", "BITPIX  = 16", "NAXIS = 2", "NAXIS1 = 0", "NAXIS2 = 9"), "absurd image size"),
    "negative": (header_only("SIMPLE  = T", "BITPIX  = 16", "NAXIS = 2", "NAXIS1 = -4", "NAXIS2 = 9"), "absurd header"),
    "huge": (
        header_only("SIMPLE  = T", "BITPIX  = 16", "NAXIS = 2", "NAXIS1 = 99999999", "NAXIS2 = 99999999"),
        "absurd image size",
    ),
    "bitpix": (header_only("SIMPLE  = T", "BITPIX  = 17", "NAXIS = 2", "NAXIS1 = 4", "NAXIS2 = 4"), "BITPIX = 17"),
    "axis missing": (header_only("SIMPLE  = T", "BITPIX  = 16", "NAXIS = 2", "NAXIS1 = 4"), "NAXIS2 = None"),
    "short": (header_only("SIMPLE  = T", "BITPIX  = 16", "NAXIS = 2", "NAXIS1 = 40", "NAXIS2 = 40"), "3200 bytes are missing"),
    "gzip of text": (gzip.compress(b"hello" * 99), "not a FITS file"),
    "gzip cut in its header": (gzip.compress(header_only("SIMPLE = T", "BITPIX = 8", "NAXIS = 0"))[:40], "breaks off"),
    "gzip corrupt": (b"\x1f\x8b\x08\x00" + b"\x55" * 400, "corrupt"),
}  # fmt: skip


@pytest.mark.parametrize("case", BROKEN)
def test_a_broken_file_is_refused_in_one_line(case: str, tmp_path: Path) -> None:
    content, wanted = BROKEN[case]
    path = tmp_path / "b.fits"
    path.write_bytes(content)
    with pytest.raises(FrameError) as caught:
        read_header(path)
    line = str(caught.value)
    assert line.startswith("b.fits: ")
    assert wanted in line
    assert "\n" not in line


def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path) -> None:
    for path in (tmp_path / "none.fits", tmp_path):
        with pytest.raises(FrameError, match="cannot be read"):
            read_header(path)


@pytest.mark.parametrize("cut", [10, 700, 1500])
def test_a_gzip_file_that_breaks_off_is_refused(cut: int, tmp_path: Path) -> None:
    path = raw(tmp_path / "a.fits", shape=(40, 40))
    packed = gzip.compress(path.read_bytes(), mtime=0)
    broken = tmp_path / "a.fits.gz"
    broken.write_bytes(packed[:-cut])
    with pytest.raises(FrameError, match=r"breaks off|missing|corrupt"):
        read_header(broken)


def test_gzip_of_several_members_is_read(tmp_path: Path) -> None:
    content = raw(tmp_path / "a.fits", shape=(40, 40)).read_bytes()
    path = tmp_path / "two.fits.gz"
    path.write_bytes(gzip.compress(content[:3000]) + gzip.compress(content[3000:]))
    assert read_header(path).height_px == 40


def test_an_image_behind_a_cube_is_found(tmp_path: Path) -> None:
    path = tmp_path / "c.fits"
    cube = fits.PrimaryHDU(np.zeros((3, 4, 5), np.int16))
    fits.HDUList([cube, fits.ImageHDU(np.zeros((6, 7), np.float32))]).writeto(path)
    header = read_header(path)
    assert (header.hdu, header.width_px, header.height_px) == (1, 7, 6)


@pytest.mark.slow
def test_headers_are_read_at_1000_files_a_second(tmp_path: Path) -> None:
    cards = tuple((f"KEY{i}", i * 0.5, "filler") for i in range(60))
    paths = [raw(tmp_path / f"{i}.fits", shape=(4, 4), cards=cards) for i in range(100)]
    best = 0.0
    for _ in range(5):
        begin = time.process_time()
        for path in paths:
            read_header(path)
        best = max(best, len(paths) / (time.process_time() - begin))
    assert best > 1000
