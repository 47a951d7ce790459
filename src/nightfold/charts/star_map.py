"""Our own star chart: stars of the installed catalogue, outlines of catalogue objects and of frames, north and east."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from nightfold.align.tangent import project, unit_vectors
from nightfold.charts.records import MapObject, Outline, StarMap
from nightfold.charts.theme import Ground, GroundName, Spec, finished, ground_of

LINES = {"now": ([6, 4], 1.4), "wanted": ([1, 0], 1.8), "panel": ([1, 0], 1.4)}
"""Dash and width of an outline by its kind."""


def star_chart(
    sky: StarMap,
    *,
    title: str,
    subtitle: str = "",
    ground: GroundName | Ground = "page",
    width: int = 480,
    most_stars: int = 900,
) -> Spec:
    """A tangent-plane chart, north up and east to the left; stars by brightness, frames by their outline.

    Magnitudes set the area of a star's disc, a factor of 1.7 a magnitude down from the brightest; no more than
    `most_stars`, the brightest ones, are drawn.
    """
    base = ground_of(ground)
    reach = sky.radius_deg
    centre = unit_vectors(sky.ra_deg, sky.dec_deg)

    def place(ra: Sequence[float], dec: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
        plane = np.degrees(project(unit_vectors(ra, dec), centre))
        return plane[..., 0], plane[..., 1]

    east, north = place(sky.star_ra_deg, sky.star_dec_deg) if len(sky.star_ra_deg) else (np.zeros(0), np.zeros(0))
    magnitude = np.asarray(sky.star_mag, np.float64)
    inside = (np.abs(east) <= reach) & (np.abs(north) <= reach) & np.isfinite(magnitude)
    order = np.flatnonzero(inside)[np.argsort(magnitude[inside], kind="stable")][:most_stars]
    brightest = float(magnitude[order[0]]) if order.size else 0.0
    stars = [
        {
            "east": round(float(east[i]), 5), "north": round(float(north[i]), 5),
            "size": round(max(0.7, 90.0 * 1.7 ** -(float(magnitude[i]) - brightest)), 2), "magnitude": round(float(magnitude[i]), 1),
        }
        for i in order
    ]  # fmt: skip
    x: Spec = {"type": "quantitative", "scale": {"domain": [reach, -reach], "nice": False}, "axis": None}
    y: Spec = {"type": "quantitative", "scale": {"domain": [-reach, reach], "nice": False}, "axis": None}
    layers: list[Spec] = [
        {
            "data": {"values": [{"a": -reach, "b": reach}]},
            "mark": {"type": "rect", "fill": None, "stroke": base.soft, "strokeWidth": 0.8},
            "encoding": {"x": {"field": "b", **x}, "x2": {"field": "a"}, "y": {"field": "a", **y}, "y2": {"field": "b"}},
        },
        {
            "data": {"values": stars},
            "mark": {"type": "point", "shape": "circle", "color": base.ink},
            "encoding": {
                "x": {"field": "east", **x}, "y": {"field": "north", **y},
                "size": {"field": "size", "type": "quantitative", "scale": None},
                "tooltip": [{"field": "magnitude", "type": "quantitative", "title": "magnitude G"}],
            },
        },
    ]  # fmt: skip
    named: list[tuple[float, float]] = []
    for item in sky.objects:
        layers += _object(item, centre, x, y, base, reach, named)
    for outline in sky.outlines:
        layers += _outline(outline, centre, x, y, base)
    layers += _compass(x, y, base, reach)
    body = {"width": width, "height": width, "layer": layers}
    return finished(body, base, title=title, subtitle=subtitle, width_px=width)


def _line(points: Sequence[tuple[float, float]], x: Spec, y: Spec, mark: Spec) -> Spec:
    rows = [{"east": round(a, 6), "north": round(b, 6), "n": n} for n, (a, b) in enumerate(points)]
    return {
        "data": {"values": rows},
        "mark": {"type": "line", "clip": True, **mark},
        "encoding": {
            "x": {"field": "east", **x},
            "y": {"field": "north", **y},
            "order": {"field": "n", "type": "quantitative"},
        },
    }


def _object(
    item: MapObject,
    centre: np.ndarray,
    x: Spec,
    y: Spec,
    ground: Ground,
    reach: float,
    named: list[tuple[float, float]],
) -> list[Spec]:
    """An ellipse of the catalogue's size with its name, which is left out where another name stands."""
    where = np.degrees(project(unit_vectors(item.ra_deg, item.dec_deg), centre))
    if not np.isfinite(where).all() or float(np.abs(where).max()) > reach:
        return []
    a = (item.major_arcmin or 0.0) / 120.0
    b = (item.minor_arcmin or item.major_arcmin or 0.0) / 120.0
    turn = math.radians(item.position_angle_deg or 0.0)
    layers: list[Spec] = []
    if a > 0:
        angles = [math.radians(t) for t in range(0, 361, 6)]
        points = [
            (
                where[0] + a * math.cos(t) * math.sin(turn) + b * math.sin(t) * math.cos(turn),
                where[1] + a * math.cos(t) * math.cos(turn) - b * math.sin(t) * math.sin(turn),
            )
            for t in angles
        ]
        layers.append(_line(points, x, y, {"strokeWidth": 0.8, "color": ground.soft}))
    label = (float(where[0]), float(where[1]) - max(b, 0.02 * reach))
    free = all(abs(label[0] - e) > 0.2 * reach or abs(label[1] - n) > 0.05 * reach for e, n in named)
    if a < reach and free:
        named.append(label)
        layers.append(
            {
                "data": {"values": [{"east": label[0], "north": label[1]}]},
                "mark": {"type": "text", "text": item.name, "dy": 9, "color": ground.soft, "clip": True},
                "encoding": {"x": {"field": "east", **x}, "y": {"field": "north", **y}},
            }
        )
    return layers


