"""The front door: one object for a campaign, from Python, a notebook, the command line and the page alike."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime
from importlib.metadata import version
from pathlib import Path
from shutil import rmtree
from types import TracebackType
from typing import TYPE_CHECKING, Any

from sqlalchemy.exc import DatabaseError
from threadpoolctl import threadpool_limits

from nightfold.engine.cluster import Cluster
from nightfold.engine.core import (
    CancelToken,
    NullProgress,
    Progress,
    clean_leftovers,
    default_workers,
    memory_limit_bytes,
    write_text,
)
from nightfold.engine.documents import to_document
from nightfold.errors import CancelledError, FoldError, LedgerError, NightfoldError, PictureError, SettingsError
from nightfold.frames.records import HeaderRules
from nightfold.intake.scan import find_files, scan
from nightfold.intake.stage import TakeInReport, counted, take_in
from nightfold.ledger.core import Ledger
from nightfold.ledger.workspace import Workspace
from nightfold.settings.files import FILE_NAME, load_settings, parse_settings, settings_text, starter_text
from nightfold.settings.models import CampaignSettings

if TYPE_CHECKING:
    from astropy.table import QTable

    from nightfold.charts.records import Strip
    from nightfold.depth.records import DepthReport
    from nightfold.depth.tapped import SpotGoal
    from nightfold.fold.stage import FoldReport, MasterReport
    from nightfold.fold.viewer.stage import MasterLooker
    from nightfold.intake.look import FolderLook
    from nightfold.judge.looking.stage import NightReport, ProofPair, SubLooker
    from nightfold.judge.nights.stage import NightsReport
    from nightfold.judge.stage import JudgeReport
    from nightfold.optics.camera_report import CameraReport
    from nightfold.optics.reports import (
        CollimationReport,
        FieldReport,
        FocusReport,
        LawReport,
        OpticsSummary,
        PolarReport,
        TrackingReport,
    )
    from nightfold.picture.live.stage import Mixer, PictureRoom, Version
    from nightfold.picture.stage import PictureReport
    from nightfold.picture.steps import Recipe
    from nightfold.plan.records import CalendarReport, ExposureReport, FrameReport, NightPlan, SeasonReport
    from nightfold.record.archive import ArchiveReport
    from nightfold.record.copies import CopiesReport
    from nightfold.record.pages import RecordReport
    from nightfold.record.sheet import SheetReport
    from nightfold.record.verify import VerifyReport
    from nightfold.settings.edit import Change
    from nightfold.watch.records import WatchEvent

LEAST_FOR_A_FIRST_LOOK = 25
"""Subs from which on a quick picture from every fifth of them is worth its time."""

# Each stage is loaded by the method that needs it: taking files in should not wait for what folding needs.


@dataclass(frozen=True, slots=True, kw_only=True)
class StartReport:
    """The whole way from a folder to a picture."""

    campaign: str
    guesses: tuple[str, ...]
    take_in: TakeInReport
    findings: tuple[str, ...]
    masters: tuple[MasterReport, ...]
    picture: PictureReport | None


class Campaign:
    """A campaign: its folder with `campaign.toml` (what is wanted) and the ledger (what is known).

    Open it with `Campaign.open` or make it with `Campaign.create`; it is a context manager. Methods that change it hold
    the campaign's lock while they run, so that two programs never write at once.
    """

    def __init__(self, workspace: Workspace) -> None:
        self._ws = workspace

    # -- opening -----------------------------------------------------------------------------------------------------

    @classmethod
    def open(
        cls,
        folder: str | Path,
        *,
        progress: Progress | None = None,
        cancelled: CancelToken | None = None,
        memory: str | None = None,
        workers: int | None = None,
        cluster: str | None = None,
    ) -> Campaign:
        """The campaign in `folder`.

        Parameters
        ----------
        progress : Progress, optional
            Told how far a step is; nobody by default.
        cancelled : CancelToken, optional
            Lets another thread or a signal ask for a clean stop.
        memory : str, optional
            Ceiling of a fold's buffers, such as "800M" or "2G".
        workers : int, optional
            Threads; as many as cores by default.
        cluster : str, optional
            Address of a Dask scheduler whose workers measure and fold, such as "tcp://10.0.0.5:8786".
        """
        path = Path(folder)
        settings = load_settings(path / FILE_NAME)
        if workers is not None and not 1 <= workers <= 256:
            raise SettingsError("the number of workers is not usable", seen=f"{workers}", allowed="1 to 256")
        limit = memory_limit_bytes(memory)
        with _ledger_errors():
            ledger = Ledger.open(path, database_url=settings.database_url)
        with suppress(LedgerError), ledger.writing():  # whoever is at work has unfinished files that are not left over
            clean_leftovers(path)
            rmtree(path / "scratch", ignore_errors=True)  # raws that a killed run had unpacked
        helpers: Cluster | None = None
        if cluster is not None:
            try:
                helpers = Cluster.connect(cluster, folder=path, progress=progress)
            except BaseException:
                ledger.close()
                raise
            (progress or NullProgress()).say(helpers.told())
        return cls(
            Workspace(
                folder=path,
                settings=settings,
                ledger=ledger,
                progress=progress or NullProgress(),
                cancelled=cancelled or CancelToken(),
                memory_bytes=limit,
                workers=workers or default_workers(),
                cluster=helpers,
            )
        )

    @classmethod
    def create(
        cls, folder: str | Path, *, from_file: str | Path | None = None, text: str | None = None, **options: Any
    ) -> Campaign:
        """A new campaign in `folder`, with a commented campaign.toml, a copy of `from_file`, or `text`."""
        path = Path(folder)
        file = path / FILE_NAME
        if file.exists():
            raise SettingsError(f"{file} exists already", next_step="open that campaign, or choose another folder")
        if from_file is not None:
            load_settings(Path(from_file))
            text = Path(from_file).read_text(encoding="utf-8")
        text = text if text is not None else starter_text(path.resolve().name)
        parse_settings(text, str(file))
        path.mkdir(parents=True, exist_ok=True)
        write_text(file, text)
        return cls.open(path, **options)

    def close(self) -> None:
        """Give the ledger back, and leave the cluster."""
        self._ws.ledger.close()
        if self._ws.cluster is not None:
            self._ws.cluster.close()

    def __enter__(self) -> Campaign:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        subs = self._ws.ledger.sub_count()
        masters = ", ".join(sorted({m.filter for m in self._ws.ledger.masters()})) or "none yet"
        return f"<Campaign {self.settings.name!r} in {self.folder}: {subs} subs, masters: {masters}>"

    @property
    def folder(self) -> Path:
        """The campaign's folder."""
        return self._ws.folder

    @property
    def settings(self) -> CampaignSettings:
        """What campaign.toml says."""
        return self._ws.settings

    @contextmanager
    def _writing(self, command: str) -> Any:
        # The stages bring their own threads; the linear algebra's would only spin beside them (a third of a judge's time).
        with (
            _ledger_errors(),
            self._ws.ledger.writing(),
            self._ws.ledger.running(command, version("nightfold")),
            threadpool_limits(limits=1, user_api="blas"),
        ):
            yield

    # -- the way -----------------------------------------------------------------------------------------------------

    def take_in(self, paths: Iterable[str | Path]) -> TakeInReport:
        """Read new files under `paths` into the ledger; nothing is moved, changed or deleted."""
        with self._writing("take-in"):
            return take_in(self._ws, [Path(p) for p in paths])

    def judge(self, *, filter: str | None = None, night: date | None = None, again: bool = False) -> JudgeReport:
        """Measure what is new and say of every sub whether it is worth keeping, and why not."""
        from nightfold.judge.stage import judge

        with self._writing("judge"):
            return judge(self._ws, filter=filter, night=night, again=again)

    def decide(self, files: Sequence[str | Path], verdict: str, *, why: str = "") -> int:
        """Record a person's decision ("keep", "drop" or "clear") on subs by path or name; how many were found."""
        if verdict not in ("keep", "drop", "clear"):
            raise SettingsError("unknown decision", seen=verdict, allowed="keep, drop, clear")
        names = [str(f) for f in files]
        found = self._ws.ledger.frames_by_name(names)
        unknown = [name for name, rows in found.items() if not [r for r in rows if r.kind == "sub"]]
        if unknown or not names:
            raise LedgerError(
                "no sub of this campaign has this name",
                seen=", ".join(unknown) or "no file named",
                allowed="the path or name of subs that were taken in",
            )
        ids = sorted({r.id for rows in found.values() for r in rows if r.kind == "sub"})
        with self._writing(verdict):
            return self._ws.ledger.add_decisions(ids, verdict, why)

    def decide_on(self, sub_ids: Sequence[int], verdict: str, *, why: str = "") -> int:
        """The same on subs by their numbers in the ledger; how many."""
        if verdict not in ("keep", "drop", "clear"):
            raise SettingsError("unknown decision", seen=verdict, allowed="keep, drop, clear")
        found = {r.id for r in self._ws.ledger.frames(ids=sub_ids) if r.kind == "sub"}
        if not found or found != set(sub_ids):
            unknown = ", ".join(str(i) for i in sorted(set(sub_ids) - found)[:5])
            raise LedgerError("no sub of this campaign has this number", seen=unknown or "no number given")
        with self._writing(verdict):
            return self._ws.ledger.add_decisions(sorted(found), verdict, why)

    def fold(self, **request: Any) -> FoldReport:
        """Fold kept subs into masters; keywords as in `nightfold.fold.stage.FoldRequest`."""
        from nightfold.fold.stage import FoldRequest, fold

        with self._writing("fold"):
            return fold(self._ws, FoldRequest(**request))

    def depth(self, *, day: date | None = None, target: str | None = None, crops: bool = False) -> DepthReport:
        """How deep each filter is, what the next hour brings, and in how many nights from `day` the goals are met.

        With `crops`, the same part of each master is written from a quarter, half and all of its subs.
        """
        from nightfold.depth.stage import depth

        with self._writing("depth"):
            return depth(self._ws, day=day or datetime.now().date(), target=target, crops=crops)

    def picture(
        self,
        recipe: str | Path | Recipe | None = None,
        *,
        target: str | None = None,
        rig: str | None = None,
        palette: str | None = None,
        out: str | Path | None = None,
        exact: bool = False,
        upright: bool = False,
        annotated: bool = False,
        linear: bool = False,
        proof: bool = False,
        gpu: bool = False,
    ) -> PictureReport:
        """Mix the masters into a picture, by a recipe or by an automatic one that is written beside it.

        Keywords as in `nightfold.picture.stage.make_picture`.
        """
        from nightfold.picture.stage import make_picture

        with self._writing("picture"):
            return make_picture(
                self._ws,
                Path(recipe) if isinstance(recipe, str) else recipe,
                target=target,
                rig=rig,
                palette=palette,
                out=Path(out) if out is not None else None,
                exact=exact,
                upright=upright,
                annotated=annotated,
                linear=linear,
                proof=proof,
                gpu=gpu,
            )

    def note(self, text: str, *, rig: str | None = None, on: date | None = None) -> int:
        """Record a dated event of a rig (of all when not named); how many rigs it concerns."""
        if rig is not None and self.settings.rig_named(rig) is None:
            names = ", ".join(r.name for r in self.settings.rig) or "none"
            raise SettingsError("no rig has this name", seen=rig, allowed=names)
        if not text.strip():
            raise SettingsError("the note is empty", allowed="what happened, in a few words")
        with self._writing("note"):
            self._ws.ledger.add_event(rig, on or datetime.now().date(), text.strip())
        return 1 if rig is not None else max(1, len(self.settings.rig))

    def change_settings(self, changes: Sequence[Change]) -> None:
        """Change single values of campaign.toml, comments kept; nothing is written if one would be wrong.

        This object keeps what it read when it was opened: open the campaign again to work with the new values.
        """
        from nightfold.settings.edit import changed_text

        file = self.folder / FILE_NAME
        with self._writing("settings"):
            write_text(file, changed_text(file.read_text(encoding="utf-8"), changes))

    def goal_at_tap(
        self,
        *,
        target: str,
        panel: int | None,
        filter: str,
        box_px: tuple[int, int, int, int],
        across: float,
        down: float,
    ) -> SpotGoal:
        """Make the spot under a tap on a crop the goal of its filter, in campaign.toml; open the campaign again after it.

        Parameters
        ----------
        box_px : x0, y0, x1, y1
            The crop's, as `depth` tells it.
        across, down : float
            Where the tap was, as shares of the picture's width and height, from its left and top edge.
        """
        from nightfold.depth.tapped import spot_changes, spot_of_tap

        changes, made = spot_changes(self.settings, target, panel, filter, spot_of_tap(box_px, across, down))
        self.change_settings(changes)
        return made

    # -- planning ----------------------------------------------------------------------------------------------------

    def tonight(
        self,
        *,
        day: date | None = None,
        rig: str | None = None,
        begin: str | None = None,
        clear: str | None = None,
        csv: str | Path | None = None,
    ) -> NightPlan:
        """What to shoot in a night (tonight's by default), when, how long and why.

        Parameters
        ----------
        rig : str, optional
            Plan this rig alone.
        begin : str, optional
            Plan from this time on: "now", "22:30" on the site's clock, or a date with time.
        clear : str, optional
            The hours expected to be clear, such as "22:00-01:30" on the site's clock.
        csv : path, optional
            Write the blocks there.
        """
        from nightfold.plan.stage import tonight

        with _ledger_errors():
            return tonight(
                self._ws, day=day, rig=rig, begin=begin, clear=clear, csv=Path(csv) if csv is not None else None
            )

    def exposure(self, *, rig: str, filter: str, target: str | None = None) -> ExposureReport:
        """How long a sub shall be on a rig through a filter, and what other lengths cost."""
        from nightfold.plan.stage import exposure

        return exposure(self._ws, rig=rig, filter=filter, target=target)

    def frame(self, *, rig: str, target: str | None = None) -> FrameReport:
        """How a target lies on a rig's sensor, its panels, and how far to turn the camera."""
        from nightfold.plan.stage import frame

        return frame(self._ws, rig=rig, target=target)

    def season(self, *, day: date | None = None, target: str | None = None, rig: str | None = None) -> SeasonReport:
        """What the year from a night on holds: hours by month, best date, finish, and what another choice gives."""
        from nightfold.plan.stage import season

        return season(self._ws, day=day, target=target, rig=rig)

    def calendar(self, *, day: date | None = None, out: str | Path | None = None) -> CalendarReport:
        """A night's plan as an iCalendar file with alarms."""
        from nightfold.plan.stage import calendar

        with _ledger_errors():
            return calendar(self._ws, day=day, out=Path(out) if out is not None else None)

    def show(self, *, with_tonight: bool = True) -> Strip:
        """The campaign at one look: its nights in a row, its goals, what tonight would add, and the next step.

        Parameters
        ----------
        with_tonight : bool
            Plan tonight for it, which takes some seconds.
        """
        from nightfold.record.strip import campaign_strip

        with _ledger_errors():
            return campaign_strip(self._ws, with_tonight=with_tonight)

    def sheet(self, *, day: date | None = None, out: str | Path | None = None) -> SheetReport:
        """Write a night's sheet (tonight's by default) as PDF or PNG, by the file's ending."""
        from nightfold.record.sheet import night_sheet

        with self._writing("sheet"):
            return night_sheet(self._ws, day=day, out=Path(out) if out is not None else None)

    def record(self, *, target: str | None = None, out: str | Path | None = None) -> RecordReport:
        """Write the capture record of a target as HTML or PDF, by the file's ending; nothing in it tells the site's place."""
        from nightfold.record.pages import write_record

        with self._writing("record"):
            return write_record(self._ws, target=target, out=Path(out) if out is not None else None)

    # -- optics ------------------------------------------------------------------------------------------------------

    def focus_run(self, paths: Sequence[str | Path], *, rig: str | None = None) -> FocusReport:
        """A focus run from a CSV file of positions and radii, or from frames that know the focuser's position."""
        from nightfold.optics.stage import focus

        with self._writing("optics focus"):
            return focus(self._ws, [Path(p) for p in paths], rig=rig)

    def focus_law(self, *, rig: str | None = None) -> LawReport:
        """Focus over temperature from the runs on record, and what missed focus cost each sub."""
        from nightfold.optics.stage import law

        with self._writing("optics law"):
            return law(self._ws, rig=rig)

    def optics_field(self, *, night: date | None = None, rig: str | None = None) -> FieldReport:
        """Tilt, curvature, coma and astigmatism from a night's subs, as far as they tell."""
        from nightfold.optics.stage import field

        with self._writing("optics field"):
            return field(self._ws, night=night, rig=rig)

    def collimation(self, file: str | Path, *, rig: str | None = None) -> CollimationReport:
        """Where the shadow lies in the disc of a defocused star."""
        from nightfold.optics.stage import collimation

        with self._writing("optics collimation"):
            return collimation(self._ws, Path(file), rig=rig)

    def polar_error(
        self, *, night: date | None = None, rig: str | None = None, guided: bool | None = None
    ) -> PolarReport:
        """How far the mount's axis is from the pole, from a night's placed subs."""
        from nightfold.optics.mount.stage import polar

        with self._writing("optics polar"):
            return polar(self._ws, night=night, rig=rig, guided=guided)

    def tracking(self, *, night: date | None = None, rig: str | None = None) -> TrackingReport:
        """Drift, dithers and trailing of a night."""
        from nightfold.optics.mount.stage import tracking

        with self._writing("optics tracking"):
            return tracking(self._ws, night=night, rig=rig)

    def camera_test(self, paths: Sequence[str | Path], *, rig: str | None = None) -> CameraReport:
        """Gain, noise, dark current and more from calibration frames, against campaign.toml."""
        from nightfold.optics.stage import camera

        with self._writing("optics camera"):
            return camera(self._ws, [Path(p) for p in paths], rig=rig)

    def optics_summary(self, *, night: date | None = None) -> OpticsSummary:
        """What is on record of the optics for a night, in sentences; nothing is measured."""
        from nightfold.optics.night.stage import summary

        return summary(self._ws, night=night)

    def chart(self, name: str, **request: Any) -> dict[str, Any]:
        """A chart as a Vega-Lite specification, by its name; keywords as in `nightfold.record.drawing.Drawn`.

        Names: strip, night, subs, sharpness, elongation, transparency, depth, exposure, season, frame.
        """
        from nightfold.record.drawing import Drawn, draw

        with self._writing("chart") if name == "depth" else _ledger_errors():
            return draw(self._ws, name, Drawn(**request))

    # -- tables ------------------------------------------------------------------------------------------------------

    def verdicts(self, *, filter: str | None = None, night: date | None = None) -> JudgeReport:
        """The verdicts as they stand, nothing measured."""
        from nightfold.judge.stage import report

        return report(self._ws, filter=filter, night=night)

    def nights(self) -> NightsReport:
        """The campaign as a row of nights, its goals, and what to do next; nothing is measured."""
        from nightfold.judge.nights.stage import nights_report

        return nights_report(self._ws)

    def night(self, night: date) -> NightReport:
        """One night's subs with their numbers, verdicts and worth; nothing is measured."""
        from nightfold.judge.looking.stage import night_report

        return night_report(self._ws, night)

    def filters(self) -> list[str]:
        """Names of the filters that subs were shot through."""
        return sorted(name for name in self._ws.ledger.sub_filters() if name is not None)

    def latest_folder(self) -> str | None:
        """The folder that the latest sub lies in; None without subs."""
        latest = self._ws.ledger.latest_sub()
        return None if latest is None else str(latest.parent)

    def proof_pair(self) -> ProofPair | None:
        """A good sub and a dropped one that show side by side what the costliest cause did."""
        from nightfold.judge.looking.stage import proof_pair

        return proof_pair(self._ws)

    def crop_file(self, name: str) -> Path:
        """The path of a crop that `depth` wrote, by its name."""
        folder = self._ws.depth_folder
        found = (
            next((p for p in folder.rglob("*") if p.name == name and p.is_file()), None) if folder.is_dir() else None
        )
        if found is None:
            raise LedgerError("no crop has this name", seen=name[:80], next_step="compare parts of the subs again")
        return found

    def capture_table(self) -> str:
        """What was captured as CSV: a line per night, rig, filter and length of sub; nothing in it tells the site's place."""
        from nightfold.record.capture_table import capture_table

        return capture_table(self._ws)

    def master_file(self, master_id: int) -> Path:
        """The path of a master by its number; only files that the ledger lists."""
        found = next((m.path for m in self._ws.ledger.masters() if m.id == master_id and m.path.exists()), None)
        if found is None:
            raise LedgerError("there is no master of this number", seen=str(master_id), next_step="fold again")
        return found

    def sub_looker(self) -> SubLooker:
        """Pictures of subs, small ones and tiles at full size, on their grid at a shared stretch."""
        from nightfold.judge.looking.stage import SubLooker

        return SubLooker(self._ws)

    def master_looker(self) -> MasterLooker:
        """Tiles of the masters' planes, and what stands at one pixel."""
        from nightfold.fold.viewer.stage import MasterLooker

        return MasterLooker(self._ws)

    def picture_room(self) -> PictureRoom:
        """The latest recipe, palettes that fit, saved versions and the pictures that were made."""
        from nightfold.picture.live.stage import picture_room

        return picture_room(self._ws)

    def mixer(self) -> Mixer:
        """Layers and previews of recipes, with the masters kept in memory."""
        from nightfold.picture.live.stage import Mixer

        return Mixer(self._ws)

    def save_version(self, recipe: Recipe, name: str) -> Version:
        """Keep a recipe under the next number, to come back to."""
        from nightfold.picture.live.stage import save_version

        return save_version(self._ws, recipe, name)

    def picture_file(self, picture_id: int, name: str) -> Path:
        """The path of a picture's file by its name; only files that the ledger lists."""
        from nightfold.picture.live.stage import picture_file

        return picture_file(self._ws, picture_id, name)

    def subs(self) -> QTable:
        """All subs with their readings and verdicts, as an astropy table with units."""
        import astropy.units as u
        from astropy.table import QTable

        rows = self.verdicts().subs
        units = {
            "exposure_s": u.s,
            "fwhm_px": u.pix,
            "fwhm_arcsec": u.arcsec,
            "sky_e_per_s": u.electron / u.s,
            "half_flux_radius_px": u.pix,
        }
        table = QTable()
        for name in ("file", "rig", "target", "filter", "night", "verdict"):
            table[name] = [str(getattr(r, name) or "") for r in rows]
        for name in (
            "exposure_s", "stars", "fwhm_px", "fwhm_arcsec", "half_flux_radius_px", "ellipticity", "sky_e_per_s", "transparency", "weight",
        ):  # fmt: skip
            values = [float("nan") if getattr(r, name) is None else float(getattr(r, name)) for r in rows]
            table[name] = values * units[name] if name in units else values
        table["causes"] = ["; ".join(f"{c.cause}: {c.detail}" for c in r.causes) for r in rows]
        return table

    def masters(self) -> list[dict[str, Any]]:
        """The latest masters as documents."""
        return [to_document(m.document) for m in self._ws.ledger.masters()]

    def masters_with_ids(self) -> list[dict[str, Any]]:
        """The latest masters as documents, each with its number (`id`) and when it was made."""
        return [
            {"id": m.id, "made_at": to_document(m.made_at), **to_document(m.document)}
            for m in self._ws.ledger.masters()
            if m.path.exists()
        ]

    def watch(self, paths: Iterable[str | Path], **options: Any) -> Iterator[WatchEvent]:
        """Follow folders where a controller writes and yield what happens; keywords as in `nightfold.watch.stage.watch`.

        The campaign's lock is held only while a file is taken in and judged, so that other commands can run beside it.
        """
        from nightfold.watch.stage import watch

        with _ledger_errors(), threadpool_limits(limits=1, user_api="blas"):
            yield from watch(self._ws, [Path(p) for p in paths], **options)

    # -- keeping what was shot ---------------------------------------------------------------------------------------

    def copies(self) -> CopiesReport:
        """Which frames exist only once, and which files could go without loss."""
        from nightfold.record.copies import copies_report

        with self._writing("copies"):
            return copies_report(self._ws)

    def verify(self, search: Iterable[str | Path] = ()) -> VerifyReport:
        """Read every raw, master and picture again; what changed, is missing, or has moved (also into `search`)."""
        from nightfold.record.verify import verify

        with self._writing("verify"):
            return verify(self._ws, search=[Path(p) for p in search])

    def archive(self, folder: str | Path, *, references: bool = False) -> ArchiveReport:
        """Write the campaign as a bag (RFC 8493); with `references` the raws are listed, not copied."""
        from nightfold.record.archive import write_archive

        with self._writing("archive"):
            return write_archive(self._ws, Path(folder), references=references)

    # -- the whole way -----------------------------------------------------------------------------------------------

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
                quick.picture(palette=palette, out=self.first_look_file)
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


