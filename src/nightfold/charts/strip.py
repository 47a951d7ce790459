"""The campaign strip: the nights of the season in a row, true in time, with tonight at the right end."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta

from nightfold.charts.filters import FilterStyle, filter_label, filter_styles
from nightfold.charts.moon import lit_path
from nightfold.charts.records import Strip, StripFilter, StripNight, StripTonight
from nightfold.charts.theme import Ground, GroundName, Spec, finished, ground_of, luminance, text_on

LEAST_DAYS = 10
"""A strip is never drawn over fewer days, so that one night does not fill it."""


FAR_DAYS = 45
"""Tonight stands in the row unless it is this long after the last night: the season's nights would shrink to lines."""


def days_until_tonight(strip: Strip) -> int | None:
    """Days from the last night with data to tonight; None where one of them is missing."""
    if strip.tonight is None or not strip.nights:
        return None
    return (strip.tonight.date - max(n.date for n in strip.nights)).days


def strip_chart(strip: Strip, *, ground: GroundName | Ground = "page", width: int = 720, height: int = 170) -> Spec:
    """Moon's discs above, hours kept by filter with dropped ones hollow, and below sharpness and sky as thin lines.

    Gaps are kept, so time reads true. Tonight stands at the right end in the accent's outline, with what it would add.
    """
    base = ground_of(ground)
    styles = filter_styles(strip.filters, base)
    far = days_until_tonight(strip)
    if far is not None and far > FAR_DAYS:
        strip = replace(strip, tonight=None)
    days = [n.date for n in strip.nights] + ([strip.tonight.date] if strip.tonight else [])
    if not days:
        empty: Spec = {"width": width, "height": height, "data": {"values": []}, "mark": "bar"}
        return finished(empty, base, title=strip.next, width_px=width)
    first, last = min(days), max(days)
    if (last - first).days < LEAST_DAYS:
        first = last - timedelta(days=LEAST_DAYS)
    first, last = first - timedelta(days=1), last + timedelta(days=1)
    step = width / (last - first).days
    bar = min(34.0, max(2.5, 0.78 * step))
    x = _x(first, last)
    parts = [
        _moons(strip, base, x, width, min(22.0, max(7.0, bar))),
        _hours(strip, styles, base, x, width, height, bar),
    ]
    parts += _conditions(strip, base, x, width)
    used = {f.filter for n in strip.nights for f in n.filters} | {
        f.filter for f in (strip.tonight.filters if strip.tonight else ())
    }
    told = ", ".join(f"{s.sign} {s.label}" if not s.letter else s.label for n, s in styles.items() if n in used)
    subtitle = f"{told}. Hollow: dropped." + (" Outlined: what tonight would add." if strip.tonight else "")
    if far is not None and far > FAR_DAYS:
        subtitle += f" Tonight is {far} days later."
    body = {"vconcat": parts, "spacing": 6, "resolve": {"scale": {"x": "shared"}}}
    return finished(body, base, title=strip.next, subtitle=subtitle, width_px=width)


def _x(first: date, last: date) -> Spec:
    return {
        "field": "day", "type": "temporal", "scale": {"type": "utc", "domain": [_noon(first), _noon(last)]},
        "axis": {"format": "%-d %b", "title": None, "labelOverlap": True, "tickCount": {"interval": "week", "step": 1}
                 if (last - first).days < 75 else "month", "grid": False},
    }  # fmt: skip


def _noon(day: date) -> Spec:
    return {"year": day.year, "month": day.month, "date": day.day, "utc": True}


def _silent(x: Spec) -> Spec:
    return {**x, "axis": None}


def _moons(strip: Strip, ground: Ground, x: Spec, width: int, size_px: float) -> Spec:
    """The Moon's disc of each night, lit as it was."""
    dark, bright = sorted((ground.paper, ground.ink), key=luminance)
    every: Sequence[StripNight | StripTonight] = (*strip.nights, *([strip.tonight] if strip.tonight else []))
    rows = [
        {
            "day": n.date.isoformat(),
            "path": lit_path(n.moon_illuminated_fraction, waxing=bool(n.moon_waxing), southern=strip.southern),
            "lit": f"{n.moon_illuminated_fraction:.0%}",
        }
        for n in every
        if n.moon_illuminated_fraction is not None
    ]
    size = 0.785 * size_px**2
    disc: Spec = {"type": "point", "size": size, "filled": True, "opacity": 1}
    return {
        "width": width,
        "height": size_px + 6,
        "data": {"values": rows},
        "layer": [
            {"mark": {**disc, "shape": "circle", "fill": dark, "stroke": ground.soft, "strokeWidth": 0.8}},
            {
                "mark": {**disc, "fill": bright, "stroke": None},
                "encoding": {
                    "shape": {"field": "path", "type": "nominal", "scale": None},
                    "tooltip": [
                        {"field": "day", "type": "nominal", "title": "night"},
                        {"field": "lit", "type": "nominal", "title": "Moon lit"},
                    ],
                },
            },
        ],
        "encoding": {"x": _silent(x), "y": {"value": size_px / 2 + 3}},
    }


