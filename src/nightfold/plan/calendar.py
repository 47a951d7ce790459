"""A night as an iCalendar file (RFC 5545), whose alarms go off on a phone, and its blocks as plain CSV.

Times are written in UTC ("form 2" of RFC 5545, 3.3.5), so that no phone has to know the site's zone or its rules of summer
time; the site's clock stands in the words. Entries keep their names (UID: campaign, night, rig, number of the block) from one plan to
the next and count up (SEQUENCE), so that a calendar that imports a later plan replaces the earlier entries.
"""

from __future__ import annotations

import csv
import hashlib
import io
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from icalendar import Alarm, Calendar, Event

from nightfold.engine.documents import nearest_minute
from nightfold.plan.records import NightPlan

__all__ = ["blocks_csv", "calendar_bytes"]

SETUP_BEFORE = timedelta(minutes=45)
"""The first alarm, before the first block of a rig."""

BLOCK_BEFORE = timedelta(minutes=5)

_SEQUENCE_FROM = datetime(2020, 1, 1, tzinfo=UTC)
"""A later plan must have a higher SEQUENCE: minutes from here."""


def calendar_bytes(plan: NightPlan, *, campaign: str, made_at: datetime | None = None) -> tuple[bytes, int, int]:
    """The file's bytes, with the number of its entries and alarms.

    One entry a block, with an alarm before it; flips, moonrise and the end of the night as entries of their own.
    """
    stamp = (made_at or datetime.now(UTC)).astimezone(UTC).replace(microsecond=0)
    calendar = Calendar()
    calendar.add("prodid", "-//nightfold//night plan//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    entries = alarms = 0
    so_far: dict[str, int] = {}
    for block in plan.blocks:
        number = so_far[block.rig] = so_far.get(block.rig, 0) + 1
        where = block.target if block.panel is None else f"{block.target}, panel {block.panel}"
        entry = _entry(plan, campaign, f"{block.rig} block {number}", block.start, block.end, stamp)
        entry.add("summary", f"{block.filter} on {where} with {block.rig}")
        entry.add(
            "description",
            f"{block.subs} subs of {block.sub_s:g} s, {_clock(plan, block.start)} to {_clock(plan, block.end)}: {block.why}.",
        )
        entry.add_component(_alarm(f"{block.filter} on {where} from {_clock(plan, block.start)}", BLOCK_BEFORE))
        alarms += 1
        if number == 1:
            entry.add_component(_alarm(f"Set up {block.rig}: first sub at {_clock(plan, block.start)}", SETUP_BEFORE))
            alarms += 1
        calendar.add_component(entry)
        entries += 1
    for event in plan.events:
        if event.what.startswith(("point at", "focus")):
            continue
        entry = _entry(plan, campaign, f"{event.rig} {event.what}", event.at, event.at + timedelta(minutes=10), stamp)
        entry.add("summary", event.what + (f" with {event.rig}" if event.rig else ""))
        entry.add_component(_alarm(f"{event.what} at {_clock(plan, event.at)}", BLOCK_BEFORE))
        calendar.add_component(entry)
        entries, alarms = entries + 1, alarms + 1
    if plan.blocks:
        last = max(b.end for b in plan.blocks)
        entry = _entry(plan, campaign, "end of the night", last, last + timedelta(minutes=30), stamp)
        entry.add("summary", "End of the night: flats, then caps on")
        words = [d.sentence for d in plan.dawn] + list(plan.cautions[:1])
        entry.add("description", "\n".join(words))
        entry.add_component(_alarm("The last block is over", timedelta(0)))
        calendar.add_component(entry)
        entries, alarms = entries + 1, alarms + 1
    return calendar.to_ical(), entries, alarms


def _entry(plan: NightPlan, campaign: str, what: str, start: datetime, end: datetime, stamp: datetime) -> Event:
    """An event in UTC with a name that stays."""
    entry = Event()
    digest = hashlib.sha256(f"{campaign}|{plan.date}|{what}".encode()).hexdigest()[:24]
    entry.add("uid", f"{digest}@nightfold")
    entry.add("dtstamp", stamp)
    entry.add("sequence", int((stamp - _SEQUENCE_FROM) / timedelta(minutes=1)))
    entry.add("dtstart", start.astimezone(UTC).replace(microsecond=0))
    entry.add("dtend", end.astimezone(UTC).replace(microsecond=0))
    return entry


def _alarm(words: str, before: timedelta) -> Alarm:
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", words)
    alarm.add("trigger", -before)
    return alarm


def _clock(plan: NightPlan, instant: datetime) -> str:
    """The site's clock."""
    return f"{nearest_minute(instant).astimezone(ZoneInfo(plan.time_zone) if plan.time_zone else UTC):%H:%M}"


def blocks_csv(plan: NightPlan) -> str:
    """The blocks with site's clock and UTC, one a line, to key into any controller."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(
        ["rig", "target", "panel", "ra_deg", "dec_deg", "filter", "start_site", "start_utc", "end_utc", "sub_s", "subs", "why"]
    )  # fmt: skip
    places = {(t.target, t.panel): (t.ra_deg, t.dec_deg) for t in plan.targets}
    zone = ZoneInfo(plan.time_zone) if plan.time_zone else UTC
    for b in plan.blocks:
        ra, dec = places[(b.target, b.panel)]
        writer.writerow(
            [
                b.rig,
                b.target,
                b.panel if b.panel is not None else "",
                f"{ra:.5f}",
                f"{dec:+.5f}",
                b.filter,
                f"{b.start.astimezone(zone):%Y-%m-%d %H:%M:%S}",
                f"{b.start:%Y-%m-%dT%H:%M:%SZ}",
                f"{b.end:%Y-%m-%dT%H:%M:%SZ}",
                f"{b.sub_s:g}",
                b.subs,
                b.why,
            ]
        )
    return text.getvalue()
