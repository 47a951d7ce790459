"""Times on an axis: the site's own clock, though the drawing program knows only UTC and the viewer's zone.

Every row of data carries two texts: `at`, the instant in UTC with Z, for hovering and for machines; and `clock`, the same
instant moved by the site's offset and also written with Z, which the axis reads on a UTC scale. The offset is that of one
instant of the chart for all of it, so that time runs evenly through a change of the clocks; such a night says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from nightfold.charts.theme import Spec
from nightfold.engine.documents import iso_z, nearest_minute


@dataclass(frozen=True, slots=True)
class Clock:
    """The clock of a site over the span of a chart."""

    offset: timedelta
    note: str = ""

    def row(self, at: datetime) -> dict[str, str]:
        """The two texts of an instant."""
        return {"at": iso_z(at), "clock": iso_z(at + self.offset)}

    def row_to(self, until: datetime) -> dict[str, str]:
        """The two texts of the end of a span."""
        return {"until": iso_z(until), "clock_until": iso_z(until + self.offset)}

    def bound(self, at: datetime) -> Spec:
        """An instant as a bound of the axis."""
        moved = at.astimezone(UTC) + self.offset
        return {
            "year": moved.year, "month": moved.month, "date": moved.day, "hours": moved.hour, "minutes": moved.minute,
            "seconds": moved.second, "utc": True,
        }  # fmt: skip

    def text(self, at: datetime, form: str = "%H:%M") -> str:
        """An instant as this clock shows it, to the nearest minute."""
        return nearest_minute(at.astimezone(UTC) + self.offset).strftime(form)

    @property
    def name(self) -> str:
        """Such as UTC+10 or UTC-03:30."""
        minutes = round(self.offset.total_seconds() / 60)
        if not minutes:
            return "UTC"
        hours, rest = divmod(abs(minutes), 60)
        return f"UTC{'+' if minutes > 0 else '−'}{hours}" + (f":{rest:02d}" if rest else "")

    @property
    def told(self) -> str:
        """Whose clock the axis shows, in a sentence or two."""
        return ("Times in UTC." if self.name == "UTC" else f"Local time, {self.name}.") + (
            f" {self.note}" if self.note else ""
        )


def clock_for(start: datetime, end: datetime, time_zone: str | None) -> Clock:
    """The clock to draw a span with; UTC where no zone is known."""
    if time_zone is None:
        return Clock(timedelta(0))
    zone = ZoneInfo(time_zone)

    def offset(at: datetime) -> timedelta:
        return at.astimezone(zone).utcoffset() or timedelta(0)

    first, last = offset(start), offset(end)
    note = ""
    if first != last:
        note = f"The clocks change in this night; the axis keeps the evening's time, {Clock(first).name}."
    return Clock(first, note)


def time_axis(clock: Clock, start: datetime, end: datetime, *, labels: bool = True, title: str | None = None) -> Spec:
    """The x encoding of a night."""
    axis: Spec = {"format": "%H:%M", "title": title, "tickCount": 8, "labelOverlap": True}
    if not labels:
        axis = {"labels": False, "title": None, "ticks": False, "domain": False, "tickCount": 8}
    return {
        "field": "clock",
        "type": "temporal",
        "scale": {"type": "utc", "domainMin": clock.bound(start), "domainMax": clock.bound(end), "nice": False},
        "axis": {**axis, "grid": True, "gridOpacity": 0.5},
    }


def dates_axis(days: Sequence[str], *, title: str | None = None) -> Spec:
    """The x encoding of nights by their evening's date ("2026-05-14"), spaced as they are in time."""
    return {
        "field": "day",
        "type": "temporal",
        "scale": {"type": "utc", "domain": list(days)},
        "axis": {"format": "%-d %b", "title": title, "labelOverlap": True, "tickCount": 8},
    }
