"""Pictures as files that open anywhere: 16-bit TIFF and PNG, JPEG; each with the sRGB profile and its metadata inside."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import imagecodecs
import numpy as np
import numpy.typing as npt
import tifffile
from PIL import Image, ImageCms

from nightfold.engine.core import atomic_write
from nightfold.errors import PictureError

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
        For the metadata; see `xmp_packet`.
    quality : int
        Of a JPEG, 1 to 100.
    """
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise PictureError("the picture's kind is not known", seen=path.name, allowed=", ".join(SUFFIXES))
    if not 1 <= quality <= 100:
        raise PictureError("the quality of a JPEG is impossible", seen=f"{quality}", allowed="1 to 100")
    upright = np.clip(rgb[::-1], 0.0, 1.0)
    xmp = xmp_packet(facts or {})
    if suffix in (".jpg", ".jpeg"):
        data = _jpeg(upright, xmp, quality)
    else:
        deep = np.ascontiguousarray(np.rint(upright * np.float32(65535.0)).astype(np.uint16))
        data = _png(deep, xmp) if suffix == ".png" else _tiff(deep, xmp)
    with atomic_write(path) as file:
        file.write(data)


def _tiff(deep: npt.NDArray[np.uint16], xmp: bytes) -> bytes:
    buffer = io.BytesIO()
    tifffile.imwrite(
        buffer,
        deep,
        photometric="rgb",
        compression="zlib",
        predictor=True,
        metadata=None,
        software=False,
        datetime=False,
        extratags=[(34675, 7, None, srgb_profile(), True), (700, 1, None, xmp, True)],
    )
    return buffer.getvalue()


def _png(deep: npt.NDArray[np.uint16], xmp: bytes) -> bytes:
    """A 16-bit PNG with the profile and the metadata as chunks before the pixels (W3C PNG, sections 11.3.3.3 and 11.3.4.5)."""
    plain = bytes(imagecodecs.png_encode(deep, level=6))
    start = plain.index(b"IDAT") - 4
    profile = b"sRGB\x00\x00" + zlib.compress(srgb_profile(), 9)
    text = b"XML:com.adobe.xmp\x00\x00\x00\x00\x00" + xmp  # the keyword that the XMP specification part 3 gives
    return plain[:start] + _chunk(b"iCCP", profile) + _chunk(b"iTXt", text) + plain[start:]


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _jpeg(upright: Picture, xmp: bytes, quality: int) -> bytes:
    buffer = io.BytesIO()
    shallow = np.rint(upright * np.float32(255.0)).astype(np.uint8)
    Image.fromarray(shallow, "RGB").save(
        buffer, "JPEG", quality=quality, subsampling=0, icc_profile=srgb_profile(), xmp=xmp
    )
    return buffer.getvalue()


def xmp_packet(facts: Mapping[str, Any]) -> bytes:
    """XMP with Astronomy Visualization Metadata 1.2 (Hurt et al.; Virtual Astronomy Multimedia Project).

    Known facts: `title`, `description`, `bands` and `colours` (one entry a filter, in the same order), `wavelengths_nm`,
    `exposures_s`. The site is never among them. False colour is told as such by the assigned colours.
    """

    def ordered(name: str, values: Any) -> str:
        items = "".join(f"<rdf:li>{escape(str(v))}</rdf:li>" for v in values)
        return f"<avm:{name}><rdf:Seq>{items}</rdf:Seq></avm:{name}>" if items else ""

    body = "<avm:MetadataVersion>1.2</avm:MetadataVersion><avm:Type>Observation</avm:Type>"
    if "title" in facts:
        body += f'<dc:title><rdf:Alt><rdf:li xml:lang="x-default">{escape(str(facts["title"]))}</rdf:li></rdf:Alt></dc:title>'
    if "description" in facts:
        text = escape(str(facts["description"]))
        body += f'<dc:description><rdf:Alt><rdf:li xml:lang="x-default">{text}</rdf:li></rdf:Alt></dc:description>'
    body += ordered("Spectral.Band", ["Optical" for _ in facts.get("bands", ())])
    body += ordered("Spectral.Bandpass", facts.get("bands", ()))
    body += ordered("Spectral.ColorAssignment", facts.get("colours", ()))
    body += ordered("Spectral.CentralWavelength", facts.get("wavelengths_nm", ()))
    body += ordered("Temporal.IntegrationTime", facts.get("exposures_s", ()))
    return (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        '<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" '
        'xmlns:avm="http://www.communicatingastronomy.org/avm/1.0/">'
        f'{body}</rdf:Description></rdf:RDF></x:xmpmeta><?xpacket end="w"?>'
    ).encode()
