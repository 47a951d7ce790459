"""The capture record as a document: one page file of HTML with everything in it, or a PDF set in type."""

from __future__ import annotations

import base64
import importlib.resources
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import jinja2
from PIL import Image

from nightfold.charts.depth import depth_chart, depth_curves, depth_sentence, depth_title
from nightfold.charts.render import to_pdf, to_svg
from nightfold.charts.strip import strip_chart
from nightfold.charts.subs import expected_ranges, subs_chart, trend_chart, trend_title
from nightfold.charts.theme import Spec
from nightfold.depth.records import FilterDepth
from nightfold.depth.stage import depth
from nightfold.engine.core import atomic_write
from nightfold.engine.documents import to_document
from nightfold.errors import NightfoldError
from nightfold.ledger.workspace import Workspace
from nightfold.record.capture import CaptureData, gather, picture_file, target_of
from nightfold.record.printing import set_in_type

MOST_NIGHTS_DRAWN = 6
"""Nights whose subs are drawn one by one; beyond, the trends stand for them."""

PICTURE_PX = 1800
"""Longer side of the picture in the document."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordReport:
    """The record that was written, and the caption to share beside the picture. `file` is the first of `files`."""

    file: str
    files: tuple[str, ...]
    target: str
    caption: str


@dataclass(frozen=True, slots=True)
class Drawing:
    """A chart of the record with what it shows, for those who cannot see it."""

    name: str
    words: str
    spec: Spec


def write_record(ws: Workspace, *, target: str | None = None, out: Path | None = None) -> RecordReport:
    """Write the capture record of a target: as HTML or PDF by the file's ending, both into the campaign when none is named."""
    ending = out.suffix.lower() if out is not None else ".html"
    if ending not in WRITERS:
        raise NightfoldError(
            "a record cannot be written in this format",
            seen=str(out),
            allowed=", ".join(WRITERS),
            next_step="name a file such as record.pdf",
        )
    reached = _depth(ws, target_of(ws, ws.ledger.frames(kind="sub"), target))
    data = gather(ws, target=target, depths={(f.filter, f.rigs): depth_sentence(f) for f in reached})
    picture = shared_picture(picture_file(ws, data.picture))
    name = "".join(c if c.isalnum() else "-" for c in data.title).strip("-") or "record"
    files = [out] if out is not None else [ws.folder / "records" / f"{name}{e}" for e in (".html", ".pdf")]
    for file in files:
        content = WRITERS[file.suffix.lower()](data, picture, reached)
        with atomic_write(file) as stream:
            stream.write(content)
    return RecordReport(file=str(files[0]), files=tuple(str(f) for f in files), target=data.title, caption=data.caption)


def _depth(ws: Workspace, target: str) -> tuple[FilterDepth, ...]:
    """How deep the target's masters are; nothing where that cannot be told, so that the rest of the record is written."""
    if not [m for m in ws.ledger.masters(target=target) if m.path.exists()]:
        return ()
    try:
        return tuple(f for f in depth(ws, day=datetime.now().date(), target=target).filters if f.subs > 0)
    except NightfoldError as error:
        ws.progress.say(f"The record tells no depth: {error.line}")
        return ()


def shared_picture(file: Path | None) -> bytes | None:
    """The picture as a JPEG of a size to read, without anything but its colour profile: no place, no folder, no owner."""
    if file is None:
        return None
    with Image.open(file) as opened:
        profile = opened.info.get("icc_profile")
        image = opened.convert("RGB")
    image.thumbnail((PICTURE_PX, PICTURE_PX), Image.Resampling.LANCZOS)
    clean = Image.new("RGB", image.size)
    clean.paste(image)
    stream = io.BytesIO()
    clean.save(stream, "JPEG", quality=90, **({"icc_profile": profile} if profile else {}))
    return stream.getvalue()


