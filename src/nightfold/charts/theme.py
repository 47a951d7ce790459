"""The grounds that charts are drawn on: the dark page, black on white for print, and red for the night.

Print has two: with filters' colours for the record, and in black alone for the sheet that is read under a red lamp, where
an orange line on white paper would be gone.

Colours of text keep a contrast of 4.5 and marks one of 3 to their ground, by the formula of WCAG 2.1 (relative luminance
and contrast ratio), so that AA holds on each. A filter's colour that would fall short is shifted towards the ink, in equal
steps on all three channels, until it does not; on the red ground every colour is red alone, under the lamp black.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from nightfold.errors import SettingsError

Spec = dict[str, Any]
"""A chart: a Vega-Lite specification as plain dicts, lists, texts and numbers."""

GroundName = Literal["page", "print", "red", "lamp"]

VL_VERSION = "6.4"
"""The version of the chart language: of the specifications, the renderer and the page's script."""

FONT = "system-ui, Liberation Sans, Arial, sans-serif"
SMALL, PLAIN, LARGE = 13, 14, 17
"""The three sizes of type, in pixels: the smallest is read on a tablet at arm's length in the dark."""

TEXT_CONTRAST, MARK_CONTRAST = 4.5, 3.0
"""WCAG 2.1, 1.4.3 (text) and 1.4.11 (parts of graphics), level AA."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """What a chart stands on.

    Attributes
    ----------
    paper, ink, soft, grid : str
        Background, text and lines, quieter text, lines of the grid; all "#rrggbb".
    accent : str
        The one colour of the one thing to do next.
    band : str
        Of an expected range, drawn under the marks.
    twilight : tuple of three str
        Civil, nautical and astronomical twilight; full darkness is the paper itself.
    """

    name: GroundName
    paper: str
    ink: str
    soft: str
    grid: str
    accent: str
    band: str
    twilight: tuple[str, str, str]


GROUNDS: dict[GroundName, Ground] = {
    "page": Ground(
        name="page", paper="#0c1314", ink="#d9e2e1", soft="#96a6a5", grid="#223032", accent="#ffc04d", band="#24393b",
        twilight=("#2a3c3f", "#25363a", "#182427"),
    ),
    "print": Ground(
        name="print", paper="#ffffff", ink="#000000", soft="#4a4a4a", grid="#d8d8d8", accent="#8f5a00", band="#e4e4e4",
        twilight=("#cfcfcf", "#e0e0e0", "#efefef"),
    ),
    "red": Ground(
        name="red", paper="#000000", ink="#ff0000", soft="#ff0000", grid="#450000", accent="#ff0000", band="#340000",
        twilight=("#360000", "#260000", "#160000"),
    ),
    "lamp": Ground(
        name="lamp", paper="#ffffff", ink="#000000", soft="#333333", grid="#cccccc", accent="#000000", band="#e0e0e0",
        twilight=("#c4c4c4", "#d8d8d8", "#ebebeb"),
    ),
}  # fmt: skip


def channels(colour: str) -> tuple[int, int, int]:
    """Red, green and blue of "#rrggbb", 0 to 255."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour, 0 to 1 (WCAG 2.1, definition of relative luminance)."""

    def linear(value: int) -> float:
        share = value / 255.0
        return share / 12.92 if share <= 0.04045 else float(((share + 0.055) / 1.055) ** 2.4)

    red, green, blue = (linear(v) for v in channels(colour))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21 (WCAG 2.1, definition of contrast ratio)."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def on_ground(colour: str, ground: Ground, *, least: float = MARK_CONTRAST) -> str:
    """A colour as it is drawn on a ground: itself where it stands out enough, else shifted towards the ink until it does."""
    if ground.name in ("red", "lamp"):
        return ground.ink
    start, end = channels(colour), channels(ground.ink)
    for step in range(0, 101, 2):
        mixed = "#" + "".join(f"{round(a + (b - a) * step / 100):02x}" for a, b in zip(start, end))
        if contrast(mixed, ground.paper) >= least:
            return mixed
    return ground.ink


def text_on(colour: str, ground: Ground) -> str:
    """Black or white, whichever reads better on a filled area; black on red, so that nothing but red shines."""
    if ground.name == "red":
        return "#000000"
    return max(("#000000", "#ffffff"), key=lambda c: contrast(c, colour))


