"""Invented data that every chart can be drawn from; shared by the tests of the charts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace

import numpy as np

from nightfold.charts.depth import depth_chart, exposure_chart
from nightfold.charts.field import field_chart
from nightfold.charts.focus import focus_law_chart, focus_run_chart
from nightfold.charts.night import night_chart
from nightfold.charts.records import (
    DepthCurve,
    MapObject,
    Outline,
    StarMap,
    Strip,
    StripFilter,
    StripNight,
    StripTonight,
    TrendPoint,
)
from nightfold.charts.season import season_chart
from nightfold.charts.star_map import star_chart
from nightfold.charts.strip import strip_chart
from nightfold.charts.subs import expected_ranges, subs_chart, trend_chart
from nightfold.charts.theme import GroundName, Spec
from nightfold.optics.focus_run import fit_focus_run
from nightfold.plan.records import (
    BlockLine,
    CalibrationLine,
    Curves,
    DawnLine,
    DiskLine,
    EventLine,
    ExposureReport,
    ExposureRow,
    GoalLine,
    MoonLine,
    NightPlan,
    SolverLine,
    TargetCurve,
    TargetLine,
    Twilights,
)
from nightfold.sky.usable_hours import NightHours

FILTERS = ("B", "OIII", "G", "L", "R", "Ha", "SII")
DAY = date(2026, 5, 26)
ZONE = "Australia/Sydney"


@dataclass(frozen=True)
class Sub:
    file: str
    filter: str | None
    night: str | None
    start: object
    exposure_s: float | None
    fwhm_px: float | None
    fwhm_arcsec: float | None
    ellipticity: float | None
    sky_e_per_s: float | None
    transparency: float | None
    verdict: str


def utc(hour: int, minute: int = 0) -> datetime:
    """A time of the evening's UTC day."""
    return datetime(2026, 5, 26, hour, minute, tzinfo=UTC)


def sample_plan(**changes: object) -> NightPlan:
    """A night of two rigs: dusk 07:20 UTC, dawn 20:40 UTC, a Moon that sets at 15:00 UTC."""
    times = tuple(utc(6) + timedelta(minutes=20 * k) for k in range(48))
    hours = [(t - utc(6)).total_seconds() / 3600.0 for t in times]
    sun = tuple(-32.0 + 40.0 * math.cos((h - 8.0) / 12.0 * math.pi + math.pi) * -1 - 6.0 for h in hours)
    block = {"panel": None, "share_of_goal": 0.1}
    values: dict[str, object] = {
        "date": DAY, "time_zone": ZONE, "sunset": utc(7, 20), "sunrise": utc(20, 40), "dark_start": utc(8, 45), "dark_end": utc(19, 15),
        "twilights": Twilights(civil=(utc(7, 45), utc(20, 15)), nautical=(utc(8, 15), utc(19, 45)), astronomical=(utc(8, 45), utc(19, 15))),
        "moon": MoonLine(rise=None, set=utc(15), illuminated_fraction=0.8, phase="waxing gibbous", up="part", separation_deg=60.0),
        "targets": (
            TargetLine(target="Lantern Shell", panel=None, ra_deg=250.2, dec_deg=-48.8, up_from=utc(10), up_until=utc(19), hours=9.0,
                       transit=utc(14, 20), max_altitude_deg=72.0, separation_deg=60.0, case="part"),
        ),
        "blocks": (
            BlockLine(rig="Heron 106", target="Lantern Shell", filter="Ha", start=utc(10, 10), end=utc(13, 20), sub_s=300, subs=36,
                      why="Hα bears the Moon, which is up until 01:00.", **block),
            BlockLine(rig="Heron 106", target="Lantern Shell", filter="OIII", start=utc(15, 10), end=utc(18), sub_s=300, subs=32,
                      why="[O III] wants the dark after the Moon has set.", **block),
            BlockLine(rig="Wren 61", target="Far Veil", filter="R", start=utc(9), end=utc(9, 40), sub_s=60, subs=30,
                      why="Star colours.", **block),
            BlockLine(rig="Wren 61", target="Far Veil", filter="L", start=utc(9, 40), end=utc(12), sub_s=120, subs=60,
                      why="L lags behind.", **block),
        ),
        "events": (
            EventLine(at=utc(10, 6), what="Focus before the first sub", rig="Heron 106"),
            EventLine(at=utc(14, 20), what="Meridian flip", rig="Heron 106"),
            EventLine(at=utc(15), what="The Moon sets"),
        ),
        "cautions": ("Cap the telescope before sunrise at 06:40: never point it at the Sun.",),
        "goals": (
            GoalLine(target="Lantern Shell", panel=None, filter="Ha", hours_done=4.0, done=0.6, tonight=0.3, hours_left=2.6),
            GoalLine(target="Lantern Shell", panel=None, filter="OIII", hours_done=2.0, done=0.2, tonight=0.2, hours_left=8.0),
        ),
        "solver": SolverLine(kind="optimal", gap=0.004, slot_s=600, seconds=1.0),
        "sky": (),
        "calibration": (
            CalibrationLine(kind="dark", rig="Heron 106", filter=None, exposure_s=300, have=6, wanted=20,
                            sentence="14 darks of 300 s for Heron 106"),
        ),
        "dawn": (
            DawnLine(rig="Heron 106", filter="Ha", count=25, sky_from=utc(19, 50), sky_until=utc(20, 10), first_s=12.0, last_s=2.0,
                     sentence="25 Hα flats at this angle before you touch the camera"),
        ),
        "disk": (DiskLine(folder="raws", to_come_bytes=10**9, free_bytes=10**10, full_at=None, sentence="1 GB to come, 10 GB free."),),
        "instead": (), "missing": (), "notes": (),
        "curves": Curves(
            times=times, sun_altitude_deg=sun,
            moon_altitude_deg=tuple(60.0 - 8.0 * h for h in hours),
            targets=(
                TargetCurve(target="Lantern Shell", panel=None, altitude_deg=tuple(72.0 - 9.0 * abs(h - 8.3) for h in hours)),
                TargetCurve(target="Far Veil", panel=None, altitude_deg=tuple(60.0 - 8.0 * abs(h - 5.0) for h in hours)),
            ),
            least_altitude_deg=30.0,
        ),
    }  # fmt: skip
    return NightPlan(**{**values, **changes})  # type: ignore[arg-type]


