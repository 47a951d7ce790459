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
from astropy.io import fits
from astropy.wcs import WCS
from PIL import Image, ImageCms

from nightfold.errors import PictureError
from nightfold.picture.export import hand_over, write_picture
from nightfold.picture.metadata import caption, sky_facts, xmp_packet
from nightfold.picture.records import Plane

FACTS = {
    "title": "A & B",
    "bands": ["Ha", "OIII"],
    "colours": ["Red", "Green and Blue"],
    "exposures_s": [3600.0, 1800.0],
    "creator": "N. N.",
    "rights": "CC BY 4.0",
    "f_number": 5.0,
    "focal_length_mm": 530.0,
    "started": "2026-05-14T11:02:03.5",
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
        check_exif(image.getexif())
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
        check_exif(image.getexif())


def check_profile(profile: bytes) -> None:
    opened = ImageCms.ImageCmsProfile(io.BytesIO(profile))
    assert "sRGB" in ImageCms.getProfileName(opened)


def check_exif(exif: Image.Exif) -> None:
    """Tags by their numbers in CIPA DC-008 (CHECKS F8)."""
    assert exif[0x013B] == "N. N."
    assert exif[0x8298] == "CC BY 4.0"
    camera = exif.get_ifd(0x8769)
    assert float(camera[0x829A]) == 5400.0
    assert float(camera[0x829D]) == 5.0
    assert float(camera[0x920A]) == 530.0
    assert camera[0x9003] == "2026:05:14 11:02:03"


def check_xmp(packet: bytes) -> None:
    text = packet.decode().split("?>", 1)[1].rsplit("<?xpacket", 1)[0]
    root = ElementTree.fromstring(text)
    values = [e.text for e in root.iter("{http://www.w3.org/1999/02/22-rdf-syntax-ns#}li")]
    assert "A & B" in values
    assert "Green and Blue" in values
    seq = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}Seq"
    mine = [e for e in root.iter() if e.tag.startswith("{http://www.communicatingastronomy.org/avm/1.0/}")]
    lists = [len(list(inner)) for e in mine for inner in e.findall(seq)]
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


def sky(mirrored: bool = False, turn_deg: float = 30.0) -> WCS:
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [250.2, -48.8]
    wcs.wcs.crpix = [20.0, 15.0]
    t, scale = np.radians(turn_deg), 1.8 / 3600.0
    # Position angle of +y is turn_deg: east component sin, north component cos.
    wcs.wcs.cd = scale * np.array([[-np.cos(t), np.sin(t)], [np.sin(t), np.cos(t)]])
    if mirrored:
        wcs.wcs.cd[:, 0] *= -1
    wcs.wcs.set()
    return wcs


@pytest.mark.parametrize("mirrored", [False, True])
def test_where_the_picture_lies_on_the_sky(mirrored: bool) -> None:
    facts = sky_facts(sky(mirrored), (40, 50))
    assert facts["rotation_deg"] == pytest.approx(30.0, abs=0.01)
    assert facts["scale_deg"][1] * 3600 == pytest.approx(1.8, rel=1e-4)
    assert (facts["scale_deg"][0] > 0) == mirrored
    ra, dec = sky(mirrored).all_pix2world(24.5, 19.5, 0)
    assert (facts["ra_deg"], facts["dec_deg"]) == pytest.approx((float(ra), float(dec)))
    text = xmp_packet({**FACTS, **facts}).decode()
    assert "Spatial.CoordsystemProjection>TAN<" in text  # the tag's odd small s is the standard's (CHECKS F9)
    assert "position angle 30.0" in caption({**FACTS, **facts})


def test_the_linear_set_for_an_editor(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    planes = {
        f: Plane(
            filter=f,
            image=rng.normal(1, 1, (40, 50)).astype(np.float32),
            variance=np.ones((40, 50), np.float32),
            cut_box_px=(k, 2, 45, 35),
            wcs=sky(),
        )
        for k, f in enumerate(("Ha", "OIII"))
    }
    files = hand_over(tmp_path, planes, name="t")
    assert len(files) == 4
    for f in planes:
        with fits.open(tmp_path / f"t_{f}_linear.fits", checksum=True) as units:
            units.verify("exception")
            np.testing.assert_array_equal(units[0].data, planes[f].image[2:36, 1:46])
            there = WCS(units[0].header).all_pix2world(0, 0, 0)
            np.testing.assert_allclose(there, sky().all_pix2world(1, 2, 0), rtol=1e-10)
            assert units["VARIANCE"].data.shape == (34, 45)
        with tifffile.TiffFile(tmp_path / f"t_{f}_linear.tiff") as file:
            np.testing.assert_array_equal(file.pages[0].asarray()[::-1], planes[f].image[2:36, 1:46])
            assert "CRVAL1" in file.pages[0].description


def test_the_site_is_never_told() -> None:
    assert b"latitude" not in xmp_packet({**FACTS, "latitude_deg": -31.0}).lower()
