"""The night as iCalendar, read back by the library and by the rules of RFC 5545; and as CSV."""

from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime, timedelta

import pytest
from icalendar import Calendar
from plan_campaigns import campaign, hours_goals, rig_text, target_text

from nightfold.plan.calendar import blocks_csv, calendar_bytes
from nightfold.plan.records import NightPlan
from nightfold.plan.state import State
from nightfold.plan.tonight import NightRequest, plan_tonight

MADE = datetime(2026, 6, 5, 3, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def plan() -> NightPlan:
    wanted = campaign(rig_text(), target_text(hours_goals(8.0)))
    return plan_tonight(wanted, State(), NightRequest(day=date(2026, 6, 5)))


def test_entries_in_utc_with_alarms(plan: NightPlan) -> None:
    data, entries, alarms = calendar_bytes(plan, campaign="Lantern", made_at=MADE)
    read = Calendar.from_ical(data)
    assert read["VERSION"] == "2.0"
    assert read["PRODID"]
    events = read.walk("VEVENT")
    assert len(events) == entries
    assert len(read.walk("VALARM")) == alarms
    for block, event in zip(plan.blocks, events):
        assert event["DTSTART"].dt == block.start
        assert event["DTEND"].dt == block.end
        assert event["DTSTAMP"].dt == MADE
        assert block.filter in event["SUMMARY"]
    first = [a["TRIGGER"].dt for a in events[0].walk("VALARM")]
    assert sorted(first) == [-timedelta(minutes=45), -timedelta(minutes=5)]
    for event in events:
        for alarm in event.walk("VALARM"):
            # RFC 5545, 3.6.6: a DISPLAY alarm must have ACTION, TRIGGER and DESCRIPTION.
            assert alarm["ACTION"] == "DISPLAY"
            assert alarm["DESCRIPTION"]
            assert alarm["TRIGGER"].dt <= timedelta(0)
    # The site's clock stands in the words: 18:45 there is 08:45 UTC.
    assert "18:45" in events[0]["DESCRIPTION"]


def test_lines_as_the_rules_want_them(plan: NightPlan) -> None:
    data, _, _ = calendar_bytes(plan, campaign="Lantern", made_at=MADE)
    # RFC 5545, 3.1: CRLF, at most 75 octets a line; 3.3.5: UTC ends in Z.
    assert data.count(b"\n") == data.count(b"\r\n")
    assert max(len(line) for line in data.split(b"\r\n")) <= 75
    starts = [line for line in data.split(b"\r\n") if line.startswith(b"DTSTART")]
    assert starts
    assert all(line.endswith(b"Z") for line in starts)


def test_a_later_plan_replaces_the_earlier(plan: NightPlan) -> None:
    first = Calendar.from_ical(calendar_bytes(plan, campaign="Lantern", made_at=MADE)[0]).walk("VEVENT")
    later = Calendar.from_ical(calendar_bytes(plan, campaign="Lantern", made_at=MADE + timedelta(hours=5))[0]).walk(
        "VEVENT"
    )
    uids = [e["UID"] for e in first]
    assert len(set(uids)) == len(uids)
    assert uids == [e["UID"] for e in later]
    assert all(int(b["SEQUENCE"]) > int(a["SEQUENCE"]) for a, b in zip(first, later))
    other = Calendar.from_ical(calendar_bytes(plan, campaign="Other", made_at=MADE)[0]).walk("VEVENT")
    assert not set(uids) & {e["UID"] for e in other}


def test_blocks_as_csv(plan: NightPlan) -> None:
    rows = list(csv.DictReader(io.StringIO(blocks_csv(plan))))
    assert len(rows) == len(plan.blocks)
    for row, block in zip(rows, plan.blocks):
        assert datetime.fromisoformat(row["start_utc"]) == block.start
        assert row["start_site"] == f"{block.start + timedelta(hours=10):%Y-%m-%d %H:%M:%S}"
        assert (row["filter"], int(row["subs"]), float(row["sub_s"])) == (block.filter, block.subs, block.sub_s)
        assert float(row["ra_deg"]) == 250.2
        assert float(row["dec_deg"]) == -48.8
