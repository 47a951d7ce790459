"""The ledger: one SQLite file that holds every fact of a campaign, or a PostgreSQL database where one is named.

Every method is one transaction. Rows that a person made (decisions, events) are only ever added.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from types import TracebackType
from typing import Any

import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from filelock import FileLock, Timeout

from nightfold.errors import LedgerError
from nightfold.ledger import schema as t
from nightfold.ledger.records import (
    AddCounts,
    CalibrationRow,
    DecisionRow,
    EventRow,
    FrameRow,
    GridRow,
    MasterRow,
    NewFrame,
    PlacementRow,
    ReadingRow,
    VerdictRow,
)

FILE_NAME = "ledger.sqlite"
_CHUNK = 500  # values in one IN list: far below the limits of both databases


class Ledger:
    """An open ledger; use it as a context manager."""

    def __init__(self, engine: sa.Engine, file: Path | None, journal: str) -> None:
        self._engine = engine
        self.file = file
        self.journal = journal

    # -- opening ---------------------------------------------------------------------------------------------------

    @classmethod
    def open(cls, folder: Path, *, database_url: str | None = None) -> Ledger:
        """The ledger in a campaign's folder, made or migrated where needed (an older file is copied first)."""
        file = None if database_url else folder / FILE_NAME
        url = database_url or f"sqlite:///{file}"
        try:
            engine = sa.create_engine(url)
        except (sa.exc.ArgumentError, sa.exc.NoSuchModuleError, ModuleNotFoundError) as error:
            raise LedgerError(
                "database_url cannot be used", seen=str(error), allowed="postgresql+psycopg://…"
            ) from error
        if file is not None:
            sa.event.listen(engine, "connect", _prepare_sqlite)
        try:
            with engine.connect() as connection:
                journal = "database"
                if file is not None:
                    journal = str(connection.exec_driver_sql("PRAGMA journal_mode=WAL").scalar())
                    connection.commit()
            _migrate(engine, file)
        except sa.exc.DatabaseError as error:
            engine.dispose()
            raise LedgerError(
                f"{file or 'the database'} cannot be opened as a ledger",
                seen=str(error.orig),
                next_step="restore it from its .backup copy, or move it away and take the frames in again",
            ) from error
        except BaseException:
            engine.dispose()
            raise
        return cls(engine, file, journal)

    def close(self) -> None:
        """Give the file back."""
        self._engine.dispose()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Be the only process that changes this campaign; reads by others go on."""
        if self.file is None:
            yield
            return
        lock_file = self.file.with_suffix(".lock")
        holder = self.file.with_suffix(".holder")
        lock = FileLock(lock_file, timeout=0)
        try:
            lock.acquire()
        except Timeout as error:
            pid = holder.read_text(encoding="utf-8").strip() if holder.exists() else "unknown"
            raise LedgerError(
                f"another Nightfold is changing this campaign (process {pid})",
                next_step="wait until it is done, or stop it; reading goes on meanwhile",
            ) from error
        try:
            holder.write_text(str(os.getpid()), encoding="utf-8")
            yield
        finally:
            holder.unlink(missing_ok=True)
            lock.release()

    def check(self) -> str:
        """What the database says of its own soundness: "ok", or its complaint."""
        if self.file is None:
            return "ok"
        with self._engine.connect() as connection:
            return str(connection.exec_driver_sql("PRAGMA integrity_check").scalar())

    # -- frames ----------------------------------------------------------------------------------------------------

    def add_frames(self, frames: Sequence[NewFrame]) -> AddCounts:
        """Take frames in, each content once; a content seen before gets a new place, its old one marked if it is gone."""
        known = already = moved = 0
        fresh: set[str] = set()
        with self._engine.begin() as connection:
            ids = self._ids_by_fingerprint(connection, [f.fingerprint for f in frames])
            for new in frames:
                frame_id = ids.get(new.fingerprint)
                if frame_id is None:
                    frame_id = _key(connection.execute(sa.insert(t.frame).values(_frame_values(new))))
                    ids[new.fingerprint] = frame_id
                    fresh.add(new.fingerprint)
                    known += 1
                elif self._note_moved(connection, frame_id, new.path):
                    moved += 1
                else:
                    already += 1
                self._note_place(connection, frame_id, new)
            paths = [str(f.path) for f in frames]
            for chunk in _chunks(paths):
                connection.execute(sa.delete(t.refused).where(t.refused.c.path.in_(chunk)))
        return AddCounts(taken_in=known, already_known=already, moved=moved, new_fingerprints=frozenset(fresh))

    @staticmethod
    def _ids_by_fingerprint(connection: sa.Connection, fingerprints: Sequence[str]) -> dict[str, int]:
        found: dict[str, int] = {}
        for chunk in _chunks(fingerprints):
            query = sa.select(t.frame.c.fingerprint, t.frame.c.id).where(t.frame.c.fingerprint.in_(chunk))
            found.update((f, i) for f, i in connection.execute(query))
        return found

    @staticmethod
    def _note_moved(connection: sa.Connection, frame_id: int, path: Path) -> bool:
        """Mark places of a content that hold it no longer; True if there were any."""
        rows = connection.execute(
            sa.select(t.place.c.id, t.place.c.path).where(t.place.c.frame_id == frame_id, t.place.c.gone.is_(False))
        ).all()
        gone = [i for i, p in rows if p != str(path) and not Path(p).exists()]
        if gone:
            connection.execute(sa.update(t.place).where(t.place.c.id.in_(gone)).values(gone=True))
        return bool(gone)

    @staticmethod
    def _note_place(connection: sa.Connection, frame_id: int, new: NewFrame) -> None:
        values = {
            "frame_id": frame_id,
            "path": str(new.path),
            "name": new.path.name,
            "size": new.size,
            "mtime_ns": new.mtime_ns,
            "gone": False,
            "made_at": _now(),
        }
        changed = connection.execute(sa.update(t.place).where(t.place.c.path == str(new.path)).values(values))
        if changed.rowcount == 0:
            connection.execute(sa.insert(t.place).values(values))

    def known_files(self) -> dict[str, tuple[int, int]]:
        """Path to (size, time of change in ns) of every file taken in or refused for good."""
        query = sa.select(t.place.c.path, t.place.c.size, t.place.c.mtime_ns).where(t.place.c.gone.is_(False))
        with self._engine.connect() as connection:
            return {p: (s, m) for p, s, m in connection.execute(query)}

    def frames(
        self,
        *,
        kind: str | None = None,
        rig: str | None = None,
        target: str | None = None,
        filter: str | None = None,
        night: date | None = None,
        ids: Iterable[int] | None = None,
    ) -> list[FrameRow]:
        """Frames of these properties, by their start."""
        query = sa.select(t.frame, t.place.c.path, t.place.c.gone, t.place.c.id.label("place_id")).join(
            t.place, t.place.c.frame_id == t.frame.c.id
        )
        for column, value in (
            (t.frame.c.kind, kind),
            (t.frame.c.rig, rig),
            (t.frame.c.target, target),
            (t.frame.c.filter, filter),
            (t.frame.c.night, night),
        ):
            if value is not None:
                query = query.where(column == value)
        best: dict[int, tuple[tuple[bool, int], FrameRow]] = {}
        with self._engine.connect() as connection:
            for chunk in _chunks(list(ids)) if ids is not None else [None]:
                chosen = query if chunk is None else query.where(t.frame.c.id.in_(chunk))
                for row in connection.execute(chosen).mappings():
                    # The place to use: one that still holds the content, the latest of those.
                    rank = (not row["gone"], row["place_id"])
                    if row["id"] not in best or rank > best[row["id"]][0]:
                        best[row["id"]] = (rank, _frame_row(row))
        rows = [row for _, row in best.values()]
        return sorted(rows, key=lambda r: (r.start or datetime.max.replace(tzinfo=UTC), r.name, r.id))

    def frames_by_name(self, names: Iterable[str]) -> dict[str, list[FrameRow]]:
        """For each path, file name or SHA-256 the frames it may mean."""
        found: dict[str, list[FrameRow]] = {}
        with self._engine.connect() as connection:
            for name in names:
                whole = str(Path(name).absolute())
                ids = set(
                    connection.scalars(
                        sa.select(t.place.c.frame_id).where(sa.or_(t.place.c.path == whole, t.place.c.path == name))
                    )
                )
                if not ids:
                    ids = set(connection.scalars(sa.select(t.place.c.frame_id).where(t.place.c.name == name)))
                if not ids:
                    ids = set(connection.scalars(sa.select(t.frame.c.id).where(t.frame.c.sha256 == name)))
                found[name] = self.frames(ids=ids) if ids else []
        return found

    def set_sha256(self, frame_id: int, sha256: str) -> None:
        """Record the full hash of a content."""
        with self._engine.begin() as connection:
            connection.execute(sa.update(t.frame).where(t.frame.c.id == frame_id).values(sha256=sha256))

    def set_nights(self, nights: Mapping[int, date]) -> None:
        """Date frames anew."""
        with self._engine.begin() as connection:
            for frame_id, night in nights.items():
                connection.execute(sa.update(t.frame).where(t.frame.c.id == frame_id).values(night=night))

    def add_refused(self, files: Iterable[tuple[Path, str]]) -> None:
        """Record files that were not taken in, each with its latest reason."""
        with self._engine.begin() as connection:
            for path, reason in files:
                connection.execute(sa.delete(t.refused).where(t.refused.c.path == str(path)))
                connection.execute(sa.insert(t.refused).values(path=str(path), reason=reason, made_at=_now()))

    def refused(self) -> list[tuple[Path, str]]:
        """Files that were not taken in and why."""
        with self._engine.connect() as connection:
            return [(Path(p), r) for p, r in connection.execute(sa.select(t.refused.c.path, t.refused.c.reason))]

    def copies(self) -> dict[int, list[Path]]:
        """Every place where each content was seen and is not known to be gone."""
        found: dict[int, list[Path]] = {}
        with self._engine.connect() as connection:
            query = sa.select(t.place.c.frame_id, t.place.c.path).where(t.place.c.gone.is_(False))
            for frame_id, path in connection.execute(query):
                found.setdefault(frame_id, []).append(Path(path))
        return found

    # -- readings, faults, placements, verdicts ----------------------------------------------------------------------

    def save_reading(self, reading: ReadingRow, *, sha256: str | None = None) -> None:
        """Keep a reading, and the content's hash if the pixels were hashed on the way."""
        with self._engine.begin() as connection:
            _replace(connection, t.reading, {"frame_id": reading.frame_id}, _plain(reading))
            connection.execute(sa.delete(t.fault).where(t.fault.c.frame_id == reading.frame_id))
            if sha256 is not None:
                connection.execute(sa.update(t.frame).where(t.frame.c.id == reading.frame_id).values(sha256=sha256))

    def readings(self, frame_ids: Sequence[int]) -> dict[int, ReadingRow]:
        """Readings of frames, by frame."""
        found: dict[int, ReadingRow] = {}
        with self._engine.connect() as connection:
            for chunk in _chunks(frame_ids):
                for row in connection.execute(sa.select(t.reading).where(t.reading.c.frame_id.in_(chunk))).mappings():
                    found[row["frame_id"]] = ReadingRow(**{k: v for k, v in row.items() if k != "made_at"})
        return found

    def reading_versions(self) -> dict[int, tuple[int, str]]:
        """Version and calibration of every reading, without its arrays."""
        query = sa.select(t.reading.c.frame_id, t.reading.c.version, t.reading.c.calibration)
        with self._engine.connect() as connection:
            return {i: (v, c) for i, v, c in connection.execute(query)}

    def save_fault(self, frame_id: int, reason: str) -> None:
        """Record that a frame's pixels could not be used."""
        with self._engine.begin() as connection:
            _replace(connection, t.fault, {"frame_id": frame_id}, {"reason": reason})

    def faults(self) -> dict[int, str]:
        """Frames whose pixels could not be used, and why."""
        with self._engine.connect() as connection:
            return {row.frame_id: row.reason for row in connection.execute(sa.select(t.fault.c.frame_id, t.fault.c.reason))}

    def grid(self, target: str, panel: int | None) -> GridRow | None:
        """The grid of a target and panel."""
        query = sa.select(t.grid).where(
            t.grid.c.target == target,
            t.grid.c.panel.is_(None) if panel is None else t.grid.c.panel == panel,
            t.grid.c.retired.is_(False),
        )
        with self._engine.connect() as connection:
            row = connection.execute(query).mappings().first()
        return None if row is None else GridRow(**{k: v for k, v in row.items() if k not in ("made_at", "retired")})

    def make_grid(
        self, *, target: str, panel: int | None, rig: str | None, reference_frame_id: int, width_px: int, height_px: int
    ) -> GridRow:
        """Set the grid of a target and panel, once."""
        with self._engine.begin() as connection:
            connection.execute(
                sa.insert(t.grid).values(
                    target=target, panel=panel, rig=rig, reference_frame_id=reference_frame_id, width_px=width_px, height_px=height_px,
                    retired=False, made_at=_now(),
                )
            )  # fmt: skip
        made = self.grid(target, panel)
        assert made is not None
        return made

    def retire_grid(self, grid_id: int) -> None:
        """Give a grid up; its rows stay on record."""
        with self._engine.begin() as connection:
            connection.execute(sa.update(t.grid).where(t.grid.c.id == grid_id).values(retired=True))

    def flux_reference(self, grid_id: int, rig: str | None, filter: str) -> int | None:
        """The frame whose transparency is 1, for a grid, rig and filter."""
        query = sa.select(t.flux_reference.c.frame_id).where(
            t.flux_reference.c.grid_id == grid_id,
            t.flux_reference.c.filter == filter,
            t.flux_reference.c.rig.is_(None) if rig is None else t.flux_reference.c.rig == rig,
        )
        with self._engine.connect() as connection:
            return connection.scalars(query).first()

    def set_flux_reference(self, grid_id: int, rig: str | None, filter: str, frame_id: int) -> None:
        """Set the frame whose transparency is 1, once."""
        with self._engine.begin() as connection:
            connection.execute(
                sa.insert(t.flux_reference).values(
                    grid_id=grid_id, rig=rig, filter=filter, frame_id=frame_id, made_at=_now()
                )
            )

    def save_placements(self, placements: Iterable[PlacementRow]) -> None:
        """Keep how frames lie on a grid."""
        with self._engine.begin() as connection:
            for row in placements:
                _replace(connection, t.placement, {"frame_id": row.frame_id, "grid_id": row.grid_id}, _plain(row))

    def placements(self, grid_id: int) -> dict[int, PlacementRow]:
        """Placements on a grid, by frame."""
        with self._engine.connect() as connection:
            rows = connection.execute(sa.select(t.placement).where(t.placement.c.grid_id == grid_id)).mappings()
            return {
                r["frame_id"]: PlacementRow(**{k: v for k, v in r.items() if k not in ("id", "made_at")}) for r in rows
            }

    def save_verdicts(self, verdicts: Iterable[VerdictRow]) -> None:
        """Keep automatic verdicts, in place of earlier ones."""
        with self._engine.begin() as connection:
            for row in verdicts:
                _replace(connection, t.verdict, {"frame_id": row.frame_id}, _plain(row))

    def verdicts(self) -> dict[int, VerdictRow]:
        """Automatic verdicts, by frame."""
        with self._engine.connect() as connection:
            rows = connection.execute(sa.select(t.verdict)).mappings()
            return {r["frame_id"]: VerdictRow(**{k: v for k, v in r.items() if k != "made_at"}) for r in rows}

    def add_decisions(self, frame_ids: Iterable[int], verdict: str, why: str) -> int:
        """Record a person's decision on frames; how many."""
        rows = [{"frame_id": i, "verdict": verdict, "why": why, "made_at": _now()} for i in frame_ids]
        if rows:
            with self._engine.begin() as connection:
                connection.execute(sa.insert(t.decision), rows)
        return len(rows)

    def decisions(self) -> dict[int, DecisionRow]:
        """The latest decision on each frame; frames whose latest is "clear" are left out."""
        latest: dict[int, DecisionRow] = {}
        with self._engine.connect() as connection:
            for row in connection.execute(sa.select(t.decision).order_by(t.decision.c.id)).mappings():
                latest[row["frame_id"]] = DecisionRow(
                    frame_id=row["frame_id"], verdict=row["verdict"], why=row["why"], made_at=_aware(row["made_at"])
                )
        return {i: d for i, d in latest.items() if d.verdict != "clear"}

    # -- masters, pictures, events -----------------------------------------------------------------------------------

    def calibration_master(self, key: str) -> CalibrationRow | None:
        """The master calibration frame of a key, if it was made."""
        with self._engine.connect() as connection:
            row = (
                connection.execute(sa.select(t.calibration_master).where(t.calibration_master.c.key == key))
                .mappings()
                .first()
            )
        if row is None:
            return None
        return CalibrationRow(key=row["key"], kind=row["kind"], path=Path(row["path"]), document=row["document"])

    def save_calibration_master(self, row: CalibrationRow) -> None:
        """Record a master calibration frame."""
        values = {"kind": row.kind, "path": str(row.path), "document": row.document}
        with self._engine.begin() as connection:
            _replace(connection, t.calibration_master, {"key": row.key}, values)

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
        with self._engine.begin() as connection:
            connection.execute(
                sa.insert(t.master).values(
                    target=target, panel=panel, filter=filter, rigs="\n".join(rigs), grid_id=grid_id, path=str(path), sha256=sha256,
                    document=document, made_at=_now(),
                )
            )  # fmt: skip

    def masters(self, *, target: str | None = None) -> list[MasterRow]:
        """The latest master of each target, panel, filter and set of rigs, on grids that are in use."""
        query = sa.select(t.master).join(t.grid, t.grid.c.id == t.master.c.grid_id).where(t.grid.c.retired.is_(False))
        if target is not None:
            query = query.where(t.master.c.target == target)
        latest: dict[tuple[Any, ...], MasterRow] = {}
        with self._engine.connect() as connection:
            for row in connection.execute(query.order_by(t.master.c.id)).mappings():
                latest[(row["target"], row["panel"], row["filter"], row["rigs"])] = MasterRow(
                    id=row["id"], target=row["target"], panel=row["panel"], filter=row["filter"], rigs=tuple(row["rigs"].split("\n")),
                    grid_id=row["grid_id"], path=Path(row["path"]), sha256=row["sha256"], document=row["document"],
                    made_at=_aware(row["made_at"]),
                )  # fmt: skip
        return list(latest.values())

    def save_picture(self, *, target: str, path: Path, recipe_path: Path, sha256: str, document: Any) -> None:
        """Record a picture that was written."""
        with self._engine.begin() as connection:
            connection.execute(
                sa.insert(t.picture).values(
                    target=target,
                    path=str(path),
                    recipe_path=str(recipe_path),
                    sha256=sha256,
                    document=document,
                    made_at=_now(),
                )
            )

    def pictures(self) -> list[dict[str, Any]]:
        """All pictures written, oldest first."""
        with self._engine.connect() as connection:
            return [dict(row) for row in connection.execute(sa.select(t.picture).order_by(t.picture.c.id)).mappings()]

    def add_event(self, rig: str | None, on: date, text: str) -> None:
        """Record a dated event of a rig."""
        with self._engine.begin() as connection:
            connection.execute(sa.insert(t.event).values(rig=rig, happened_on=on, text=text, made_at=_now()))

    def events(self) -> list[EventRow]:
        """Dated events, oldest first."""
        query = sa.select(t.event).order_by(t.event.c.happened_on, t.event.c.id)
        with self._engine.connect() as connection:
            rows = connection.execute(query).mappings()
            return [EventRow(rig=r["rig"], on=r["happened_on"], text=r["text"]) for r in rows]

    @contextmanager
    def running(self, command: str, version: str) -> Iterator[None]:
        """Record that a command ran, and how it ended."""
        with self._engine.begin() as connection:
            run_id = _key(connection.execute(sa.insert(t.run).values(command=command, version=version, made_at=_now())))
        outcome = "done"
        try:
            yield
        except BaseException as error:
            outcome = f"{type(error).__name__}: {error}"[:500]
            raise
        finally:
            with self._engine.begin() as connection:
                connection.execute(
                    sa.update(t.run).where(t.run.c.id == run_id).values(ended_at=_now(), outcome=outcome)
                )


