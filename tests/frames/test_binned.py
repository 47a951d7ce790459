"""Small copies of raw frames: means of blocks, a mosaic stays one, headers tell the larger pixels."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from nightfold.frames.binned import bin_plane, binned_copies, factor_for
from nightfold.frames.header import read_header
from nightfold.frames.pixels import read_all
from nightfold.frames.write import write_raw


def slow_bins(image: np.ndarray, n: int, step: int) -> np.ndarray:
    """Each output pixel from its own list of input pixels."""
    height, width = image.shape[0] // (n * step) * step, image.shape[1] // (n * step) * step
    out = np.empty((height, width))
    for y in range(height):
        for x in range(width):
            ys = [(y // step) * n * step + k * step + y % step for k in range(n)]
            xs = [(x // step) * n * step + k * step + x % step for k in range(n)]
            out[y, x] = np.mean([image[b, a] for b in ys for a in xs])
    return out


@pytest.mark.parametrize("mosaic", [False, True])
@pytest.mark.parametrize("factor", [1, 2, 3])
def test_means_of_blocks(factor: int, mosaic: bool) -> None:
    image = np.random.default_rng(3).normal(1000.0, 30.0, (140, 31)).astype(np.float32)
    np.testing.assert_allclose(
        bin_plane(image, factor, mosaic=mosaic), slow_bins(image, factor, 2 if mosaic else 1), rtol=1e-6
    )


def test_a_mosaic_keeps_its_colours() -> None:
    tile = np.array([[10.0, 20.0], [30.0, 40.0]], np.float32)
    np.testing.assert_array_equal(bin_plane(np.tile(tile, (12, 12)), 3, mosaic=True), np.tile(tile, (4, 4)))


@pytest.mark.parametrize(("width", "factor"), [(900, 1), (3200, 1), (3201, 2), (6248, 2), (9576, 3)])
def test_how_much_is_binned(width: int, factor: int) -> None:
    assert factor_for(width) == factor


def test_copies_say_what_their_pixels_are(tmp_path: Path) -> None:
    raw = np.random.default_rng(5).integers(900, 1100, (40, 61)).astype(np.uint16)
    cards = [
        ("XPIXSZ", 4.63, ""),
        ("YPIXSZ", 4.63, ""),
        ("CRPIX1", 30.5, ""),
        ("EXPTIME", 60.0, ""),
        ("FILTER", "Ha", ""),
    ]
    (tmp_path / "night one").mkdir()
    source = write_raw(tmp_path / "night one" / "sub.fits", raw, cards)
    before = source.read_bytes()
    counted: list[int] = []
    made = binned_copies([source], tmp_path / "out", most_px=31, advance=lambda: counted.append(1))
    assert counted == [1]
    assert source.read_bytes() == before
    assert made[0].parent.name == "night one"  # patterns of a person's answers still fit
    header = read_header(made[0])
    assert (header.width_px, header.height_px, header.filter, header.exposure_s) == (30, 20, "Ha", 60.0)
    assert header.pixel_um == pytest.approx(9.26)
    assert "CRPIX1" not in fits.getheader(made[0])
    np.testing.assert_allclose(read_all(made[0])[0], slow_bins(raw.astype(float), 2, 1), rtol=1e-6)


def test_a_small_frame_is_given_as_it_is(tmp_path: Path) -> None:
    source = write_raw(tmp_path / "sub.fits", np.full((20, 30), 1000, np.uint16))
    assert binned_copies([source], tmp_path / "out") == [source]
    assert not (tmp_path / "out").exists()