def _hours(
    strip: Strip, styles: Mapping[str, FilterStyle], ground: Ground, x: Spec, width: int, height: int, bar: float
) -> Spec:
    """Kept hours stacked in the order of wavelength, dropped ones hollow on top, tonight's outlined."""
    tops = [n.kept_h + n.dropped_h for n in strip.nights]
    tops += [sum(f.kept_h for f in strip.tonight.filters)] if strip.tonight else []
    top = max([*tops, 1.0]) * 1.08
    y: Spec = {
        "type": "quantitative",
        "scale": {"domain": [0, top]},
        "axis": {"title": "hours", "tickCount": 4, "grid": True},
    }
    layers: list[Spec] = []
    for n in strip.nights:
        level = 0.0
        for kept in (True, False):
            for f in _ordered(n.filters, styles):
                hours = f.kept_h if kept else f.dropped_h
                if hours > 0:
                    layers += _piece(n.date, f.filter, level, hours, styles, ground, x, y, bar, top, height, kept=kept)
                    level += hours
    if strip.tonight is not None:
        level = 0.0
        for f in _ordered(strip.tonight.filters, styles):
            layers += _piece(
                strip.tonight.date,
                f.filter,
                level,
                f.kept_h,
                styles,
                ground,
                x,
                y,
                bar,
                top,
                height,
                kept=True,
                outlined=True,
            )
            level += f.kept_h
        label = {"day": strip.tonight.date.isoformat(), "high": level}
        layers.append(
            {
                "data": {"values": [label]},
                "mark": {"type": "text", "text": "tonight", "dy": -8, "color": ground.accent, "fontSize": 13},
                "encoding": {"x": _silent(x), "y": {"field": "high", **y}},
            }
        )
    return {"width": width, "height": height, "layer": layers, "encoding": {"x": x}}


def _ordered(filters: Sequence[StripFilter], styles: Mapping[str, FilterStyle]) -> list[StripFilter]:
    order = list(styles)
    return sorted(filters, key=lambda f: order.index(f.filter) if f.filter in order else len(order))


def _piece(
    day: date,
    name: str,
    level: float,
    hours: float,
    styles: Mapping[str, FilterStyle],
    ground: Ground,
    x: Spec,
    y: Spec,
    bar: float,
    top: float,
    height: int,
    *,
    kept: bool,
    outlined: bool = False,
) -> list[Spec]:
    """One filter's part of a night's pile, with the filter's mark where there is room for it."""
    style = styles[name]
    row = {
        "day": day.isoformat(), "low": level, "high": level + hours, "middle": level + hours / 2, "filter": style.label,
        "hours": round(hours, 2), "what": "would be added" if outlined else "kept" if kept else "dropped",
    }  # fmt: skip
    filled = kept and not outlined
    layers: list[Spec] = [
        {
            "data": {"values": [row]},
            "mark": {
                "type": "bar", "width": bar, "fill": style.colour if filled else ground.paper, "strokeWidth": 1.6 if outlined else 1,
                "stroke": ground.accent if outlined else ground.paper if filled else style.colour,
                **({} if filled else {"strokeDash": style.dash_pattern}),
            },
            "encoding": {
                "y": {"field": "low", **y}, "y2": {"field": "high"},
                "tooltip": [
                    {"field": "day", "type": "nominal", "title": "night"},
                    {"field": "filter", "type": "nominal", "title": "filter"},
                    {"field": "hours", "type": "quantitative", "title": "hours"},
                    {"field": "what", "type": "nominal", "title": "these were"},
                ],
            },
        }
    ]  # fmt: skip
    if bar >= 9 and hours / top * height >= 11:
        layers.append(
            {
                "data": {"values": [row]},
                "mark": {
                    "type": "text", "text": style.sign, "fontSize": 10, "baseline": "middle",
                    "color": text_on(style.colour, ground) if filled else style.colour,
                },
                "encoding": {"y": {"field": "middle", **y}},
            }
        )  # fmt: skip
    return layers


def _conditions(strip: Strip, ground: Ground, x: Spec, width: int) -> list[Spec]:
    """Sharpness and sky as two thin lines; each only where it is known."""
    arcsec = any(n.fwhm_arcsec is not None for n in strip.nights)
    unit = "arcsec" if arcsec else "pixels"
    wanted = (
        (f"FWHM, {unit}", [(n.date, n.fwhm_arcsec if arcsec else n.fwhm_px) for n in strip.nights]),
        ("sky, 1 is usual", [(n.date, n.sky_over_usual) for n in strip.nights]),
    )
    parts: list[Spec] = []
    for words, values in wanted:
        rows = [{"day": d.isoformat(), "value": float(f"{v:.4g}")} for d, v in values if v is not None]
        if not rows:
            continue
        y: Spec = {
            "field": "value", "type": "quantitative", "scale": {"zero": False, "nice": True, "padding": 3},
            "axis": {"title": words, "tickCount": 2, "grid": False, "format": "~g"},
        }  # fmt: skip
        parts.append(
            {
                "width": width,
                "height": 30,
                "data": {"values": rows},
                "layer": [
                    {"mark": {"type": "line", "strokeWidth": 1, "color": ground.soft}},
                    {
                        "mark": {"type": "point", "shape": "circle", "size": 14, "color": ground.ink},
                        "encoding": {
                            "tooltip": [
                                {"field": "day", "type": "nominal", "title": "night"},
                                {"field": "value", "type": "quantitative", "title": words},
                            ]
                        },
                    },
                ],
                "encoding": {"x": _silent(x), "y": y},
            }
        )
    return parts


def strip_title(hours: Mapping[str, float]) -> str:
    """What a campaign has so far, in a sentence."""
    told = ", ".join(f"{h:.1f} h of {filter_label(n)}" for n, h in hours.items() if h > 0)
    return f"So far {told}" if told else "Nothing was exposed yet"
