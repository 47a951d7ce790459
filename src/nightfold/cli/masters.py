"""Commands about masters: fold."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import App, Parameter

from nightfold.campaign import Campaign
from nightfold.cli.output import (
    ClusterAddress,
    Common,
    TerminalProgress,
    campaign_folder,
    finish,
    guarded,
    hours,
    table,
)
from nightfold.engine.core import CancelToken

if TYPE_CHECKING:
    from nightfold.fold.stage import MasterReport


def register(app: App) -> None:
    """Add these commands to the command line."""
    app.command(fold)


def fold(
    *,
    target: Annotated[str | None, Parameter(help="Only this target.")] = None,
    filter: Annotated[str | None, Parameter(help="Only this filter.")] = None,
    rig: Annotated[str | None, Parameter(help="Only this rig.")] = None,
    out: Annotated[Path | None, Parameter(help="Folder for the masters; the campaign's own when not given.")] = None,
    reference: Annotated[str | None, Parameter(help="The sub that sets the grid, at the first fold only.")] = None,
    new_grid: Annotated[
        bool, Parameter(negative="", help="Give up the old grid: all masters of the target must be folded anew.")
    ] = False,
    combine_rigs: Annotated[
        bool, Parameter(negative="", help="Fold the subs of all rigs into one master per filter.")
    ] = False,
    statistic: Annotated[
        str, Parameter(help="weighted-mean, or for comparison: mean, median, huber, esd.")
    ] = "weighted-mean",
    give_up: Annotated[float, Parameter(help="Share of good samples that rejection may cost, 0 to 0.05.")] = 0.0015,
    drizzle: Annotated[float | None, Parameter(help="Drizzle with drops of this share of a pixel, 0.3 to 1.")] = None,
    memory: Annotated[str | None, Parameter(help="Ceiling for buffers, for instance 800M or 2G.")] = None,
    workers: Annotated[int | None, Parameter(help="Threads; as many as cores when not given.")] = None,
    cluster: ClusterAddress = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Calibrate, register and combine each filter's subs into a master.

    Example: nightfold fold --filter Ha

    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        with Campaign.open(
            campaign_folder(common),
            progress=progress,
            cancelled=token,
            memory=memory,
            workers=workers,
            cluster=cluster,
        ) as campaign:
            report = campaign.fold(
                target=target,
                filter=filter,
                rig=rig,
                out=out,
                reference=reference,
                new_grid=new_grid,
                combine_rigs=combine_rigs,
                statistic=statistic,
                give_up=give_up,
                drizzle=drizzle,
            )
        return finish(common, report, lambda: masters_table(report.masters) + "".join(f"\n{n}" for n in report.notes))

    return guarded(common, work)


def masters_table(masters: Sequence[MasterReport]) -> str:
    """Masters as a table."""
    rows = [
        (
            m.target if m.panel is None else f"{m.target}, panel {m.panel}",
            m.filter,
            ", ".join(m.rigs),
            m.subs_used,
            m.subs_dropped,
            hours(m.exposure_s),
            m.noise_over_ideal,
            m.registration_rms_px,
        )
        for m in masters
    ]
    return table(["target", "filter", "rig", "subs", "dropped", "exposure", "noise/ideal", "rms px"], rows)
