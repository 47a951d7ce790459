"""The strip in block characters, 80 columns wide: one row a filter, one column a day or a few, true in time."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from datetime import date, timedelta

from nightfold.charts.filters import filter_styles
from nightfold.charts.records import Strip, StripGoal, StripNight, StripTonight
from nightfold.charts.strip import FAR_DAYS, days_until_tonight

WIDTH = 80
LEAST_LABEL, MOST_LABEL, TOTAL = 11, 24, 20
"""Names of filters are written out as far as they leave room for the nights."""
BLOCKS = "▁▂▃▄▅▆▇█"
LEAST_DAYS = 14


def strip_told(strip: Strip) -> str:
    """The whole strip as text that can be pasted into a mail; no line is longer than 80 columns."""
    lines = [*_wrapped(_heading(strip))]
    if strip.nights or strip.tonight:
        lines += ["", *_rows(strip)]
    if strip.goals:
        lines += ["", *_goals(strip)]
    lines += [""] + [line for text in (*_once(strip), *strip.notes) for line in _wrapped(text)]
    lines += _wrapped(f"Next: {strip.next}")
    return "\n".join(line.rstrip() for line in lines)


def _labels(strip: Strip) -> dict[str, str]:
    """What each filter's row is called."""
    styles = filter_styles(strip.filters)
    return {name: s.label if s.letter else f"{s.sign} {s.label}" for name, s in styles.items()}


def _room(strip: Strip) -> tuple[int, int]:
    """Characters for the names of rows and for the blocks beside them."""
    label = min(MOST_LABEL, max([LEAST_LABEL, *map(len, _labels(strip).values())]))
    return label, WIDTH - label - TOTAL - 2


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, break_long_words=True, subsequent_indent="  ") or [""]


def _heading(strip: Strip) -> str:
    nights = len(strip.nights)
    text = f"{strip.campaign}: {nights} night{'s' if nights != 1 else ''}, {strip.kept_h:.1f} h kept"
    return text + (f", {strip.dropped_h:.1f} h dropped" if strip.dropped_h >= 0.05 else "")


