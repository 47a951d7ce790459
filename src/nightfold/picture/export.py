"""Pictures as files that open anywhere: 16-bit TIFF and PNG, JPEG; each with the sRGB profile and its metadata inside."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import numpy.typing as npt
import tifffile
from astropy.io import fits
from PIL import Image, ImageCms

from nightfold.engine.core import atomic_write
from nightfold.errors import PictureError
from nightfold.frames.write import write_fits
from nightfold.picture.metadata import ascii_text, exif_block, sky_facts, xmp_packet
from nightfold.picture.ready import Box, check_sizes, cut_to, shared_box
from nightfold.picture.records import Plane

Picture = npt.NDArray[np.float32]
SUFFIXES = (".tiff", ".tif", ".png", ".jpg", ".jpeg")


@lru_cache(maxsize=1)
def srgb_profile() -> bytes:
    """An sRGB ICC profile, the same bytes whenever it is made: its date is set to the year of the standard."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    profile[24:36] = struct.pack(">6H", 1999, 10, 1, 0, 0, 0)  # IEC 61966-2-1 was published in October 1999
    profile[84:100] = bytes(16)  # the profile's own checksum is optional; zero means not calculated
    return bytes(profile)


def write_picture(path: Path, rgb: Picture, *, facts: Mapping[str, Any] | None = None, quality: int = 92) -> None:
    """Write a picture by the suffix of `path`, whole or not at all.

    Parameters
    ----------
    rgb : float32 (height, width, 3)
        sRGB values, 0 to 1; row 0 is shown at the bottom, as masters have their first row.
    facts : mapping, optional
        For the metadata; see `nightfold.picture.metadata`.
    quality : int
        Of a JPEG, 1 to 100.
    """
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise PictureError("the picture's kind is not known", seen=path.name, allowed=", ".join(SUFFIXES))
    if not 1 <= quality <= 100:
        raise PictureError("the quality of a JPEG is impossible", seen=f"{quality}", allowed="1 to 100")
    upright = np.clip(rgb[::-1], 0.0, 1.0)
    xmp, exif = xmp_packet(facts or {}), exif_block(facts or {})
    if suffix in (".jpg", ".jpeg"):
        data = _jpeg(upright, xmp, exif, quality)
    else:
        deep = np.ascontiguousarray(np.rint(upright * np.float32(65535.0)).astype(np.uint16))
        data = _png(deep, xmp, exif) if suffix == ".png" else _tiff(deep, xmp, facts or {})
    with atomic_write(path) as file:
        file.write(data)


def _tiff(deep: npt.NDArray[np.uint16], xmp: bytes, facts: Mapping[str, Any]) -> bytes:
    buffer = io.BytesIO()
    extra: list[Any] = [(34675, 7, None, srgb_profile(), True), (700, 1, None, xmp, True)]
    for tag, name in ((315, "creator"), (33432, "rights")):  # Artist and Copyright of TIFF 6.0
        if facts.get(name):
            extra.append((tag, 2, None, ascii_text(str(facts[name])), True))
    tifffile.imwrite(
        buffer,
        deep,
        photometric="rgb",
        compression="zlib",
        predictor=True,
        metadata=None,
        software=False,
        datetime=False,
        extratags=extra,
    )
    return buffer.getvalue()


def _png(deep: npt.NDArray[np.uint16], xmp: bytes, exif: bytes) -> bytes:
    """A 16-bit PNG with the profile and the metadata as chunks before the pixels (W3C PNG, sections 11.3.3.3 and 11.3.4.5)."""
    plain = bytes(imagecodecs.png_encode(deep, level=6))
    start = plain.index(b"IDAT") - 4
    profile = b"sRGB\x00\x00" + zlib.compress(srgb_profile(), 9)
    text = b"XML:com.adobe.xmp\x00\x00\x00\x00\x00" + xmp  # the keyword that the XMP specification part 3 gives
    chunks = _chunk(b"iCCP", profile) + _chunk(b"iTXt", text)
    if exif:
        chunks += _chunk(b"eXIf", exif.removeprefix(b"Exif\x00\x00"))
    return plain[:start] + chunks + plain[start:]


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _jpeg(upright: Picture, xmp: bytes, exif: bytes, quality: int) -> bytes:
    buffer = io.BytesIO()
    shallow = np.rint(upright * np.float32(255.0)).astype(np.uint8)
    Image.fromarray(shallow, "RGB").save(
        buffer, "JPEG", quality=quality, subsampling=0, icc_profile=srgb_profile(), xmp=xmp, exif=exif
    )
    return buffer.getvalue()


def hand_over(folder: Path, planes: Mapping[str, Plane], *, name: str, box: Box | None = None) -> list[Path]:
    """Linear masters for any editor, equally cut: per filter a 32-bit FITS and a 32-bit TIFF; the files written.

    Pixels are those of the masters, electron/s, untouched. The FITS carries VARIANCE and the coordinates; the TIFF, whose
    first row is the top one, has them in its description.
    """
    check_sizes(planes)
    area = box or shared_box(planes)
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for filter_name, plane in planes.items():
        cut = cut_to(plane, area)
        stem = f"{name}_{filter_name}_linear"
        primary = fits.PrimaryHDU(np.ascontiguousarray(cut.image, np.float32), header=_coordinates(cut))
        primary.header["BUNIT"] = "electron/s"
        primary.header["FILTER"] = ascii_text(filter_name)
        variance = fits.ImageHDU(np.ascontiguousarray(cut.variance, np.float32), name="VARIANCE")
        variance.header["BUNIT"] = "electron2/s2"
        written.append(write_fits(folder / f"{stem}.fits", primary, variance))
        facts = sky_facts(cut.wcs, (cut.image.shape[0], cut.image.shape[1])) if cut.wcs is not None else {}
        buffer = io.BytesIO()
        tifffile.imwrite(
            buffer,
            np.ascontiguousarray(cut.image[::-1], np.float32),
            photometric="minisblack",
            description=_coordinates(cut).tostring(sep="\n", endcard=False, padding=False),
            metadata=None,
            software=False,
            datetime=False,
            extratags=[(700, 1, None, xmp_packet({"title": filter_name, **facts}), True)],
        )
        with atomic_write(folder / f"{stem}.tiff") as file:
            file.write(buffer.getvalue())
        written.append(folder / f"{stem}.tiff")
    return written


def _coordinates(plane: Plane) -> fits.Header:
    """Header cards of a plane's celestial coordinates; empty if it has none."""
    return fits.Header() if plane.wcs is None else plane.wcs.to_header(relax=True)