@contextmanager
def _ledger_errors() -> Iterator[None]:
    """What the database could not do, in words: a full disk, a folder that may not be written."""
    try:
        yield
    except DatabaseError as error:
        raise LedgerError(
            "the ledger could not be written",
            seen=str(error.orig),
            next_step="check the room and the rights of the campaign's folder; what was written before stays",
        ) from error


def _folder_name(name: str) -> str:
    return "".join(c if c.isalnum() else "-" for c in name.lower()).strip("-") or "campaign"


def _findings(taken: TakeInReport, judged: JudgeReport) -> Iterable[str]:
    """What a person should know after the first way through, in sentences."""
    yield f"{taken.taken_in} files taken in: {counted(taken.frames)}; {len(taken.nights)} night{'s' if len(taken.nights) != 1 else ''}."
    for refused in taken.refused:
        yield f"Refused: {Path(refused.file).name}: {refused.reason}"
    dropped = [s for s in judged.subs if s.verdict == "drop"]
    yield f"{len(judged.subs) - len(dropped)} subs kept, {len(dropped)} dropped."
    for sub in dropped:
        yield f"Dropped {Path(sub.file).name} ({sub.filter}, {sub.night}): " + "; ".join(
            f"{c.cause}: {c.detail}" for c in sub.causes
        )
    for missing in taken.missing_calibration:
        yield f"Still to shoot: {missing.sentence}"
    yield from (finding.text for finding in judged.findings)
    yield from judged.notes


__all__ = ["Campaign", "StartReport"]
