"""Commands about star lists: deeper ones for single fields."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

from nightfold.cli.output import Common, TerminalProgress, campaign_folder, finish, guarded
from nightfold.engine.core import CancelToken
from nightfold.errors import NightfoldError


def register(app: App) -> None:
    """Add these commands to the command line."""
    catalogue = App(name="catalogue", help="Star lists for solving and photometry beyond the installed one.")
    catalogue.command(add)
    app.command(catalogue)


def add(
    around: str | None = None,
    /,
    *,
    radius_deg: Annotated[float, Parameter(help="Radius of the field, at most 5.")] = 1.0,
    faintest: Annotated[float, Parameter(help="Faintest magnitude in Gaia's G.")] = 16.0,
    table: Annotated[
        Path | None, Parameter(help="Keep this table (FITS, ECSV, VOTable) instead; needs no network.")
    ] = None,
    everywhere: Annotated[bool, Parameter(negative="", help="Keep it for all campaigns, not only this one.")] = False,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Fetch the stars of a field from the Gaia archive once and keep them; later work needs no network.

    Example: nightfold catalogue add "250.2 -48.8" --radius-deg 1

    Parameters
    ----------
    around: str
        "RA DEC" in degrees or sexagesimal.
    """

    def work(_token: CancelToken, _progress: TerminalProgress) -> int:
        from nightfold.align.cones import add_cone, keep_table, user_cone_folder
        from nightfold.align.solving import parse_place

        campaign = campaign_folder(common)
        mine = (campaign / "campaign.toml").exists() and not everywhere
        folder = campaign / "catalogue" if mine else user_cone_folder()
        if table is not None:
            report = keep_table(folder, table)
        elif around is not None:
            ra, dec = parse_place(around)
            report = add_cone(folder, ra_deg=ra, dec_deg=dec, radius_deg=radius_deg, faintest_g=faintest)
        else:
            raise NightfoldError("no place is named", allowed='"RA DEC", or --table FILE')
        told = f"{report.stars} stars to G {report.faintest_g:.1f} kept in {report.file}."
        if report.cut:
            told += " The field holds more; the brightest were kept."
        return finish(common, report, lambda: told)

    return guarded(common, work)
