"""The front door: one object for a campaign, from Python, a notebook, the command line and the page alike."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from shutil import rmtree
from typing import TYPE_CHECKING

from nightfold.campaign.keeping import KeepingPart
from nightfold.campaign.looking import LookingPart
from nightfold.campaign.optics import OpticsPart
from nightfold.campaign.planning import PlanningPart
from nightfold.campaign.way import WayPart
from nightfold.engine.core import (
    CancelToken,
    NullProgress,
    Progress,
)
from nightfold.errors import CancelledError, FoldError, LedgerError, NightfoldError, PictureError
from nightfold.frames.records import HeaderRules
from nightfold.intake.scan import find_files, scan
from nightfold.intake.stage import TakeInReport, counted
from nightfold.settings.files import FILE_NAME, settings_text

if TYPE_CHECKING:
    from nightfold.fold.stage import FoldReport, MasterReport
    from nightfold.intake.look import FolderLook
    from nightfold.judge.stage import JudgeReport
    from nightfold.picture.stage import PictureReport

LEAST_FOR_A_FIRST_LOOK = 25
"""Subs from which on a quick picture from every fifth of them is worth its time."""
FIRST_LOOK_PX = 1600
"""Longer side of that picture at most: as wide as the page shows it, at two pixels of the screen for one of the page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StartReport:
    """The whole way from a folder to a picture."""

    campaign: str
    guesses: tuple[str, ...]
    take_in: TakeInReport
    findings: tuple[str, ...]
    masters: tuple[MasterReport, ...]
    picture: PictureReport | None


class Campaign(WayPart, PlanningPart, OpticsPart, LookingPart, KeepingPart):
    """A campaign: its folder with `campaign.toml` (what is wanted) and the ledger (what is known).

    Open it with `Campaign.open` or make it with `Campaign.create`; it is a context manager. Methods that change it hold
    the campaign's lock while they run, so that two programs never write at once: the second gets a LedgerError.
    """

    @classmethod
    def start(
        cls,
        source: str | Path,
        folder: str | Path | None = None,
        *,
        palette: str | None = None,
        answers: Mapping[str, str] | None = None,
        first_look: bool = False,
        progress: Progress | None = None,
        cancelled: CancelToken | None = None,
        cluster: str | None = None,
    ) -> StartReport:
        """From a folder of raw frames to masters and a picture: a campaign guessed from headers, every guess told.

        Parameters
        ----------
        answers : mapping of shell pattern to filter, optional
            What a person said of files that name no filter; kept in campaign.toml.
        first_look : bool
            With many subs, first make a picture from every fifth of them.
        cluster : str, optional
            As of `open`.
        """
        from nightfold.intake.guess import guess_campaign
        from nightfold.intake.look import every_fifth, facts_of_answers

        source = Path(source)
        facts = facts_of_answers(answers or {})
        rules = HeaderRules(by_name=tuple((f["match"], {"filter": f["filter"]}) for f in facts))
        scanned = list(scan(find_files([source]), rules))
        headers = [s.header for s in scanned if s.header is not None]
        if not any(h.kind == "sub" for h in headers):
            raise LedgerError(
                f"{source} holds no subs that can be read",
                seen=f"{len(scanned)} files that could be frames, {len(headers)} readable",
                allowed="a folder with FITS subs",
            )
        guess = guess_campaign(headers)
        path = Path(folder) if folder is not None else Path(_folder_name(guess.tables["name"]))
        tables = {**guess.tables, "header": {"by_name": facts}} if facts else guess.tables
        text = settings_text(
            tables, ["Made from what the headers of the frames say; look it through.", *guess.sentences]
        )
        with cls.create(path, text=text, progress=progress, cancelled=cancelled, cluster=cluster) as campaign:
            if first_look and sum(h.kind == "sub" for h in headers) >= LEAST_FOR_A_FIRST_LOOK:
                campaign._first_look(every_fifth(scanned), rules, palette)
            return campaign._whole_way([source], guess.sentences, palette)

    @staticmethod
    def look_at(
        folder: str | Path, *, progress: Progress | None = None, cancelled: CancelToken | None = None
    ) -> FolderLook:
        """What the headers of a folder say, and what they leave open; nothing is written."""
        from nightfold.intake.look import look_at_headers

        progress, token = progress or NullProgress(), cancelled or CancelToken()
        files = find_files([Path(folder)])
        progress.start(len(files), "Reading headers", "files")
        found = []
        for scanned in scan(files, cancelled=lambda: token.cancelled):
            found.append(scanned)
            progress.advance()
        progress.finish()
        return look_at_headers(Path(folder), found)

    @staticmethod
    def look_at_file(path: str | Path) -> bytes:
        """A small JPEG of a raw file that was not taken in yet."""
        from nightfold.judge.looking.raw import raw_picture

        return raw_picture(Path(path))

    def _first_look(self, files: Sequence[Path], rules: HeaderRules, palette: str | None) -> None:
        """A picture from some of the subs, binned, to have something to look at; it lies beside the campaign's views.

        It is made in a campaign of its own that is thrown away, so that nothing of it is taken for the real thing.
        """
        from nightfold.frames.binned import binned_copies
        from nightfold.intake.guess import guess_campaign

        room = self._ws.views_folder / "first-look"
        progress, token = self._ws.progress, self._ws.cancelled
        try:
            progress.start(len(files), "Reading every fifth sub for a first picture", "files")

            def advance() -> None:
                token.check("the first look")
                progress.advance()

            small = binned_copies(files, room / "frames", workers=self._ws.workers, advance=advance)
            progress.finish()
            guess = guess_campaign([s.header for s in scan(small, rules) if s.header is not None])
            by_name = [{"match": match, **facts} for match, facts in rules.by_name]
            tables = {**guess.tables, "header": {"by_name": by_name}} if by_name else guess.tables
            text = settings_text(tables, ["For a first look."])
            with Campaign.create(room / "campaign", text=text, progress=progress, cancelled=token) as quick:
                quick.take_in(small)
                quick.judge()
                quick.fold()
                self.first_look_file.parent.mkdir(parents=True, exist_ok=True)
                quick.picture(palette=palette, out=self.first_look_file, preview_px=FIRST_LOOK_PX)
        except CancelledError:
            raise
        except NightfoldError:  # too few subs, or none that match: the whole way follows anyway, and tells why
            return
        finally:
            rmtree(room, ignore_errors=True)
        progress.say("A first picture from every fifth sub is made; the rest follows.")

    @property
    def first_look_file(self) -> Path:
        """Where the picture of a first look is written."""
        return self._ws.views_folder / "first-look.jpg"

    def first_look_made_at(self) -> datetime | None:
        """When it was; None where there is none."""
        file = self.first_look_file
        return datetime.fromtimestamp(file.stat().st_mtime, UTC) if file.exists() else None

    @classmethod
    def demo(
        cls, folder: str | Path, *, progress: Progress | None = None, cancelled: CancelToken | None = None
    ) -> StartReport:
        """A small invented campaign in `folder`, gone through the whole way."""
        from nightfold.simulate.demo import demo_plan, demo_settings_text
        from nightfold.simulate.plan import simulate_plan

        path = Path(folder)
        raws = path / "frames"
        if (path / FILE_NAME).exists():
            campaign = cls.open(path, progress=progress, cancelled=cancelled)
        else:
            simulate_plan(demo_plan(), raws, progress=progress, cancelled=cancelled)
            campaign = cls.create(path, text=demo_settings_text(), progress=progress, cancelled=cancelled)
            _keep_invented_stars(campaign, raws)
        with campaign:
            return campaign._whole_way([raws], (), None)

    def _whole_way(self, sources: Sequence[Path], guesses: Sequence[str], palette: str | None) -> StartReport:
        taken = self.take_in(sources)
        judged = self.judge()
        findings = [*_findings(taken, judged)]
        folded: FoldReport | None = None
        picture: PictureReport | None = None
        try:
            folded = self.fold()
            findings += folded.notes
            picture = self.picture(palette=palette)
        except (FoldError, PictureError) as error:
            # What was taken in and judged stays, and counts as done; the rest is told.
            findings.append(error.line)
        return StartReport(
            campaign=str(self.folder),
            guesses=tuple(guesses),
            take_in=taken,
            findings=tuple(dict.fromkeys(findings)),
            masters=folded.masters if folded else (),
            picture=picture,
        )


