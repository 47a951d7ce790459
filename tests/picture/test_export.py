"""Pictures read back by independent libraries: depth, orientation, profile, metadata, the same bytes twice (CHECKS F6, F7)."""

from __future__ import annotations

import io
import zlib
from pathlib import Path
from xml.etree import ElementTree

import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from nightfold.errors import PictureError
from nightfold.picture.export import write_picture, xmp_packet

FACTS = {
    "title": "A & B",
    "bands": ["Ha", "OIII"],
    "colours": ["Red", "Green and Blue"],
    "exposures_s": [3600.0, 1800.0],
}


@pytest.fixture
def rgb() -> np.ndarray:
    rng = np.random.default_rng(1)
    image = rng.uniform(0, 1, (40, 50, 3)).astype(np.float32)
    image[0] = (1.0, 0.0, 0.0)  # the first row of a master is shown at the bottom
    return image


def test_tiff(tmp_path: Path, rgb: np.ndarray) -> None:
    path = tmp_path / "p.tiff"
    write_picture(path, rgb, facts=FACTS)
    assert path.read_bytes()[:4] in (b"II*\x00", b"MM\x00*")  # TIFF 6.0
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        assert page.tags["BitsPerSample"].value == (16, 16, 16)
        assert page.photometric == tifffile.PHOTOMETRIC.RGB
        profile, xmp = page.tags[34675].value, page.tags[700].value
        data = page.asarray()
    np.testing.assert_allclose(data[::-1] / 65535.0, rgb, atol=1e-5)
    check_profile(bytes(profile))
    check_xmp(bytes(xmp))


def test_png(tmp_path: Path, rgb: np.ndarray) -> None:
    path = tmp_path / "p.png"
    write_picture(path, rgb, facts=FACTS)
    data = path.read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n"  # W3C PNG
    assert data[-4:] == bytes.fromhex("AE426082")
    np.testing.assert_allclose(imagecodecs.png_decode(data)[::-1] / 65535.0, rgb, atol=1e-5)
    with Image.open(path) as image:
        image.load()
        check_profile(image.info["icc_profile"])
        check_xmp(image.info["XML:com.adobe.xmp"].encode())
    offset = 8
    while offset < len(data):
        length = int.from_bytes(data[offset : offset + 4], "big")
        chunk = data[offset + 4 : offset + 8 + length]
        assert zlib.crc32(chunk) == int.from_bytes(data[offset + 8 + length : offset + 12 + length], "big")
        offset += 12 + length


def test_jpeg(tmp_path: Path, rgb: np.ndarray) -> None:
    path = tmp_path / "p.jpg"
    write_picture(path, rgb, facts=FACTS)
    with Image.open(path) as image:
        assert np.asarray(image)[-1, 25, 0] > 200
        check_profile(image.info["icc_profile"])
        check_xmp(image.info["xmp"])


def check_profile(profile: bytes) -> None:
    opened = ImageCms.ImageCmsProfile(io.BytesIO(profile))
    assert "sRGB" in ImageCms.getProfileName(opened)


def check_xmp(packet: bytes) -> None:
    text = packet.decode().split("?>", 1)[1].rsplit("<?xpacket", 1)[0]
    root = ElementTree.fromstring(text)
    values = [e.text for e in root.iter("{http://www.w3.org/1999/02/22-rdf-syntax-ns#}li")]
    assert "A & B" in values
    assert "Green and Blue" in values
    lists = [len(list(e)) for e in root.iter("{http://www.w3.org/1999/02/22-rdf-syntax-ns#}Seq")]
    assert set(lists) == {2}, "lists with one value a filter are equally long"


def test_the_same_picture_gives_the_same_bytes(tmp_path: Path, rgb: np.ndarray) -> None:
    for suffix in (".tiff", ".png", ".jpg"):
        first, second = tmp_path / f"a{suffix}", tmp_path / f"b{suffix}"
        write_picture(first, rgb, facts=FACTS)
        write_picture(second, rgb, facts=FACTS)
        assert first.read_bytes() == second.read_bytes()


def test_unknown_kinds_and_qualities(tmp_path: Path, rgb: np.ndarray) -> None:
    with pytest.raises(PictureError, match=r"\.tiff"):
        write_picture(tmp_path / "p.gif", rgb)
    with pytest.raises(PictureError, match="1 to 100"):
        write_picture(tmp_path / "p.jpg", rgb, quality=0)
    assert not list(tmp_path.iterdir())


def test_the_site_is_never_told() -> None:
    assert b"latitude" not in xmp_packet({**FACTS, "latitude_deg": -31.0}).lower()
