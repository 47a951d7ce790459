"""What comes next: tonight, sub lengths, framing, the season; and the pages that tell it."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from nightfold.campaign.base import CampaignBase, ledger_errors

if TYPE_CHECKING:
    from nightfold.charts.records import Strip
    from nightfold.plan.records import CalendarReport, ExposureReport, FrameReport, NightPlan, SeasonReport
    from nightfold.record.pages import RecordReport
    from nightfold.record.sheet import SheetReport


# Each stage is loaded by the method that needs it: taking files in should not wait for what folding needs.


class PlanningPart(CampaignBase):
    """Tonight to the capture record."""

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

        with ledger_errors():
            return tonight(
                self._ws, day=day, rig=rig, begin=begin, clear=clear, csv=Path(csv) if csv is not None else None
            )

    def exposure(self, *, filter: str, rig: str | None = None, target: str | None = None) -> ExposureReport:
        """How long a sub shall be on a rig through a filter, and what other lengths cost.

        Lengths in seconds, rates in electrons a second and unbinned pixel.

        Raises
        ------
        SettingsError
            No site, no such rig or filter, or a rig without aperture, focal length or pixel.
        """
        from nightfold.plan.stage import exposure

        return exposure(self._ws, rig=rig, filter=filter, target=target)

    def frame(self, *, rig: str | None = None, target: str | None = None) -> FrameReport:
        """How a target lies on a rig's sensor, its panels, and how far to turn the camera."""
        from nightfold.plan.stage import frame

        return frame(self._ws, rig=rig, target=target)

    def season(self, *, day: date | None = None, target: str | None = None, rig: str | None = None) -> SeasonReport:
        """What the year from a night on holds: hours by month, best date, finish, and what another choice gives.

        Raises
        ------
        SettingsError
            No site in campaign.toml, or no target or rig of this name.
        """
        from nightfold.plan.stage import season

        return season(self._ws, day=day, target=target, rig=rig)

    def calendar(self, *, day: date | None = None, out: str | Path | None = None) -> CalendarReport:
        """A night's plan as an iCalendar file with alarms.

        Raises
        ------
        SettingsError
            The plan of the night has no block.
        """
        from nightfold.plan.stage import calendar

        with ledger_errors():
            return calendar(self._ws, day=day, out=Path(out) if out is not None else None)

    def show(self, *, with_tonight: bool = True) -> Strip:
        """The campaign at one look: its nights in a row, its goals, what tonight would add, and the next step.

        Parameters
        ----------
        with_tonight : bool
            Plan tonight for it, which takes some seconds.
        """
        from nightfold.record.strip import campaign_strip

        with ledger_errors():
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
