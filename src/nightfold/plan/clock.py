"""Times as people write them, on the site's clock and inside a night."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from zoneinfo import ZoneInfo

from nightfold.errors import SettingsError
from nightfold.intake.night import FARTHEST_CLOCK_H
from nightfold.sky.ephemeris import Place
from nightfold.sky.night import Night

__all__ = ["clear_window", "instant_in", "tonight_of", "zone_of"]


def zone_of(place: Place) -> tzinfo:
    """The site's zone; UTC where none is known."""
    return ZoneInfo(place.time_zone) if place.time_zone else UTC


def tonight_of(place: Place, now: datetime) -> date:
    """The evening's date of the night that is on or comes next: from noon to noon on the site's clock, else of the mean Sun."""
    east = (place.longitude_deg + 180.0) % 360.0 - 180.0
    local = solar = (now.astimezone(UTC) + timedelta(seconds=240.0 * east)).replace(tzinfo=None)
    if place.time_zone:
        clock = now.astimezone(ZoneInfo(place.time_zone)).replace(tzinfo=None)
        # A clock such as UTC kept far from Greenwich tells times, not noons.
        local = clock if abs((clock - solar) / timedelta(hours=1)) < FARTHEST_CLOCK_H else solar
    # A morning after sunrise belongs to the night to come; 7 o'clock stands in for sunrise.
    return (local - timedelta(hours=7)).date() if local.hour < 12 else local.date()


def instant_in(text: str, night: Night, *, now: datetime | None = None) -> datetime:
    """An instant in UTC of "now", "22:30" on the site's clock in this night, or a date with time (site's clock without a zone).

    Raises SettingsError where the text is none of these or lies outside the night.
    """
    word = text.strip()
    zone = zone_of(night.place)
    if word.lower() == "now":
        found = (now or datetime.now(UTC)).astimezone(UTC)
    elif match := re.fullmatch(r"(\d{1,2}):(\d{2})(?::(\d{2}))?", word):
        hour, minute, second = (int(g or 0) for g in match.groups())
        if hour > 23 or minute > 59 or second > 59:
            raise _not_a_time(text)
        found = _inside(time(hour, minute, second), night, zone)
    else:
        try:
            parsed = datetime.fromisoformat(word.replace("Z", "+00:00"))
        except ValueError as error:
            raise _not_a_time(text) from error
        found = (parsed if parsed.tzinfo else parsed.replace(tzinfo=zone)).astimezone(UTC)
    if not night.start - timedelta(hours=1) <= found <= night.end + timedelta(hours=1):
        raise SettingsError(
            "the time lies outside the night",
            seen=text.strip(),
            allowed=f"{night.local(night.start):%Y-%m-%d %H:%M} to {night.local(night.end):%Y-%m-%d %H:%M} on the site's clock",
            next_step="give another time, or the night with --date",
        )
    return found


def _inside(clock: time, night: Night, zone: tzinfo) -> datetime:
    """The one instant of a night, noon to noon, at which the site's clock shows a time."""
    begin = night.local(night.start).date()
    candidates = [datetime.combine(begin + timedelta(days=d), clock, tzinfo=zone).astimezone(UTC) for d in (-1, 0, 1)]
    middle = night.start + (night.end - night.start) / 2
    return min(candidates, key=lambda t: abs(t - middle))


def clear_window(text: str, night: Night, *, now: datetime | None = None) -> tuple[datetime, datetime]:
    """Begin and end of "22:00-01:30" in a night."""
    parts = re.fullmatch(r"\s*(now|\d{1,2}:\d{2}(?::\d{2})?)\s*(?:-|–|to)\s*(\d{1,2}:\d{2}(?::\d{2})?)\s*", text, re.I)
    if parts is None:
        raise SettingsError(
            "the clear hours cannot be read",
            seen=text.strip(),
            allowed="two times on the site's clock, such as 22:00-01:30",
        )
    begin, end = instant_in(parts[1], night, now=now), instant_in(parts[2], night, now=now)
    if end <= begin:
        raise SettingsError(
            "the clear hours end before they begin",
            seen=text.strip(),
            allowed="the earlier time first, both in one night from noon to noon",
        )
    return begin, end


def _not_a_time(text: str) -> SettingsError:
    return SettingsError(
        "the time cannot be read",
        seen=text.strip() or "nothing",
        allowed='"now", a time on the site\'s clock such as 22:30, or a date with time such as 2026-05-14T22:30',
    )
