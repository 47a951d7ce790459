"""Commands that keep what was shot: copies, verify, archive."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import App, Parameter

from nightfold.campaign import Campaign
from nightfold.cli.output import Common, TerminalProgress, campaign_folder, finish, guarded
from nightfold.engine.core import CancelToken

if TYPE_CHECKING:
    from nightfold.record.archive import ArchiveCheck
    from nightfold.record.copies import CopiesReport
    from nightfold.record.verify import VerifyReport

MOST_LINES = 12
"""Lines of one kind that are shown to a person; the document has all."""


def register(app: App) -> None:
    """Add these commands to the command line."""
    app.command(copies)
    app.command(verify)
    app.command(archive)


def copies(
    *,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Tell which frames exist only once, and which files could go without loss; nothing is ever deleted.

    Example: nightfold copies

    """

    def work(_token: CancelToken, progress: TerminalProgress) -> int:
        with Campaign.open(campaign_folder(common), progress=progress) as campaign:
            report = campaign.copies()
        return finish(common, report, lambda: copies_told(report))

    return guarded(common, work)


def copies_told(report: CopiesReport) -> str:
    """Copies in sentences."""
    lines = [f"{len(report.once)} frames exist only once, {report.many} more often."]
    for night in report.nights:
        if night.once:
            lines.append(f"  {night.night}: {night.once} of {night.frames} frames exist only once")
    if report.lost:
        lines.append(f"{len(report.lost)} frames are in none of the places where they were seen:")
        lines += _some([str(x.file) for x in report.lost])
    if report.same_drive:
        lines.append(f"{report.same_drive} frames have copies, but all on one drive.")
    if report.out_of_reach:
        lines.append(f"{report.out_of_reach} copies are out of reach now: their folders are not there.")
    if report.could_go:
        lines.append(f"Second copies on one drive, {report.could_go_bytes / 1e9:.1f} GB, could go without loss:")
        lines += _some(list(report.could_go))
    lines.append("To count a backup, take it in: nightfold take-in FOLDER-OF-THE-BACKUP")
    return "\n".join(lines)


def verify(
    *search: Path,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Read every raw, master and picture again and say what changed, what is missing and what has moved.

    Example: nightfold verify /media/backup

    Parameters
    ----------
    search: Path
        Folders in which missing raws are looked for, besides those where others lie.
    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        with Campaign.open(campaign_folder(common), progress=progress, cancelled=token) as campaign:
            report = campaign.verify(search)
        return finish(common, report, lambda: verify_told(report))

    return guarded(common, work)


def verify_told(report: VerifyReport) -> str:
    """A verification in sentences."""
    lines = [f"{report.checked} files read again, {report.bytes_read / 1e9:.1f} GB."]
    if report.hashed_first:
        lines.append(f"{report.hashed_first} of them had no full hash yet; they have one now.")
    for title, found in (("Changed", report.changed), ("Missing", report.missing), ("Moved", report.moved)):
        if found:
            lines.append(f"{title}: {len(found)}")
            lines += _some([f"{x.file}: {x.what}" + (f" ({x.found})" if x.found else "") for x in found])
    lines += report.notes
    if report.sound:
        lines.append("All is as it was.")
    if report.moved:
        lines.append("Take the new places in: nightfold take-in FOLDER")
    return "\n".join(lines)


def archive(
    folder: Path,
    /,
    *,
    references: Annotated[
        bool, Parameter(negative="", help="List the raws with path, size and hash instead of copying them.")
    ] = False,
    check: Annotated[bool, Parameter(negative="", help="Read an archive again and compare every file.")] = False,
    common: Common = Common(),  # noqa: B008
) -> int:
    """Write the campaign as a bag (BagIt, RFC 8493): raws, calibration, masters, pictures, recipes, the ledger and its tables.

    Example: nightfold archive /media/backup/lantern-shell

    Parameters
    ----------
    folder: Path
        A folder that does not exist yet; with --check, one that holds an archive.
    """

    def work(token: CancelToken, progress: TerminalProgress) -> int:
        if check:
            from nightfold.record.archive import check_archive

            checked = check_archive(folder, progress=progress, cancelled=token)
            return finish(common, checked, lambda: check_told(checked))
        with Campaign.open(campaign_folder(common), progress=progress, cancelled=token) as campaign:
            report = campaign.archive(folder, references=references)
        lines = [f"Archive: {report.file}: {report.files} files, {report.bytes / 1e9:.2f} GB, {report.raws} raws."]
        lines += ["Left out:", *_some(list(report.left_out))] if report.left_out else []
        return finish(common, report, lambda: "\n".join(lines))

    return guarded(common, work)


def check_told(report: ArchiveCheck) -> str:
    """An archive's check in sentences."""
    lines = [f"{report.checked} files read again."]
    for title, found in (("Changed", report.changed), ("Missing", report.missing), ("Not listed", report.unlisted)):
        if found:
            lines += [f"{title}: {len(found)}", *_some(list(found))]
    if report.sound:
        lines.append("All is as it was.")
    return "\n".join(lines)


def _some(lines: list[str]) -> list[str]:
    more = [f"  and {len(lines) - MOST_LINES} more"] if len(lines) > MOST_LINES else []
    return [f"  {line}" for line in lines[:MOST_LINES]] + more
