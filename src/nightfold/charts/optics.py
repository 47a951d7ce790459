"""Charts of the optics reports: focus run and law, the field and its trend, the disc's shadow, mount and camera."""

from __future__ import annotations

import math
from collections.abc import Sequence

from nightfold.charts.field import field_chart
from nightfold.charts.focus import focus_law_chart, focus_run_chart
from nightfold.charts.theme import Ground, GroundName, Spec, finished, ground_of
from nightfold.errors import SettingsError
from nightfold.optics.camera_report import CameraReport
from nightfold.optics.reports import (
    CollimationReport,
    FieldReport,
    FocusReport,
    LawReport,
    PolarReport,
    TrackingReport,
)

OpticsReport = FocusReport | LawReport | FieldReport | CollimationReport | PolarReport | TrackingReport | CameraReport


def optics_chart(report: OpticsReport, *, ground: GroundName | Ground = "page") -> Spec:
    """The one chart that belongs to a report."""
    if isinstance(report, FocusReport):
        return focus_run_chart(report, ground=ground)
    if isinstance(report, LawReport):
        return focus_law_chart(report, ground=ground)
    if isinstance(report, FieldReport):
        return _field(report, ground)
    if isinstance(report, CollimationReport):
        return _disc(report, ground)
    if isinstance(report, PolarReport):
        return _pole(report, ground)
    if isinstance(report, TrackingReport):
        return _track(report, ground)
    return _camera(report, ground)


def _field(report: FieldReport, ground: GroundName | Ground) -> Spec:
    """Whiskers of what belongs to the field, guiding taken out, and what a corner is off as text beside it."""
    labels = [
        (
            (0.1 if "left" in c.corner else 0.9) * report.width_px,
            (0.1 if "lower" in c.corner else 0.99) * report.height_px,
            f"{c.offset_um:+.0f} ± {c.uncertainty_um:.0f} µm".replace("-", "−"),
        )
        for c in report.corners
    ]
    return field_chart(
        report.elongation.whiskers if report.elongation else (), width_px=report.width_px, height_px=report.height_px,
        title=report.sentence, subtitle=report.coma.sentence if report.coma is not None else "", labels=labels, ground=ground,
    )  # fmt: skip


def trend_of(report: OpticsReport, *, ground: GroundName | Ground = "page") -> Spec:
    """The nights' trend that a report of field or tracking carries."""
    if isinstance(report, FieldReport):
        rows = [
            (t.night, what, value, error)
            for t in report.trend
            for what, value, error in (
                ("tilt across the width", t.tilt_x_um, t.tilt_x_uncertainty_um),
                ("tilt across the height", t.tilt_y_um, t.tilt_y_uncertainty_um),
                ("curvature", t.curvature_um, None),
            )
        ]
        return _nights(rows, "µm across the frame", "Tilt and curvature since the rig was last changed", ground)
    if isinstance(report, TrackingReport):
        drifts = [
            (t.night, what, value, None)
            for t in report.trend
            for what, value in (("right ascension", t.ra_arcsec_per_h), ("declination", t.dec_arcsec_per_h))
        ]
        return _nights(drifts, "drift, arcsec an hour", "Drift of the field night by night", ground)
    raise SettingsError("this result has no trend", allowed="field and tracking")


def has_trend(report: OpticsReport) -> bool:
    """True where at least two nights have a value: one night is no trend."""
    if isinstance(report, FieldReport):
        return sum(t.tilt_x_um is not None or t.curvature_um is not None for t in report.trend) > 1
    if isinstance(report, TrackingReport):
        return sum(t.ra_arcsec_per_h is not None for t in report.trend) > 1
    return False