def _prepare_sqlite(connection: Any, _record: Any) -> None:
    cursor = connection.cursor()
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.execute("PRAGMA synchronous=FULL")
    cursor.execute("PRAGMA busy_timeout=10000")
    cursor.close()


def _migrate(engine: sa.Engine, file: Path | None) -> None:
    """Bring the schema up to date; an older file is copied first, a newer one refused."""
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    script = ScriptDirectory.from_config(config)
    head = script.get_current_head()
    with engine.connect() as connection:
        current = MigrationContext.configure(connection).get_current_revision()
    if current == head:
        return
    if current is not None and current not in {r.revision for r in script.walk_revisions()}:
        raise LedgerError(
            f"{file or 'the database'} was written by a newer Nightfold",
            seen=f"schema {current}",
            allowed=f"up to {head}",
            next_step="use that version or a later one",
        )
    if current is not None and file is not None:
        shutil.copy2(file, file.with_suffix(f".{current}.backup"))
    with engine.connect() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "head")
        connection.commit()


def _now() -> datetime:
    return datetime.now(UTC).replace(tzinfo=None)


def _aware(time: datetime) -> datetime:
    return time.replace(tzinfo=UTC)


def _naive(time: datetime | None) -> datetime | None:
    return None if time is None else time.astimezone(UTC).replace(tzinfo=None)


