"""How noise falls as exposure grows, and what the length of a sub costs."""

from __future__ import annotations

import math
from collections.abc import Sequence

from nightfold.charts.filters import filter_label, filter_styles, mark_of
from nightfold.charts.records import DepthCurve
from nightfold.charts.theme import Ground, GroundName, Spec, finished, ground_of
from nightfold.depth.nearest import best_rows
from nightfold.depth.records import FilterDepth
from nightfold.plan.records import ExposureReport


def depth_chart(
    curves: Sequence[DepthCurve],
    *,
    what: str = "noise, electrons a second and pixel",
    title: str,
    ground: GroundName | Ground = "page",
    filters: Sequence[str] = (),
    width: int = 560,
    height: int = 300,
) -> Spec:
    """Noise against hours of exposure on logarithmic axes; beside the points of each filter its law 1/sqrt(t) and goal.

    The law is a straight line there, falling by a half for four times the hours; its uncertainty is the band.
    """
    base = ground_of(ground)
    styles = filter_styles([*filters, *(c.filter for c in curves)], base)
    everything = [h for c in curves for h in c.hours]
    first, last = (min(everything) / 1.3, max(everything) * 2.5) if everything else (0.1, 10.0)
    x: Spec = {
        "type": "quantitative", "scale": {"type": "log", "domain": [first, last], "nice": False},
        "axis": {"title": "hours of exposure", "format": "~g", "grid": True, "values": _ticks(first, last), "titleAnchor": "end"},
    }  # fmt: skip
    levels = [n for c in curves for n in (*c.noise, *([c.goal] if c.goal else []), c.ideal_at_1h / math.sqrt(last))]
    lowest, highest = (min(levels) / 1.15, max(levels) * 1.15) if levels else (0.1, 1.0)
    y: Spec = {
        "type": "quantitative", "scale": {"type": "log", "domain": [lowest, highest], "nice": False},
        "axis": {"title": what, "format": "~g", "grid": True, "values": _ticks(lowest, highest)},
    }  # fmt: skip
    layers: list[Spec] = []
    for c in curves:
        style = styles[c.filter]
        law = [
            {
                "hours": h, "noise": c.ideal_at_1h / math.sqrt(h), "low": c.ideal_at_1h / math.sqrt(h) * (1 - c.ideal_spread),
                "high": c.ideal_at_1h / math.sqrt(h) * (1 + c.ideal_spread),
            }
            for h in (first * (last / first) ** (k / 24) for k in range(25))
        ]  # fmt: skip
        points = [{"hours": h, "noise": n} for h, n in zip(c.hours, c.noise)]
        across = {"field": "hours", **x}
        if c.ideal_spread > 0:
            layers.append(
                {
                    "data": {"values": law},
                    "mark": {"type": "area", "color": style.colour, "opacity": 0.22, "clip": True},
                    "encoding": {"x": across, "y": {"field": "low", **y}, "y2": {"field": "high"}},
                }
            )
        layers.append(
            {
                "data": {"values": law},
                "mark": {"type": "line", "strokeWidth": 1.4, "strokeDash": style.dash_pattern, "color": style.colour, "clip": True},
                "encoding": {"x": across, "y": {"field": "noise", **y}},
            }
        )  # fmt: skip
        layers.append(
            {
                "data": {"values": points},
                "mark": mark_of(style, base, size=48),
                "encoding": {
                    "x": across,
                    "y": {"field": "noise", **y},
                    "tooltip": [
                        {"field": "hours", "type": "quantitative", "format": ".2f", "title": "hours"},
                        {"field": "noise", "type": "quantitative", "format": ".3g", "title": what},
                    ],
                },
            }
        )
        end = {"hours": last / 1.02, "noise": c.ideal_at_1h / math.sqrt(last / 1.02)}
        layers.append(
            {
                "data": {"values": [end]},
                "mark": {
                    "type": "text",
                    "text": c.label or style.label,
                    "align": "left",
                    "dx": 8,
                    "color": base.ink,
                    "fontSize": 14,
                },
                "encoding": {"x": across, "y": {"field": "noise", **y}},
            }
        )
        if c.goal is not None:
            needed = (c.ideal_at_1h / c.goal) ** 2
            layers.append(
                {
                    "data": {"values": [{"noise": c.goal}]},
                    "mark": {"type": "rule", "strokeDash": [2, 4], "color": style.colour, "clip": True},
                    "encoding": {"y": {"field": "noise", **y}},
                }
            )
            layers.append(
                {
                    "data": {"values": [{"noise": c.goal}]},
                    "mark": {
                        "type": "text", "align": "left", "x": 4, "dy": -6, "color": base.soft,
                        "text": f"goal of {c.label or style.label}: {needed:.1f} h",
                    },
                    "encoding": {"y": {"field": "noise", **y}},
                }
            )  # fmt: skip
    subtitle = "Lines: noise that falls as one over the square root of time."
    body = {"width": width, "height": height, "layer": layers}
    return finished(body, base, title=title, subtitle=subtitle, width_px=width)


