"""Focus: a run with its hyperbola, and the best position against the tube's temperature."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from nightfold.charts.filters import filter_styles, mark_of
from nightfold.charts.theme import Ground, GroundName, Spec, finished, ground_of
from nightfold.optics.focus_law import FocusLaw
from nightfold.optics.focus_run import FocusRun, RunData


def focus_run_chart(
    data: RunData, run: FocusRun, *, ground: GroundName | Ground = "page", width: int = 560, height: int = 260
) -> Spec:
    """Half-flux radius against the focuser's position: points, the fitted curve, the best position with its 95 % band.

    Points that were set aside are hollow.
    """
    base = ground_of(ground)
    x: Spec = {
        "field": "position", "type": "quantitative", "scale": {"zero": False, "nice": False, "padding": 12},
        "axis": {"title": "focuser position, steps", "format": "d", "tickCount": 6, "titleAnchor": "end"},
    }  # fmt: skip
    y: Spec = {
        "field": "radius", "type": "quantitative", "scale": {"zero": True}, "axis": {"title": "half-flux radius, pixels", "tickCount": 5},
    }  # fmt: skip
    points = [
        {"position": float(p), "radius": float(r), "used": bool(u)}
        for p, r, u in zip(data.position, data.half_flux_radius_px, run.used)
        if math.isfinite(r)
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
        curve = [{"position": p, "radius": float(v)} for p, v in zip(where, run.radius_at(where))]
        layers.append(
            {
                "data": {"values": curve},
                "mark": {"type": "line", "strokeWidth": 1.5, "color": base.soft},
                "encoding": {"x": x, "y": y},
            }
        )
        layers.append(
            {
                "data": {"values": [{"position": run.best_position}]},
                "mark": {"type": "text", "text": f"{run.best_position:.0f} ± {run.best_error:.0f}", "y": 8, "color": base.ink, "fontSize": 13},
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
    temperature_c: Sequence[float],
    position: Sequence[float],
    filters: Sequence[str],
    law: FocusLaw,
    *,
    ground: GroundName | Ground = "page",
    all_filters: Sequence[str] = (),
    width: int = 560,
    height: int = 280,
) -> Spec:
    """Best position against the temperature that the glass feels, one line a filter; runs that hardly entered are hollow.

    Parameters
    ----------
    temperature_c : sequence of float
        With the law's lag taken into account, as `lagged_temperature` gives it.
    """
    base = ground_of(ground)
    styles = filter_styles([*all_filters, *filters], base)
    x: Spec = {
        "field": "temperature", "type": "quantitative", "scale": {"zero": False, "padding": 12},
        "axis": {"title": "temperature with its lag, °C", "tickCount": 6, "titleAnchor": "end"},
    }  # fmt: skip
    y: Spec = {
        "field": "position", "type": "quantitative", "scale": {"zero": False, "padding": 8},
        "axis": {"title": "best position, steps", "format": "d", "tickCount": 5},
    }  # fmt: skip
    rows: dict[str, list[Spec]] = {}
    for t, p, name, used in zip(temperature_c, position, filters, law.used):
        if math.isfinite(t) and math.isfinite(p):
            rows.setdefault(name, []).append({"temperature": float(t), "position": float(p), "used": bool(used)})
    layers: list[Spec] = []
    spread = _spread(rows)
    for name, mine in rows.items():
        style = styles[name]
        if law.told and name in law.offsets_steps and spread is not None:
            ends = [*spread]
            level = [float(v) for v in law.position(ends, name)]
            wide = law.scatter_steps if math.isfinite(law.scatter_steps) else 0.0
            line = [
                {"temperature": t, "position": v, "low": v - wide, "high": v + wide} for t, v in zip(ends, level)
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
                        "fontSize": 13,
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
