"""Commands about depth: how deep, what next, when enough."""

from __future__ import annotations

from datetime import date as Date
from typing import TYPE_CHECKING, Annotated

from cyclopts import App, Parameter

from nightfold.campaign import Campaign
from nightfold.cli.output import Common, TerminalProgress, campaign_folder, finish, guarded, hours, table
from nightfold.engine.core import CancelToken

if TYPE_CHECKING:
    from nightfold.depth.records import DepthReport


def register(app: App) -> None:
    """Add these commands to the command line."""
    app.command(depth)


def depth(
    *,
    date: Annotated[
        Date | None, Parameter(help="The evening from which nights are counted; today if not given.")
    ] = None,
    target: Annotated[str | None, Parameter(help="Only this target.")] = None,
    crops: Annotated[
        bool, Parameter(negative="", help="Write the same crop from a quarter, half and all of the subs.")
    ] = False,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Say how deep each filter is, what the next hour brings, and when the goals will be met.

    Example: nightfold depth --date 2026-05-27

    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        with Campaign.open(campaign_folder(common), progress=progress, cancelled=token) as campaign:
            report = campaign.depth(day=date, target=target, crops=crops)
        return finish(common, report, lambda: depth_told(report))

    return guarded(common, work)


def depth_told(report: DepthReport) -> str:
    """The filters as a table, then what follows from it."""
    rows = [
        (
            f.target if f.panel is None else f"{f.target}, panel {f.panel}",
            f.filter,
            " + ".join(f.rigs),
            f.subs,
            hours(f.exposure_s),
            f.snr,
            f.snr_goal,
            None if f.limit_mag_arcsec2 is None else round(f.limit_mag_arcsec2, 2),
            f.limit_rayleigh,
            None if f.snr_gain_next_hour is None else f"{100 * f.snr_gain_next_hour:.1f} %",
            f.hours_to_goal,
        )
        for f in report.filters
    ]
    heads = [
        "target",
        "filter",
        "rig",
        "subs",
        "exposure",
        "SNR",
        "goal",
        "mag/arcsec²",
        "rayleigh",
        "next hour",
        "h to goal",
    ]
    lines = [table(heads, rows), "", "Limits: 3 sigma in boxes of 10 arcsec, measured on the masters."]
    ahead = report.forecast
    if report.next is not None:
        lines.append(f"Next: {report.next.filter} of {report.next.target}.")
    if ahead.median == 0:
        lines.append("All goals are met.")
    elif ahead.median is not None:
        early, late = ahead.p10, ahead.p90
        lines.append(
            f"All goals are met in about {ahead.median} calendar nights"
            + (
                f" ({early} with luck, {late} without)."
                if late is not None
                else f" ({early} with luck; without it not foreseeable)."
            )
        )
    for f in report.filters:
        if len(f.noise_fall) > 1:
            first, last = f.noise_fall[0], f.noise_fall[-1]
            lines.append(
                f"{f.filter} of {' + '.join(f.rigs)}: from {first.subs} to {last.subs} subs the noise fell to "
                f"{100 * last.noise_e_per_s / first.noise_e_per_s:.0f} %; the square root of time promises "
                f"{100 * last.ideal_e_per_s / first.ideal_e_per_s:.0f} %."
            )
    lines += report.notes
    lines += [f"Crop of {c.part} ({c.subs} subs): {c.picture}" for c in report.crops]
    return "\n".join(lines)
