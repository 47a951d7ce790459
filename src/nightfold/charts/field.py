"""The star shapes over the field: a whisker at each place, on the outline of the frame."""

from __future__ import annotations

import math
from collections.abc import Sequence

from nightfold.charts.records import Whisker
from nightfold.charts.theme import Ground, GroundName, Spec, finished, ground_of


def field_chart(
    whiskers: Sequence[Whisker],
    *,
    width_px: int,
    height_px: int,
    title: str,
    subtitle: str = "",
    ground: GroundName | Ground = "page",
    width: int = 460,
) -> Spec:
    """Whiskers along the long axis of the stars, as long as their elongation; the size of each star's blur as text.

    Up is +y, as the file's rows go. A whisker's length is FWHM x (1 − b/a), what the long axis has over the short one,
    drawn large; its key stands below. A place whose elongation is within its error is a dot.
    """
    base = ground_of(ground)
    height = round(width * height_px / width_px)
    extent = [w.fwhm_px * w.ellipticity for w in whiskers if math.isfinite(w.fwhm_px * w.ellipticity)]
    longest = max(extent, default=0.0)
    # The longest whisker takes a tenth of the frame, but a hundredth of a pixel is not blown up to that.
    stretch = 0.1 * width_px / max(longest, 0.3)
    x: Spec = {"type": "quantitative", "scale": {"domain": [0, width_px]}, "axis": None}
    y: Spec = {"type": "quantitative", "scale": {"domain": [0, height_px]}, "axis": None}
    lines, dots, texts = [], [], []
    for w in whiskers:
        if not math.isfinite(w.fwhm_px):
            continue
        size = w.fwhm_px * w.ellipticity if math.isfinite(w.ellipticity) else 0.0
        texts.append({"x": w.x_px, "y": w.y_px, "text": f"{w.fwhm_px:.2f}"})
        if size <= (w.error_px or 0.0) or size <= 0:
            dots.append({"x": w.x_px, "y": w.y_px})
            continue
        dx = 0.5 * size * stretch * math.cos(math.radians(w.angle_deg))
        dy = 0.5 * size * stretch * math.sin(math.radians(w.angle_deg))
        lines.append({"x": w.x_px - dx, "y": w.y_px - dy, "x2": w.x_px + dx, "y2": w.y_px + dy})
    key = _round_length(max(longest, 0.3))
    layers: list[Spec] = [
        {
            "data": {"values": [{"x": 0, "y": 0, "x2": width_px, "y2": height_px}]},
            "mark": {"type": "rect", "fill": None, "stroke": base.soft, "strokeWidth": 1.2},
            "encoding": {"x": {"field": "x", **x}, "x2": {"field": "x2"}, "y": {"field": "y", **y}, "y2": {"field": "y2"}},
        },
        {
            "data": {"values": lines},
            "mark": {"type": "rule", "strokeWidth": 2.4, "color": base.ink, "strokeCap": "round"},
            "encoding": {"x": {"field": "x", **x}, "x2": {"field": "x2"}, "y": {"field": "y", **y}, "y2": {"field": "y2"}},
        },
        {
            "data": {"values": dots},
            "mark": {"type": "point", "shape": "circle", "size": 16, "color": base.ink},
            "encoding": {"x": {"field": "x", **x}, "y": {"field": "y", **y}},
        },
        {
            "data": {"values": texts},
            "mark": {"type": "text", "dy": 22, "color": base.soft},
            "encoding": {"x": {"field": "x", **x}, "y": {"field": "y", **y}, "text": {"field": "text", "type": "nominal"}},
        },
        {
            "data": {"values": [{"x": 0, "x2": key * stretch}]},
            "mark": {"type": "rule", "strokeWidth": 2.4, "color": base.ink, "y": height + 14},
            "encoding": {"x": {"field": "x", **x}, "x2": {"field": "x2"}},
        },
        {
            "data": {"values": [{"x": key * stretch}]},
            "mark": {
                "type": "text", "align": "left", "dx": 8, "y": height + 14, "baseline": "middle", "color": base.ink,
                "text": f"long axis {key:g} px over the short one; numbers: FWHM in pixels",
            },
            "encoding": {"x": {"field": "x", **x}},
        },
    ]  # fmt: skip
    body = {
        "width": width,
        "height": height,
        "layer": layers,
        "padding": {"left": 12, "right": 12, "top": 8, "bottom": 30},
    }
    return finished(body, base, title=title, subtitle=subtitle, width_px=width)


def _round_length(longest: float) -> float:
    return max((v for v in (0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0) if v <= longest), default=0.02)
