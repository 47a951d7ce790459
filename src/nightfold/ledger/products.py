"""The ledger's part on what was made and noted: masters, pictures, dated events, runs of commands, kept settings."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from nightfold.ledger import schema as t
from nightfold.ledger.base import LedgerBase, aware, is_or_null, key_of, now, plain, without
from nightfold.ledger.records import CalibrationRow, EventRow, FindingRow, MasterRow, PictureRow, RunRow


class ProductsPart(LedgerBase):
    """Masters to runs."""

    def calibration_master(self, key: str) -> CalibrationRow | None:
        """The master calibration frame of a key, if it was made."""
        return next(iter(self._calibration_masters(t.calibration_master.c.key == key)), None)

    def calibration_masters(self) -> list[CalibrationRow]:
        """All master calibration frames, oldest first."""
        return self._calibration_masters(sa.true())

    def _calibration_masters(self, where: sa.ColumnElement[bool]) -> list[CalibrationRow]:
        query = sa.select(t.calibration_master).where(where).order_by(t.calibration_master.c.id)
        with self._reading() as connection:
            return [
                CalibrationRow(key=r["key"], kind=r["kind"], path=self._product(r["path"]), document=r["document"])
                for r in connection.execute(query).mappings()
            ]

    def save_calibration_master(self, row: CalibrationRow) -> None:
        """Record a master calibration frame, in place of an earlier one of the same key."""
        values = {
            "key": row.key,
            "kind": row.kind,
            "path": self._kept_path(row.path),
            "document": row.document,
            "made_at": now(),
        }
        with self._writing() as connection:
            connection.execute(sa.delete(t.calibration_master).where(t.calibration_master.c.key == row.key))
            connection.execute(sa.insert(t.calibration_master).values(values))

    def save_master(
        self,
        *,
        target: str,
        panel: int | None,
        filter: str,
        rigs: Sequence[str],
        grid_id: int,
        path: Path,
        sha256: str,
        document: Any,
    ) -> None:
        """Record a master that was written."""
        with self._writing() as connection:
            connection.execute(
                sa.insert(t.master).values(
                    target=target, panel=panel, filter=filter, rigs="\n".join(rigs), grid_id=grid_id, path=self._kept_path(path), sha256=sha256,
                    document=document, made_at=now(),
                )
            )  # fmt: skip

    def masters(self, *, target: str | None = None) -> list[MasterRow]:
        """The latest master of each target, panel, filter and set of rigs, on grids that are in use."""
        query = sa.select(t.master).join(t.grid, t.grid.c.id == t.master.c.grid_id).where(t.grid.c.retired.is_(False))
        if target is not None:
            query = query.where(t.master.c.target == target)
        latest: dict[tuple[Any, ...], MasterRow] = {}
        with self._reading() as connection:
            for row in connection.execute(query.order_by(t.master.c.id)).mappings():
                latest[(row["target"], row["panel"], row["filter"], row["rigs"])] = MasterRow(
                    id=row["id"], target=row["target"], panel=row["panel"], filter=row["filter"],
                    rigs=tuple(row["rigs"].split("\n")) if row["rigs"] else (), grid_id=row["grid_id"], path=self._product(row["path"]),
                    sha256=row["sha256"], document=row["document"], made_at=aware(row["made_at"]),
                )  # fmt: skip
        return list(latest.values())

    def save_picture(self, *, target: str, path: Path, recipe_path: Path, sha256: str, document: Any) -> None:
        """Record a picture that was written."""
        with self._writing() as connection:
            connection.execute(
                sa.insert(t.picture).values(
                    target=target,
                    path=self._kept_path(path),
                    recipe_path=self._kept_path(recipe_path),
                    sha256=sha256,
                    document=document,
                    made_at=now(),
                )
            )

    def pictures(self) -> list[PictureRow]:
        """All pictures written, oldest first."""
        with self._reading() as connection:
            return [
                PictureRow(
                    id=r["id"], target=r["target"], path=self._product(r["path"]), recipe_path=self._product(r["recipe_path"]), sha256=r["sha256"],
                    document=r["document"], made_at=aware(r["made_at"]),
                )
                for r in connection.execute(sa.select(t.picture).order_by(t.picture.c.id)).mappings()
            ]  # fmt: skip

    def add_event(self, rig: str | None, on: date, text: str) -> None:
        """Record a dated event of a rig."""
        with self._writing() as connection:
            connection.execute(sa.insert(t.event).values(rig=rig, happened_on=on, text=text, made_at=now()))

    def events(self) -> list[EventRow]:
        """Dated events, oldest first."""
        query = sa.select(t.event).order_by(t.event.c.happened_on, t.event.c.id)
        with self._reading() as connection:
            rows = connection.execute(query).mappings()
            return [EventRow(rig=r["rig"], on=r["happened_on"], text=r["text"]) for r in rows]

    def add_finding(self, finding: FindingRow) -> None:
        """Record a dated result; earlier ones stay, so that trends can be drawn."""
        with self._writing() as connection:
            connection.execute(sa.insert(t.finding).values(_values(finding)))

    def replace_findings(self, kind: str, findings: Iterable[FindingRow], **where: Any) -> None:
        """Put findings in place of all of this kind, or of those whose columns equal `where` (rig, target, filter, night)."""
        rows = [_values(f) for f in findings]
        if any(row["kind"] != kind for row in rows):
            raise ValueError(f"findings are of the kinds {sorted({r['kind'] for r in rows})}; allowed: {kind!r}")
        same = [is_or_null(t.finding.c[name], value) for name, value in where.items()]
        with self._writing() as connection:
            connection.execute(sa.delete(t.finding).where(t.finding.c.kind == kind, *same))
            if rows:
                connection.execute(sa.insert(t.finding), rows)

    def findings(self, kind: str | None = None, **where: Any) -> list[FindingRow]:
        """Findings of a kind or all, whose columns equal `where`, oldest first."""
        query = sa.select(t.finding).where(*(is_or_null(t.finding.c[name], value) for name, value in where.items()))
        if kind is not None:
            query = query.where(t.finding.c.kind == kind)
        with self._reading() as connection:
            return [
                FindingRow(**{**without(r), "made_at": aware(r["made_at"])})
                for r in connection.execute(query.order_by(t.finding.c.id)).mappings()
            ]

    @contextmanager
    def running(self, command: str, version: str) -> Iterator[None]:
        """Record that a command ran, and how it ended."""
        with self._writing() as connection:
            run_id = key_of(
                connection.execute(sa.insert(t.run).values(command=command, version=version, made_at=now()))
            )
        outcome = "done"
        try:
            yield
        except BaseException as error:
            outcome = f"{type(error).__name__}: {error}"[:500]
            raise
        finally:
            with self._writing() as connection:
                connection.execute(sa.update(t.run).where(t.run.c.id == run_id).values(ended_at=now(), outcome=outcome))

    def runs(self) -> list[RunRow]:
        """Commands that ran, oldest first."""
        with self._reading() as connection:
            return [
                RunRow(
                    id=r["id"], command=r["command"], version=r["version"], began_at=aware(r["made_at"]),
                    ended_at=None if r["ended_at"] is None else aware(r["ended_at"]), outcome=r["outcome"],
                )
                for r in connection.execute(sa.select(t.run).order_by(t.run.c.id)).mappings()
            ]  # fmt: skip

    def keep_setting(self, key: str, value: Any) -> None:
        """Keep a value that the program learnt or that the person chose on the page, as JSON holds it."""
        with self._writing() as connection:
            connection.execute(sa.delete(t.kept_setting).where(t.kept_setting.c.key == key))
            connection.execute(sa.insert(t.kept_setting).values(key=key, value=value, made_at=now()))

    def kept_setting(self, key: str) -> Any:
        """A kept value; None if there is none."""
        with self._reading() as connection:
            return connection.scalars(sa.select(t.kept_setting.c.value).where(t.kept_setting.c.key == key)).first()


def _values(finding: FindingRow) -> dict[str, Any]:
    return {**{k: v for k, v in plain(finding).items() if k != "id"}, "made_at": now()}
