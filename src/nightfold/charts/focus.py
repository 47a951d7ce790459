"""Focus: a run with its hyperbola, and the best position against the tube's temperature."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from nightfold.charts.filters import filter_styles, mark_of
from nightfold.charts.records import FocusLawLike, FocusRunLike
from nightfold.charts.theme import Ground, GroundName, Spec, finished, ground_of

FLAT_SHARE = 0.7
"""Radii that differ by less than this leaves are drawn without their zero, or the curve would pass for a level line."""


def focus_run_chart(
    run: FocusRunLike, *, ground: GroundName | Ground = "page", width: int = 560, height: int = 260
) -> Spec:
    """Half-flux radius against the focuser's position: points, the fitted curve, the best position with its 95 % band.

    The curve is the hyperbola r0 sqrt(1 + ((x - best) / b)^2); dashed where the run is too shallow to know its arms.

    Points that were set aside are hollow.
    """
    base = ground_of(ground)
    radii = [p.half_flux_radius_px for p in run.points if math.isfinite(p.half_flux_radius_px)]
    steep = not radii or min(radii) < FLAT_SHARE * max(radii)
    x: Spec = {
        "field": "position", "type": "quantitative", "scale": {"zero": False, "nice": False, "padding": 12},
        "axis": {"title": "focuser position, steps", "format": "d", "tickCount": 6, "titleAnchor": "end"},
    }  # fmt: skip
    y: Spec = {
        "field": "radius", "type": "quantitative", "scale": {"zero": steep}, "axis": {"title": "half-flux radius, pixels", "tickCount": 5},
    }  # fmt: skip
    points = [
        {"position": p.position, "radius": p.half_flux_radius_px, "used": p.used}
        for p in run.points
        if math.isfinite(p.half_flux_radius_px)
    ]
    layers: list[Spec] = []
    if math.isfinite(run.best_position):
        reach = run.interval_95 if math.isfinite(run.interval_95) else 0.0
        layers.append(
            {
                "data": {"values": [{"position": run.best_position - reach, "to": run.best_position + reach}]},
                "mark": {"type": "rect", "color": base.band},
                "encoding": {"x": x, "x2": {"field": "to"}},
            }
        )
        low, high = (min(p["position"] for p in points), max(p["position"] for p in points)) if points else (0.0, 1.0)
        where = [low + (high - low) * k / 80 for k in range(81)]
        least = run.half_flux_radius_px
        curve = [
            {"position": p, "radius": least * math.hypot(1.0, (p - run.best_position) / run.half_width_steps)}
            for p in where
            if least > 0 and run.half_width_steps > 0
        ]
        layers.append(
            {
                "data": {"values": curve},
                "mark": {
                    "type": "line", "strokeWidth": 1.5, "color": base.soft,
                    "strokeDash": [1, 0] if math.isfinite(run.slope_px_per_step) else [5, 4],
                },
                "encoding": {"x": x, "y": y},
            }
        )  # fmt: skip
        layers.append(
            {
                "data": {"values": [{"position": run.best_position}]},
                "mark": {"type": "text", "text": f"{run.best_position:.0f} ± {run.uncertainty:.0f}", "y": 8, "color": base.ink, "fontSize": 14},
                "encoding": {"x": x},
            }
        )  # fmt: skip
    for used in (True, False):
        layers.append(
            {
                "data": {"values": [p for p in points if p["used"] is used]},
                "mark": {
                    "type": "point", "shape": "circle", "size": 54, "fill": base.ink if used else base.paper, "stroke": base.ink,
                    "strokeWidth": 1.3,
                },
                "encoding": {"x": x, "y": y},
            }
        )  # fmt: skip
    body = {"width": width, "height": height, "layer": layers}
    return finished(body, base, title=run.sentence, width_px=width)


def focus_law_chart(
    law: FocusLawLike,
    *,
    ground: GroundName | Ground = "page",
    all_filters: Sequence[str] = (),
    width: int = 560,
    height: int = 280,
) -> Spec:
    """Best position against the temperature with the law's lag, one line a filter; runs that hardly entered are hollow."""
    base = ground_of(ground)
    styles = filter_styles([*all_filters, *(p.filter for p in law.points)], base)
    offsets = {o.filter: o.offset_steps for o in law.filter_offsets}
    x: Spec = {
        "field": "temperature", "type": "quantitative", "scale": {"zero": False, "padding": 12},
        "axis": {"title": "temperature with its lag, °C", "tickCount": 6, "titleAnchor": "end"},
    }  # fmt: skip
    y: Spec = {
        "field": "position", "type": "quantitative", "scale": {"zero": False, "padding": 8},
        "axis": {"title": "best position, steps", "format": "d", "tickCount": 5},
    }  # fmt: skip
    rows: dict[str, list[Spec]] = {}
    for p in law.points:
        if math.isfinite(p.temperature_c) and math.isfinite(p.position):
            row = {"temperature": p.temperature_c, "position": p.position, "used": p.used}
            rows.setdefault(p.filter, []).append(row)
    layers: list[Spec] = []
    spread = _spread(rows)
    for name, mine in rows.items():
        style = styles[name]
        if law.told and name in offsets and spread is not None:
            level = [law.zero_steps + offsets[name] + law.steps_per_c * t for t in spread]
            wide = law.scatter_steps if math.isfinite(law.scatter_steps) else 0.0
            line = [
                {"temperature": t, "position": v, "low": v - wide, "high": v + wide} for t, v in zip(spread, level)
            ]  # fmt: skip
            layers += [
                {
                    "data": {"values": line},
                    "mark": {"type": "area", "color": style.colour, "opacity": 0.18},
                    "encoding": {"x": x, "y": {**y, "field": "low"}, "y2": {"field": "high"}},
                },
                {
                    "data": {"values": line},
                    "mark": {
                        "type": "line",
                        "strokeWidth": 1.5,
                        "color": style.colour,
                        "strokeDash": style.dash_pattern,
                    },
                    "encoding": {"x": x, "y": y},
                },
                {
                    "data": {"values": line[-1:]},
                    "mark": {
                        "type": "text",
                        "text": style.label,
                        "align": "left",
                        "dx": 6,
                        "color": base.ink,
                        "fontSize": 14,
                    },
                    "encoding": {"x": x, "y": y},
                },
            ]
        for used in (False, True):
            chosen = [r for r in mine if r["used"] is used]
            if chosen:
                layers.append(
                    {
                        "data": {"values": chosen},
                        "mark": mark_of(style, base, dropped=not used, size=52),
                        "encoding": {"x": x, "y": y},
                    }
                )
    body = {"width": width, "height": height, "layer": layers}
    return finished(body, base, title=law.sentence, width_px=width)


def _spread(rows: Mapping[str, Sequence[Spec]]) -> tuple[float, float] | None:
    values = [r["temperature"] for mine in rows.values() for r in mine]
    return (min(values), max(values)) if values else None
