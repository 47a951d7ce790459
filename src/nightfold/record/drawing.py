"""Any chart of a campaign by its name, for the page, the command line and notebooks alike."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime

from nightfold.align.catalogue import load_catalogue
from nightfold.charts.depth import depth_chart, depth_curves, depth_title, exposure_chart
from nightfold.charts.night import night_chart
from nightfold.charts.records import MapObject, Outline, StarMap
from nightfold.charts.season import season_chart
from nightfold.charts.star_map import star_chart
from nightfold.charts.strip import strip_chart
from nightfold.charts.subs import Brush, expected_ranges, subs_chart, trend_chart, trend_title
from nightfold.charts.theme import GroundName, Spec
from nightfold.depth.stage import depth
from nightfold.errors import SettingsError
from nightfold.judge.stage import report
from nightfold.ledger.workspace import Workspace
from nightfold.plan.clock import tonight_of
from nightfold.plan.framing import outline
from nightfold.plan.records import FrameReport
from nightfold.plan.stage import exposure, frame, tonight
from nightfold.plan.targets import site_of, spots_of
from nightfold.record.capture import gather
from nightfold.record.strip import campaign_strip
from nightfold.sky.objects import objects_near
from nightfold.sky.usable_hours import season_sky, usable_hours

SEASON_NIGHTS = 365
TURN_SEEN_DEG = 0.2
"""A smaller turn is nothing to turn a camera for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """What is asked of a chart; each chart looks at what concerns it.

    Attributes
    ----------
    day : date, optional
        The night of plans and subs; tonight, or the latest night with subs, when not given.
    brush : {"", "time", "band"}
        For the page: see `nightfold.charts.subs.subs_chart`.
    """

    ground: GroundName = "page"
    width: int = 640
    day: date | None = None
    target: str | None = None
    rig: str | None = None
    filter: str | None = None
    brush: Brush = ""
    now: datetime = field(default_factory=lambda: datetime.now(UTC))


def draw(ws: Workspace, name: str, request: Drawn | None = None) -> Spec:
    """The chart of a name in `CHARTS` as a Vega-Lite specification."""
    if name not in CHARTS:
        raise SettingsError("there is no chart of this name", seen=name, allowed=", ".join(CHARTS))
    return CHARTS[name](ws, request or Drawn())


def _filters(ws: Workspace) -> list[str]:
    """All filters of the campaign, so that each keeps its style in every chart."""
    return [f.name for r in ws.settings.rig for f in r.filter]


def _zone(ws: Workspace) -> str | None:
    return ws.settings.site.time_zone if ws.settings.site else None


def _strip(ws: Workspace, asked: Drawn) -> Spec:
    return strip_chart(campaign_strip(ws, now=asked.now), ground=asked.ground, width=asked.width)


def _night(ws: Workspace, asked: Drawn) -> Spec:
    plan = tonight(ws, day=asked.day, rig=asked.rig, now=asked.now)
    site = ws.settings.site
    southern = site is not None and site.latitude_deg < 0
    return night_chart(plan, ground=asked.ground, width=asked.width, filters=_filters(ws), southern=southern)


def _subs(ws: Workspace, asked: Drawn) -> Spec:
    """One night's subs, the latest by default, of one filter where one is named."""
    every = report(ws).subs
    nights = sorted({s.night for s in every if s.night})
    night = asked.day.isoformat() if asked.day is not None else (nights[-1] if nights else None)
    mine = [
        s
        for s in every
        if s.night == night
        and (asked.filter is None or s.filter == asked.filter)
        and (asked.rig is None or s.rig == asked.rig)
        and (asked.target is None or s.target == asked.target)
    ]
    if not mine:
        raise SettingsError("no sub fits", seen=f"night {night}", allowed=", ".join(nights) or "no night yet")
    return subs_chart(
        mine, ground=asked.ground, width=asked.width, time_zone=_zone(ws), expected=expected_ranges(every), filters=_filters(ws),
        brush=asked.brush,
    )  # fmt: skip


def _trend(key: str, words: str, unit: str) -> Callable[[Workspace, Drawn], Spec]:
    def chart(ws: Workspace, asked: Drawn) -> Spec:
        data = gather(ws, target=asked.target)
        points = data.trends[key]
        arcsec = any(s.fwhm_arcsec is not None for s in data.subs)
        told = (unit if arcsec else "px") if key == "sharpness" else unit
        events = [(e.on, e.text) for e in ws.ledger.events()]
        shown = [(d, t) for d, t in events if points and points[0].day <= d <= points[-1].day]
        return trend_chart(
            points, what=f"{words}, {told}" if told else words, title=trend_title(words[0].upper() + words[1:], points, told) if points else "",
            ground=asked.ground, width=asked.width, events=shown,
        )  # fmt: skip

    return chart


def _exposure(ws: Workspace, asked: Drawn) -> Spec:
    rig = asked.rig or next((r.name for r in ws.settings.rig), "")
    wheel = [f.name for r in ws.settings.rig if r.name == rig for f in r.filter]
    found = exposure(ws, rig=rig, filter=asked.filter or (wheel[0] if wheel else ""), target=asked.target)
    return exposure_chart(found, ground=asked.ground, width=asked.width)


