"""An annotated copy of a picture: named objects, a scale bar and a compass, drawn from its celestial coordinates."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from nightfold.picture.metadata import sky_facts

Picture = npt.NDArray[np.float32]
INK = (214, 222, 222)
BAR_ARCMIN = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300)
"""Lengths a scale bar may have."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SkyObject:
    """Something to be named: place in degrees (ICRS), and its longer diameter in arcminutes if that is known."""

    name: str
    ra_deg: float
    dec_deg: float
    diameter_arcmin: float | None = None


def annotate(rgb: Picture, wcs: Any, objects: Sequence[SkyObject] = ()) -> Picture:
    """The picture with objects circled and named, a scale bar at the lower left and a compass at the lower right.

    Parameters
    ----------
    rgb : float32 (height, width, 3)
        sRGB, 0 to 1, first row at the bottom.
    wcs : astropy WCS
        Of the same pixels.
    objects : sequence of SkyObject
        Those outside the picture are left out.
    """
    height, width = rgb.shape[:2]
    facts = sky_facts(wcs, (height, width))
    arcmin_px = float(facts["scale_deg"][1]) * 60.0
    image = Image.fromarray(np.rint(np.clip(rgb[::-1], 0, 1) * np.float32(255.0)).astype(np.uint8))
    draw = ImageDraw.Draw(image)
    size = max(10.0, 0.018 * width)
    font = ImageFont.load_default(size)
    stroke = max(1, round(width / 900))
    for item in objects:
        place = _pixel_of(wcs, item)
        if place is None or not (0 <= place[0] < width and 0 <= place[1] < height):
            continue
        x, y = place[0], height - 1 - place[1]
        radius = max(0.5 * size, 0.5 * (item.diameter_arcmin or 0.0) / arcmin_px)
        draw.ellipse((x - radius, y - radius, x + radius, y + radius), outline=INK, width=stroke)
        beside = x + radius + 0.3 * size
        if beside + draw.textlength(item.name, font=font) > width:
            beside = max(0.0, x - radius - 0.3 * size - draw.textlength(item.name, font=font))
        draw.text((beside, y - 0.6 * size), item.name, fill=INK, font=font, stroke_width=stroke, stroke_fill=(0, 0, 0))
    _scale_bar(draw, font, width, height, arcmin_px, stroke, size)
    _compass(draw, font, width, height, facts, stroke, size)
    return np.ascontiguousarray(np.asarray(image, np.float32)[::-1] / np.float32(255.0))


def bar_length(width_px: int, arcmin_px: float) -> tuple[float, str]:
    """A round length of about a sixth of the width: pixels, and how it is called."""
    wanted = width_px / 6.0 * arcmin_px
    arcmin = min(BAR_ARCMIN, key=lambda a: abs(math.log(a / wanted)))
    name = f"{arcmin / 60:g}°" if arcmin >= 60 else f"{arcmin:g}'" if arcmin >= 1 else f'{arcmin * 60:g}"'
    return arcmin / arcmin_px, name


def _scale_bar(draw: Any, font: Any, width: int, height: int, arcmin_px: float, stroke: int, size: float) -> None:
    length, name = bar_length(width, arcmin_px)
    x, y = 1.5 * size, height - 1.5 * size
    draw.line((x, y, x + length, y), fill=INK, width=2 * stroke)
    for end in (x, x + length):
        draw.line((end, y - 0.3 * size, end, y + 0.3 * size), fill=INK, width=2 * stroke)
    draw.text((x, y - 1.6 * size), name, fill=INK, font=font, stroke_width=stroke, stroke_fill=(0, 0, 0))


def _compass(draw: Any, font: Any, width: int, height: int, facts: dict[str, Any], stroke: int, size: float) -> None:
    """North and east as they lie; east is left of north unless the picture is mirrored."""
    north = math.radians(float(facts["rotation_deg"]))
    hand = 1.0 if float(facts["scale_deg"][0]) < 0 else -1.0
    x, y, arm = width - 4.0 * size, height - 4.0 * size, 2.2 * size
    # Upward on the picture has position angle `rotation`: north lies that far clockwise of up where east is to the left.
    for name, dx, dy in (
        ("N", hand * math.sin(north), math.cos(north)),
        ("E", -hand * math.cos(north), math.sin(north)),
    ):
        draw.line((x, y, x + arm * dx, y - arm * dy), fill=INK, width=stroke)
        draw.text(
            (x + 1.35 * arm * dx, y - 1.35 * arm * dy), name, fill=INK, font=font, anchor="mm", stroke_width=stroke,
            stroke_fill=(0, 0, 0),
        )  # fmt: skip


def _pixel_of(wcs: Any, item: SkyObject) -> tuple[float, float] | None:
    """0-based pixel of an object; None behind the sky or where the distortion has no answer."""
    facts_x, facts_y = wcs.wcs_world2pix(item.ra_deg, item.dec_deg, 0)
    if not (math.isfinite(float(facts_x)) and math.isfinite(float(facts_y))):
        return None
    return float(facts_x), float(facts_y)
