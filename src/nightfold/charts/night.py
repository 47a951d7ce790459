"""The night chart: what is up when, how dark it is, where the Moon stands, and what is shot, time to the right."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from nightfold.charts.clock import Clock, clock_for, time_axis
from nightfold.charts.filters import FilterStyle, filter_label, filter_styles, halo_of, mark_of
from nightfold.charts.moon import lit_path
from nightfold.charts.theme import PLAIN, SMALL, Ground, GroundName, Spec, finished, ground_of, luminance, text_on
from nightfold.plan.records import BlockLine, Curves, NightPlan, TargetCurve

LIMITS_DEG = (-0.8333, -6.0, -12.0, -18.0)
"""Sun at the horizon (centre, USNO) and the ends of the three twilights."""

LIMIT_WORDS = 0.22
"""Share of the chart's width that the words at the lowest altitude take."""

ROW_PX = 30
"""Height of one rig's ribbon."""


@dataclass(frozen=True, slots=True)
class Band:
    """A stretch of one kind of sky: 0 day, 1 civil, 2 nautical, 3 astronomical twilight, 4 dark."""

    kind: int
    start: datetime
    end: datetime


def sky_bands(times: Sequence[datetime], sun_altitude_deg: Sequence[float]) -> list[Band]:
    """Day, twilights and darkness as stretches, their ends interpolated between the samples."""
    edges: list[tuple[datetime, int]] = []
    kinds = [sum(a < limit for limit in LIMITS_DEG) for a in sun_altitude_deg]
    for i in range(1, len(times)):
        low, high = kinds[i - 1], kinds[i]
        steps = range(low, high) if high > low else range(low - 1, high - 1, -1)
        for limit_index in steps:
            before, after = sun_altitude_deg[i - 1], sun_altitude_deg[i]
            share = (LIMITS_DEG[limit_index] - before) / (after - before)
            edges.append((times[i - 1] + share * (times[i] - times[i - 1]), limit_index + (high > low)))
    bands: list[Band] = []
    start, kind = times[0], kinds[0]
    for at, following in edges:
        bands.append(Band(kind, start, at))
        start, kind = at, following
    bands.append(Band(kind, start, times[-1]))
    return [b for b in bands if b.end > b.start]


def night_chart(
    plan: NightPlan,
    *,
    ground: GroundName | Ground = "page",
    width: int = 640,
    height: int = 250,
    filters: Sequence[str] = (),
    southern: bool = False,
    title: str | None = None,
) -> Spec:
    """Altitude curves over twilight bands with the Moon's thin line, and below them each rig's ribbon of blocks.

    Parameters
    ----------
    plan : NightPlan
        As `nightfold tonight` gives it.
    filters : sequence of str
        All filters of the campaign, so that each keeps its style.
    southern : bool
        The site lies south of the equator: the Moon is lit from the other side.
    title : str, optional
        The finding; one is made from the blocks when not given.
    """
    base = ground_of(ground)
    curves = plan.curves
    start, end = _span(plan)
    clock = clock_for(start, end, plan.time_zone)
    styles = filter_styles([*filters, *(b.filter for b in plan.blocks)], base)
    x = time_axis(clock, start, end)
    rigs = list(dict.fromkeys(b.rig for b in plan.blocks))
    sky = {
        "width": width,
        "height": height,
        "layer": [
            *_twilight(curves, clock, base, start, end),
            *_limit(curves, clock, base, start, end),
            *_moon(plan, clock, base, start, end, southern=southern),
            *_targets(curves, clock, base, start, end),
            *_shot(plan, clock, styles, base),
        ],
        "encoding": {"x": {**x, "axis": {**x["axis"], "title": None}}},
    }
    parts: list[Spec] = [sky]
    if rigs:
        parts.append(_ribbon(plan, rigs, clock, styles, base, start, end, width))
    subtitle = clock.told
    body: Spec = {"vconcat": parts, "spacing": 6, "resolve": {"scale": {"x": "shared"}}}
    return finished(body, base, title=night_title(plan) if title is None else title, subtitle=subtitle, width_px=width)


def night_title(plan: NightPlan) -> str:
    """What the night gives, in a sentence."""
    day = f"{plan.date.day} {plan.date:%B}"
    if not plan.blocks:
        return f"The night of {day} holds no block."
    hours: dict[str, float] = {}
    for b in plan.blocks:
        hours[b.filter] = hours.get(b.filter, 0.0) + b.subs * b.sub_s / 3600.0
    told = ", ".join(f"{h:.1f} h of {filter_label(n)}" for n, h in hours.items())
    return f"The night of {day} gives {told}"


