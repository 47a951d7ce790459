"""From raw files to verdicts, masters and pictures, and what a person decides on the way."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from threadpoolctl import threadpool_limits

from nightfold.campaign.base import CampaignBase, ledger_errors
from nightfold.engine.core import (
    write_text,
)
from nightfold.errors import LedgerError, SettingsError
from nightfold.intake.stage import TakeInReport, take_in
from nightfold.settings.files import FILE_NAME

if TYPE_CHECKING:
    from nightfold.depth.records import DepthReport
    from nightfold.depth.tapped import SpotGoal
    from nightfold.fold.stage import FoldReport
    from nightfold.judge.stage import JudgeReport
    from nightfold.picture.stage import PictureReport
    from nightfold.picture.steps import Recipe
    from nightfold.settings.edit import Change
    from nightfold.watch.records import WatchEvent


# Each stage is loaded by the method that needs it: taking files in should not wait for what folding needs.


class WayPart(CampaignBase):
    """Taking in to pictures, decisions, notes and the watch."""

    def take_in(self, paths: Iterable[str | Path]) -> TakeInReport:
        """Read new files under `paths` into the ledger; nothing is moved, changed or deleted."""
        with self._writing("take-in"):
            return take_in(self._ws, [Path(p) for p in paths])

    def judge(self, *, filter: str | None = None, night: date | None = None, again: bool = False) -> JudgeReport:
        """Measure what is new and say of every sub whether it is worth keeping, and why not."""
        from nightfold.judge.stage import judge

        with self._writing("judge"):
            return judge(self._ws, filter=filter, night=night, again=again)

    def subs_named(self, files: Sequence[str | Path]) -> tuple[list[str], list[str]]:
        """These paths or names in two lists: those that subs of this campaign have, and those that none has."""
        found = self._ws.ledger.frames_by_name([str(f) for f in files])
        known = {name for name, rows in found.items() if any(r.kind == "sub" for r in rows)}
        return [n for n in found if n in known], [n for n in found if n not in known]

    def decide(self, files: Sequence[str | Path], verdict: str, *, why: str = "") -> int:
        """Record a person's decision ("keep", "drop" or "clear") on subs by path or name; how many were found.

        Raises
        ------
        SettingsError
            Another decision than these three.
        LedgerError
            A name that no sub has: then nothing is recorded.
        """
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
        """The same on subs by their numbers in the ledger; how many.

        Raises
        ------
        SettingsError
            Another decision than these three.
        LedgerError
            A number that no sub has: then nothing is recorded.
        """
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
        panel: int | None = None,
        palette: str | None = None,
        balance: Literal["signal", "noise", "zero-points"] = "signal",
        out: str | Path | None = None,
        exact: bool = False,
        upright: bool = False,
        annotated: bool = False,
        linear: bool = False,
        proof: bool = False,
        gpu: bool = False,
        preview_px: int | None = None,
    ) -> PictureReport:
        """Mix the masters into a picture, by a recipe or by an automatic one that is written beside it.

        Keywords as in `nightfold.picture.stage.make_picture`. Sizes in the report are pixels, its paths whole.

        Raises
        ------
        PictureError
            No masters of this target, rig and panel, masters of several sizes, or a recipe that cannot be followed.
        """
        from nightfold.picture.stage import make_picture

        with self._writing("picture"):
            return make_picture(
                self._ws,
                Path(recipe) if isinstance(recipe, str) else recipe,
                target=target,
                rig=rig,
                panel=panel,
                palette=palette,
                balance=balance,
                out=Path(out) if out is not None else None,
                exact=exact,
                upright=upright,
                annotated=annotated,
                linear=linear,
                proof=proof,
                gpu=gpu,
                preview_px=preview_px,
            )

    def note(self, text: str, *, rig: str | None = None, on: date | None = None) -> int:
        """Record a dated event of a rig (of all when not named); how many notes that are: one.

        Raises
        ------
        SettingsError
            No rig has this name, or the text is empty.
        """
        if rig is not None and self.settings.rig_named(rig) is None:
            names = ", ".join(r.name for r in self.settings.rig) or "none"
            raise SettingsError("no rig has this name", seen=rig, allowed=names)
        if not text.strip():
            raise SettingsError("the note is empty", allowed="what happened, in a few words")
        with self._writing("note"):
            self._ws.ledger.add_event(rig, on or datetime.now().date(), text.strip())
        return 1

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

    def watch(self, paths: Iterable[str | Path], **options: Any) -> Iterator[WatchEvent]:
        """Follow folders where a controller writes and yield what happens; keywords as in `nightfold.watch.stage.watch`.

        The campaign's lock is held only while a file is taken in and judged, so that other commands can run beside it.
        """
        from nightfold.watch.stage import watch

        with ledger_errors(), threadpool_limits(limits=1, user_api="blas"):
            yield from watch(self._ws, [Path(p) for p in paths], **options)