def _season(ws: Workspace, asked: Drawn) -> Spec:
    """Usable hours of every target over a year from the night asked for."""
    site, place = site_of(ws.settings)
    first = asked.day or tonight_of(place, asked.now)
    targets = [t for t in ws.settings.target if asked.target is None or t.name == asked.target]
    spots, _ = spots_of(targets)
    ws.progress.start(len(targets) + 1, "Reckoning a year of nights", "steps")
    sky = season_sky(place, first, SEASON_NIGHTS)
    rows, best = {}, {}
    for target in targets:
        ws.cancelled.check("the year's nights")
        ws.progress.advance()
        spot = next((s for s in spots if s.target == target.name), None)
        if spot is None:
            continue
        rigs = [r for r in ws.settings.rig if not target.rigs or r.name in target.rigs]
        least = min((r.mount.min_altitude_deg for r in rigs), default=30.0)
        nights = usable_hours(sky, spot.ra_deg, spot.dec_deg, min_altitude_deg=least, profile=site.horizon_deg)
        rows[target.name] = nights
        darkest = max(nights, key=lambda n: n.moonless)
        if darkest.moonless > 0:
            best[target.name] = darkest.date
    ws.progress.finish()
    return season_chart(rows, ground=asked.ground, width=asked.width, best=best)


def _depth(ws: Workspace, asked: Drawn) -> Spec:
    found = depth(ws, day=asked.day or asked.now.date(), target=asked.target)
    mine = [f for f in found.filters if asked.filter is None or f.filter == asked.filter]
    return depth_chart(
        depth_curves(mine), title=depth_title(mine), ground=asked.ground, filters=_filters(ws), width=asked.width
    )


def _frame(ws: Workspace, asked: Drawn) -> Spec:
    rig = asked.rig or next((r.name for r in ws.settings.rig), "")
    found = frame(ws, rig=rig, target=asked.target)
    if not found.panels:
        raise SettingsError(
            "there is no frame to draw", seen=f"target {found.target}", next_step="give the target a place on the sky"
        )
    title, subtitle = frame_sentences(found)
    return star_chart(frame_map(found), title=title, subtitle=subtitle, ground=asked.ground, width=asked.width)


def frame_map(found: FrameReport) -> StarMap:
    """The sky around a frame: catalogue stars and objects, the wanted panels, and the frame as the camera stands now."""
    ra, dec = _middle([(p.ra_deg, p.dec_deg) for p in found.panels])
    reach = 0.62 * math.hypot(found.width_deg * max(found.columns, 1), found.height_deg * max(found.rows, 1))
    stars = load_catalogue().near(ra, dec, reach * math.sqrt(2.0))
    outlines = [
        Outline(
            name=f"panel {p.panel}" if len(found.panels) > 1 else "wanted", corners_deg=p.corners_deg,
            kind="panel" if len(found.panels) > 1 else "wanted",
        )
        for p in found.panels
    ]  # fmt: skip
    if found.angle_now_deg is not None and abs(found.turn_by_deg) > TURN_SEEN_DEG:
        for p in found.panels:
            corners = outline(
                p.ra_deg, p.dec_deg, found.angle_now_deg, width_deg=found.width_deg, height_deg=found.height_deg
            )
            outlines.append(
                Outline(name="as it stands", corners_deg=[(float(a), float(b)) for a, b in corners], kind="now")
            )  # fmt: skip
    objects = [
        MapObject(
            name=o.name, ra_deg=o.ra_deg, dec_deg=o.dec_deg, major_arcmin=o.major_arcmin, minor_arcmin=o.minor_arcmin,
            position_angle_deg=o.position_angle_deg,
        )
        for o in objects_near(ra, dec, reach)
    ]  # fmt: skip
    return StarMap(
        ra_deg=ra, dec_deg=dec, radius_deg=reach, star_ra_deg=stars.ra_deg.tolist(), star_dec_deg=stars.dec_deg.tolist(),
        star_mag=stars.g.tolist(), outlines=outlines, objects=objects,
    )  # fmt: skip


def _middle(places: list[tuple[float, float]]) -> tuple[float, float]:
    """The middle of some places on the sphere, as the direction of their mean."""
    x = sum(math.cos(math.radians(d)) * math.cos(math.radians(r)) for r, d in places)
    y = sum(math.cos(math.radians(d)) * math.sin(math.radians(r)) for r, d in places)
    z = sum(math.sin(math.radians(d)) for _, d in places)
    return math.degrees(math.atan2(y, x)) % 360.0, math.degrees(math.atan2(z, math.hypot(x, y)))


def frame_sentences(found: FrameReport) -> tuple[str, str]:
    """What to do with the camera, and what the field is."""
    field_text = f"{found.rig}: {found.width_deg:.2f}° × {found.height_deg:.2f}°, {found.scale_arcsec_px:.2f}″ a pixel"
    if len(found.panels) > 1:
        field_text += f"; {found.columns} × {found.rows} panels with {found.overlap:.0%} overlap"
    if found.angle_now_deg is None:
        return f"{found.target or 'The field'} in the frame of {found.rig}", field_text
    if abs(found.turn_by_deg) <= TURN_SEEN_DEG:
        return "The camera stands as the earlier nights want it", field_text
    way = "clockwise" if found.turn_by_deg > 0 else "counter-clockwise"
    return (
        f"Turn the camera by {abs(found.turn_by_deg):.1f}° {way}, seen from behind; else {found.area_lost:.0%} of the area is lost",
        field_text,
    )


CHARTS: dict[str, Callable[[Workspace, Drawn], Spec]] = {
    "strip": _strip,
    "night": _night,
    "subs": _subs,
    "sharpness": _trend("sharpness", "FWHM", "arcsec"),
    "elongation": _trend("elongation", "elongation", ""),
    "transparency": _trend("transparency", "transparency", ""),
    "depth": _depth,
    "exposure": _exposure,
    "season": _season,
    "frame": _frame,
}
"""All charts that need no more than the ledger and campaign.toml."""