def depth_curves(filters: Sequence[FilterDepth]) -> list[DepthCurve]:
    """Curves of a depth report's filters, of those whose noise was followed; the law starts at its smallest part."""
    several = len({f.rigs for f in filters}) > 1
    found = []
    for f in filters:
        if len(f.noise_fall) < 2:
            continue
        first, last = f.noise_fall[0], f.noise_fall[-1]
        goal = last.noise_e_per_s * f.snr / f.snr_goal if f.snr and f.snr_goal else None
        found.append(
            DepthCurve(
                filter=f.filter,
                hours=[p.exposure_s / 3600.0 for p in f.noise_fall],
                noise=[p.noise_e_per_s for p in f.noise_fall],
                ideal_at_1h=first.ideal_e_per_s * math.sqrt(first.exposure_s / 3600.0),
                goal=goal,
                label=f"{filter_label(f.filter)}, {', '.join(f.rigs)}" if several else "",
            )
        )
    return found


def depth_title(filters: Sequence[FilterDepth]) -> str:
    """What is still missing, in a sentence; where several rigs work on a goal, that of the rig which is nearest to it."""
    best = best_rows(filters)
    open_filters = [f for f in best if f.hours_to_goal is not None and f.hours_to_goal > 0]
    if open_filters:
        most = max(open_filters, key=lambda f: f.hours_to_goal or 0.0)
        others = any(
            (f.target, f.panel, f.filter) == (most.target, most.panel, most.filter) for f in filters if f is not most
        )
        rig = f" with {' and '.join(most.rigs)}" if others and most.rigs else ""
        return f"{filter_label(most.filter)} needs {most.hours_to_goal:.1f} h more to its goal{rig}"
    reached = {
        (f.target, f.panel, f.filter)
        for f in best
        if f.share_left == 0.0 or (f.snr is not None and f.snr >= (f.snr_goal or math.inf))
    }
    if filters and {(f.target, f.panel, f.filter) for f in filters} == reached:
        return "Every filter is as deep as wanted"
    return "How the noise fell as exposure grew"


def depth_sentence(depth: FilterDepth) -> str:
    """What a filter's master reaches; "" where nothing is known."""
    parts = []
    if depth.limit_mag_arcsec2 is not None:
        parts.append(f"{depth.limit_mag_arcsec2:.1f} mag/arcsec² (3 σ in 10″)")
    elif depth.limit_rayleigh is not None:
        parts.append(f"{depth.limit_rayleigh:.2g} rayleigh (3 σ in 10″)")
    if depth.snr is not None and depth.snr_goal is not None:
        parts.append(f"signal-to-noise {depth.snr:.1f} of {depth.snr_goal:g} wanted")
    elif depth.snr is not None:
        parts.append(f"signal-to-noise {depth.snr:.1f}")
    return "; ".join(parts)


