"""The year's usable hours of each target: one ribbon a target, as wide as its night is long."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from nightfold.charts.theme import Ground, GroundName, Spec, finished, ground_of
from nightfold.sky.usable_hours import NightHours


def season_chart(
    targets: Mapping[str, Sequence[NightHours]],
    *,
    ground: GroundName | Ground = "page",
    best: Mapping[str, date] | None = None,
    today: date | None = None,
    title: str = "",
    width: int = 640,
    row_height: int = 78,
) -> Spec:
    """Ribbons over the dates: the whole width is the dark hours above the limits, the inner part those without the Moon.

    All targets share one scale. `best` marks a date of each; `today` is a line through all.
    """
    base = ground_of(ground)
    days = [n.date for nights in targets.values() for n in nights]
    widest = max((n.dark for nights in targets.values() for n in nights), default=1.0) or 1.0
    chosen = best or {}
    parts = [
        _ribbon(name, nights, base, width, row_height, widest, chosen.get(name), today, last=i == len(targets) - 1)
        for i, (name, nights) in enumerate(targets.items())
    ]
    if not parts or not days:
        empty: Spec = {"width": width, "height": row_height, "data": {"values": []}, "mark": "area"}
        return finished(empty, base, title=title or "No target has a place on the sky yet.", width_px=width)
    return finished(
        {"vconcat": parts, "spacing": 4, "resolve": {"scale": {"x": "shared"}}},
        base,
        title=title or season_title(targets),
        subtitle=f"Width: dark hours with the target high enough, {widest:.1f} h at the widest; inside, those without the Moon.",
        width_px=width,
    )


def season_title(targets: Mapping[str, Sequence[NightHours]]) -> str:
    """The target with the most hours, in a sentence."""
    hours = {name: sum(n.dark for n in nights) for name, nights in targets.items()}
    if not hours or max(hours.values()) <= 0:
        return "No target is usable in this time."
    name = max(hours, key=lambda n: hours[n])
    without = sum(n.moonless for n in targets[name])
    return f"{name} has {hours[name]:.0f} dark hours left, {without:.0f} of them without the Moon"


def _ribbon(
    name: str,
    nights: Sequence[NightHours],
    ground: Ground,
    width: int,
    height: int,
    widest: float,
    best: date | None,
    today: date | None,
    *,
    last: bool,
) -> Spec:
    rows = [
        {
            "day": n.date.isoformat(), "low": -n.dark / 2, "high": n.dark / 2, "inner_low": -n.moonless / 2, "inner_high": n.moonless / 2,
            "dark": round(n.dark, 2), "moonless": round(n.moonless, 2),
        }
        for n in nights
    ]  # fmt: skip
    x: Spec = {
        "field": "day", "type": "temporal", "scale": {"type": "utc"},
        "axis": {"format": "%b", "title": None, "tickCount": "month", "labels": last, "ticks": last, "domain": last, "grid": True,
                 "gridOpacity": 0.6},
    }  # fmt: skip
    scale = {"domain": [-widest / 2 * 1.45, widest / 2 * 1.45]}
    y: Spec = {"type": "quantitative", "scale": scale, "axis": None}
    layers: list[Spec] = [
        {
            "data": {"values": rows},
            "mark": {"type": "area", "color": ground.band, "line": False},
            "encoding": {
                "x": x, "y": {"field": "low", **y}, "y2": {"field": "high"},
                "tooltip": [
                    {"field": "day", "type": "nominal", "title": "night"},
                    {"field": "dark", "type": "quantitative", "title": "dark hours"},
                    {"field": "moonless", "type": "quantitative", "title": "without the Moon"},
                ],
            },
        },
        {
            "data": {"values": rows},
            "mark": {"type": "area", "color": ground.soft, "opacity": 0.75},
            "encoding": {"x": x, "y": {"field": "inner_low", **y}, "y2": {"field": "inner_high"}},
        },
        {
            "data": {"values": [{}]},
            "mark": {"type": "text", "text": name, "align": "left", "x": 4, "y": 2, "baseline": "top", "fontSize": 14, "color": ground.ink},
            "encoding": {},
        },
    ]  # fmt: skip
    if best is not None:
        mark = {"data": {"values": [{"day": best.isoformat(), "zero": 0}]}}
        label = f"best {best.day} {best:%b}"
        layers += [
            {
                **mark,
                "mark": {"type": "point", "shape": "diamond", "size": 60, "fill": ground.accent, "stroke": ground.paper},
                "encoding": {"x": x, "y": {"field": "zero", **y}},
            },
            {
                **mark,
                "mark": {"type": "text", "text": label, "y": height - 1, "baseline": "bottom", "color": ground.ink},
                "encoding": {"x": x},
            },
        ]  # fmt: skip
    if today is not None:
        layers.append(
            {
                "data": {"values": [{"day": today.isoformat()}]},
                "mark": {"type": "rule", "color": ground.accent, "strokeWidth": 1.2},
                "encoding": {"x": x},
            }
        )
    return {"width": width, "height": height, "layer": layers}