def _span(plan: NightPlan) -> tuple[datetime, datetime]:
    """Dusk to dawn with half an hour to each side, or all that the curves hold where the Sun never sets."""
    times = plan.curves.times
    margin = timedelta(minutes=30)
    start = max(times[0], plan.sunset - margin) if plan.sunset else times[0]
    end = min(times[-1], plan.sunrise + margin) if plan.sunrise else times[-1]
    return start, end


def _twilight(curves: Curves, clock: Clock, ground: Ground, start: datetime, end: datetime) -> list[Spec]:
    words = ("day", "civil twilight", "nautical twilight", "astronomical twilight", "dark")
    colours = (ground.twilight[0], *ground.twilight, ground.paper)
    rows = [
        {
            **clock.row(max(b.start, start)),
            **clock.row_to(min(b.end, end)),
            "sky": words[b.kind],
            "colour": colours[b.kind],
        }
        for b in sky_bands(curves.times, curves.sun_altitude_deg)
        if b.kind < 4 and b.end > start and b.start < end
    ]
    return [
        {
            "data": {"values": rows},
            "mark": {"type": "rect", "tooltip": False},
            "encoding": {
                "x2": {"field": "clock_until"},
                "color": {"field": "colour", "type": "nominal", "scale": None},
            },
        }
    ]


def _limit(curves: Curves, clock: Clock, ground: Ground, start: datetime, end: datetime) -> list[Spec]:
    """The lowest altitude, named where no curve is near it."""
    if curves.least_altitude_deg <= 0:
        return []

    def clear(share: float) -> float:
        """Degrees from the line to the nearest curve over the length of the words."""
        inside = [
            i for i, t in enumerate(curves.times) if abs((t - start) / (end - start) - share) <= 0.5 * LIMIT_WORDS
        ] or [0]
        here = [v[i] for i in inside for v in (*(c.altitude_deg for c in curves.targets), curves.moon_altitude_deg)]
        return min(abs(a - curves.least_altitude_deg) for a in here) if here else 90.0

    places = [0.5 * LIMIT_WORDS + k * (1.0 - LIMIT_WORDS) / 8 for k in range(9)]
    best = max(places, key=lambda p: (min(clear(p), 12.0), abs(p - 0.5)))
    row = clock.row(start + best * (end - start))
    where = {"datum": curves.least_altitude_deg, "type": "quantitative", **_ALTITUDE}
    return [
        {
            "data": {"values": [{}]},
            "mark": {"type": "rule", "strokeDash": [1, 3], "color": ground.soft},
            "encoding": {"x": None, "y": where},
        },
        {
            "data": {"values": [row]},
            "mark": {
                "type": "text", "align": "center", "dy": 10, "color": ground.soft,
                "text": f"lowest altitude {curves.least_altitude_deg:g}°",
            },
            "encoding": {"y": where},
        },
    ]  # fmt: skip


_ALTITUDE: Spec = {
    "scale": {"domain": [0, 90]},
    "axis": {"title": "altitude, degrees", "values": [0, 15, 30, 45, 60, 75, 90], "grid": True},
}


def _height(field: str = "altitude") -> Spec:
    return {"field": field, "type": "quantitative", **_ALTITUDE}


def _rows(
    times: Sequence[datetime], values: Sequence[float], clock: Clock, start: datetime, end: datetime
) -> list[dict[str, object]]:
    """A curve where it is above the horizon; `rise` numbers its stretches, so that no line is drawn from one to the next."""
    found: list[dict[str, object]] = []
    rise, before = 0, False
    for i, (t, v) in enumerate(zip(times, values)):
        up = v > 0.0
        if i and up is not before and values[i - 1] != v:
            share = values[i - 1] / (values[i - 1] - v)
            crossing = times[i - 1] + share * (t - times[i - 1])
            rise += up
            if start <= crossing <= end:
                found.append({**clock.row(crossing), "altitude": 0.0, "rise": rise})
        if up and start <= t <= end:
            found.append({**clock.row(t), "altitude": round(v, 2), "rise": rise})
        before = up
    return found


