"""Commands that plan: tonight, exposure, frame, season, calendar."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

from cyclopts import App, Parameter

from nightfold.campaign import Campaign
from nightfold.cli.output import Common, TerminalProgress, campaign_folder, finish, guarded, table
from nightfold.engine.core import CancelToken
from nightfold.engine.documents import nearest_minute

if TYPE_CHECKING:
    from nightfold.plan.records import ExposureReport, FrameReport, NightPlan, SeasonReport

WIDTH = 80


def register(app: App) -> None:
    """Add these commands to the command line."""
    app.command(tonight)
    app.command(exposure)
    app.command(frame)
    app.command(season)
    app.command(calendar)


def tonight(
    *,
    date: Annotated[date | None, Parameter(help="The night, by its evening's date; tonight by default.")] = None,
    rig: Annotated[str | None, Parameter(help="Plan this rig alone.")] = None,
    begin: Annotated[
        str | None,
        Parameter(name="--from", help='Plan from here on: "now", 22:30 on the site\'s clock, or a date with time.'),
    ] = None,
    clear: Annotated[
        str | None, Parameter(help="The hours expected to be clear, such as 22:00-01:30 on the site's clock.")
    ] = None,
    csv: Annotated[Path | None, Parameter(help="Also write the blocks as CSV, to key into a controller.")] = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Say what to shoot tonight, with which rig, in which filter, when, how long, and why.

    Example: nightfold tonight --from now --clear 22:00-01:30

    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        with Campaign.open(campaign_folder(common), progress=progress, cancelled=token) as campaign:
            plan = campaign.tonight(day=date, rig=rig, begin=begin, clear=clear, csv=csv)
        return finish(common, plan, lambda: tonight_told(plan))

    return guarded(common, work)


def _clock(zone: str | None) -> ZoneInfo:
    return ZoneInfo(zone) if zone else ZoneInfo("UTC")


def _clock_name(zone: str | None) -> str:
    """The zone as people say it: the tz database calls UTC+10 `Etc/GMT-10`."""
    if zone is None or not zone.startswith("Etc/GMT"):
        return zone or "UTC"
    return f"UTC{-int(zone.removeprefix('Etc/GMT') or 0):+d}"


def _at(instant: datetime | None, zone: str | None) -> str:
    """Hours and minutes on the site's clock, to the nearest minute."""
    if instant is None:
        return "–"
    return f"{nearest_minute(instant).astimezone(_clock(zone)):%H:%M}"


def _day(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent + "  " if indent else "")


def _listed(heading: str, lines: Iterable[str]) -> list[str]:
    """A heading and its lines, wrapped; nothing where there are none."""
    several = [_sentence(line) for line in lines]
    return ["", heading, *(part for line in several for part in _wrapped(line, "  "))] if several else []


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?")) else ".")


def tonight_told(plan: NightPlan) -> str:
    """The night as a page of plain text, 80 columns."""
    zone = plan.time_zone
    lines = [f"Night of {_day(plan.date)}, times of {_clock_name(zone)}"]
    lines += _wrapped(_sun_told(plan))
    lines += _wrapped(_moon_told(plan))
    if plan.targets:
        rows = [
            (
                t.target if t.panel is None else f"{t.target} {t.panel}",
                _at(t.up_from, zone),
                _at(t.up_until, zone),
                _at(t.transit, zone),
                f"{t.max_altitude_deg:.0f}°",
                f"{t.hours:.1f} h",
                f"{t.separation_deg:.0f}°",
            )
            for t in plan.targets
        ]
        lines += ["", table(["target", "up from", "until", "transit", "highest", "dark", "from Moon"], rows)]
    lines += ["", *_blocks_told(plan)]
    rows_g = [
        (
            g.target if g.panel is None else f"{g.target} {g.panel}",
            g.filter,
            f"{g.hours_done:.1f} h",
            f"{100 * g.done:.0f} %",
            f"+{100 * g.tonight:.0f} %" if g.tonight else "–",
            f"{g.hours_left:.1f} h" if g.hours_left is not None else "–",
        )
        for g in plan.goals
    ]
    if rows_g:
        lines += ["", table(["goal", "filter", "shot", "reached", "tonight", "still needs"], rows_g)]
    if plan.events:
        lines += ["", "What happens when"]
        for e in plan.events:
            lines += textwrap.wrap(
                f"  {_at(e.at, zone)}  {e.what}" + (f" ({e.rig})" if e.rig else ""), WIDTH, subsequent_indent=" " * 9
            )
    lines += _listed("Under cloud, darks that are still missing", plan.instead)
    lines += _listed("At dawn", (d.sentence for d in plan.dawn))
    lines += _listed("Calibration still to shoot", (c.sentence for c in plan.calibration))
    lines += _listed("Disk", (d.sentence for d in plan.disk))
    lines += _listed("Numbers that are missing in campaign.toml", plan.missing)
    lines += _listed("To know", [*plan.notes, _solver_told(plan)])
    lines += _listed("Take care", plan.cautions)
    if plan.file:
        lines += ["", f"Blocks written to {plan.file}"]
    return "\n".join(lines)


