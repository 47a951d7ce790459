"""Commands about single frames: take in, judge, keep, drop."""

from __future__ import annotations

import sys
from datetime import date
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
    tell_error,
)
from nightfold.engine.core import CancelToken
from nightfold.intake.stage import TakeInReport
from nightfold.warm import warm_up_in_background

if TYPE_CHECKING:
    from nightfold.judge.stage import JudgedSub, JudgeReport


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
            warm_up_in_background()  # what comes after this needs compiled code
            report = campaign.take_in(paths)
        if report.nothing_taken is not None:
            print(take_in_told(report), file=sys.stderr)
            return tell_error(report.nothing_taken, as_json=common.json, beside=report)
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
    memory: Annotated[str | None, Parameter(help="Ceiling for planes of subs, for instance 800M or 2G.")] = None,
    workers: Annotated[int | None, Parameter(help="Subs measured at once; as many as cores by default.")] = None,
    cluster: ClusterAddress = None,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Measure new subs and say of each whether it is worth keeping, and why not.

    Example: nightfold judge --filter Ha

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
            s.weight,
            s.verdict,
        )
        for s in report.subs
    ]
    headings = ["night", "filter", "file", "stars", "fwhm px", "ellipt.", "sky e/s", "transp.", "weight", "verdict"]
    dropped = [s for s in report.subs if s.verdict == "drop"]
    poorer = [s for s in report.subs if s.verdict == "keep" and s.causes]
    lines = [table(headings, rows), "", f"{len(report.subs) - len(dropped)} kept, {len(dropped)} dropped."]
    lines += [_reasons(s) for s in dropped]
    if poorer:
        lines += ["Kept, their weight mends it:", *(_reasons(s) for s in poorer)]
    return "\n".join([*lines, *losses_told(report), *_compared_told(report), *(f.text for f in report.findings)])


def _reasons(sub: JudgedSub) -> str:
    return f"  {Path(sub.file).name}: {'; '.join(f'{c.cause}: {c.detail}' for c in sub.causes)}"


def losses_told(report: JudgeReport) -> list[str]:
    """What each cause has cost in hours of clear sky, costliest first, with the night that cost most."""
    causes: dict[str, list[tuple[float, str | None]]] = {}
    for loss in report.losses:
        causes.setdefault(loss.cause, []).append((loss.hours, loss.night))
    totals = sorted(((sum(h for h, _ in own), cause) for cause, own in causes.items()), reverse=True)
    told = []
    for total, cause in totals:
        if total < 0.01:
            continue
        worst_hours, worst = max(causes[cause], key=lambda pair: pair[0])
        several = worst is not None and len(causes[cause]) > 1
        where = f" ({worst}: {hours(3600 * worst_hours)})" if several else (f" on {worst}" if worst else "")
        told.append(f"{cause.replace('-', ' ')} {hours(3600 * total)}{where}")
    return ["", f"Clear sky lost so far: {', '.join(told)}."] if told else []


def _compared_told(report: JudgeReport) -> list[str]:
    """Each night's share, what a master would be without it, and what the sharpest half alone would give."""
    nights = [n for n in report.nights_compared if n.snr_without is not None and n.fwhm_without is not None]
    lines: list[str] = []
    if nights:
        rows = [
            (n.rig, n.filter, n.night, n.subs, n.hours, n.share, n.fwhm_px, 100 * (n.snr_without or 0), 100 * (n.fwhm_without or 0))
            for n in nights
        ]  # fmt: skip
        headings = [
            "rig",
            "filter",
            "night",
            "subs",
            "hours",
            "weight",
            "fwhm px",
            "depth without %",
            "width without %",
        ]
        lines += ["", table(headings, rows)]
    for choice in report.sharper_or_deeper:
        if choice.kept_share == 0.5:
            lines.append(
                f"{choice.rig}, {choice.filter}: the sharpest half alone gives stars of {choice.fwhm_px:.2f} px at {100 * choice.snr_relative:.0f} % "
                "of the depth."
            )
    return lines


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
            known, unknown = campaign.subs_named(files)
            changed = campaign.decide(known or files, verdict, why=why)
        words = {
            "keep": "kept by your decision",
            "drop": "dropped by your decision",
            "clear": "back to the automatic verdict",
        }
        for name in unknown:
            print(f"No sub of this campaign is called {name}.", file=sys.stderr)
        return finish(
            common,
            {"changed": changed, **({"unknown": unknown} if unknown else {})},
            lambda: f"{changed} sub{'s' if changed != 1 else ''} {words[verdict]}.",
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

        folders = [campaign_folder(common) / "catalogue"]
        found = solve_file(
            file, around=around, within_deg=within_deg, scale=scale, write=write, cone_folders=folders
        )  # fmt: skip
        lines = [
            f"Centre: RA {found.ra_deg:.5f}°, Dec {found.dec_deg:+.5f}° (ICRS)",
            f"Scale: {found.scale_arcsec_px:.4f} arcsec a pixel; up is {found.up_deg:.2f}° east of north"
            + (", mirrored" if found.mirrored else ""),
            f"{found.matched} stars to {found.rms_px:.2f} px; chance of a false answer 1e{found.false_alarm_log10:.0f}",
            *found.notes,
        ]
        return finish(common, found, lambda: "\n".join(lines))

    return guarded(common, work)
