"""The ledger's part on what is known of subs: readings, faults, grids and placements, verdicts, a person's decisions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import sqlalchemy as sa

from nightfold.ledger import schema as t
from nightfold.ledger.base import (
    LedgerBase,
    aware,
    chosen_by_frame,
    chunks,
    is_or_null,
    many_rows,
    now,
    plain,
    replace_rows,
    without,
)
from nightfold.ledger.records import DecisionRow, GridRow, PlacementRow, ReadingRow, SolutionRow, VerdictRow

DECISIONS = ("keep", "drop", "clear")
"""What a person may say of a frame; "clear" goes back to the automatic verdict."""


class VerdictsPart(LedgerBase):
    """Readings to decisions."""

    # -- readings ----------------------------------------------------------------------------------------------------

    def save_reading(self, reading: ReadingRow, *, sha256: str | None = None) -> None:
        """Keep a reading, and the content's hash if the pixels were hashed on the way."""
        with self._writing() as connection:
            replace_rows(connection, t.reading, [plain(reading)])
            connection.execute(sa.delete(t.fault).where(t.fault.c.frame_id == reading.frame_id))
            if sha256 is not None:
                connection.execute(sa.update(t.frame).where(t.frame.c.id == reading.frame_id).values(sha256=sha256))

    def readings(self, frame_ids: Sequence[int], *, with_arrays: bool = True) -> dict[int, ReadingRow]:
        """Readings of frames, by frame; without their arrays (empty bytes) where only the scalars are wanted."""
        names = [n for n in ReadingRow.__dataclass_fields__ if with_arrays or n != "arrays"]
        lacks: dict[str, Any] = {} if with_arrays else {"arrays": b""}
        found: dict[int, ReadingRow] = {}
        with self._reading() as connection, many_rows():
            for chunk in chunks(frame_ids):
                query = sa.select(*(t.reading.c[n] for n in names)).where(t.reading.c.frame_id.in_(chunk))
                for row in connection.execute(query).all():
                    found[row.frame_id] = ReadingRow(**dict(zip(names, row)), **lacks)
        return found

    def reading_versions(self) -> dict[int, tuple[int, str]]:
        """Version and calibration of every reading, without its arrays."""
        query = sa.select(t.reading.c.frame_id, t.reading.c.version, t.reading.c.calibration)
        with self._reading() as connection:
            return {i: (v, c) for i, v, c in connection.execute(query)}

    def save_fault(self, frame_id: int, reason: str) -> None:
        """Record that a frame's pixels could not be used."""
        with self._writing() as connection:
            replace_rows(connection, t.fault, [{"frame_id": frame_id, "reason": reason}])

    def faults(self) -> dict[int, str]:
        """Frames whose pixels could not be used, and why."""
        with self._reading() as connection:
            rows = connection.execute(sa.select(t.fault.c.frame_id, t.fault.c.reason))
            return {row.frame_id: row.reason for row in rows}

    # -- grids and placements ----------------------------------------------------------------------------------------

    def grid(self, target: str, panel: int | None) -> GridRow | None:
        """The grid in use of a target and panel."""
        with self._reading() as connection:
            return _grid(connection, target, panel)

    def grids(self) -> list[GridRow]:
        """All grids in use."""
        query = sa.select(t.grid).where(t.grid.c.retired.is_(False)).order_by(t.grid.c.id)
        with self._reading() as connection:
            return [_grid_row(r) for r in connection.execute(query).mappings()]

    def make_grid(
        self, *, target: str, panel: int | None, rig: str | None, reference_frame_id: int, width_px: int, height_px: int
    ) -> GridRow:
        """Set the grid of a target and panel, once: one that is in use stays and is returned."""
        with self._writing() as connection:
            made = _grid(connection, target, panel)
            if made is None:
                connection.execute(
                    sa.insert(t.grid).values(
                        target=target, panel=panel, rig=rig, reference_frame_id=reference_frame_id, width_px=width_px,
                        height_px=height_px, retired=False, made_at=now(),
                    )
                )  # fmt: skip
                made = _grid(connection, target, panel)
        assert made is not None
        return made

    def set_grid_wcs(self, grid_id: int, wcs: dict[str, Any]) -> None:
        """Record where on the sky a grid lies."""
        with self._writing() as connection:
            connection.execute(sa.update(t.grid).where(t.grid.c.id == grid_id).values(wcs=wcs))

    def retire_grid(self, grid_id: int) -> None:
        """Give a grid up; its rows stay on record."""
        with self._writing() as connection:
            connection.execute(sa.update(t.grid).where(t.grid.c.id == grid_id).values(retired=True))

    def flux_reference(self, grid_id: int, rig: str | None, filter: str) -> int | None:
        """The frame whose transparency is 1, for a grid, rig and filter."""
        with self._reading() as connection:
            return _flux_reference(connection, grid_id, rig, filter)

    def set_flux_reference(self, grid_id: int, rig: str | None, filter: str, frame_id: int) -> int:
        """Set the frame whose transparency is 1, once: one that was set stays; the frame that holds is returned."""
        with self._writing() as connection:
            held = _flux_reference(connection, grid_id, rig, filter)
            if held is not None:
                return held
            values = {"grid_id": grid_id, "rig": rig, "filter": filter, "frame_id": frame_id, "made_at": now()}
            connection.execute(sa.insert(t.flux_reference).values(values))
        return frame_id

    def save_placements(self, placements: Iterable[PlacementRow]) -> None:
        """Keep how frames lie on a grid, in place of what was known of them on that grid."""
        by_grid: dict[int, list[dict[str, Any]]] = {}
        for row in placements:
            by_grid.setdefault(row.grid_id, []).append(plain(row))
        with self._writing() as connection:
            for grid_id, rows in by_grid.items():
                replace_rows(connection, t.placement, rows, same=[t.placement.c.grid_id == grid_id])

    def placements(self, grid_id: int) -> dict[int, PlacementRow]:
        """Placements on a grid, by frame."""
        query = sa.select(t.placement).where(t.placement.c.grid_id == grid_id)
        with self._reading() as connection:
            rows = connection.execute(query).mappings()
            return {r["frame_id"]: PlacementRow(**without(r, "id", "made_at")) for r in rows}

    # -- places on the sky -------------------------------------------------------------------------------------------

    def save_solutions(self, solutions: Iterable[SolutionRow]) -> None:
        """Keep where frames lie on the sky, in place of what was known of them."""
        with self._writing() as connection:
            replace_rows(connection, t.solution, [plain(row) for row in solutions])

    def solutions(self, frame_ids: Sequence[int] | None = None) -> dict[int, SolutionRow]:
        """Where these frames or all lie on the sky, by frame."""
        wanted: Iterable[Sequence[int] | None] = [None] if frame_ids is None else chunks(frame_ids)
        names = [*SolutionRow.__dataclass_fields__]
        found: dict[int, SolutionRow] = {}
        with self._reading() as connection, many_rows():
            for chunk in wanted:
                query = sa.select(*(t.solution.c[n] for n in names))
                if chunk is not None:
                    query = query.where(t.solution.c.frame_id.in_(chunk))
                for row in connection.execute(query).all():
                    found[row.frame_id] = SolutionRow(**dict(zip(names, row)))
        return found

    # -- verdicts and decisions --------------------------------------------------------------------------------------

    def save_verdicts(self, verdicts: Iterable[VerdictRow]) -> None:
        """Keep automatic verdicts, in place of earlier ones; a person's decisions are not touched."""
        with self._writing() as connection:
            replace_rows(connection, t.verdict, [plain(row) for row in verdicts])

    def verdicts(self, frame_ids: Iterable[int] | None = None) -> dict[int, VerdictRow]:
        """Automatic verdicts on these frames or all, by frame."""
        names = [*VerdictRow.__dataclass_fields__]
        found: dict[int, VerdictRow] = {}
        with self._reading() as connection, many_rows():
            for chosen in chosen_by_frame(sa.select(*(t.verdict.c[n] for n in names)), t.verdict, frame_ids):
                found.update((r.frame_id, VerdictRow(**dict(zip(names, r)))) for r in connection.execute(chosen))
        return found

    def add_decisions(self, frame_ids: Iterable[int], verdict: str, why: str) -> int:
        """Record a person's decision on frames; how many."""
        if verdict not in DECISIONS:
            raise ValueError(f"a decision cannot be {verdict!r}; allowed: {', '.join(DECISIONS)}")
        rows = [{"frame_id": i, "verdict": verdict, "why": why, "made_at": now()} for i in frame_ids]
        if rows:
            with self._writing() as connection:
                connection.execute(sa.insert(t.decision), rows)
        return len(rows)

    def decisions(self, frame_ids: Iterable[int] | None = None) -> dict[int, DecisionRow]:
        """The latest decision on each of these frames or all; frames whose latest is "clear" are left out."""
        latest = {row.frame_id: row for row in self.decision_history(frame_ids)}
        return {i: row for i, row in latest.items() if row.verdict != "clear"}

    def ever_decided(self) -> set[int]:
        """Frames that a person ever decided on, whether the decision still stands or was cleared."""
        with self._reading() as connection:
            return set(connection.scalars(sa.select(t.decision.c.frame_id)))

    def decision_history(self, frame_ids: Iterable[int] | None = None) -> list[DecisionRow]:
        """Every decision ever made on these frames or on all, oldest first."""
        found: list[tuple[int, DecisionRow]] = []
        with self._reading() as connection:
            for chosen in chosen_by_frame(sa.select(t.decision), t.decision, frame_ids):
                for r in connection.execute(chosen):
                    made = DecisionRow(frame_id=r.frame_id, verdict=r.verdict, why=r.why, made_at=aware(r.made_at))
                    found.append((r.id, made))
        return [row for _, row in sorted(found, key=lambda pair: pair[0])]


def _grid(connection: sa.Connection, target: str, panel: int | None) -> GridRow | None:
    query = sa.select(t.grid).where(
        t.grid.c.target == target, is_or_null(t.grid.c.panel, panel), t.grid.c.retired.is_(False)
    )
    row = connection.execute(query).mappings().first()
    return None if row is None else _grid_row(row)


def _grid_row(row: sa.RowMapping) -> GridRow:
    return GridRow(**without(row, "made_at", "retired"))


def _flux_reference(connection: sa.Connection, grid_id: int, rig: str | None, filter: str) -> int | None:
    query = sa.select(t.flux_reference.c.frame_id).where(
        t.flux_reference.c.grid_id == grid_id,
        t.flux_reference.c.filter == filter,
        is_or_null(t.flux_reference.c.rig, rig),
    )
    return connection.scalars(query).first()
