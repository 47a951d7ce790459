"""Pixels: any band equals the whole, for every way of storing; astropy is the outside reader."""

from __future__ import annotations

import gzip
import hashlib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import given, settings
from hypothesis import strategies as st

from nightfold.errors import FrameError
from nightfold.frames import pixels
from nightfold.frames.identity import hash_file, quick_fingerprint
from nightfold.frames.pixels import open_pixels, read_all
from nightfold.frames.unpack import inflate
from nightfold.frames.write import write_raw

STORED = {"u1": 8, "i2": 16, "i4": 32, "i8": 64, "f4": -32, "f8": -64}


def image(dtype: str, shape: tuple[int, int], seed: int = 1) -> np.ndarray[Any, Any]:
    rng = np.random.default_rng(seed)
    if dtype[0] == "f":
        return rng.normal(1000.0, 300.0, shape).astype(dtype)
    info = np.iinfo(dtype)
    low, high = max(info.min, -(2**40)), min(info.max, 2**40)
    return rng.integers(low, high, shape, dtype=dtype, endpoint=True)


def write(path: Path, data: np.ndarray[Any, Any], **cards: object) -> Path:
    """A file with the stored values as they are, whatever BSCALE and BZERO say; written by hand."""
    lines = {"SIMPLE": "T", "BITPIX": STORED[data.dtype.str[1:]], "NAXIS": 2, "NAXIS1": data.shape[1]}
    lines |= {"NAXIS2": data.shape[0], **cards}
    text = "".join(f"{key:<8}= {value!s:>20}".ljust(80) for key, value in lines.items()) + "END".ljust(80)
    header = text.ljust(-(-len(text) // 2880) * 2880).encode("ascii")
    body = data.astype(data.dtype.newbyteorder(">")).tobytes()
    path.write_bytes(header + body + bytes(-len(body) % 2880))
    return path


@settings(max_examples=60, deadline=None)
@given(
    dtype=st.sampled_from(sorted(STORED)),
    height=st.integers(1, 40),
    width=st.integers(1, 60),
    scaled=st.booleans(),
    chunk=st.sampled_from([16, 256, 1 << 19]),
    data=st.data(),
)
def test_a_box_equals_the_whole(
    tmp_path_factory: pytest.TempPathFactory,
    dtype: str,
    height: int,
    width: int,
    scaled: bool,
    chunk: int,
    data: st.DataObject,
) -> None:
    path = tmp_path_factory.getbasetemp() / "box.fits"
    values = image(dtype, (height, width))
    write(path, values, **({"BSCALE": 0.5, "BZERO": 100.0} if scaled else {}))
    expected = (values * 0.5 + 100.0 if scaled else values).astype(np.float32)
    y0 = data.draw(st.integers(0, height))
    y1 = data.draw(st.integers(y0, height))
    x0 = data.draw(st.integers(0, width))
    x1 = data.draw(st.integers(x0, width))
    with pytest.MonkeyPatch.context() as patch, open_pixels(path) as source:
        patch.setattr(pixels, "CHUNK_BYTES", chunk)
        assert source.shape == (height, width)
        np.testing.assert_array_equal(source.read_box(y0, y1, x0, x1), expected[y0:y1, x0:x1])
        np.testing.assert_array_equal(source.read_rows(y0, y1), expected[y0:y1])
        np.testing.assert_array_equal(source.read_stored(y0, y1, x0, x1), values[y0:y1, x0:x1])


@pytest.mark.parametrize("dtype", sorted(STORED))
def test_values_are_those_of_astropy(dtype: str, tmp_path: Path) -> None:
    path = write(tmp_path / "a.fits", image(dtype, (30, 50)), BSCALE=2.0, BZERO=10.0)
    theirs = fits.getdata(path, memmap=False).astype(np.float32)
    with open_pixels(path) as source:
        # astropy scales 16-bit values in float32, here it is float64: one rounding apart.
        np.testing.assert_allclose(source.read_rows(0, 30), theirs, rtol=2e-7)


@pytest.mark.filterwarnings("ignore::astropy.io.fits.verify.VerifyWarning")
def test_unsigned_16_bits_to_both_ends(tmp_path: Path) -> None:
    counts = np.array([[0, 1, 32767, 32768, 65534, 65535]], np.uint16)
    path = write_raw(tmp_path / "a.fits", counts)
    with open_pixels(path) as source:
        assert source.is_plain_unsigned16
        np.testing.assert_array_equal(source.read_rows(0, 1), counts.astype(np.float32))
    np.testing.assert_array_equal(fits.getdata(path), counts)
    stored = fits.getdata(path, do_not_scale_image_data=True)
    assert (stored[0, 0], stored[0, -1]) == (-32768, 32767)  # CHECKS F2


def test_the_kernel_equals_its_slow_twin() -> None:
    stored = image("i2", (7, 13)).astype(">i2")
    from nightfold.kernels.decode import decode_unsigned16

    out = np.empty(stored.size, np.float32)
    decode_unsigned16(stored.reshape(-1).view(np.uint16), out)
    assert out.tolist() == [float(int(v) + 32768) for v in stored.reshape(-1)]


def test_no_value_is_nan(tmp_path: Path) -> None:
    path = write(tmp_path / "i.fits", np.array([[1, -7, 3]], np.int16), BLANK=-7, BZERO=32768.0)
    with open_pixels(path) as source:
        np.testing.assert_array_equal(source.read_rows(0, 1), np.float32([[32769, np.nan, 32771]]))
    path = write(tmp_path / "f.fits", np.array([[1, np.inf, -np.inf, np.nan, 1e300]], np.float64))
    with open_pixels(path) as source:
        np.testing.assert_array_equal(source.read_rows(0, 1), np.float32([[1, np.nan, np.nan, np.nan, np.nan]]))


def test_out_is_filled_also_when_strided(tmp_path: Path) -> None:
    values = image("i2", (12, 9))
    with open_pixels(write(tmp_path / "a.fits", values)) as source:
        room = np.zeros((4, 20), np.float32)
        assert source.read_rows(3, 7, room[:, 5:14]) is not None
        np.testing.assert_array_equal(room[:, 5:14], values[3:7])
        assert not room[:, :5].any()
        with pytest.raises(ValueError, match="float32"):
            source.read_rows(0, 2, np.empty((2, 9), np.float64))  # type: ignore[arg-type]
        with pytest.raises(ValueError, match="leaves the frame of 12 rows and 9 columns"):
            source.read_rows(0, 13)


@pytest.mark.parametrize("way", ["plain", "gzip", "tiles", "gzip scratch", "tiles scratch"])
def test_packed_files_give_the_same_pixels(way: str, tmp_path: Path) -> None:
    counts = image("u2", (64, 50))
    path = write_raw(tmp_path / "a.fits", counts)
    if way.startswith("gzip"):
        content = path.read_bytes()
        path = tmp_path / "a.fits.gz"
        path.write_bytes(gzip.compress(content))
    elif way.startswith("tiles"):
        packed = tmp_path / "a.fits.fz"
        fits.CompImageHDU(counts, compression_type="RICE_1").writeto(packed)
        path = packed
    scratch = tmp_path / "scratch" if "scratch" in way else None
    with open_pixels(path, scratch_dir=scratch) as source:
        np.testing.assert_array_equal(source.read_rows(0, 64), counts)
        np.testing.assert_array_equal(source.read_box(10, 20, 3, 7), counts[10:20, 3:7])
    whole, digest = read_all(path, hash_too=True)
    np.testing.assert_array_equal(whole, counts)
    assert digest == hashlib.sha256(path.read_bytes()).hexdigest() == hash_file(path)
    if scratch:
        left = list(scratch.iterdir())
        assert len(left) == 1
        assert left[0] == inflate(path, scratch)


@pytest.mark.parametrize("dtype", ["f4", "i4"])
def test_other_tiles(dtype: str, tmp_path: Path) -> None:
    values = image(dtype, (40, 30)) // 1024 if dtype == "i4" else image(dtype, (40, 30))
    path = tmp_path / "a.fits.fz"
    fits.CompImageHDU(values, compression_type="GZIP_1", quantize_level=0.0).writeto(path)
    with open_pixels(path) as source:
        np.testing.assert_array_equal(source.read_rows(0, 40), values.astype(np.float32))


def test_threads_read_what_one_reads(tmp_path: Path) -> None:
    counts = image("u2", (200, 170))
    with open_pixels(write_raw(tmp_path / "a.fits", counts)) as source, ThreadPoolExecutor(8) as pool:
        boxes = [(y, y + 23, y % 90, 90 + y % 80) for y in range(177)] * 4
        for box, got in zip(boxes, pool.map(lambda b: source.read_box(*b), boxes)):
            np.testing.assert_array_equal(got, counts[box[0] : box[1], box[2] : box[3]])


def test_read_all_of_a_plain_file(tmp_path: Path) -> None:
    values = image("f4", (33, 21))
    path = write(tmp_path / "a.fits", values)
    whole, digest = read_all(path)
    np.testing.assert_array_equal(whole, values)
    assert digest is None


def test_a_file_that_shrinks_is_told(tmp_path: Path) -> None:
    path = write_raw(tmp_path / "a.fits", image("u2", (100, 100)))
    with open_pixels(path) as source:
        path.write_bytes(path.read_bytes()[:9000])
        with pytest.raises(FrameError, match="ends inside its pixels"):
            source.read_rows(0, 100)


def test_a_packed_file_yields_no_more_than_its_header_promises(tmp_path: Path) -> None:
    content = write_raw(tmp_path / "a.fits", image("u2", (10, 10))).read_bytes()
    bomb = tmp_path / "bomb.fits.gz"
    bomb.write_bytes(gzip.compress(content + bytes(50_000_000)))
    unpacked = inflate(bomb, tmp_path / "scratch")
    assert unpacked.stat().st_size <= len(content)


def test_no_room_to_unpack_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    packed = tmp_path / "a.fits.gz"
    packed.write_bytes(gzip.compress(write_raw(tmp_path / "a.fits", image("u2", (10, 10))).read_bytes()))
    from nightfold.frames import unpack

    monkeypatch.setattr(unpack.shutil, "disk_usage", lambda path: type("Usage", (), {"free": 100})())
    with pytest.raises(FrameError, match="no room to unpack"):
        inflate(packed, tmp_path / "scratch")


def test_fingerprints_tell_exposures_apart(tmp_path: Path) -> None:
    counts = image("u2", (300, 300))
    cards = [("DATE-OBS", "2024-03-01T10:00:00", "")]
    first = write_raw(tmp_path / "a.fits", counts, cards)
    same = write_raw(tmp_path / "moved.fits", counts, cards)
    later = write_raw(tmp_path / "b.fits", counts, [("DATE-OBS", "2024-03-01T10:03:00", "")])
    other = write_raw(tmp_path / "c.fits", image("u2", (300, 300), seed=2), cards)
    prints = [quick_fingerprint(p) for p in (first, same, later, other)]
    assert prints[0] == prints[1]
    assert len(set(prints)) == 3


def test_another_part_is_refused(tmp_path: Path) -> None:
    path = write_raw(tmp_path / "a.fits", image("u2", (5, 5)))
    with pytest.raises(FrameError, match="not where it was"):
        open_pixels(path, hdu=2)


def test_parts_of_long_rows_are_read_row_by_row(tmp_path: Path) -> None:
    values = image("i2", (40, 3000))
    path = write(tmp_path / "long.fits", values)
    with open_pixels(path) as source:
        np.testing.assert_array_equal(source.read_stored(3, 38, 1203, 1807), values[3:38, 1203:1807])
        np.testing.assert_array_equal(source.read_box(0, 40, 2999, 3000)[:, 0], values[:, 2999].astype(np.float32))


def test_a_file_cut_short_since_is_told_where_its_rows_are_read_in_part(tmp_path: Path) -> None:
    path = write(tmp_path / "long.fits", image("i2", (40, 3000)))
    with open_pixels(path) as source:
        with path.open("r+b") as file:
            file.truncate(source.layout.data_offset + 20 * 6000)
        source.read_stored(0, 19, 100, 200)
        with pytest.raises(FrameError, match="ends inside its pixels"):
            source.read_stored(10, 30, 100, 200)


@pytest.mark.parametrize("way", ["plain", "gzip", "tiles"])
def test_shares_of_the_full_range_are_read_as_counts(way: str, tmp_path: Path) -> None:
    counts = np.random.default_rng(5).integers(150, 65535, (70, 300), np.uint16, endpoint=True)
    values = (counts / 65535.0).astype(np.float32)
    values[3, 4] = np.nan
    path = write(tmp_path / "a.fits", values)
    if way == "gzip":
        packed = tmp_path / "a.fits.gz"
        packed.write_bytes(gzip.compress(path.read_bytes()))
        path = packed
    elif way == "tiles":
        path = tmp_path / "a.fits.fz"
        fits.HDUList(
            [fits.PrimaryHDU(), fits.CompImageHDU(values, compression_type="GZIP_2", quantize_level=0)]
        ).writeto(path)
    assert pixels.holds_shares(path)
    whole, digest = read_all(path, hash_too=True)
    assert digest == hash_file(path)
    expected = counts.astype(np.float64)
    expected[3, 4] = np.nan
    np.testing.assert_allclose(whole, expected, atol=0.01)
    for scratch in (None, tmp_path / "scratch"):
        with open_pixels(path, scratch_dir=scratch) as source:
            np.testing.assert_array_equal(source.read_box(2, 30, 3, 50), whole[2:30, 3:50])


def test_floats_in_other_units_stay_as_they_are(tmp_path: Path) -> None:
    rng = np.random.default_rng(6)
    share = rng.uniform(0.01, 0.4, (20, 30)).astype(np.float32)
    bright, dark, bits = share.copy(), share.copy(), (share > 0.2).astype(np.float32)
    bright[19, 29], dark[19, 29] = 1.01, -1e-4
    for name, values, cards in (
        ("bright", bright, {}),
        ("dark", dark, {}),
        ("bits", bits, {}),
        ("unit", share, {"BUNIT": "'electron/s'"}),
        ("scaled", share, {"BSCALE": 2.0}),
    ):
        path = write(tmp_path / f"{name}.fits", values, **cards)
        assert not pixels.holds_shares(path), name
        whole, _ = read_all(path)
        np.testing.assert_array_equal(whole, values * (2.0 if name == "scaled" else 1.0))
    # Another file under the same name is looked at anew.
    path = write(tmp_path / "unit.fits", share[:10])
    assert pixels.holds_shares(path)