def sample_subs() -> list[Sub]:
    """A night through five filters; every ninth sub is dropped."""
    rng = np.random.default_rng(1)
    subs, t = [], utc(9, 40)
    for name, count, exposure in (("L", 9, 120), ("R", 9, 120), ("OIII", 20, 300), ("Ha", 18, 300), (None, 4, 300)):
        for i in range(count):
            bad = len(subs) % 9 == 8
            level = {"L": 2.0, "R": 0.7}.get(name or "", 0.03)
            subs.append(
                Sub(
                    file=f"{name}-{i}.fits", filter=name, night="2026-05-26", start=t, exposure_s=float(exposure), fwhm_px=2.2,
                    fwhm_arcsec=2.5 + 0.2 * float(rng.normal()) + 0.8 * bad, ellipticity=0.1, sky_e_per_s=level * (1 + 0.1 * float(rng.normal())),
                    transparency=0.95 - 0.5 * bad, verdict="drop" if bad else "keep",
                )
            )  # fmt: skip
            t += timedelta(seconds=exposure + 8)
    return subs


def sample_strip() -> Strip:
    """Four nights in three weeks and a tonight."""

    def night(day: date, lit: float | None, **hours: tuple[float, float]) -> StripNight:
        parts = tuple(
            StripFilter(filter=n, kept_h=k, dropped_h=d, subs_kept=round(12 * k), subs_dropped=round(12 * d))
            for n, (k, d) in hours.items()
        )
        return StripNight(
            date=day, moon_illuminated_fraction=lit, moon_waxing=None if lit is None else True, filters=parts, fwhm_arcsec=2.5, fwhm_px=2.2,
            sky_over_usual=1.1, once=0,
        )  # fmt: skip

    added = (StripFilter(filter="SII", kept_h=2.1, dropped_h=0.0, subs_kept=25, subs_dropped=0),)
    return Strip(
        campaign="Lantern Shell",
        nights=(
            night(date(2026, 5, 5), 0.9, Ha=(2.0, 0.3), OIII=(1.0, 0.0)),
            night(date(2026, 5, 6), 0.85, OIII=(3.0, 1.2), R=(0.5, 0.0)),
            night(date(2026, 5, 16), 0.0, L=(2.0, 0.0), SII=(1.0, 0.5)),
            night(date(2026, 5, 25), None, Ha=(4.0, 0.0)),
        ),
        filters=FILTERS, goals=(),
        tonight=StripTonight(date=DAY, moon_illuminated_fraction=0.8, moon_waxing=True, filters=added, begins=utc(13, 40)),
        next="[S II] needs 3.2 h more; tonight gives 2.1 h after 23:40.", kept_h=13.5, dropped_h=2.0, southern=True, notes=(),
    )  # fmt: skip


def sample_exposure() -> ExposureReport:
    """A cost curve with its least near 420 s."""
    rows = tuple(
        ExposureRow(sub_s=s, subs=10, hours=8 * (1 + 60 / s + s / 4000), exposure_hours=8.0, read_noise_penalty=0.1, sky_share_of_well=0.1,
                    saturated_stars=1, lost_share=0.1, gigabytes=1.0)
        for s in (30, 60, 120, 300, 600, 1200)
    )  # fmt: skip
    return ExposureReport(
        rig="Heron 106", filter="Ha", target=None, recommended_s=300, least_s=180, most_s=600, why="Read noise adds 4 %.", sky_e_per_s=0.02,
        dark_e_per_s=0.002, read_noise_e=1.6, signal_e_per_s=0.01, stars_known=1, line_transmission=0.9, overhead_s=8.0, table=rows,
        missing=(), notes=(),
    )  # fmt: skip


