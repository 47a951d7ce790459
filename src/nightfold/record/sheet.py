"""The night sheet: one printed page with the chart, what to do when, what is still missing, and what to take care of."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from nightfold.charts.clock import Clock, clock_for
from nightfold.charts.filters import filter_label, filter_styles, in_order
from nightfold.charts.night import night_chart
from nightfold.charts.render import to_pdf
from nightfold.engine.core import atomic_write
from nightfold.errors import NightfoldError
from nightfold.ledger.workspace import Workspace
from nightfold.plan.records import BlockLine, EventLine, NightPlan
from nightfold.plan.stage import tonight
from nightfold.record.printing import Format, set_in_type

SIZES_PT = (11.5, 11.0, 10.5, 10.0, 9.5, 9.0, 8.5, 8.0)
"""Sizes of type that the page may have, largest first."""

ENDINGS: dict[str, Format] = {".pdf": "pdf", ".png": "png"}


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetReport:
    """The sheet that was written."""

    file: str
    date: date
    blocks: int


def night_sheet(
    ws: Workspace, *, day: date | None = None, out: Path | None = None, now: datetime | None = None
) -> SheetReport:
    """Plan a night (tonight by default) and write its sheet as PDF or PNG, by the file's ending."""
    ending = (out.suffix.lower() if out is not None else "") or ".pdf"
    if ending not in ENDINGS:
        raise NightfoldError(
            "a sheet cannot be written in this format",
            seen=str(out),
            allowed=", ".join(ENDINGS),
            next_step="name a file such as tonight.pdf",
        )
    plan = tonight(ws, day=day, now=now)
    site = ws.settings.site
    filters = [f.name for r in ws.settings.rig for f in r.filter]
    data = sheet_bytes(
        plan,
        campaign=ws.settings.name,
        filters=filters,
        southern=site is not None and site.latitude_deg < 0,
        form=ENDINGS[ending],
    )
    file = out if out is not None else ws.folder / "plans" / f"{plan.date.isoformat()}.pdf"
    with atomic_write(file) as stream:
        stream.write(data)
    return SheetReport(file=str(file), date=plan.date, blocks=len(plan.blocks))


def sheet_bytes(
    plan: NightPlan, *, campaign: str, filters: Sequence[str] = (), southern: bool = False, form: Format = "pdf"
) -> bytes:
    """The sheet of a plan: one A4 page, black on white."""
    chart = night_chart(plan, ground="lamp", filters=filters, southern=southern, width=720, height=230, title="")
    return set_in_type(
        "sheet.typ", sheet_data(plan, campaign=campaign, filters=filters), {"chart.pdf": to_pdf(chart)}, form=form
    )


def sheet_data(plan: NightPlan, *, campaign: str, filters: Sequence[str] = ()) -> dict[str, Any]:
    """The words of the sheet."""
    start, end = plan.sunset or plan.curves.times[0], plan.sunrise or plan.curves.times[-1]
    clock = clock_for(start, end, plan.time_zone)
    rigs = list(dict.fromkeys([b.rig for b in plan.blocks] + [e.rig for e in plan.events if e.rig]))
    # The dark sky and disk lines come last: they are to know, not to do.
    notes = [d.sentence for d in plan.disk] + [*plan.missing, *plan.notes]
    return {
        "title": f"Night of {plan.date.day} {plan.date:%B %Y}",
        "campaign": campaign,
        "sizes": SIZES_PT,
        "sky": _sky(plan, clock),
        "rigs": [_rig(name, plan, clock, filters) for name in rigs],
        "general": [
            {"time": clock.text(e.at), "what": e.what} for e in sorted(plan.events, key=lambda e: e.at) if not e.rig
        ],
        "calibration": [_capital(c.sentence) for c in plan.calibration],
        "dawn": [_capital(d.sentence) for d in plan.dawn],
        "instead": [_capital(i) for i in plan.instead],
        "cautions": [_capital(c) for c in plan.cautions],
        "notes": [_capital(n) for n in notes],
    }


def _sky(plan: NightPlan, clock: Clock) -> list[str]:
    """Two lines: the Sun and darkness, the Moon and the clock."""

    def at(when: datetime | None) -> str:
        return clock.text(when) if when is not None else "–"

    sun = (
        f"Sunset {at(plan.sunset)}, dark from {at(plan.dark_start)} to {at(plan.dark_end)}, sunrise {at(plan.sunrise)}."
    )
    if plan.dark_start is None:
        sun = f"Sunset {at(plan.sunset)}, sunrise {at(plan.sunrise)}; it does not get dark."
    moon = f"Moon {plan.moon.illuminated_fraction:.0%} lit, {plan.moon.phase}"
    if plan.moon.up == "never":
        moon += ", below the horizon all night"
    else:
        moon += f"; rises {at(plan.moon.rise)}, sets {at(plan.moon.set)}"
    if plan.moon.separation_deg is not None and plan.moon.up != "never":
        moon += f"; {plan.moon.separation_deg:.0f}° from the target nearest to it"
    return [sun, f"{moon}.", f"All times on the site's clock, {clock.name}. {clock.note}".strip()]


def _rig(name: str, plan: NightPlan, clock: Clock, filters: Sequence[str]) -> dict[str, Any]:
    """A rig's night in order: blocks in bold, single events between them, repeated ones in one line below."""
    styles = filter_styles(in_order([*filters, *(b.filter for b in plan.blocks)]), "lamp")
    several = len({b.target for b in plan.blocks}) > 1
    timed: list[tuple[datetime, int, dict[str, Any]]] = []
    for b in plan.blocks:
        if b.rig == name:
            style = styles[b.filter]
            label = style.label if style.letter else f"{style.sign} {style.label}"
            timed.append((b.start, 1, _block(b, label, clock, several=several)))
    repeated: dict[str, list[EventLine]] = defaultdict(list)
    for e in plan.events:
        if e.rig == name:
            repeated[e.what].append(e)
    more = []
    for what, events in repeated.items():
        if len(events) == 1:
            row = {"time": clock.text(events[0].at), "what": "", "subs": "", "why": _capital(what), "block": False}
            timed.append((events[0].at, 0, row))
        else:
            more.append(f"{_capital(what)}: {', '.join(clock.text(e.at) for e in events)}")
    return {"name": name, "rows": [row for _, _, row in sorted(timed, key=lambda t: t[:2])], "more": more}


def _block(block: BlockLine, label: str, clock: Clock, *, several: bool) -> dict[str, Any]:
    target = f"{block.target}: " if several else ""
    panel = f"panel {block.panel}: " if block.panel is not None else ""
    return {
        "time": f"{clock.text(block.start)}–{clock.text(block.end)}",
        "what": label,
        "subs": f"{block.subs} × {block.sub_s:g} s",
        "why": target + panel + (block.why if target or panel else _capital(block.why)),
        "block": True,
    }


def _capital(text: str) -> str:
    """A sentence as it stands on a page: a capital first, filters as people write them."""
    words = " ".join(filter_label(w) if w in ("Ha", "Hb", "OIII", "SII", "NII") else w for w in text.split(" "))
    return words[:1].upper() + words[1:]
