"""A night's subs against time, and the trend of one number over the nights."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from statistics import median, quantiles
from typing import Literal

from nightfold.charts.clock import Clock, clock_for, time_axis
from nightfold.charts.filters import FilterStyle, filter_styles, mark_of
from nightfold.charts.records import SubLike, TrendPoint
from nightfold.charts.theme import Ground, GroundName, Spec, at_least, finished, ground_of

Brush = Literal["", "time", "band"]

PANELS: dict[str, tuple[str, str, bool]] = {
    # key: what it is in words, the sub's field, whether filters may lie far apart in it
    "sharpness": ("sharpness, FWHM in arcsec", "fwhm_arcsec", False),
    "elongation": ("elongation, 1 − b/a", "ellipticity", False),
    "sky": ("sky, electrons a second and pixel", "sky_e_per_s", True),
    "transparency": ("transparency, 1 is the reference", "transparency", False),
}


LEAST_SPAN = {"sharpness": 0.5, "elongation": 0.1, "transparency": 0.1}
"""Shortest axis of a panel, in its unit: less is not told apart by eye in a picture. Sky: a tenth of itself. Our choice."""


def expected_ranges(subs: Sequence[SubLike]) -> dict[tuple[str, str], tuple[float, float]]:
    """What is usual in each filter: the 16 % to 84 % range of all kept subs' values, by panel and filter.

    Give the subs of the whole campaign. Filters with fewer than five kept subs have no range.
    """
    found: dict[tuple[str, str], tuple[float, float]] = {}
    for key, (_, field, _) in _panels(subs).items():
        by_filter: dict[str, list[float]] = defaultdict(list)
        for s in subs:
            value = getattr(s, field)
            if value is not None and s.verdict == "keep":
                by_filter[s.filter or "no filter"].append(float(value))
        for name, values in by_filter.items():
            if len(values) >= 5:
                cuts = quantiles(values, n=100, method="inclusive")
                found[key, name] = (cuts[15], cuts[83])
    return found


def _panels(subs: Sequence[SubLike]) -> dict[str, tuple[str, str, bool]]:
    """The panels; widths in pixels where no scale is known."""
    if any(s.fwhm_arcsec is not None for s in subs) or not subs:
        return PANELS
    return {**PANELS, "sharpness": ("sharpness, FWHM in pixels", "fwhm_px", False)}


def subs_chart(
    subs: Sequence[SubLike],
    *,
    ground: GroundName | Ground = "page",
    time_zone: str | None = None,
    expected: Mapping[tuple[str, str], tuple[float, float]] | None = None,
    filters: Sequence[str] = (),
    width: int = 640,
    panel_height: int = 84,
    brush: Brush = "",
    title: str = "",
    panels: Sequence[str] = ("sharpness", "elongation", "sky", "transparency"),
) -> Spec:
    """A night's subs: one panel a number, all over the same time; dropped subs hollow, the usual range as a band.

    Parameters
    ----------
    expected : mapping, optional
        As `expected_ranges` gives it for the whole campaign.
    brush : {"", "time", "band"}
        For the page. "time": one selection `brush` over time, shared by all panels. "band": a selection over values in
        each panel, named `band_sharpness`, `band_elongation` and so on. A click on a sub is the selection `sub`.
    """
    base = ground_of(ground)
    timed = [(s, s.start) for s in subs if isinstance(s.start, datetime)]
    styles = filter_styles([*filters, *(s.filter for s in subs)], base)
    if not timed:
        body: Spec = {"data": {"values": []}, "mark": "point", "width": width, "height": panel_height}
        return finished(body, base, title=title or "No sub of this night has a time.", width_px=width)
    first = min(t for _, t in timed)
    last = max(t + timedelta(seconds=s.exposure_s or 0.0) for s, t in timed)
    margin = max((last - first) * 0.02, timedelta(minutes=3))
    start, end = first - margin, last + margin
    clock = clock_for(start, end, time_zone)
    known = _panels(subs)
    parts = [
        _panel(
            key, known[key], timed, clock, styles, base, start, end, width, panel_height,
            expected=expected or {}, brush=brush, last=key == panels[-1],
        )
        for key in panels
    ]  # fmt: skip
    params: list[Spec] = []
    if brush == "time":
        params.append(
            {
                "name": "brush",
                "select": {"type": "interval", "encodings": ["x"], "zoom": False},
                "views": [f"{k}_pick" for k in panels],
            }
        )
    if brush == "band":
        params += [
            {"name": f"band_{k}", "select": {"type": "interval", "encodings": ["y"], "zoom": False}, "views": [f"{k}_pick"]} for k in panels
        ]  # fmt: skip
    if brush:
        params.append(
            {"name": "sub", "select": {"type": "point", "fields": ["file"]}, "views": [f"{k}_pick" for k in panels]}
        )
    body = {**({"params": params} if params else {}), "vconcat": parts, "spacing": 22}
    return finished(
        body, base, title=title or subs_title(subs), subtitle=_subtitle(styles, timed, clock), width_px=width
    )


def subs_title(subs: Sequence[SubLike]) -> str:
    """What became of a night's subs, in a sentence."""
    kept = [s for s in subs if s.verdict == "keep"]
    hours = sum(s.exposure_s or 0.0 for s in kept) / 3600.0
    lost = sum(s.exposure_s or 0.0 for s in subs) / 3600.0 - hours
    text = f"{len(kept)} of {len(subs)} subs are kept, {hours:.1f} h"
    return text + (f"; {lost:.1f} h were dropped" if lost > 0 else "")


