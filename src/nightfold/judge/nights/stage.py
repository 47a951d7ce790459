"""The campaign as a row of nights: what each gave, how its sky was, and what to do next."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from statistics import median
from typing import Any, NamedTuple

from nightfold.judge.facts.stage import image_scale
from nightfold.ledger.base import many_rows
from nightfold.ledger.lines import SubLine
from nightfold.ledger.workspace import Workspace
from nightfold.settings.models import CampaignSettings
from nightfold.sky.ephemeris import moon_illumination, unix_seconds


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterHours:
    """Exposure in one filter, kept and dropped."""

    filter: str
    kept_s: float
    dropped_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NightLine:
    """One night of the row. Medians are over all its subs that were measured; the Moon's lit side is as seen from the site."""

    night: date
    moon_illuminated_fraction: float
    moon_waxing: bool
    moon_lit_right: bool
    filters: tuple[FilterHours, ...]
    subs: int
    kept: int
    fwhm_arcsec: float | None
    fwhm_px: float | None
    sky_e_per_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NightsReport:
    """The row of nights and the one sentence under it."""

    name: str
    filters: tuple[str, ...]
    nights: tuple[NightLine, ...]
    next_step: str
    next_action: str


class SubBrief(NamedTuple):
    """A sub in the few numbers that overviews are made of; names and units as in the judge's document."""

    rig: str | None
    target: str | None
    panel: int | None
    filter: str | None
    night: date | None
    start: datetime | None
    exposure_s: float | None
    fwhm_px: float | None
    fwhm_arcsec: float | None
    sky_e_per_s: float | None
    verdict: str
    unread: bool


def sub_briefs(ws: Workspace) -> list[SubBrief]:
    """All subs in brief, in no order: a large campaign's in a second, where the judge's document takes many.

    Not made again while the ledger stays as it is; the list is shared, and not to be changed.
    """
    return ws.remember("sub briefs", lambda: _sub_briefs(ws))


def _sub_briefs(ws: Workspace) -> list[SubBrief]:
    decisions = {i: d.verdict for i, d in ws.ledger.decisions().items()}
    lines = ws.ledger.sub_lines()
    unread = [line.frame_id for line in lines if line.measured is None and line.frame_id not in decisions]
    told = {i for i, v in ws.ledger.verdicts(unread).items() if v.causes} if unread else set()
    waiting = set(unread) - told
    scales: dict[tuple[Any, ...], float | None] = {}
    with many_rows():
        return _briefs_of(ws, lines, decisions, waiting, scales)


def _briefs_of(
    ws: Workspace,
    lines: Sequence[SubLine],
    decisions: dict[int, str],
    waiting: set[int],
    scales: dict[tuple[Any, ...], float | None],
) -> list[SubBrief]:
    found = []
    for line in lines:
        i, rig, target, panel, name, night, start, exposure_s, pixel, binning, focal, _, fwhm, sky, keep, _ = line
        key = (rig, pixel, binning, focal)
        if key not in scales:
            scales[key] = image_scale(ws.settings, *key)
        scale = scales[key]
        found.append(
            SubBrief(
                rig,
                target,
                panel,
                name,
                night,
                start,
                exposure_s,
                fwhm,
                fwhm * scale if fwhm is not None and scale else None,
                None if sky is None else sky / (exposure_s or 1.0),
                decisions.get(i, "keep" if keep else "drop"),
                i in waiting,
            )
        )
    return found


def nights_report(ws: Workspace, subs: Sequence[SubBrief] | None = None) -> NightsReport:
    """The campaign's nights as they stand in the ledger; nothing is measured. `subs` spares reading them again."""
    subs = sub_briefs(ws) if subs is None else subs
    by_night: dict[date, list[SubBrief]] = defaultdict(list)
    for sub in subs:
        if sub.night is not None:
            by_night[sub.night].append(sub)
    names = filter_order(ws.settings, {str(s.filter) for s in subs if s.filter})
    southern = ws.settings.site is not None and ws.settings.site.latitude_deg < 0
    sentence, action = _next_step(ws, subs)
    nights = sorted(by_night)
    moons = _moons([unix_seconds(_middle(day, by_night[day])) for day in nights])
    return NightsReport(
        name=ws.settings.name,
        filters=names,
        nights=tuple(_night_line(day, by_night[day], names, southern, moon) for day, moon in zip(nights, moons)),
        next_step=sentence,
        next_action=action,
    )