def _sun_told(plan: NightPlan) -> str:
    zone = plan.time_zone
    if (
        plan.dark_start is not None
        and plan.dark_end is not None
        and (plan.dark_end - plan.dark_start).total_seconds() > 23.5 * 3600
    ):
        return "The Sun stays down and it is dark around the clock."
    if plan.sunset is None and plan.sunrise is None:
        text = "The Sun stays down." if plan.dark_start is not None else "The Sun neither sets nor rises."
    else:
        text = f"Sunset {_at(plan.sunset, zone)}, sunrise {_at(plan.sunrise, zone)}"
    if plan.dark_start is not None:
        return text.rstrip(".") + f"; dark from {_at(plan.dark_start, zone)} to {_at(plan.dark_end, zone)}."
    evening, morning = plan.twilights.nautical
    if evening is not None:
        return text.rstrip(".") + f"; not dark, deep twilight from {_at(evening, zone)} to {_at(morning, zone)}."
    return text if text.endswith(".") else text + "; it does not get dark."


def _moon_told(plan: NightPlan) -> str:
    moon, zone = plan.moon, plan.time_zone
    text = f"Moon {moon.phase}, {100 * moon.illuminated_fraction:.0f} % lit"
    if moon.up == "never":
        return text + ", below the horizon all night."
    if moon.up == "always":
        return text + ", above the horizon all night."
    parts = [f"{word} {_at(at, zone)}" for word, at in (("rises", moon.rise), ("sets", moon.set)) if _tonight(at, plan)]
    return ", ".join([text, *parts]) + "."


def _tonight(at: datetime | None, plan: NightPlan) -> bool:
    """Whether something happens between sunset and sunrise."""
    return (
        at is not None and (plan.sunset is None or at >= plan.sunset) and (plan.sunrise is None or at <= plan.sunrise)
    )


def _blocks_told(plan: NightPlan) -> list[str]:
    zone = plan.time_zone
    if not plan.blocks:
        return ["Nothing can be shot; the reasons are below."]
    lines: list[str] = []
    for rig in dict.fromkeys(b.rig for b in plan.blocks):
        lines += ["", rig] if lines else [rig]
        for b in (b for b in plan.blocks if b.rig == rig):
            where = b.target if b.panel is None else f"{b.target}, panel {b.panel}"
            lines.append(
                f"  {_at(b.start, zone)}–{_at(b.end, zone)}  {b.filter:<6} {b.subs:>3} × {b.sub_s:g} s  {where}"
            )
            lines += textwrap.wrap(_sentence(b.why), WIDTH, initial_indent=" " * 15, subsequent_indent=" " * 15)
    return lines