def drawings(data: CaptureData, reached: Sequence[FilterDepth] = ()) -> list[Drawing]:
    """The charts of a record: the strip, trends over the nights, and each night's subs. Times in UTC: no zone, no place."""
    filters = data.strip.filters
    found = [
        Drawing("strip", "Nights with the Moon, hours, sharpness and sky", strip_chart(data.strip, ground="print"))
    ]
    arcsec = any(s.fwhm_arcsec is not None for s in data.subs)
    units = {
        "sharpness": ("Sharpness", "FWHM, arcsec" if arcsec else "FWHM, pixels", "arcsec" if arcsec else "px"),
        "transparency": ("Transparency", "transparency, 1 is the reference", ""),
    }
    for key, (words, axis, unit) in units.items():
        points = data.trends.get(key, ())
        if len(points) >= 3:
            title = trend_title(words, points, unit)
            found.append(
                Drawing(
                    key, f"{words} by night", trend_chart(points, what=axis, title=title, ground="print", height=140)
                )
            )
    if curves := depth_curves(reached):
        chart = depth_chart(curves, title=depth_title(reached), ground="print", filters=filters, height=220)
        found.append(Drawing("depth", "How the noise fell as exposure grew", chart))
    nights = sorted({s.night for s in data.subs if s.night})
    expected = expected_ranges(data.subs)
    for night in nights[:MOST_NIGHTS_DRAWN] if len(nights) <= MOST_NIGHTS_DRAWN else ():
        mine = [s for s in data.subs if s.night == night]
        chart = subs_chart(
            mine, ground="print", expected=expected, filters=filters, panels=("sharpness", "transparency"), panel_height=64,
            title=f"Night of {night}",
        )  # fmt: skip
        found.append(Drawing(f"night-{night}", f"Sharpness and transparency of the subs of {night}", chart))
    return found


def _words(data: CaptureData) -> dict[str, Any]:
    """The record's words and numbers, without what is drawn from."""
    document = {
        name: to_document(getattr(data, name))
        for name in (
            "title", "campaign", "credits", "caption", "filters", "nights", "causes", "dropped", "more_dropped", "rigs", "calibration",
            "events", "processing", "software", "files",
        )
    }  # fmt: skip
    document["measured_px"] = all(f.fwhm_arcsec is None for f in data.filters)
    document["has_lost"] = any(c.lost_h is not None for c in data.causes)
    document["has_depth"] = any(f.depth for f in data.filters)
    return document


def record_html(data: CaptureData, picture: bytes | None, reached: Sequence[FilterDepth] = ()) -> str:
    """One HTML file with picture and charts inside; no script, and nothing that is loaded from anywhere."""
    source = (
        importlib.resources.files("nightfold.record").joinpath("templates", "record.html").read_text(encoding="utf-8")
    )
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    environment.filters["number"] = number
    charts = [
        {"name": d.name, "words": d.words, "data": base64.b64encode(to_svg(d.spec).encode()).decode()} for d in drawings(data, reached)
    ]  # fmt: skip
    shown = base64.b64encode(picture).decode() if picture else None
    return environment.from_string(source).render(**_words(data), charts=charts, picture=shown)


def record_pdf(data: CaptureData, picture: bytes | None, reached: Sequence[FilterDepth] = ()) -> bytes:
    """The record as a PDF on A4 paper."""
    charts = drawings(data, reached)
    files = {f"chart-{i}.pdf": to_pdf(d.spec) for i, d in enumerate(charts)}
    if picture:
        files["picture.jpg"] = picture
    words = _words(data)
    for rows, names in (("filters", ("kept_h", "dropped_h", "fwhm_arcsec", "fwhm_px", "noise_e_per_s", "noise_over_ideal")),
                        ("nights", ("kept_h", "dropped_h", "fwhm_arcsec", "transparency")), ("causes", ("hours", "lost_h"))):  # fmt: skip
        words[rows] = [{**row, **{n: number(row[n]) for n in names}} for row in words[rows]]
    words |= {
        "charts": [{"file": f"chart-{i}.pdf", "words": d.words} for i, d in enumerate(charts)],
        "picture": bool(picture),
    }
    return set_in_type("record.typ", words, files)


def number(value: float | None) -> str:
    """A number of a table: three figures, a dash for what is not known."""
    if value is None:
        return "–"
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"


WRITERS: dict[str, Callable[[CaptureData, bytes | None, Sequence[FilterDepth]], bytes]] = {
    ".html": lambda data, picture, reached: record_html(data, picture, reached).encode(),
    ".pdf": record_pdf,
}
"""How a record is written, by the file's ending."""