def sample_charts(ground: GroundName) -> dict[str, Spec]:
    """Every chart there is, on one ground."""
    subs = sample_subs()
    position = np.arange(5000.0, 5900.0, 75.0)
    radius = 1.9 * np.sqrt(1 + ((position - 5433) / 120) ** 2)
    fitted = fit_focus_run(position, radius)
    run = SimpleNamespace(
        sentence=fitted.sentence, best_position=fitted.best_position, uncertainty=fitted.best_error, interval_95=fitted.interval_95,
        half_flux_radius_px=fitted.least_radius_px, half_width_steps=fitted.half_width, slope_px_per_step=fitted.slope_px,
        points=[SimpleNamespace(position=float(p), half_flux_radius_px=float(r), used=True) for p, r in zip(position, radius)],
    )  # fmt: skip
    law = SimpleNamespace(
        told=True, sentence="Focus moves by −12 steps a degree.", steps_per_c=-12.0, zero_steps=5400.0, scatter_steps=6.0,
        filter_offsets=[SimpleNamespace(filter="Ha", offset_steps=0.0), SimpleNamespace(filter="OIII", offset_steps=35.0)],
        points=[
            SimpleNamespace(filter=("Ha", "OIII")[k % 2], temperature_c=2.0 * k, position=5400.0 - 24.0 * k, used=k != 3) for k in range(10)
        ],
    )  # fmt: skip
    whiskers = [
        SimpleNamespace(x_px=x, y_px=y, length_px=0.4, angle_deg=40.0, uncertainty_px=0.25 if x == 300 else 0.05)
        for x in (300.0, 2000.0, 3800.0)
        for y in (300.0, 2500.0)
    ]
    season = {
        "Lantern Shell": [
            NightHours(date=date(2026, 1, 1) + timedelta(k), dark=5.0, moonless=2.5, moon_free={}, lit=0.5) for k in range(0, 60, 3)
        ]
    }  # fmt: skip
    corners = [(251.2, -49.5), (249.2, -49.5), (249.2, -48.1), (251.2, -48.1)]
    sky = StarMap(
        ra_deg=250.2, dec_deg=-48.8, radius_deg=1.5, star_ra_deg=[250.0, 250.5, 251.0], star_dec_deg=[-48.5, -49.0, -48.8],
        star_mag=[6.0, 8.0, 9.5],
        outlines=[Outline(name="wanted", corners_deg=corners, kind="wanted"), Outline(name="now", corners_deg=corners, kind="now")],
        objects=[MapObject(name="NGC 6193", ra_deg=250.3, dec_deg=-48.76, major_arcmin=14.0)],
    )  # fmt: skip
    depth = [
        DepthCurve(filter="Ha", hours=[0.5, 1, 2], noise=[0.0143, 0.0102, 0.0073], ideal_at_1h=0.01, ideal_spread=0.05, goal=0.0025),
        DepthCurve(filter="R", hours=[0.5, 1, 2], noise=[0.03, 0.022, 0.016], ideal_at_1h=0.021),
    ]  # fmt: skip
    trend = [TrendPoint(day=date(2026, 5, 1) + timedelta(3 * k), value=2.4 + 0.05 * k, error=0.1) for k in range(8)]
    return {
        "night": night_chart(sample_plan(), ground=ground, filters=FILTERS, southern=True),
        "subs": subs_chart(subs, ground=ground, time_zone=ZONE, expected=expected_ranges(subs), filters=FILTERS, brush="time"),
        "subs band": subs_chart(subs, ground=ground, time_zone=ZONE, expected=expected_ranges(subs), filters=FILTERS, brush="band"),
        "trend": trend_chart(trend, what="FWHM, arcsec", title="Sharpness fell", ground=ground, events=[(date(2026, 5, 9), "turned")]),
        "depth": depth_chart(depth, title="Four more hours of Hα reach its goal", ground=ground, filters=FILTERS),
        "exposure": exposure_chart(sample_exposure(), ground=ground),
        "season": season_chart(season, ground=ground, best={"Lantern Shell": date(2026, 2, 1)}, today=date(2026, 1, 9)),
        "focus run": focus_run_chart(run, ground=ground),
        "focus law": focus_law_chart(law, ground=ground, all_filters=FILTERS),
        "field": field_chart(whiskers, width_px=4144, height_px=2822, title="Stars are even", labels=[(2000, 1400, "2.3")], ground=ground),
        "map": star_chart(sky, title="The frame on the sky", ground=ground),
        "strip": strip_chart(sample_strip(), ground=ground),
    }  # fmt: skip
