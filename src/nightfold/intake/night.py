"""Which night an exposure belongs to: local noon to local noon, named by its evening's date."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from functools import lru_cache
from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from nightfold.errors import SettingsError

NightBasis = Literal["site zone", "site longitude", "header clock", "header longitude", "UTC"]
_NOON = timedelta(hours=12)

FARTHEST_CLOCK_H = 4.0
"""A clock farther from the mean Sun is not the site's own, such as UTC kept in Australia: its noon falls into the night.
Civil clocks differ by up to 3 h (the west of China)."""


@dataclass(frozen=True, slots=True)
class Night:
    """A night's date, and by which noon it was told."""

    date: date
    basis: NightBasis


@lru_cache(maxsize=64)
def zone_named(name: str) -> ZoneInfo:
    """A time zone by its name in the tz database."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise SettingsError(
            "the site's time_zone is not known", seen=name, allowed="a name such as Australia/Sydney"
        ) from error


def night_of(
    start: datetime,
    *,
    zone: str | tzinfo | None = None,
    site_longitude_deg: float | None = None,
    utc_offset_h: float | None = None,
    header_longitude_deg: float | None = None,
) -> Night:
    """The night of a moment.

    The first that is known decides where noon is: the site's zone, unless it is `FARTHEST_CLOCK_H` and more from the mean
    Sun at its longitude, the site's longitude (mean Sun), the offset of the local clock that the header tells, the header's
    longitude, UTC. Where none is known, `nights_by_gap` does better for
    several frames together.

    Parameters
    ----------
    start : datetime
        Aware.
    zone : str or tzinfo, optional
        The site's.
    site_longitude_deg, header_longitude_deg : float, optional
        East positive.
    utc_offset_h : float, optional
        `FrameHeader.utc_offset_h`.
    """
    utc = start.astimezone(UTC).replace(tzinfo=None)
    solar_h = None if site_longitude_deg is None else ((site_longitude_deg + 180.0) % 360.0 - 180.0) / 15.0
    if zone is not None:
        local = start.astimezone(zone_named(zone) if isinstance(zone, str) else zone).replace(tzinfo=None)
        if solar_h is None or abs((local - utc).total_seconds() / 3600.0 - solar_h) < FARTHEST_CLOCK_H:
            return Night((local - _NOON).date(), "site zone")
    basis: NightBasis = "UTC"
    offset_h = 0.0
    if solar_h is not None:
        offset_h, basis = solar_h, "site longitude"
    elif utc_offset_h is not None:
        offset_h, basis = utc_offset_h, "header clock"
    elif header_longitude_deg is not None:
        offset_h, basis = ((header_longitude_deg + 180.0) % 360.0 - 180.0) / 15.0, "header longitude"
    return Night((utc + timedelta(hours=offset_h) - _NOON).date(), basis)


def nights_by_gap(starts: Sequence[datetime]) -> list[date]:
    """Nights of exposures whose site is not known, split at the time of day at which nothing was exposed for longest.

    Over all days together the exposures leave a largest gap on the 24-hour clock: daytime. Its middle stands for noon. A
    night is named by the UTC date on which it began, which may differ by one from the evening's date at the site.

    Parameters
    ----------
    starts : sequence of datetime
        Aware, in any order.

    Returns
    -------
    list of date
        In the order of `starts`.
    """
    if not starts:
        return []
    utc = [s.astimezone(UTC).replace(tzinfo=None) for s in starts]
    day = 86400.0
    clocks = sorted({(t - datetime(t.year, t.month, t.day)).total_seconds() for t in utc})
    gaps = [(later - sooner, sooner) for sooner, later in zip(clocks, [*clocks[1:], clocks[0] + day])]
    width, sooner = max(gaps)
    split = (sooner + 0.5 * width) % day
    return [(t - timedelta(seconds=split)).date() for t in utc]
