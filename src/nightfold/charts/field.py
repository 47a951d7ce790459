"""The star shapes over the field: a whisker at each place, on the outline of the frame."""

from __future__ import annotations

import math
from collections.abc import Sequence

from nightfold.charts.records import WhiskerLike
from nightfold.charts.theme import Ground, GroundName, Spec, finished, ground_of


def field_chart(
    whiskers: Sequence[WhiskerLike],
    *,
    width_px: int,
    height_px: int,
    title: str,
    subtitle: str = "",
    labels: Sequence[tuple[float, float, str]] = (),
    ground: GroundName | Ground = "page",
    width: int = 460,
) -> Spec:
    """Whiskers along the long axis of the stars, as long as their elongation; a place without any is a dot.

    Up is +y, as the file's rows go. A whisker's length is the root of the difference of the squared axes, drawn large; its key
    stands below. Elongation within thrice its uncertainty is drawn as a dot: by chance that leaves one whisker in five charts of twenty places. `labels` are (x, y, text) in pixels of the frame.
    """
    base = ground_of(ground)
    height = round(width * height_px / width_px)
    longest = max((w.length_px for w in whiskers if math.isfinite(w.length_px)), default=0.0)
    # The longest whisker takes a tenth of the frame, but a hundredth of a pixel is not blown up to that.
    stretch = 0.1 * width_px / max(longest, 0.3)
    x: Spec = {"type": "quantitative", "scale": {"domain": [0, width_px]}, "axis": None}
    y: Spec = {"type": "quantitative", "scale": {"domain": [0, height_px]}, "axis": None}
    lines, dots = [], []
    texts = [{"x": x_px, "y": y_px, "text": text} for x_px, y_px, text in labels]
    for w in whiskers:
        if not math.isfinite(w.length_px):
            continue
        unsure = math.isfinite(w.uncertainty_px) and w.length_px <= 3.0 * w.uncertainty_px
        if unsure or w.length_px <= 0 or not math.isfinite(w.angle_deg):
            dots.append({"x": w.x_px, "y": w.y_px})
            continue
        dx = 0.5 * w.length_px * stretch * math.cos(math.radians(w.angle_deg))
        dy = 0.5 * w.length_px * stretch * math.sin(math.radians(w.angle_deg))
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
                "text": f"elongation of {key:g} px, the root of the squared axes' difference",
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