def ground_of(ground: GroundName | Ground) -> Ground:
    """The ground of a name."""
    if isinstance(ground, Ground):
        return ground
    if ground not in GROUNDS:
        raise SettingsError("there is no such ground for charts", seen=str(ground), allowed=", ".join(GROUNDS))
    return GROUNDS[ground]


def config(ground: Ground) -> Spec:
    """The look that all charts share, as Vega-Lite's `config`."""
    text = {"font": FONT, "fontSize": SMALL, "color": ground.ink}
    return {
        "background": ground.paper,
        "font": FONT,
        "padding": 8,
        "view": {"stroke": None, "fill": "transparent"},
        "title": {
            "anchor": "start", "frame": "group", "color": ground.ink, "fontSize": LARGE, "fontWeight": 500, "lineHeight": 21, "offset": 10,
            "subtitleColor": ground.soft, "subtitleFontSize": PLAIN, "subtitleLineHeight": 17, "subtitlePadding": 4,
        },
        "axis": {
            "labelColor": ground.soft, "titleColor": ground.soft, "labelFontSize": SMALL, "titleFontSize": SMALL, "titleFontWeight": "normal",
            "gridColor": ground.grid, "domainColor": ground.soft, "tickColor": ground.soft, "tickSize": 4, "gridWidth": 0.7, "labelPadding": 4,
            "labelFlush": False,
        },
        "axisY": {"domain": False, "ticks": False, "titleAngle": 0, "titleAlign": "left", "titleAnchor": "start", "titleY": -12,
                  "titleX": 0, "titleBaseline": "bottom"},
        "axisX": {"grid": False},
        "text": {**text},
        "line": {"strokeCap": "butt", "strokeJoin": "round", "color": ground.ink},
        "point": {"filled": True, "size": 36, "color": ground.ink, "opacity": 1},
        "rule": {"color": ground.soft},
        "rect": {"stroke": None},
        "legend": {"labelColor": ground.ink, "titleColor": ground.soft},
        "concat": {"spacing": 14},
        "header": {"labelColor": ground.ink, "titleColor": ground.soft},
    }  # fmt: skip


def in_lines(text: str, width_px: float, *, size_px: float = LARGE) -> list[str]:
    """A sentence broken into lines that fit a width; a letter is taken for half as wide as it is high."""
    room = max(20, int(width_px / (0.5 * size_px)))
    lines: list[str] = []
    for word in text.split():
        if lines and len(lines[-1]) + 1 + len(word) <= room:
            lines[-1] += " " + word
        else:
            lines.append(word)
    return lines or [""]


def at_least(values: Sequence[float], least: float) -> Spec:
    """The domain of an axis that would be narrower than `least`, widened around the values; nothing where they need more.

    So that equal values get an axis, and nothing is made of the last digit. What is never negative stays so.
    """
    if not values or max(values) - min(values) >= least:
        return {}
    low = 0.5 * (min(values) + max(values) - least)
    if low < 0.0 <= min(values):
        low = 0.0
    return {"domain": [float(f"{low:.6g}"), float(f"{low + least:.6g}")]}


def _without_empty(body: Any) -> Any:
    """A specification without layers that have no data: they draw nothing and would only be warned of."""
    if isinstance(body, list):
        return [_without_empty(b) for b in body]
    if not isinstance(body, dict):
        return body
    kept = {k: _without_empty(v) if k in ("layer", "vconcat") else v for k, v in body.items()}
    if "layer" in kept:
        full = [layer for layer in kept["layer"] if layer.get("data", {}).get("values", True)]
        kept["layer"] = full or kept["layer"]
    return kept


def finished(
    body: Spec, ground: Ground, *, title: str, subtitle: str = "", width_px: float, describe: str = ""
) -> Spec:
    """A whole chart: `body` with schema, look, the finding as its title and a description for those who cannot see it."""
    heading: Spec = {"text": in_lines(title, width_px)}
    if subtitle:
        heading["subtitle"] = in_lines(subtitle, width_px, size_px=PLAIN)
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v6.json",
        "description": describe or f"{title} {subtitle}".strip(),
        **({"title": heading} if title else {}),
        **_without_empty(body),
        "config": config(ground),
    }
