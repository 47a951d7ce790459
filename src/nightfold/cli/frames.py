"""Commands about single frames: take in, judge, keep, drop."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import App, Parameter

from nightfold.campaign import Campaign
from nightfold.cli.output import Common, TerminalProgress, campaign_folder, finish, guarded, table
from nightfold.engine.core import CancelToken
from nightfold.intake.stage import TakeInReport

if TYPE_CHECKING:
    from nightfold.judge.stage import JudgeReport


def register(app: App) -> None:
    """Add these commands to the command line."""
    app.command(take_in)
    app.command(judge)
    app.command(keep)
    app.command(drop)
    app.command(solve)


def take_in(
    *paths: Path,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Read new files into the ledger; nothing is moved, changed or deleted.

    Example: nightfold take-in /media/astro/2026-05-13

    Parameters
    ----------
    paths: Path
        Files or folders; folders are searched to the bottom.
    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        with Campaign.open(campaign_folder(common), progress=progress, cancelled=token) as campaign:
            report = campaign.take_in(paths)
        return finish(common, report, lambda: take_in_told(report))

    return guarded(common, work)


def take_in_told(report: TakeInReport) -> str:
    """A take-in in sentences."""
    counts = ", ".join(f"{n} {kind.replace('_', '-')}{'s' if n != 1 else ''}" for kind, n in report.frames.items() if n)
    lines = [
        f"{report.taken_in} new files taken in ({counts or 'nothing'}); {report.already_known} were known already."
    ]
    if report.nights:
        lines.append(f"Nights: {', '.join(report.nights)}.")
    lines += [f"Refused: {r.file}: {r.reason}" for r in report.refused]
    if report.missing_calibration:
        lines.append("Calibration still to shoot:")
        lines += [f"  {m.sentence}" for m in report.missing_calibration]
    lines += report.notes
    return "\n".join(lines)


def judge(
    *,
    filter: Annotated[str | None, Parameter(help="Only this filter.")] = None,
    night: Annotated[date | None, Parameter(help="Only this night, by its evening's date.")] = None,
    again: Annotated[bool, Parameter(negative="", help="Measure every sub anew.")] = False,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Measure new subs and say of each whether it is worth keeping, and why not.

    Example: nightfold judge --filter Ha

    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        with Campaign.open(campaign_folder(common), progress=progress, cancelled=token) as campaign:
            report = campaign.judge(filter=filter, night=night, again=again)
        return finish(common, report, lambda: judge_told(report))

    return guarded(common, work)


def judge_told(report: JudgeReport) -> str:
    """The verdicts as a table, then the reasons of those dropped."""
    if not report.subs:
        return "No subs here yet: take some in first."
    rows = [
        (
            s.night,
            s.filter,
            Path(s.file).name,
            s.stars,
            s.fwhm_px,
            s.ellipticity,
            s.sky_e_per_s,
            s.transparency,
            s.verdict,
        )
        for s in report.subs
    ]
    text = table(["night", "filter", "file", "stars", "fwhm px", "ellipt.", "sky e/s", "transp.", "verdict"], rows)
    dropped = [s for s in report.subs if s.verdict == "drop"]
    reasons = [f"  {Path(s.file).name}: {'; '.join(f'{c.cause}: {c.detail}' for c in s.causes)}" for s in dropped]
    kept = len(report.subs) - len(dropped)
    lines = [text, "", f"{kept} kept, {len(dropped)} dropped."]
    return "\n".join(lines + reasons)


def keep(
    *files: str,
    clear: Annotated[bool, Parameter(negative="", help="Go back to the automatic verdict.")] = False,
    why: Annotated[str, Parameter(help="The reason, for the record.")] = "",
    common: Common = Common(),  # noqa: B008
) -> int:
    """Keep these subs whatever the automatic verdict says; a person's decision always wins.

    Example: nightfold keep sub-0412.fits

    Parameters
    ----------
    files: str
        Subs by path or by name.
    """
    return _decide(files, "clear" if clear else "keep", why, common)


def drop(
    *files: str,
    why: Annotated[str, Parameter(help="The reason, for the record.")] = "",
    common: Common = Common(),  # noqa: B008
) -> int:
    """Leave these subs out whatever the automatic verdict says; a person's decision always wins.

    Example: nightfold drop sub-0412.fits --why "neighbour's lamp"

    Parameters
    ----------
    files: str
        Subs by path or by name.
    """
    return _decide(files, "drop", why, common)


def _decide(files: tuple[str, ...], verdict: str, why: str, common: Common) -> int:
    def work(_token: CancelToken, _progress: TerminalProgress) -> int:
        with Campaign.open(campaign_folder(common)) as campaign:
            changed = campaign.decide(files, verdict, why=why)
        words = {
            "keep": "kept by your decision",
            "drop": "dropped by your decision",
            "clear": "back to the automatic verdict",
        }
        return finish(
            common, {"changed": changed}, lambda: f"{changed} sub{'s' if changed != 1 else ''} {words[verdict]}."
        )

    return guarded(common, work)


def solve(
    file: Path,
    /,
    *,
    around: Annotated[
        str | None, Parameter(help='"RA DEC", degrees or sexagesimal; else the header says, else the whole sky.')
    ] = None,
    within_deg: Annotated[float, Parameter(help="How far the middle of the frame may lie from there.")] = 3.0,
    scale: Annotated[float | None, Parameter(help="Arcsec per pixel, within a tenth; else from the header.")] = None,
    write: Annotated[Path | None, Parameter(help="A FITS header file to write the solution into.")] = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Find where a frame lies on the sky, from its stars and the installed catalogue; no network.

    Example: nightfold solve sub-0412.fits --around "250.2 -48.8"

    Parameters
    ----------
    file: Path
        Any FITS frame; it is only read.
    """

    def work(_token: CancelToken, _progress: TerminalProgress) -> int:
        from nightfold.align.solving import solve_file

        found = solve_file(file, around=around, within_deg=within_deg, scale=scale, write=write)
        lines = [
            f"Centre: RA {found.ra_deg:.5f}°, Dec {found.dec_deg:+.5f}° (ICRS)",
            f"Scale: {found.scale_arcsec_px:.4f} arcsec a pixel; up is {found.up_deg:.2f}° east of north"
            + (", mirrored" if found.mirrored else ""),
            f"{found.matched} stars to {found.rms_px:.2f} px; chance of a false answer 1e{found.false_alarm_log10:.0f}",
            *found.notes,
        ]
        return finish(common, found, lambda: "\n".join(lines))

    return guarded(common, work)
