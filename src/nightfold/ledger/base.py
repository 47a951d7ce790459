"""What every part of the ledger stands on: transactions to read and to write, and the forms of rows and times."""

from __future__ import annotations

import gc
import math
import os
from collections.abc import Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import sqlalchemy as sa

from nightfold.ledger.database import Database, writer_of

CHUNK = 500
"""Values in one IN list: far below the limits of both databases."""

Value = TypeVar("Value")
Stamp = tuple[int, ...]


class LedgerBase:
    """Holds the database; every public method of a part is one transaction."""

    def __init__(self, database: Database, folder: Path | None = None) -> None:
        self._database = database
        self._folder = Path(os.path.abspath(folder)) if folder is not None else None
        self._writer = writer_of(database.engine)
        self._writes = 0

    def _kept_path(self, path: Path) -> str:
        """What is kept of where a product lies: from the campaign's folder, if it lies there, so that the folder may move."""
        whole = Path(os.path.abspath(path))
        if self._folder is not None and whole.is_relative_to(self._folder):
            return whole.relative_to(self._folder).as_posix()
        return str(whole)

    def _product(self, kept: str) -> Path:
        """Where a product lies. Earlier ledgers kept whole paths: what left its place with the folder is looked for in it."""
        path = Path(kept)
        if self._folder is None:
            return path
        whole = self._folder / path
        if not whole.exists() and (moved := self._folder / path.parent.name / path.name).exists():
            return moved
        return whole

    def _reading(self) -> AbstractContextManager[sa.Connection]:
        return self._database.engine.connect()

    @contextmanager
    def _writing(self) -> Iterator[sa.Connection]:
        try:
            with self._writer.begin() as connection:
                yield connection
        finally:
            self._writes += 1

    def stamp(self) -> Stamp | None:
        """What differs once anybody has written to the ledger since; None on a server, where it cannot be told.

        The file's and its log's times and sizes tell of other programs' writes (two within one tick of the file system's clock
        that leave the size as it was pass for one), a count of this one's.
        """
        file = self._database.file
        if file is None:
            return None
        seen: list[int] = [self._writes]
        for path in (file, file.with_name(f"{file.name}-wal")):
            try:
                status = path.stat()
            except FileNotFoundError:
                seen += [0, 0]
            else:
                seen += [status.st_mtime_ns, status.st_size]
        return tuple(seen)


def now() -> datetime:
    """The time as rows keep it: UTC, without a zone."""
    return datetime.now(UTC).replace(tzinfo=None)


def aware(time: datetime) -> datetime:
    """A row's time with its zone."""
    return time.replace(tzinfo=UTC)


def naive(time: datetime | None) -> datetime | None:
    """An aware time as rows keep it."""
    return None if time is None else time.astimezone(UTC).replace(tzinfo=None)


def chunks(values: Iterable[Value]) -> Iterator[Sequence[Value]]:
    """The values in lists that one statement can hold."""
    several = list(values)
    for i in range(0, len(several), CHUNK):
        yield several[i : i + CHUNK]


def chosen_by_frame(
    query: sa.Select[Any], table: sa.Table, frame_ids: Iterable[int] | None
) -> Iterator[sa.Select[Any]]:
    """The query on these frames' rows, in parts that one statement can hold; as it is for None, which means all."""
    if frame_ids is None:
        yield query
        return
    for chunk in chunks(frame_ids):
        yield query.where(table.c.frame_id.in_(chunk))


@contextmanager
def many_rows() -> Iterator[None]:
    """While rows are made: half of the time would go into looking for garbage among records that are all in use."""
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()


def place_rank(row: Any) -> tuple[Any, ...]:
    """Which of a content's places to use: one that still holds it, the latest of those."""
    return (not row.gone, row.seen_at, row.place_id)


def key_of(result: sa.CursorResult[Any]) -> int:
    """The number that a new row was given."""
    key = result.inserted_primary_key
    assert key is not None
    return int(key[0])


def plain(row: Any) -> dict[str, Any]:
    """A record's fields; what is not a number is unknown, the same on every database."""
    values = {name: getattr(row, name) for name in row.__dataclass_fields__}
    return {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in values.items()}


def without(row: sa.RowMapping, *names: str) -> dict[str, Any]:
    """A row's values but some."""
    return {str(k): v for k, v in row.items() if k not in names}


def is_or_null(column: sa.Column[Any], value: Any) -> sa.ColumnElement[bool]:
    """`column` equals `value`, None being equal to None."""
    return column.is_(None) if value is None else column == value


def replace_rows(
    connection: sa.Connection,
    table: sa.Table,
    rows: Sequence[dict[str, Any]],
    *,
    same: Sequence[sa.ColumnElement[bool]] = (),
) -> None:
    """Put rows in place of those of the same frames (and `same`); in two statements a chunk."""
    made = now()
    latest = {row["frame_id"]: {**row, "made_at": made} for row in rows}
    for chunk in chunks(latest.values()):
        ids = [row["frame_id"] for row in chunk]
        connection.execute(sa.delete(table).where(table.c.frame_id.in_(ids), *same))
        connection.execute(sa.insert(table), list(chunk))