def _subtitle(styles: Mapping[str, FilterStyle], timed: Sequence[tuple[SubLike, datetime]], clock: Clock) -> str:
    here = {s.filter or "no filter" for s, _ in timed}
    marks = ", ".join(f"{s.sign} {s.label}" if not s.letter else s.label for n, s in styles.items() if n in here)
    dropped = " Hollow or small: dropped." if any(s.verdict != "keep" for s, _ in timed) else ""
    return f"{marks}.{dropped} Bands: the usual range. {clock.told}"


def _panel(
    key: str,
    panel: tuple[str, str, bool],
    timed: Sequence[tuple[SubLike, datetime]],
    clock: Clock,
    styles: Mapping[str, FilterStyle],
    ground: Ground,
    start: datetime,
    end: datetime,
    width: int,
    height: int,
    *,
    expected: Mapping[tuple[str, str], tuple[float, float]],
    brush: Brush,
    last: bool,
) -> Spec:
    words, field, relative = panel
    usual = _usual(field, key, timed, expected) if relative else {}
    if usual:
        words = "sky, 1 is usual for the filter"
    rows: dict[str, list[Spec]] = defaultdict(list)
    for s, t in timed:
        value = getattr(s, field)
        if value is None:
            continue
        middle = t + timedelta(seconds=(s.exposure_s or 0.0) / 2)
        name = s.filter or "no filter"
        value = value / usual.get(name, 1.0)
        rows[name].append(
            {**clock.row(middle), "value": float(f"{value:.5g}"), "file": s.file, "filter": styles[name].label, "kept": s.verdict == "keep"}
        )  # fmt: skip
    every = [v for mine in rows.values() for r in mine if isinstance(v := r["value"], float)]
    least = LEAST_SPAN.get(key, 0.1 * max((abs(v) for v in every), default=0.0))
    y: Spec = {
        "field": "value", "type": "quantitative", "scale": {"zero": False, "nice": True, "padding": 6, **at_least(every, least)}, "axis": {"title": words, "tickCount": 4, "grid": True, "format": "~g"},
    }  # fmt: skip
    layers: list[Spec] = []
    for name, mine in rows.items():
        if (band := expected.get((key, name))) is not None:
            low, high = (edge / usual.get(name, 1.0) for edge in band)
            layers.append(
                {
                    "data": {
                        "values": [
                            {
                                "clock": min(r["clock"] for r in mine),
                                "clock_until": max(r["clock"] for r in mine),
                                "value": low,
                                "high": high,
                            }
                        ]
                    },
                    "mark": {"type": "rect", "color": ground.band},
                    "encoding": {"x2": {"field": "clock_until"}, "y": y, "y2": {"field": "high"}},
                }
            )
    for name, mine in rows.items():
        for kept in (False, True):
            chosen = [r for r in mine if r["kept"] is kept]
            if chosen:
                faded = {
                    "opacity": {"condition": {"param": _param(brush, key), "value": 1}, "value": 0.25}
                }  # fmt: skip
                layers.append(
                    {
                        "data": {"values": chosen},
                        "mark": mark_of(styles[name], ground, dropped=not kept),
                        "encoding": {"y": y, **(faded if brush else {})},
                    }
                )
    everyone = [r for mine in rows.values() for r in mine]
    layers.append(
        {
            # Wider than what is seen: a finger shall hit it. It also carries the selections.
            "name": f"{key}_pick",
            "data": {"values": everyone},
            "mark": {"type": "point", "shape": "circle", "size": 260, "opacity": 0, "filled": True},
            "encoding": {
                "y": y,
                "tooltip": [
                    {"field": "file", "type": "nominal", "title": "sub"},
                    {"field": "value", "type": "quantitative", "title": words},
                    {"field": "at", "type": "nominal", "title": "UTC"},
                ],
            },
        }
    )
    x = time_axis(clock, start, end)
    if not last:
        x = {**x, "axis": {**x["axis"], "labels": False, "ticks": False, "domain": False}}
    return {"width": width, "height": height, "layer": layers, "encoding": {"x": x}}


def _param(brush: Brush, key: str) -> str:
    return "brush" if brush == "time" else f"band_{key}"