def _solver_told(plan: NightPlan) -> str:
    gap = plan.solver.gap
    if plan.solver.kind == "kept":
        return "the plan stays as it was told before: a new one would gain less than can be known"
    if plan.solver.kind == "greedy":
        text = "this plan was made step by step, as the solver found no better one in its time"
    elif gap is not None and gap <= 0.0005:
        return "no better plan exists"
    else:
        text = "this is the best plan found in the time given"
    return text + (f"; a better one could gain {100 * gap:.1f} % at most" if gap is not None else "")


def exposure(
    *,
    filter: Annotated[str, Parameter(help="The filter.")],
    rig: Annotated[str | None, Parameter(help="The rig; the only one by default.")] = None,
    target: Annotated[str | None, Parameter(help="The target whose goal and stars count.")] = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Say how long a sub shall be, and what shorter and longer ones cost in hours for the same depth.

    Example: nightfold exposure --rig "Heron 106" --filter Ha

    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        with Campaign.open(campaign_folder(common), progress=progress, cancelled=token) as campaign:
            report = campaign.exposure(rig=rig, filter=filter, target=target)
        return finish(common, report, lambda: exposure_told(report))

    return guarded(common, work)


def exposure_told(report: ExposureReport) -> str:
    """The advice, then the table."""
    lines = [
        f"{report.filter} on {report.rig}" + (f", {report.target}" if report.target else ""),
        f"Subs of {report.recommended_s:g} s; from {report.least_s:g} to {report.most_s:g} s it hardly matters.",
        *_wrapped(_sentence(report.why)),
        "",
    ]
    rows = [
        (
            f"{r.sub_s:g} s",
            r.subs,
            f"{r.hours:.1f} h",
            f"+{100 * r.read_noise_penalty:.0f} %" if r.read_noise_penalty is not None else "–",
            f"{100 * r.sky_share_of_well:.1f} %" if r.sky_share_of_well is not None else "–",
            r.saturated_stars,
            f"{100 * r.lost_share:.1f} %",
            _size(r.gigabytes),
        )
        for r in report.table
        if report.recommended_s / 12 <= r.sub_s <= report.most_s * 3
    ]
    lines.append(table(["sub", "subs", "hours", "read noise", "sky in well", "burnt stars", "lost", "disk"], rows))
    lines += _listed("Numbers that are missing", report.missing)
    lines += _listed("To know", report.notes)
    return "\n".join(lines)


def _size(gigabytes: float) -> str:
    return f"{gigabytes:.1f} GB" if gigabytes >= 1.0 else f"{1000 * gigabytes:.0f} MB"


def frame(
    *,
    rig: Annotated[str | None, Parameter(help="The rig; the only one by default.")] = None,
    target: Annotated[str | None, Parameter(help="The target; the only one by default.")] = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Say how a target lies on the sensor, which panels it needs, and how far to turn the camera.

    Example: nightfold frame --rig "Heron 106" --target "Lantern Shell"

    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        with Campaign.open(campaign_folder(common), progress=progress, cancelled=token) as campaign:
            report = campaign.frame(rig=rig, target=target)
        return finish(common, report, lambda: frame_told(report))

    return guarded(common, work)


def frame_told(report: FrameReport) -> str:
    """The frame in sentences and its panels as a table."""
    lines = [
        f"{report.rig}" + (f" on {report.target}" if report.target else ""),
        f"The frame is {report.width_deg:.3f}° by {report.height_deg:.3f}° at {report.scale_arcsec_px:.3f} arcsec a pixel.",
    ]
    if report.sampling:
        lines += _wrapped(_sentence(report.sampling))
    if report.target:
        if abs(report.turn_by_deg) < 0.05:
            lines.append("The camera stays as it is.")
        else:
            way = "clockwise" if report.turn_by_deg > 0 else "anticlockwise"
            lines += _wrapped(
                f"Turn the camera {abs(report.turn_by_deg):.1f}° {way}, as seen from behind it; left as it is, "
                f"{100 * report.area_lost:.1f} % of the frame is lost."
            )
    if report.panels:
        rows = [
            (p.panel, f"{p.ra_deg:.4f}°", f"{p.dec_deg:+.4f}°", f"{p.position_angle_deg:.1f}°") for p in report.panels
        ]
        lines += ["", table(["panel", "RA", "Dec", "up, east of north"], rows)]
    if report.objects:
        lines += _listed("In the frame", [", ".join(report.objects)])
    lines += _listed("To know", [n for n in report.notes if not n.startswith("turn the camera")])
    return "\n".join(lines)


def season(
    *,
    date: Annotated[date | None, Parameter(help="The first night; tonight by default.")] = None,
    target: Annotated[str | None, Parameter(help="Only this target.")] = None,
    rig: Annotated[str | None, Parameter(help="Only this rig.")] = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Say what the coming year holds for each target: hours, the best date, when it will be done, and what if.

    Example: nightfold season --target "Lantern Shell"

    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        with Campaign.open(campaign_folder(common), progress=progress, cancelled=token) as campaign:
            report = campaign.season(day=date, target=target, rig=rig)
        return finish(common, report, lambda: season_told(report))

    return guarded(common, work)


def season_told(report: SeasonReport) -> str:
    """Each target's year."""
    lines = [f"From {_day(report.first)} to {_day(report.last)}"]
    for t in report.targets:
        names = list(t.months[0].moon_free_hours) if t.months else []
        rows = [
            (
                _month(m.year, m.month),
                *(
                    f"{hours:.0f} h"
                    for hours in (m.dark_hours, m.moonless_hours, *(m.moon_free_hours[n] for n in names))
                ),
            )
            for m in t.months
        ]
        lines += ["", t.target]
        best = f"Best around {_day(t.best_date)}." if t.best_date else "It is never dark with the target high enough."
        lines += [f"{best} {t.hours_left:.0f} h if all were clear.", ""]
        lines.append(
            table(["month", "dark", "Moon down", *(f"{n} Moon-free" for n in names[:4])], [r[:7] for r in rows])
        )
        if t.filters:
            needs = [
                (
                    f.filter if f.panel is None else f"{f.filter}, panel {f.panel}",
                    f"{f.hours_needed:.1f} h",
                    f"{f.hours_left_moon_free:.0f} h",
                )
                for f in t.filters
            ]
            lines += ["", table(["goal", "still needs", "Moon-free hours left"], needs)]
        if t.forecast is not None:
            lines += ["", *_wrapped(_forecast_told("Done", t.forecast.median, t.forecast.p10, t.forecast.p90))]
        for w in t.what_if:
            lines += _wrapped(_forecast_told(_first_up(w.change), w.forecast.median, w.forecast.p10, w.forecast.p90))
    lines += _listed("Numbers that are missing in campaign.toml", report.missing)
    lines += _listed("To know", report.notes)
    return "\n".join(lines)


def _first_up(text: str) -> str:
    return text[:1].upper() + text[1:]


def _forecast_told(what: str, median: date | None, early: date | None, late: date | None) -> str:
    if median is None:
        return f"{what}: more likely not within this year."
    ends: Sequence[str] = [_day(d) if d is not None else "later than this year" for d in (early, late)]
    return f"{what}: most likely by {_day(median)}; 8 of 10 between {ends[0]} and {ends[1]}."


def _month(year: int, month: int) -> str:
    return f"{date(year, month, 1):%b %Y}"


def calendar(
    *,
    date: Annotated[date | None, Parameter(help="The night, by its evening's date; tonight by default.")] = None,
    out: Annotated[Path | None, Parameter(help="The file; plans/DATE.ics in the campaign by default.")] = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Write tonight's plan as an iCalendar file whose alarms go off on a phone.

    Example: nightfold calendar --out tonight.ics

    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        with Campaign.open(campaign_folder(common), progress=progress, cancelled=token) as campaign:
            report = campaign.calendar(day=date, out=out)
        return finish(
            common, report, lambda: f"{report.entries} entries with {report.alarms} alarms written to {report.file}"
        )

    return guarded(common, work)
