"""Commands that show and print what is on record: the strip, the night sheet, the capture record."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

from nightfold.campaign import Campaign
from nightfold.cli.output import Common, TerminalProgress, campaign_folder, finish, guarded
from nightfold.engine.core import CancelToken


def register(app: App) -> None:
    """Add these commands to the command line."""
    app.command(show)
    app.command(sheet)
    app.command(record)
    app.command(chart)


def show(
    *,
    tonight: Annotated[bool, Parameter(help="Also plan tonight, which takes some seconds.")] = True,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Show the campaign at one look: nights, hours by filter, goals, what tonight would add, and the next step.

    Example: nightfold show

    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        from nightfold.record.terminal import strip_told

        with Campaign.open(campaign_folder(common), progress=progress, cancelled=token) as campaign:
            strip = campaign.show(with_tonight=tonight)
        return finish(common, strip, lambda: strip_told(strip))

    return guarded(common, work)


def sheet(
    *,
    date: Annotated[date | None, Parameter(help="The night, by its evening's date; tonight when not given.")] = None,
    out: Annotated[
        Path | None, Parameter(help="The file: .pdf or .png; in the campaign's plans folder when not given.")
    ] = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Print the night on one page: chart, blocks and events, lists to tick, cautions; readable under a red lamp.

    Example: nightfold sheet --out tonight.pdf

    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        with Campaign.open(campaign_folder(common), progress=progress, cancelled=token) as campaign:
            report = campaign.sheet(day=date, out=out)
        return finish(common, report, lambda: f"Sheet of {report.date}: {report.file}")

    return guarded(common, work)


def record(
    *,
    target: Annotated[str | None, Parameter(help="The target; that of the latest picture when not given.")] = None,
    out: Annotated[
        Path | None, Parameter(help="The file: .html or .pdf; both, in the campaign's records folder, when not given.")
    ] = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Write the capture record: picture, tables by filter and night, what was dropped and why, rig, steps, versions.

    Nothing in it tells where the site is, so it can be shared.

    Example: nightfold record --out lantern-shell.pdf

    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        with Campaign.open(campaign_folder(common), progress=progress, cancelled=token) as campaign:
            report = campaign.record(target=target, out=out)
        return finish(common, report, lambda: "\n".join([*(f"Record: {f}" for f in report.files), "", report.caption]))

    return guarded(common, work)


def chart(
    name: str,
    out: Path,
    /,
    *,
    date: Annotated[date | None, Parameter(help="The night, by its evening's date.")] = None,
    target: Annotated[str | None, Parameter(help="Only this target.")] = None,
    rig: Annotated[str | None, Parameter(help="Only this rig.")] = None,
    filter: Annotated[str | None, Parameter(help="Only this filter.")] = None,
    ground: Annotated[str, Parameter(help="page, print, red, or lamp (black alone).")] = "print",
    common: Common = Common(),  # noqa: B008
) -> int:
    """Write one chart as SVG, PNG or PDF.

    Charts: strip, night, subs, sharpness, elongation, transparency, depth, exposure, season, frame.

    Example: nightfold chart season season.pdf --target "Lantern Shell"

    Parameters
    ----------
    name: str
        Which chart.
    out: Path
        The file; its ending says the format.
    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        from nightfold.charts.render import save_chart

        with Campaign.open(campaign_folder(common), progress=progress, cancelled=token) as campaign:
            spec = campaign.chart(name, day=date, target=target, rig=rig, filter=filter, ground=ground)
        file = save_chart(spec, out)
        return finish(common, {"file": str(file)}, lambda: f"Chart: {file}")

    return guarded(common, work)
