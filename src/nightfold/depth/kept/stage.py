"""How far masters brought their goals, as `depth` measured it last: kept, so that every page and command tells the same."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from nightfold.depth.ahead.stage import goal_of
from nightfold.depth.goals import goal_words
from nightfold.depth.records import FilterDepth, MeasuredShare
from nightfold.engine.documents import iso_z
from nightfold.ledger.workspace import Workspace

_KEY = "measured depth of goals"


def keep_measured(ws: Workspace, rows: Sequence[tuple[FilterDepth, datetime | None]]) -> None:
    """Keep what was measured of goals, each with the start of its master's latest sub; goals not measured now stay as they were."""
    before = ws.ledger.kept_setting(_KEY)
    kept = {tuple(r["of"]): r for r in before} if isinstance(before, list) else {}
    for row, until in rows:
        if row.share_left is not None and row.goal is not None and row.subs:
            kept[row.target, row.panel, row.filter] = {
                "of": [row.target, row.panel, row.filter], "goal": row.goal, "done": 1.0 - row.share_left, "rigs": list(row.rigs),
                "until": None if until is None else iso_z(until),
            }  # fmt: skip
    after = list(kept.values())
    if after and after != before:
        ws.ledger.keep_setting(_KEY, after)


def measured_shares(ws: Workspace) -> dict[tuple[str, int | None, str], MeasuredShare]:
    """What was kept, by target, panel and filter; only of goals that are still what they were, and that have a master."""
    found: dict[tuple[str, int | None, str], MeasuredShare] = {}
    kept = ws.ledger.kept_setting(_KEY)
    masters = {(m.target, m.panel, m.filter, m.rigs) for m in ws.ledger.masters()} if kept else set()
    for row in kept if isinstance(kept, list) else []:
        target, panel, name = row["of"]
        goal = goal_of(ws, target, panel, name)
        rigs = tuple(row["rigs"])
        if goal is not None and goal_words(goal) == row["goal"] and (target, panel, name, rigs) in masters:
            until = datetime.fromisoformat(row["until"].replace("Z", "+00:00")) if row["until"] else None
            found[target, panel, name] = MeasuredShare(done=float(row["done"]), rigs=rigs, until=until)
    return found