def _nights(
    rows: Sequence[tuple[str, str, float | None, float | None]], unit: str, title: str, ground: GroundName | Ground,
    width: int = 560, height: int = 220,
) -> Spec:  # fmt: skip
    """Values of several kinds night by night, each with its uncertainty; nights without a value leave a gap."""
    base = ground_of(ground)
    points = [
        {"night": night, "value": value, "low": value - (error or 0.0), "high": value + (error or 0.0), "what": what}
        for night, what, value, error in rows
        if value is not None
    ]
    x: Spec = {
        "field": "night", "type": "temporal", "scale": {"type": "utc", "padding": 20},
        "axis": {"title": None, "format": "%-d %b", "tickCount": {"interval": "day", "step": 1}, "labelOverlap": True},
    }  # fmt: skip
    y: Spec = {"field": "value", "type": "quantitative", "axis": {"title": unit, "tickCount": 5}}
    shape: Spec = {"field": "what", "type": "nominal", "legend": {"title": None, "orient": "bottom", "symbolFillColor": base.paper}}  # fmt: skip
    layers: list[Spec] = [
        {
            "data": {"values": points},
            "mark": {"type": "rule", "color": base.soft},
            "encoding": {"x": x, "y": {**y, "field": "low"}, "y2": {"field": "high"}},
        },
        {
            "data": {"values": points},
            "mark": {"type": "point", "size": 60, "color": base.ink},
            "encoding": {"x": x, "y": y, "shape": shape},
        },
    ]
    return finished({"width": width, "height": height, "layer": layers}, base, title=title, width_px=width)


def _disc(report: CollimationReport, ground: GroundName | Ground, width: int = 320) -> Spec:
    """The outlines of disc and shadow as they lie, up is +y, and the offset as a line from centre to centre."""
    base = ground_of(ground)
    radius = report.obstruction
    circles = []
    for name, cx, cy, r in (("disc", 0.0, 0.0, 1.0), ("shadow", report.offset_x, report.offset_y, radius)):
        for k in range(91):
            turn = 2.0 * math.pi * k / 90
            circles.append({"what": name, "k": k, "x": cx + r * math.cos(turn), "y": cy + r * math.sin(turn)})
    domain = [-1.15, 1.15]
    x: Spec = {"field": "x", "type": "quantitative", "scale": {"domain": domain}, "axis": None}
    y: Spec = {"field": "y", "type": "quantitative", "scale": {"domain": domain}, "axis": None}
    layers: list[Spec] = [
        {
            "data": {"values": circles},
            "mark": {"type": "line", "strokeWidth": 1.6, "color": base.ink},
            "encoding": {"x": x, "y": y, "detail": {"field": "what"}, "order": {"field": "k"}},
        },
        {
            "data": {"values": [{"x": 0.0, "y": 0.0, "x2": report.offset_x, "y2": report.offset_y}]},
            "mark": {"type": "rule", "strokeWidth": 3, "color": base.accent},
            "encoding": {"x": x, "y": y, "x2": {"field": "x2"}, "y2": {"field": "y2"}},
        },
    ]
    body = {"width": width, "height": width, "layer": layers}
    return finished(body, base, title=report.sentence, width_px=width)