def _usual(
    field: str,
    key: str,
    timed: Sequence[tuple[SubLike, datetime]],
    expected: Mapping[tuple[str, str], tuple[float, float]],
) -> dict[str, float]:
    """By filter the value to draw the others against, where filters lie too far apart for one scale; else nothing.

    It is the middle of the filter's expected range, or else the median of what is drawn.
    """
    values: dict[str, list[float]] = defaultdict(list)
    for s, _ in timed:
        if (value := getattr(s, field)) is not None and value > 0:
            values[s.filter or "no filter"].append(float(value))
    middles = {n: sum(expected[key, n]) / 2 if (key, n) in expected else median(v) for n, v in values.items()}
    if len(middles) < 2 or max(middles.values()) < 3.0 * min(middles.values()):
        return {}
    return middles


def trend_chart(
    points: Sequence[TrendPoint],
    *,
    what: str,
    title: str,
    ground: GroundName | Ground = "page",
    band: tuple[float, float] | None = None,
    events: Sequence[tuple[date, str]] = (),
    width: int = 640,
    height: int = 180,
) -> Spec:
    """One number over the nights, with its errors, what is expected of it as a band, and dated events that cut it.

    Parameters
    ----------
    what : str
        The number with its unit, for the axis.
    band : (float, float), optional
        The expected range; the middle 68 % of the points when not given and there are five or more.
    events : sequence of (date, str)
        Such as a camera that was turned; the line does not run across one.
    """
    base = ground_of(ground)
    ordered = sorted(points, key=lambda p: p.day)
    if band is None and len(ordered) >= 5:
        cuts = quantiles([p.value for p in ordered], n=100, method="inclusive")
        band = (cuts[15], cuts[83])
    cuts_at = sorted(d for d, _ in events)
    rows = [
        {
            "day": p.day.isoformat(), "value": p.value, "low": p.value - (p.error or 0.0), "high": p.value + (p.error or 0.0),
            "stretch": sum(d <= p.day for d in cuts_at), "label": p.label or f"{p.day.day} {p.day:%b %Y}",
        }
        for p in ordered
    ]  # fmt: skip
    every = [float(str(r[k])) for r in rows for k in ("low", "high")]
    least = 0.1 * max((abs(v) for v in every), default=0.0)
    y: Spec = {
        "type": "quantitative", "scale": {"zero": False, "nice": True, **at_least(every, least or 0.1)}, "axis": {"title": what, "tickCount": 5},
    }  # fmt: skip
    x: Spec = {
        "field": "day", "type": "temporal", "scale": {"type": "utc", "padding": 14},
        "axis": {"format": "%-d %b", "title": None, "labelOverlap": True, "tickCount": 8},
    }  # fmt: skip
    layers: list[Spec] = []
    if band is not None:
        layers.append(
            {
                "data": {"values": [{"low": band[0], "high": band[1]}]},
                "mark": {"type": "rect", "color": base.band},
                "encoding": {
                    "x": {"value": 0}, "x2": {"value": "width"}, "y": {"field": "low", **y}, "y2": {"field": "high"},
                },
            }
        )  # fmt: skip
    for n, (day, text) in enumerate(events):
        mark = {"data": {"values": [{"day": day.isoformat()}]}, "encoding": {"x": x}}
        layers += [
            {**mark, "mark": {"type": "rule", "strokeDash": [2, 3], "color": base.soft}},
            {
                **mark,
                "mark": {
                    "type": "text", "text": text, "align": "left", "dx": 4, "y": 8 + 14 * (n % 3), "color": base.soft,
                },
            },
        ]  # fmt: skip
    layers += [
        {
            "data": {"values": rows},
            "mark": {"type": "line", "strokeWidth": 1, "color": base.soft},
            "encoding": {"x": x, "y": {"field": "value", **y}, "detail": {"field": "stretch", "type": "nominal"}},
        },
        {
            "data": {"values": [r for r, p in zip(rows, ordered) if p.error]},
            "mark": {"type": "rule", "color": base.ink},
            "encoding": {"x": x, "y": {"field": "low", **y}, "y2": {"field": "high"}},
        },
        {
            "data": {"values": rows},
            "mark": {"type": "point", "size": 46, "color": base.ink},
            "encoding": {
                "x": x,
                "y": {"field": "value", **y},
                "tooltip": [
                    {"field": "label", "type": "nominal", "title": "night"},
                    {"field": "value", "type": "quantitative", "title": what},
                ],
            },
        },
    ]
    return finished({"width": width, "height": height, "layer": layers}, base, title=title, width_px=width)


def trend_title(what: str, points: Sequence[TrendPoint], unit: str) -> str:
    """How the last third of a trend stands to the first, in a sentence."""
    ordered = sorted(points, key=lambda p: p.day)
    third = max(1, len(ordered) // 3)
    before, after = median(p.value for p in ordered[:third]), median(p.value for p in ordered[-third:])
    if len(ordered) < 3 or before == 0:
        return f"{what}: {after:.3g} {unit}".rstrip()
    change = after / before - 1.0
    if abs(change) < 0.05:
        return f"{what} stayed near {after:.3g} {unit}".rstrip()
    return f"{what} went from {before:.3g} to {after:.3g} {unit}".rstrip()
