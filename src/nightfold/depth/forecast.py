"""When the goals will be reached: usable hours of the coming nights, under weather that comes in spells. The one forecast.

Hours of each night are counted in `sky.usable_hours`, the weather is drawn in `sky.clear_nights`; here both meet the needs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from nightfold.sky.clear_nights import Forecast, Need, finishing_night
from nightfold.sky.usable_hours import NightHours

HORIZON_NIGHTS = 730
"""How far ahead is looked: two seasons."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """Hours that one filter of one target still wants, and the nights that offer them."""

    name: str
    rig: str
    hours: float
    nights: Sequence[NightHours]
    moon_free_of: str | None = None
    """Counts only the hours in which the Moon hardly matters to this band; None takes any dark hour."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NightsAhead:
    """Calendar nights until all is done, the first counting 1; None beyond the horizon. 0 where nothing is wanted."""

    median: int | None
    p10: int | None
    p90: int | None


def forecast_of(
    nights: Sequence[NightHours],
    needs_h: dict[str, float],
    *,
    clear_probability: Callable[[int], float],
    persistence: float = 0.6,
    moon_free_only: Sequence[str] = (),
    draws: int = 2000,
    seed: int = 1,
) -> Forecast:
    """When all filters of a target are deep enough.

    Parameters
    ----------
    nights : sequence of NightHours
        From the first night to come.
    needs_h : dict
        Clear hours wanted by filter.
    clear_probability : callable
        Chance of a clear night by month, 1 to 12.
    moon_free_only : sequence of str
        Filters that are shot only while the Moon hardly matters to them; the others take any dark hour.
    """
    needs = [
        Need(name, hours, np.array([n.moon_free[name] if name in moon_free_only else n.dark for n in nights]))
        for name, hours in needs_h.items()
    ]
    return finishing_night(
        needs,
        [n.dark for n in nights],
        first=nights[0].date,
        probability=[clear_probability(n.date.month) for n in nights],
        persistence=persistence,
        draws=draws,
        seed=seed,
    )


def nights_ahead(
    wishes: Sequence[Wish],
    *,
    first: date,
    clear_probability: Callable[[int], float],
    persistence: float = 0.6,
    draws: int = 2000,
    seed: int = 1,
) -> NightsAhead:
    """Nights until every wish is met. Rigs work side by side under one sky; the filters of a rig share its nights."""
    open_wishes = [w for w in wishes if w.hours > 0.0]
    if not open_wishes:
        return NightsAhead(median=0, p10=0, p90=0)
    ends: list[Forecast] = []
    for rig in sorted({w.rig for w in open_wishes}):
        own = [w for w in open_wishes if w.rig == rig]
        hours = np.max([[n.dark for n in w.nights] for w in own], axis=0)
        needs = [
            Need(
                w.name,
                w.hours,
                np.array([n.dark if w.moon_free_of is None else n.moon_free[w.moon_free_of] for n in w.nights]),
            )
            for w in own
        ]
        ends.append(
            finishing_night(
                needs,
                hours,
                first=first,
                probability=[clear_probability(n.date.month) for n in own[0].nights],
                persistence=persistence,
                draws=draws,
                seed=seed,
            )
        )

    def latest(dates: Sequence[date | None]) -> int | None:
        # One sky for all rigs: the drawn weather is the same, so the slowest rig of each share decides.
        known = [d for d in dates if d is not None]
        return (max(known) - first).days + 1 if len(known) == len(dates) else None

    return NightsAhead(
        median=latest([e.median for e in ends]),
        p10=latest([e.p10 for e in ends]),
        p90=latest([e.p90 for e in ends]),
    )
