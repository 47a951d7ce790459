"""A chart into a file: SVG, PNG or PDF, all from the one specification that the page shows too. Nothing is fetched."""

from __future__ import annotations

from pathlib import Path

from nightfold.charts.theme import VL_VERSION, Spec
from nightfold.engine.core import atomic_write
from nightfold.errors import NightfoldError

FORMATS = ("svg", "png", "pdf")


def to_svg(spec: Spec) -> str:
    """The chart as an SVG document."""
    import vl_convert

    return str(vl_convert.vegalite_to_svg(spec, vl_version=VL_VERSION, allowed_base_urls=[]))


def to_png(spec: Spec, *, scale: float = 2.0) -> bytes:
    """The chart as a PNG picture, `scale` pixels to one of the specification."""
    import vl_convert

    return bytes(vl_convert.vegalite_to_png(spec, scale=scale, vl_version=VL_VERSION, allowed_base_urls=[]))


def to_pdf(spec: Spec) -> bytes:
    """The chart as a PDF page of its own size."""
    import vl_convert

    return bytes(vl_convert.vegalite_to_pdf(spec, vl_version=VL_VERSION, allowed_base_urls=[]))


def save_chart(spec: Spec, file: Path) -> Path:
    """Write a chart in the format of the file's ending."""
    ending = file.suffix.lower().lstrip(".")
    if ending not in FORMATS:
        raise NightfoldError(
            "a chart cannot be written in this format", seen=file.name, allowed=", ".join(f".{f}" for f in FORMATS)
        )
    data = to_svg(spec).encode() if ending == "svg" else to_png(spec) if ending == "png" else to_pdf(spec)
    with atomic_write(file) as out:
        out.write(data)
    return file