def _moon(
    plan: NightPlan, clock: Clock, ground: Ground, start: datetime, end: datetime, *, southern: bool
) -> list[Spec]:
    rows = _rows(plan.curves.times, plan.curves.moon_altitude_deg, clock, start, end)
    if not rows:
        return []
    waxing = "wan" not in plan.moon.phase and "last" not in plan.moon.phase
    path = lit_path(plan.moon.illuminated_fraction, waxing=waxing, southern=southern)
    inside = [r for r in rows if r["altitude"]]
    step = max(1, len(inside) // 5)
    discs = inside[step // 2 :: step]
    label = f"Moon, {plan.moon.illuminated_fraction:.0%} lit"
    disc = {"type": "point", "size": 130, "filled": True, "opacity": 1}
    dark, bright = sorted((ground.paper, ground.ink), key=luminance)
    return [
        {
            "data": {"values": rows},
            "mark": {"type": "line", "strokeWidth": 1, "color": ground.soft},
            "encoding": {"y": _height(), "detail": {"field": "rise"}},
        },
        {
            "data": {"values": discs},
            "mark": {**disc, "shape": "circle", "fill": dark, "stroke": ground.soft, "strokeWidth": 1},
            "encoding": {"y": _height()},
        },
        {
            "data": {"values": discs},
            "mark": {**disc, "shape": path, "fill": bright, "stroke": None},
            "encoding": {"y": _height()},
        },
        {
            "data": {"values": discs[-1:]},
            "mark": {"type": "text", "align": "right", "dx": -10, "dy": -10, "text": label, "color": ground.soft},
            "encoding": {"y": _height()},
        },
    ]


def _named(curve: TargetCurve) -> str:
    return curve.target + (f", panel {curve.panel}" if curve.panel is not None else "")


def _targets(curves: Curves, clock: Clock, ground: Ground, start: datetime, end: datetime) -> list[Spec]:
    layers: list[Spec] = []
    taken: list[tuple[str, float]] = []
    for curve in curves.targets:
        rows = _rows(curves.times, curve.altitude_deg, clock, start, end)
        if not rows:
            continue
        layers += [
            {
                "data": {"values": rows},
                "mark": {"type": "line", "strokeWidth": 1.3, "color": ground.ink},
                "encoding": {"y": _height(), "detail": {"field": "rise"}},
            },
            {
                # A finger does not hit a line of one pixel: what it hits is wide and not seen.
                "data": {"values": rows},
                "mark": {"type": "line", "strokeWidth": 16, "opacity": 0, "color": ground.ink},
                "encoding": {
                    "y": _height(),
                    "detail": {"field": "rise"},
                    "tooltip": [
                        {"field": "at", "type": "nominal", "title": "UTC"},
                        {"field": "altitude", "type": "quantitative", "title": "altitude, degrees"},
                    ],
                },
            },
        ]
        top = max(rows, key=lambda r: float(str(r["altitude"])))
        # Names of curves that culminate near each other go under the second one.
        height = float(str(top["altitude"]))
        crowded = any(
            abs(height - h) < 8 and abs(_hours(str(top["clock"])) - _hours(c)) < 2.5 for c, h in taken
        )  # fmt: skip
        taken.append((str(top["clock"]), height))
        layers.append(
            {
                "data": {"values": [top]},
                "mark": {
                    "type": "text", "text": _named(curve), "dy": 16 if crowded or height > 82 else -9, "color": ground.ink,
                    "fontSize": PLAIN, **_beside(str(top["clock"]), str(clock.row(start)["clock"]), str(clock.row(end)["clock"])),
                },
                "encoding": {"y": _height()},
            }
        )  # fmt: skip
    return layers


def _beside(at: str, start: str, end: str) -> Spec:
    """How a name stands at a point: to the right of it near the left edge, where else it would run over the axis; and so on."""
    share = (_hours(at) - _hours(start)) / max(_hours(end) - _hours(start), 1e-9)
    if 0.12 < share < 0.88:
        return {"align": "center"}
    return {"align": "left", "dx": 6} if share < 0.5 else {"align": "right", "dx": -6}


def _hours(clock_text: str) -> float:
    return datetime.fromisoformat(clock_text).timestamp() / 3600.0


def _shot(plan: NightPlan, clock: Clock, styles: Mapping[str, FilterStyle], ground: Ground) -> list[Spec]:
    """The stretch of a target's curve under each block, in the filter's colour and dash with its mark."""
    layers: list[Spec] = []
    by_target = {(c.target, c.panel): c for c in plan.curves.targets}
    for block in plan.blocks:
        curve = by_target.get((block.target, block.panel)) or by_target.get((block.target, None))
        if curve is None:
            continue
        style = styles[block.filter]
        rows = _stretch(plan.curves.times, curve.altitude_deg, block, clock)
        line: Spec = {"type": "line", "strokeWidth": 4}
        layers += [
            {"data": {"values": data}, "mark": mark, "encoding": {"y": _height()}}
            for data, mark in (
                # The curve's own thin line would show between the dashes.
                (rows, {**line, "color": ground.paper}),
                (rows, {**line, "color": style.colour, "strokeDash": style.dash_pattern}),
                *(([rows[len(rows) // 2]], mark) for mark in halo_of(style, ground, size=110)),
                ([rows[len(rows) // 2]], mark_of(style, ground, size=110)),
            )
        ]
    return layers


def _stretch(
    times: Sequence[datetime], values: Sequence[float], block: BlockLine, clock: Clock
) -> list[dict[str, object]]:
    """A curve between two instants, its ends interpolated."""
    unix = [t.timestamp() for t in times]

    def at(moment: datetime) -> float:
        second = moment.timestamp()
        i = next((k for k in range(1, len(unix)) if unix[k] >= second), len(unix) - 1)
        share = (second - unix[i - 1]) / (unix[i] - unix[i - 1])
        return values[i - 1] + share * (values[i] - values[i - 1])

    inner = [(t, v) for t, v in zip(times, values) if block.start < t < block.end]
    whole = [(block.start, at(block.start)), *inner, (block.end, at(block.end))]
    return [{**clock.row(t), "altitude": round(v, 2)} for t, v in whole]


def _ribbon(
    plan: NightPlan,
    rigs: Sequence[str],
    clock: Clock,
    styles: Mapping[str, FilterStyle],
    ground: Ground,
    start: datetime,
    end: datetime,
    width: int,
) -> Spec:
    """One row a rig: its blocks as filled stretches with filter and count, its events as ticks above them."""
    x = time_axis(clock, start, end, labels=False)
    x = {**x, "axis": None}
    span = (end - start).total_seconds()
    y = {
        "field": "rig", "type": "nominal", "sort": list(rigs), "scale": {"domain": list(rigs), "paddingInner": 0.3, "paddingOuter": 0.1},
        "axis": {"title": None, "labelLimit": 110, "labelColor": ground.ink, "domain": False, "ticks": False, "grid": False},
    }  # fmt: skip
    layers: list[Spec] = []
    for b in plan.blocks:
        style = styles[b.filter]
        row = {
            **clock.row(b.start), **clock.row_to(b.end), "rig": b.rig, "why": b.why, "filter": style.label, "target": b.target,
            "middle": clock.row(b.start + (b.end - b.start) / 2)["clock"],
        }  # fmt: skip
        filled: Spec = {"type": "rect", "fill": style.colour, "stroke": ground.paper, "strokeWidth": 1.5}
        ink = text_on(style.colour, ground)
        if ground.name == "lamp":  # large black areas would cost ink, and hide what is written on them by hand
            filled = {
                "type": "rect",
                "fill": ground.paper,
                "stroke": ground.ink,
                "strokeWidth": 1.6,
                "strokeDash": style.dash_pattern,
            }
            ink = ground.ink
        room = width * (b.end - b.start).total_seconds() / span
        layers.append(
            {
                "data": {"values": [row]},
                "mark": filled,
                "encoding": {
                    "x2": {"field": "clock_until"},
                    "tooltip": [
                        {"field": "why", "type": "nominal", "title": "why"},
                        {"field": "at", "type": "nominal", "title": "from, UTC"},
                        {"field": "until", "type": "nominal", "title": "until, UTC"},
                    ],
                },
            }
        )
        layers += [
            {
                "data": {"values": [row]},
                "mark": {
                    "type": "text", "text": text, "color": ink, "fontSize": SMALL, "fontWeight": "bold",
                    "align": "center", "baseline": "middle",
                },
                "encoding": {"x": {"field": "middle", "type": "temporal"}},
            }
            for text in [_block_text(b, style, room)]
            if text
        ]  # fmt: skip
    ticks = [
        {**clock.row(e.at), "rig": e.rig or rigs[0], "what": e.what}
        for e in plan.events
        if start <= e.at <= end and (not e.rig or e.rig in rigs)
    ]
    if ticks:
        layers.append(
            {
                "data": {"values": ticks},
                "mark": {
                    "type": "point", "shape": "triangle-down", "size": 34, "fill": ground.ink, "stroke": ground.paper, "strokeWidth": 0.5,
                    "yOffset": -ROW_PX / 2 + 3, "opacity": 1,
                },
                "encoding": {
                    "tooltip": [
                        {"field": "what", "type": "nominal", "title": "event"},
                        {"field": "at", "type": "nominal", "title": "UTC"},
                    ]
                },
            }
        )  # fmt: skip
    return {
        "width": width,
        "height": ROW_PX * len(rigs) + 4,
        "layer": layers,
        "encoding": {"x": x, "y": y},
    }


def _block_text(block: BlockLine, style: FilterStyle, room_px: float) -> str:
    """The longest wording that fits: mark, filter and number of subs; mark and filter; the mark alone."""
    sign = "" if style.letter else style.sign + " "
    for text in (f"{sign}{style.label}  {block.subs} × {block.sub_s:g} s", f"{sign}{style.label}", style.sign):
        if 7.3 * len(text) + 4 <= room_px:
            return text
    return ""