def _chunks(values: Sequence[Any]) -> Iterator[Sequence[Any]]:
    for i in range(0, len(values), _CHUNK):
        yield values[i : i + _CHUNK]


def _key(result: sa.CursorResult[Any]) -> int:
    key = result.inserted_primary_key
    assert key is not None
    return int(key[0])


def _plain(row: Any) -> dict[str, Any]:
    return {name: getattr(row, name) for name in row.__dataclass_fields__}


def _replace(connection: sa.Connection, table: sa.Table, key: dict[str, Any], values: dict[str, Any]) -> None:
    """Update the row of that key, or insert it: the same statement sequence on every database."""
    match = sa.and_(*(table.c[k] == v for k, v in key.items()))
    values = {**values, **key, "made_at": _now()}
    if connection.execute(sa.update(table).where(match).values(values)).rowcount == 0:
        connection.execute(sa.insert(table).values(values))


def _frame_values(new: NewFrame) -> dict[str, Any]:
    values = _plain(new)
    for name in ("path", "size", "mtime_ns"):
        del values[name]
    return {**values, "start": _naive(new.start), "made_at": _now()}


def _frame_row(row: sa.RowMapping) -> FrameRow:
    values = {k: row[k] for k in FrameRow.__dataclass_fields__ if k not in ("path", "start")}
    start = row["start"]
    return FrameRow(**values, path=Path(row["path"]), start=None if start is None else _aware(start))
