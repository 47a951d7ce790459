"""What a picture file tells of itself: XMP with Astronomy Visualization Metadata, EXIF basics, a caption.

Facts are a plain mapping; every key may be missing. Known are:

- `title`, `description`, `creator`, `rights`, `facility` (as the user names it), `object`, `started` (UTC, ISO 8601);
- one entry a filter, in the same order: `bands`, `colours`, `wavelengths_nm`, `exposures_s`;
- `f_number`, `focal_length_mm`;
- from `sky_facts`: `ra_deg`, `dec_deg`, `reference_pixel`, `size_px`, `scale_deg`, `rotation_deg`, `projection`.

Where the site is, is never among them: other keys are not written.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any
from xml.sax.saxutils import escape

from PIL import Image

AVM = "http://www.communicatingastronomy.org/avm/1.0/"
_ARTIST, _COPYRIGHT, _DESCRIPTION = 0x013B, 0x8298, 0x010E
_EXIF_PART, _EXPOSURE_S, _F_NUMBER, _DATE, _FOCAL_LENGTH = 0x8769, 0x829A, 0x829D, 0x9003, 0x920A  # CIPA DC-008


def xmp_packet(facts: Mapping[str, Any]) -> bytes:
    """XMP with Astronomy Visualization Metadata 1.2 (Hurt et al.; Virtual Astronomy Multimedia Project), UTF-8.

    Lists with one value a filter are left out unless all have one length, as the standard wants.
    """
    body = [_plain("MetadataVersion", "1.2"), _plain("Type", "Observation")]
    body += [_language(name, facts[name]) for name in ("title", "description", "rights") if facts.get(name)]
    if facts.get("creator"):
        body.append(f"<dc:creator><rdf:Seq><rdf:li>{escape(str(facts['creator']))}</rdf:li></rdf:Seq></dc:creator>")
    if facts.get("object"):
        body.append(
            f"<avm:Subject.Name><rdf:Bag><rdf:li>{escape(str(facts['object']))}</rdf:li></rdf:Bag></avm:Subject.Name>"
        )
    body += _of_filters(facts)
    body += _spatial(facts)
    return (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        '<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" '
        f'xmlns:avm="{AVM}">'
        f'{"".join(body)}</rdf:Description></rdf:RDF></x:xmpmeta><?xpacket end="w"?>'
    ).encode()


def exif_block(facts: Mapping[str, Any]) -> bytes:
    """EXIF with what is known of artist, rights, exposure and optics; the same bytes for the same facts."""
    exif = Image.Exif()
    for tag, name in ((_ARTIST, "creator"), (_COPYRIGHT, "rights"), (_DESCRIPTION, "description")):
        if facts.get(name):
            exif[tag] = ascii_text(str(facts[name]))
    camera: dict[int, Any] = {}
    exposures = [float(e) for e in facts.get("exposures_s", ()) if e]
    if exposures:
        camera[_EXPOSURE_S] = sum(exposures)
    if facts.get("f_number"):
        camera[_F_NUMBER] = float(facts["f_number"])
    if facts.get("focal_length_mm"):
        camera[_FOCAL_LENGTH] = float(facts["focal_length_mm"])
    if facts.get("started"):
        day, _t, time = str(facts["started"]).partition("T")
        camera[_DATE] = f"{day.replace('-', ':')} {time[:8] or '00:00:00'}"
    if camera:
        exif[_EXIF_PART] = camera
    return exif.tobytes() if len(exif) else b""


def caption(facts: Mapping[str, Any]) -> str:
    """A caption in sentences: what it is, through which filters, how long, where."""
    lines = [str(facts.get("description") or facts.get("title") or "")]
    rows = zip(facts.get("bands", ()), facts.get("colours", ()), facts.get("exposures_s", ()))
    for band, colour, exposure in rows:
        hours = f", {float(exposure) / 3600.0:.1f} h" if exposure else ""
        lines.append(f"{band} shown {'as lightness' if not colour else 'in ' + str(colour).lower()}{hours}.")
    if "ra_deg" in facts:
        scale = abs(float(facts["scale_deg"][1])) * 3600.0
        lines.append(
            f"Centre RA {float(facts['ra_deg']):.4f}°, Dec {float(facts['dec_deg']):+.4f}°; {scale:.2f}″ a pixel; "
            f"up is at position angle {float(facts['rotation_deg']):.1f}°."
        )
    lines += [str(facts[k]) for k in ("facility", "creator", "rights") if facts.get(k)]
    return "\n".join(line for line in lines if line) + "\n"


def sky_facts(wcs: Any, shape: tuple[int, int]) -> dict[str, Any]:
    """Centre, scale and rotation of a picture of `shape` (height, width) from its astropy WCS.

    The reference pixel is the centre of the picture, counted as FITS does from the bottom left, which AVM wants as well;
    the rotation is the position angle of the picture's upward direction, north through east.
    """
    height, width = shape
    x, y = (width - 1) / 2.0, (height - 1) / 2.0
    ra, dec = (float(v) for v in wcs.all_pix2world(x, y, 0))
    east_x, north_x = _offset(ra, dec, *(float(v) for v in wcs.all_pix2world(x + 1.0, y, 0)))
    east_y, north_y = _offset(ra, dec, *(float(v) for v in wcs.all_pix2world(x, y + 1.0, 0)))
    mirrored = east_x * north_y - east_y * north_x > 0.0
    return {
        "ra_deg": ra,
        "dec_deg": dec,
        "reference_pixel": (x + 1.0, y + 1.0),
        "size_px": (width, height),
        "scale_deg": (math.hypot(east_x, north_x) * (1.0 if mirrored else -1.0), math.hypot(east_y, north_y)),
        "rotation_deg": math.degrees(math.atan2(east_y, north_y)),
        "projection": str(wcs.wcs.ctype[0])[-3:] if str(wcs.wcs.ctype[0])[-3:] != "SIP" else "TAN",
    }


def ascii_text(text: str) -> str:
    """Text for fields that hold ASCII only; other characters become question marks."""
    return text.encode("ascii", "replace").decode()


def _of_filters(facts: Mapping[str, Any]) -> list[str]:
    bands = list(facts.get("bands", ()))
    lists = {
        "Facility": [facts["facility"]] * len(bands) if facts.get("facility") else [],
        "Spectral.Band": ["Optical"] * len(bands),
        "Spectral.Bandpass": bands,
        "Spectral.ColorAssignment": list(facts.get("colours", ())),
        "Spectral.CentralWavelength": list(facts.get("wavelengths_nm", ())),
        "Temporal.IntegrationTime": list(facts.get("exposures_s", ())),
    }
    return [_ordered(name, values) for name, values in lists.items() if values and len(values) == len(bands)]


def _spatial(facts: Mapping[str, Any]) -> list[str]:
    if "ra_deg" not in facts:
        return []
    return [
        _plain("Spatial.CoordinateFrame", "ICRS"),
        _plain("Spatial.Equinox", "2000.0"),
        _ordered("Spatial.ReferenceValue", [f"{facts['ra_deg']:.7f}", f"{facts['dec_deg']:.7f}"]),
        _ordered("Spatial.ReferenceDimension", list(facts["size_px"])),
        _ordered("Spatial.ReferencePixel", list(facts["reference_pixel"])),
        _ordered("Spatial.Scale", [f"{v:.10g}" for v in facts["scale_deg"]]),
        _plain("Spatial.Rotation", f"{facts['rotation_deg']:.4f}"),
        _plain("Spatial.CoordsystemProjection", str(facts["projection"])),
        _plain("Spatial.Quality", "Full"),
    ]


def _offset(ra0: float, dec0: float, ra: float, dec: float) -> tuple[float, float]:
    """Degrees east and north of (ra0, dec0), for small distances."""
    east = ((ra - ra0 + 180.0) % 360.0 - 180.0) * math.cos(math.radians(dec0))
    return east, dec - dec0


def _plain(name: str, value: str) -> str:
    return f"<avm:{name}>{escape(value)}</avm:{name}>"


def _ordered(name: str, values: list[Any]) -> str:
    items = "".join(f"<rdf:li>{escape(str(v))}</rdf:li>" for v in values)
    return f"<avm:{name}><rdf:Seq>{items}</rdf:Seq></avm:{name}>"


def _language(name: str, text: Any) -> str:
    return f'<dc:{name}><rdf:Alt><rdf:li xml:lang="x-default">{escape(str(text))}</rdf:li></rdf:Alt></dc:{name}>'
