"""Commands about pictures."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from cyclopts import App, Parameter

from nightfold.campaign import Campaign
from nightfold.cli.output import Common, TerminalProgress, campaign_folder, finish, guarded
from nightfold.engine.core import CancelToken


def register(app: App) -> None:
    """Add these commands to the command line."""
    app.command(picture)


def picture(
    recipe: Path | None = None,
    /,
    *,
    target: Annotated[str | None, Parameter(help="The target, where the campaign has several.")] = None,
    rig: Annotated[str | None, Parameter(help="The rig, where the target has masters of several.")] = None,
    panel: Annotated[int | None, Parameter(help="The panel of a mosaic; the first when not given.")] = None,
    palette: Annotated[str | None, Parameter(help="Name of a palette, for instance SHO or HOO.")] = None,
    balance: Annotated[
        Literal["signal", "noise", "zero-points"],
        Parameter(help="What brings the filters to one scale: nebulae alike, noise alike, or true ratios of flux."),
    ] = "signal",
    out: Annotated[
        Path | None, Parameter(help="The file to write: .tiff, .png or .jpg; all three when not given.")
    ] = None,
    exact: Annotated[bool, Parameter(negative="", help="Refuse masters other than those the recipe names.")] = False,
    upright: Annotated[bool, Parameter(negative="", help="Turn it so that north is up and east to the left.")] = False,
    annotated: Annotated[
        bool, Parameter(negative="", help="Also write a copy with names of objects, a scale bar and a compass.")
    ] = False,
    linear: Annotated[
        bool, Parameter(negative="", help="Also write the linear masters, equally cut, for any editor.")
    ] = False,
    proof: Annotated[bool, Parameter(negative="", help="Also write strips that show what each step does.")] = False,
    gpu: Annotated[bool, Parameter(negative="", help="Sharpen on a graphics card (extra gpu).")] = False,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Mix the masters into a picture, by a recipe or by an automatic one that is written beside it.

    Example: nightfold picture --palette SHO

    Parameters
    ----------
    recipe: Path
        A recipe file; an automatic one is made when not given.
    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        with Campaign.open(campaign_folder(common), progress=progress, cancelled=token) as campaign:
            report = campaign.picture(
                recipe,
                target=target,
                rig=rig,
                panel=panel,
                palette=palette,
                balance=balance,
                out=out,
                exact=exact,
                upright=upright,
                annotated=annotated,
                linear=linear,
                proof=proof,
                gpu=gpu,
            )
        lines = [f"Picture: {f}" for f in report.files]
        lines += [f"Annotated: {report.annotated}"] if report.annotated else []
        lines += [f"Linear: {f}" for f in report.linear] + [f"Proof: {f}" for f in report.proof]
        lines += [f"Recipe: {report.recipe}", *report.notes]
        return finish(common, report, lambda: "\n".join(lines))

    return guarded(common, work)