def _keep_invented_stars(campaign: Campaign, raws: Path) -> None:
    """The demo's own catalogue: its faint stars are invented, so no real list knows them."""
    from nightfold.simulate.plan import STARS

    folder = campaign._ws.catalogue_folder
    folder.mkdir(parents=True, exist_ok=True)
    (folder / STARS).write_bytes((raws / STARS).read_bytes())


def _folder_name(name: str) -> str:
    return "".join(c if c.isalnum() else "-" for c in name.lower()).strip("-") or "campaign"


def _findings(taken: TakeInReport, judged: JudgeReport) -> Iterable[str]:
    """What a person should know after the first way through, in sentences."""
    yield f"{taken.taken_in} file{'s' if taken.taken_in != 1 else ''} taken in: {counted(taken.frames)}; {len(taken.nights)} night{'s' if len(taken.nights) != 1 else ''}."
    for refused in taken.refused:
        yield f"Refused: {Path(refused.file).name}: {refused.reason}"
    dropped = [s for s in judged.subs if s.verdict == "drop"]
    kept = len(judged.subs) - len(dropped)
    yield f"{kept} sub{'s' if kept != 1 else ''} kept, {len(dropped)} dropped."
    for sub in dropped:
        yield f"Dropped {Path(sub.file).name} ({sub.filter}, {sub.night}): " + "; ".join(
            f"{c.cause}: {c.detail}" for c in sub.causes
        )
    for missing in taken.missing_calibration:
        yield f"Still to shoot: {missing.sentence}"
    yield from (finding.text for finding in judged.findings)
    yield from judged.notes