def filter_order(settings: CampaignSettings, names: set[str]) -> tuple[str, ...]:
    """Filters by wavelength, those without one last, by name."""
    waves = {f.name: f.centre_nm for rig in settings.rig for f in rig.filter if f.centre_nm}
    return tuple(sorted(names, key=lambda n: (waves.get(n, 9e9), n)))


def _middle(day: date, subs: Sequence[SubBrief]) -> datetime:
    """The middle of a night's subs; towards midnight where no start is known."""
    starts = sorted(s.start for s in subs if s.start is not None)
    return (
        starts[len(starts) // 2].replace(tzinfo=UTC)
        if starts
        else datetime(day.year, day.month, day.day, 23, tzinfo=UTC)
    )


def _moons(seconds: Sequence[float]) -> list[tuple[float, bool]]:
    """The Moon's lit share at each time, and whether it grows; all at once, for each call is a tenth of a second's work."""
    if not seconds:
        return []
    lit = moon_illumination([*seconds, *(s + 3600.0 for s in seconds)]).illuminated_fraction
    return [(float(a), bool(b > a)) for a, b in zip(lit[: len(seconds)], lit[len(seconds) :])]


def _night_line(
    day: date, subs: Sequence[SubBrief], names: Sequence[str], southern: bool, moon: tuple[float, bool]
) -> NightLine:
    lit, waxing = moon
    spent: dict[str | None, list[float]] = defaultdict(lambda: [0.0, 0.0])
    for s in subs:
        spent[s.filter][s.verdict != "keep"] += s.exposure_s or 0.0
    hours = [FilterHours(filter=n, kept_s=spent[n][0], dropped_s=spent[n][1]) for n in names if n in spent]
    return NightLine(
        night=day,
        moon_illuminated_fraction=lit,
        moon_waxing=waxing,
        moon_lit_right=waxing is not southern,
        filters=tuple(hours),
        subs=len(subs),
        kept=sum(s.verdict == "keep" for s in subs),
        fwhm_arcsec=_median([s.fwhm_arcsec for s in subs]),
        fwhm_px=_median([s.fwhm_px for s in subs]),
        sky_e_per_s=_median([s.sky_e_per_s for s in subs]),
    )


def _median(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None and v == v]
    return float(median(known)) if known else None


def _next_step(ws: Workspace, subs: Sequence[SubBrief]) -> tuple[str, str]:
    """What to do next, in one sentence, and the name of the work that does it."""
    if not subs:
        return "No subs yet: choose the folder with your frames.", "take-in"
    unread = sum(s.unread for s in subs)
    if unread:
        several = f"{unread} subs have" if unread > 1 else "One sub has"
        return f"{several} not been looked at yet: judge them.", "judge"
    masters = ws.ledger.masters()
    if not masters:
        return "Every sub has its verdict: fold the kept ones into masters.", "fold"
    newest = max(m.made_at for m in masters)
    changed = [d for d in ws.ledger.decisions().values() if d.made_at > newest]
    used = sum(int(m.document.get("subs_used") or 0) for m in masters)
    kept = sum(s.verdict == "keep" for s in subs)
    if changed:
        return "Verdicts changed since the last fold: fold again.", "fold"
    if kept > used:
        return f"{kept - used} kept subs are not in a master yet: fold again.", "fold"
    if not ws.ledger.pictures():
        return "The masters are ready: make the first picture.", "picture"
    return "The picture is made. More subs go deeper; take them in when you have them.", "take-in"