def _rows(strip: Strip) -> list[str]:
    """The table of blocks: dates, Moon, hours by filter, dropped hours, sharpness and sky."""
    far = days_until_tonight(strip)
    shown = strip.tonight if strip.tonight is not None and (far is None or far <= FAR_DAYS) else None
    days = [n.date for n in strip.nights] + ([shown.date] if shown else [])
    if not days:
        return [f"Tonight is {far} days after the last night."] if far is not None else []
    first, last = min(days), max(days)
    first = min(first, last - timedelta(days=LEAST_DAYS))
    label_room, columns = room = _room(strip)
    step = -(-((last - first).days + 1) // columns)
    column = {d: (d - first).days // step for d in days}
    count = (last - first).days // step + 1
    # A day takes two characters where there is room, so that blocks stand apart.
    wide = 2 if 2 * count <= columns else 1
    kept: dict[str, dict[int, float]] = {}
    dropped: dict[int, float] = {}
    for n in strip.nights:
        for f in n.filters:
            row = kept.setdefault(f.filter, {})
            row[column[n.date]] = row.get(column[n.date], 0.0) + f.kept_h
            dropped[column[n.date]] = dropped.get(column[n.date], 0.0) + f.dropped_h
    added = {f.filter: f.kept_h for f in shown.filters} if shown else {}
    top = max([*(v for row in kept.values() for v in row.values()), *dropped.values(), *added.values(), 1e-9])
    lines = _dates(strip.nights, column, count, wide, shown.date if shown else None, room)
    moons: dict[int, float] = {}
    every: Sequence[StripNight | StripTonight] = (*strip.nights, *([shown] if shown else []))
    for night in every:
        if night.moon_illuminated_fraction is not None:
            moons.setdefault(column[night.date], night.moon_illuminated_fraction)
    lines.append(_line("Moon lit", moons, count, wide, 1.0, "", room))
    last_column = column[shown.date] if shown else -1
    for name, label in _labels(strip).items():
        if name not in kept and name not in added:
            continue
        row = {**kept.get(name, {})}
        total = sum(row.values())
        told = f"{total:.1f} h"
        if name in added:
            row[last_column] = added[name]
            told += f" + {added[name]:.1f} h"
        lines.append(_line(label, row, count, wide, top, told, room))
    if any(v > 0 for v in dropped.values()):
        lines.append(_line("dropped", dropped, count, wide, top, f"{strip.dropped_h:.1f} h", room))
    lines += _conditions(strip.nights, column, count, wide, room)
    if shown and added:
        lines.append(f"{'':{label_room}} After the +: what tonight, the last column, would add.")
    if far is not None and far > FAR_DAYS:
        lines.append(f"{'':{label_room}} Tonight is {far} days later and not in this row.")
    return lines


def _conditions(
    nights: Sequence[StripNight], column: Mapping[date, int], count: int, wide: int, room: tuple[int, int]
) -> list[str]:
    arcsec = any(n.fwhm_arcsec is not None for n in nights)
    wanted = (
        ("FWHM", "″" if arcsec else " px", {column[n.date]: n.fwhm_arcsec if arcsec else n.fwhm_px for n in nights}),
        ("sky", " × usual", {column[n.date]: n.sky_over_usual for n in nights}),
    )
    lines = []
    for label, unit, values in wanted:
        known = {c: v for c, v in values.items() if v is not None}
        if known:
            low, high = min(known.values()), max(known.values())
            span = f"{low:.1f} to {high:.1f}{unit}" if f"{low:.1f}" != f"{high:.1f}" else f"{low:.1f}{unit}"
            lines.append(_line(label, known, count, wide, high, span, room))
    return lines


def _line(
    label: str, values: Mapping[int, float], count: int, wide: int, top: float, told: str, room: tuple[int, int]
) -> str:
    label_room, columns = room
    cells = "".join(_block(values.get(c), top) + " " * (wide - 1) for c in range(count))
    return f"{label:{label_room}.{label_room}} {cells:{columns}} {told:.{TOTAL}}"


def _block(value: float | None, top: float) -> str:
    """A block as high as the value is against the top; a dot for none, nothing where there is no night."""
    if value is None:
        return " "
    if value <= 0:
        return "·"
    return BLOCKS[min(7, max(0, round(8 * value / top) - 1))]


def _dates(
    nights: Sequence[StripNight],
    column: Mapping[date, int],
    count: int,
    wide: int,
    tonight: date | None,
    room: tuple[int, int],
) -> list[str]:
    """Names of nights over their column, as many as there is room for; tonight's always."""
    label_room, columns = room
    cells = [" "] * (columns + 1)
    marks: list[tuple[date, str]] = [(tonight, "tonight")] if tonight is not None else []
    marks += [(n.date, f"{n.date.day} {n.date:%b}") for n in nights]
    for day, text in marks:
        start = min(column[day] * wide, columns - len(text))
        reach = cells[max(0, start - 1) : start + len(text) + 1]
        if all(c == " " for c in reach):
            cells[start : start + len(text)] = text
    return [f"{'':{label_room}} {''.join(cells)}"]


def _goals(strip: Strip) -> list[str]:
    """A bar for each goal, under the target and panel that it is for where there is more than one of them."""
    places: dict[tuple[str, int | None], list[str]] = {}
    for goal in strip.goals:
        places.setdefault((goal.target, goal.panel), []).append(_goal(goal, strip))
    lines: list[str] = []
    for (target, panel), bars in places.items():
        if len(places) > 1:
            lines += _wrapped(target + (f", panel {panel}" if panel is not None else ""))
        lines += bars
    return lines


def _goal(goal: StripGoal, strip: Strip) -> str:
    """A goal as a bar with what is done and what is to come."""
    label, (label_room, _) = _labels(strip)[goal.filter], _room(strip)
    size = 24
    full = 0 if goal.done is None else min(size, int(goal.done * size + 1e-9))
    bar = "█" * full + "░" * (size - full) if goal.done is not None else "depth not known yet".ljust(size)
    told = "" if goal.done is None else f"{goal.done:4.0%}  "
    told += f"{goal.hours_done:.1f} h done"
    if goal.done is not None and goal.done >= 0.995:
        told += ", deep enough"
    elif goal.hours_left is not None:
        told += f", {goal.hours_left:.1f} h to go"
    return f"{label:{label_room}.{label_room}} {bar} {told}"[:WIDTH]


def _once(strip: Strip) -> list[str]:
    """Nights whose subs exist in one place only."""
    alone = [n for n in strip.nights if n.once]
    if not alone:
        return []
    subs = sum(n.once for n in alone)
    if len(alone) > 3:
        return [f"{subs} subs of {len(alone)} nights exist in one place only: copy them."]
    days = ", ".join(f"{n.date.day} {n.date:%B}" for n in alone)
    return [
        f"{subs} sub{'s' if subs != 1 else ''} of {days} exist{'s' if subs == 1 else ''} in one place only: make a copy."
    ]