def _ticks(low: float, high: float) -> list[float]:
    """Round values of a logarithmic axis: 1, 2, 5 times powers of ten; every power only where there would be many."""
    exponents = range(math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1)
    fine = [float(f"{m}e{e}") for e in exponents for m in (1, 2, 5) if low <= float(f"{m}e{e}") <= high]
    return fine if len(fine) <= 10 else [v for v in fine if f"{v:e}".startswith("1")]


def exposure_chart(
    report: ExposureReport,
    *,
    ground: GroundName | Ground = "page",
    width: int = 560,
    height: int = 240,
    title: str = "",
) -> Spec:
    """Hours for the same depth against the length of a sub, the sensible range as a band, the recommended length marked."""
    base = ground_of(ground)
    style = filter_styles([report.filter], base)[report.filter]
    rows = [{"sub_s": r.sub_s, "hours": r.hours, "subs": r.subs} for r in report.table if math.isfinite(r.hours)]
    if not rows:
        body: Spec = {"width": width, "height": height, "data": {"values": []}, "mark": "line"}
        return finished(body, base, title=title or report.why, width_px=width)
    best = min(r["hours"] for r in rows)
    # What costs several times the best is of no use: both axes end where the choice does.
    top = min(max(r["hours"] for r in rows), 2.5 * best)
    rows = [r for r in rows if r["hours"] <= top]
    low, high = min(r["sub_s"] for r in rows) / 1.1, max(r["sub_s"] for r in rows) * 1.1
    x: Spec = {
        "field": "sub_s", "type": "quantitative", "scale": {"type": "log", "domain": [low, high], "nice": False},
        "axis": {"title": "length of a sub, seconds", "values": [r["sub_s"] for r in rows], "format": "~g", "labelOverlap": True,
                 "grid": False, "titleAnchor": "end"},
    }  # fmt: skip
    y: Spec = {
        "field": "hours", "type": "quantitative", "scale": {"domain": [0, 1.08 * top]},
        "axis": {"title": "hours to the same depth", "tickCount": 5, "grid": True},
    }  # fmt: skip
    chosen = min(rows, key=lambda r: abs(r["sub_s"] - report.recommended_s))
    band = {"data": {"values": [{"sub_s": max(report.least_s, low), "most": min(report.most_s, high)}]}}
    layers: list[Spec] = [
        {**band, "mark": {"type": "rect", "color": base.band}, "encoding": {"x": x, "x2": {"field": "most"}}},
        {
            "data": {"values": rows},
            "mark": {"type": "line", "strokeWidth": 2, "color": style.colour, "strokeDash": style.dash_pattern, "clip": True},
            "encoding": {"x": x, "y": y},
        },
        {
            "data": {"values": rows},
            "mark": mark_of(style, base, size=44),
            "encoding": {
                "x": x, "y": y,
                "tooltip": [
                    {"field": "sub_s", "type": "quantitative", "title": "seconds"},
                    {"field": "hours", "type": "quantitative", "format": ".2f", "title": "hours"},
                    {"field": "subs", "type": "quantitative", "title": "subs"},
                ],
            },
        },
        {
            "data": {"values": [chosen]},
            "mark": {"type": "point", "shape": "circle", "filled": False, "size": 220, "stroke": base.accent, "strokeWidth": 2},
            "encoding": {"x": x, "y": y},
        },
        {
            "data": {"values": [chosen]},
            "mark": {
                "type": "text", "dy": 22, "color": base.ink, "fontSize": 14,
                "text": f"{report.recommended_s:g} s: {chosen['hours']:.1f} h",
            },
            "encoding": {"x": x, "y": y},
        },
    ]  # fmt: skip
    heading = (
        title or f"{report.recommended_s:g} s is a good length for {filter_label(report.filter)} with {report.rig}"
    )
    body = {"width": width, "height": height, "layer": layers}
    return finished(body, base, title=heading, subtitle=report.why, width_px=width)
