"""Which of several rigs speaks for a goal: the one that is nearest to it."""

from __future__ import annotations

from collections.abc import Sequence

from nightfold.depth.records import FilterDepth


def best_rows(rows: Sequence[FilterDepth]) -> list[FilterDepth]:
    """One row a goal: where several rigs work on it, the one that is nearest."""
    best: dict[tuple[str, int | None, str], FilterDepth] = {}
    for row in rows:
        if row.goal is None:
            continue
        key = (row.target, row.panel, row.filter)
        known = best.get(key)
        if known is None or _nearness(row) < _nearness(known):
            best[key] = row
    return list(best.values())


def _nearness(row: FilterDepth) -> tuple[float, float]:
    left = row.share_left if row.share_left is not None else 1.0
    return left, row.hours_to_goal if row.hours_to_goal is not None else float("inf")