def _outline(outline: Outline, centre: np.ndarray, x: Spec, y: Spec, ground: Ground) -> list[Spec]:
    corners = np.degrees(project(unit_vectors(*zip(*outline.corners_deg)), centre))
    dash, thick = LINES.get(outline.kind, LINES["panel"])
    colour = ground.soft if outline.kind == "now" else ground.accent
    ring = [(float(a), float(b)) for a, b in (*corners, corners[0])]
    # The frame as it stands is named below, the wanted one above: their corners lie close together.
    below = outline.kind == "now"
    top = min(ring, key=lambda p: p[1]) if below else max(ring, key=lambda p: p[1])
    return [
        _line(ring, x, y, {"strokeWidth": thick, "strokeDash": dash, "color": colour}),
        {
            "data": {"values": [{"east": top[0], "north": top[1]}]},
            "mark": {
                "type": "text",
                "text": outline.name,
                "dy": 10 if below else -7,
                "color": ground.ink,
                "clip": True,
            },
            "encoding": {"x": {"field": "east", **x}, "y": {"field": "north", **y}},
        },
    ]


SCALE_BARS_DEG = (1 / 60, 2 / 60, 5 / 60, 10 / 60, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0)


def _compass(x: Spec, y: Spec, ground: Ground, reach: float) -> list[Spec]:
    """North and east in the lower left corner, a scale bar in the lower right one."""
    corner = (0.72 * reach, -0.88 * reach)
    arm = 0.14 * reach
    bar = max((b for b in SCALE_BARS_DEG if b <= 0.6 * reach), default=SCALE_BARS_DEG[0])
    right = -0.92 * reach
    name = f"{bar:g}°" if bar >= 1 else f"{bar * 60:.0f}′"
    layers = [
        _line([corner, (corner[0], corner[1] + arm)], x, y, {"color": ground.ink, "strokeWidth": 1.2}),
        _line([corner, (corner[0] + arm, corner[1])], x, y, {"color": ground.ink, "strokeWidth": 1.2}),
        _line([(right, corner[1]), (right + bar, corner[1])], x, y, {"color": ground.ink, "strokeWidth": 2}),
    ]  # fmt: skip
    texts = ((corner[0], corner[1] + 1.3 * arm, "N"), (corner[0] + 1.3 * arm, corner[1], "E"),
             (right + bar / 2, corner[1] + 0.3 * arm, name))  # fmt: skip
    layers += [
        {
            "data": {"values": [{"east": a, "north": b}]},
            "mark": {"type": "text", "text": text, "color": ground.ink, "baseline": "middle"},
            "encoding": {"x": {"field": "east", **x}, "y": {"field": "north", **y}},
        }
        for a, b, text in texts
    ]
    return layers
