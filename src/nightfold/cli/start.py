"""Commands that begin something: a campaign, a newcomer's whole way, the demo, simulated frames, a dated note."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter

from nightfold.campaign import Campaign, StartReport
from nightfold.cli.masters import masters_table
from nightfold.cli.output import ClusterAddress, Common, TerminalProgress, campaign_folder, finish, guarded, hours
from nightfold.engine.core import CancelToken
from nightfold.warm import warm_up_in_background


def register(app: App) -> None:
    """Add these commands to the command line."""
    app.command(new)
    app.command(start)
    app.command(demo)
    app.command(simulate)
    app.command(note)


def new(
    folder: Path,
    /,
    *,
    from_file: Annotated[
        Path | None, Parameter(name="--from", help="A campaign.toml to start from, checked first.")
    ] = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Make a campaign's folder with a commented campaign.toml and an empty ledger.

    Example: nightfold new winter-nebulae

    Parameters
    ----------
    folder: Path
        The folder to make; it may exist, but not hold a campaign yet.
    """

    def work(_token: CancelToken, _progress: TerminalProgress) -> int:
        with Campaign.create(folder, from_file=from_file) as campaign:
            path = campaign.folder
        warm_up_in_background()
        text = f"Made {path}/campaign.toml. Fill in your site, rig and target there, then: nightfold --campaign {path} take-in FOLDER"
        return finish(common, {"campaign": str(path)}, lambda: text)

    return guarded(common, work)


def start(
    folder: Path,
    campaign_dir: Path | None = None,
    /,
    *,
    palette: Annotated[
        str | None, Parameter(help="Name of the palette of the first picture, for instance SHO.")
    ] = None,
    cluster: ClusterAddress = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """From a folder of raw frames to masters and a first picture in one go; every guess is told.

    Example: nightfold start /media/astro/nights my-campaign

    Parameters
    ----------
    folder: Path
        Where the raw FITS files are; they are only read.
    campaign_dir: Path
        The campaign's folder to make; by default one named after the object, in this folder.
    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        warm_up_in_background()  # headers and calibration frames are read meanwhile
        report = Campaign.start(
            folder, campaign_dir, palette=palette, progress=progress, cancelled=token, cluster=cluster
        )
        return finish(
            common,
            report,
            lambda: _told(report),
        )

    return guarded(common, work)


def demo(
    folder: Path = Path("demo-campaign"),
    /,
    *,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Make a small invented campaign and go the whole way: take in, judge, fold, picture.

    Two rigs, three filters, three nights under a southern sky, with a meridian flip, a camera that came back turned,
    cloud and a satellite's trail. Needs no network and about two minutes.

    Example: nightfold demo

    Parameters
    ----------
    folder: Path
        Where to put it.
    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        report = Campaign.demo(folder, progress=progress, cancelled=token)
        return finish(
            common,
            report,
            lambda: _told(report),
        )

    return guarded(common, work)


def _told(report: StartReport) -> str:
    """The whole way in sentences and one table."""
    lines: list[str] = []
    if report.guesses:
        lines += ["What the files did not say, and what was assumed:", *(f"  {g}" for g in report.guesses), ""]
    if report.findings:
        lines += ["What was found:", *(f"  {f}" for f in report.findings), ""]
    if report.masters:
        lines += [masters_table(report.masters), "", *(f"Master: {m.file}" for m in report.masters)]
        lines.append(f"{hours(sum(m.exposure_s for m in report.masters))} of exposure are in the masters.")
    if report.picture is not None:
        lines += [f"Picture: {f}" for f in report.picture.files]
    lines.append(f"Campaign: {report.campaign}")
    return "\n".join(lines)


def simulate(
    plan: Path,
    out: Path,
    /,
    *,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Make raw frames with known truth from a plan (a TOML file): for trials and what-ifs.

    Example: nightfold simulate plan.toml frames/

    Parameters
    ----------
    plan: Path
        The plan: site, rigs, scene and nights; `docs/simulate.md` describes its keys.
    out: Path
        Folder for the frames and the truth.
    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        from nightfold.simulate.plan import simulate_plan

        made = simulate_plan(plan, out, progress=progress, cancelled=token)
        document = {"files": [str(f) for f in made.files], "truth": str(made.truth)}
        return finish(common, document, lambda: f"{len(made.files)} frames in {out}; the truth is in {made.truth}")

    return guarded(common, work)


def note(
    text: str,
    /,
    *,
    rig: Annotated[str | None, Parameter(help="The rig it concerns; all rigs when not given.")] = None,
    on: Annotated[date | None, Parameter(help="The date it happened; today when not given.")] = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Record a dated event of the rig, such as a turned camera or a cleaned sensor.

    It ends the validity of the flats, the focus law and the trends before it.

    Example: nightfold note "camera turned by about 3 degrees" --rig Scout --on 2026-05-14

    Parameters
    ----------
    text: str
        What happened.
    """

    def work(_token: CancelToken, _progress: TerminalProgress) -> int:
        with Campaign.open(campaign_folder(common)) as campaign:
            noted = campaign.note(text, rig=rig, on=on)
        return finish(common, {"noted": noted}, lambda: f"Noted for {rig or 'all rigs'}: {text}")

    return guarded(common, work)
