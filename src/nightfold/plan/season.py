"""What the season holds for a target: hours by month, the best date, and what if. The forecast is `depth.forecast`'s."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from nightfold.sky.usable_hours import NightHours

__all__ = ["Month", "best_date", "hours_left", "months_of", "what_if"]

LUNATION_NIGHTS = 29


@dataclass(frozen=True)
class Month:
    """Sums over the nights of a month that were looked at."""

    year: int
    month: int
    nights: int
    dark: float
    moonless: float
    moon_free: dict[str, float]


def months_of(nights: Sequence[NightHours]) -> tuple[Month, ...]:
    """Usable hours by month."""
    found: list[Month] = []
    for key in dict.fromkeys((n.date.year, n.date.month) for n in nights):
        own = [n for n in nights if (n.date.year, n.date.month) == key]
        names = own[0].moon_free
        found.append(
            Month(
                year=key[0],
                month=key[1],
                nights=len(own),
                dark=sum(n.dark for n in own),
                moonless=sum(n.moonless for n in own),
                moon_free={name: sum(n.moon_free[name] for n in own) for name in names},
            )
        )
    return tuple(found)


def best_date(nights: Sequence[NightHours]) -> date | None:
    """The middle of the lunation with the most usable hours; None where there are none at all."""
    dark = np.array([n.dark for n in nights])
    if not dark.any():
        return None
    width = min(LUNATION_NIGHTS, len(dark))
    window = np.convolve(dark, np.ones(width), mode="same")
    # A flat top (a target that is up all night for months) counts with its middle.
    top = np.flatnonzero(window >= window.max() - 1e-9)
    return nights[int(top[len(top) // 2])].date


def hours_left(nights: Sequence[NightHours], *, filter: str | None = None) -> float:
    """Usable hours still to come, clear sky throughout; for one filter, those in which the Moon hardly matters to it."""
    return sum(n.dark if filter is None else n.moon_free[filter] for n in nights)


def what_if(nights: Sequence[NightHours], *, factor: float = 1.0, later_nights: int = 0) -> tuple[NightHours, ...]:
    """The same season with every hour worth `factor` hours (a faster rig, a darker site), or begun some nights later."""
    return tuple(
        replace(
            n,
            dark=n.dark * factor,
            moonless=n.moonless * factor,
            moon_free={name: hours * factor for name, hours in n.moon_free.items()},
        )
        for n in nights
        if n.date >= nights[0].date + timedelta(days=later_nights)
    )