def _pole(report: PolarReport, ground: GroundName | Ground, width: int = 320) -> Spec:
    """Where the axis points against the pole, seen from the mount: east to the right of the chart's title, up is up."""
    base = ground_of(ground)
    known = report.separable
    reach = 1.0 if not known else 1.4 * max(abs(report.azimuth_error_arcmin), abs(report.altitude_error_arcmin), 1.0)
    x: Spec = {
        "field": "az", "type": "quantitative", "scale": {"domain": [-reach, reach]}, "axis": {"title": "azimuth, arcmin, + east"},
    }  # fmt: skip
    y: Spec = {
        "field": "alt", "type": "quantitative", "scale": {"domain": [-reach, reach]},
        "axis": {"title": "altitude, arcmin, + above the pole"},
    }  # fmt: skip
    layers: list[Spec] = [
        {
            "data": {"values": [{"az": 0.0, "alt": 0.0}]},
            "mark": {"type": "point", "shape": "cross", "size": 140, "color": base.soft},
            "encoding": {"x": x, "y": y},
        },
        {
            "data": {"values": [{"az": 0.0, "alt": 0.0}]},
            "mark": {
                "type": "text",
                "text": "pole",
                "align": "left",
                "dx": 12,
                "dy": -12 if known and report.altitude_error_arcmin < 0.0 else 12,
                "color": base.soft,
                "fontSize": 13,
            },
            "encoding": {"x": x, "y": y},
        },
    ]
    if known:
        a, b = report.azimuth_error_arcmin, report.altitude_error_arcmin
        da, db = report.azimuth_error_arcmin_uncertainty, report.altitude_error_arcmin_uncertainty
        point = {"az": a, "alt": b, "az_low": a - da, "az_high": a + da, "alt_low": b - db, "alt_high": b + db}
        layers += [
            {
                "data": {"values": [point]},
                "mark": {"type": "rule", "color": base.soft},
                "encoding": {"x": {**x, "field": "az_low"}, "x2": {"field": "az_high"}, "y": y},
            },
            {
                "data": {"values": [point]},
                "mark": {"type": "rule", "color": base.soft},
                "encoding": {"x": x, "y": {**y, "field": "alt_low"}, "y2": {"field": "alt_high"}},
            },
            {
                "data": {"values": [point]},
                "mark": {"type": "point", "filled": True, "size": 90, "color": base.accent},
                "encoding": {"x": x, "y": y},
            },
            {
                "data": {"values": [point]},
                "mark": {
                    "type": "text",
                    "text": "axis of the mount",
                    "align": "left" if a < 0.0 else "right",
                    "dx": 10 if a < 0.0 else -10,
                    "dy": -14 if b > 0.0 else 14,
                    "color": base.ink,
                    "fontSize": 13,
                },
                "encoding": {"x": x, "y": y},
            },
        ]
    body = {"width": width, "height": width, "layer": layers}
    return finished(body, base, title=report.sentence, width_px=width)


def _track(report: TrackingReport, ground: GroundName | Ground, width: int = 560) -> Spec:
    """Where the field lay over the night in both axes."""
    base = ground_of(ground)
    on_frame = report.along == "frame"
    names = ("along the width", "along the height") if on_frame else ("right ascension", "declination")
    rows = [
        {"hours": p.hours, "value": value, "axis": axis}
        for p in report.points
        for axis, value in zip(names, (p.x_px, p.y_px) if on_frame else (p.east_arcsec, p.north_arcsec), strict=True)
    ]
    layer: Spec = {
        "data": {"values": rows},
        "mark": {"type": "line", "point": {"size": 28, "color": base.ink}, "color": base.soft},
        "encoding": {
            "x": {"field": "hours", "type": "quantitative", "axis": {"title": "hours into the night"}},
            "y": {"field": "value", "type": "quantitative", "axis": {"title": "pixels" if on_frame else "arcsec"}},
            "strokeDash": {"field": "axis", "type": "nominal", "legend": {
                "title": None, "orient": "bottom", "symbolType": "stroke", "symbolSize": 500, "symbolStrokeColor": base.soft, "labelFontSize": 13,
            }},
        },
    }  # fmt: skip
    body = {"width": width, "height": 220, "layer": [layer]}
    return finished(body, base, title=report.sentence, subtitle=report.elongation_sentence, width_px=width)


def _camera(report: CameraReport, ground: GroundName | Ground, width: int = 560) -> Spec:
    """Departure of the flats from a straight line; without flats of several exposures, dark current over temperature."""
    base = ground_of(ground)
    if report.linearity:
        rows = [{"a": p.level_e, "b": 100.0 * p.departure} for p in report.linearity]
        names = ("level, electrons", "departure from a straight line, %")
        scale: Spec = {}
    else:
        rows = [{"a": p.sensor_c, "b": p.e_per_s} for p in report.dark]
        names = ("sensor, °C", "dark current, electrons per second")
        scale = {"type": "log"} if rows and all(r["b"] > 0 for r in rows) else {}
    layer: Spec = {
        "data": {"values": rows},
        "mark": {"type": "line", "point": {"size": 54, "color": base.ink}, "color": base.soft},
        "encoding": {
            "x": {"field": "a", "type": "quantitative", "scale": {"zero": False}, "axis": {"title": names[0]}},
            "y": {"field": "b", "type": "quantitative", "scale": scale, "axis": {"title": names[1]}},
        },
    }
    return finished({"width": width, "height": 240, "layer": [layer]}, base, title=report.sentence, width_px=width)
