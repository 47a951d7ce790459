"""The ledger: one SQLite file that holds every fact of a campaign, or a PostgreSQL database where one is named.

Every method is one transaction. Rows that a person made (decisions, events) are only ever added.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import LargeBinary, select

from nightfold.errors import LedgerError
from nightfold.ledger.database import Database, WriterLock, copy_sqlite, copy_tables, open_database
from nightfold.ledger.frames import FramesPart
from nightfold.ledger.lines import LinesPart
from nightfold.ledger.products import ProductsPart
from nightfold.ledger.schema import metadata
from nightfold.ledger.verdicts import VerdictsPart

FILE_NAME = "ledger.sqlite"


class Ledger(FramesPart, LinesPart, VerdictsPart, ProductsPart):
    """An open ledger; use it as a context manager.

    Attributes
    ----------
    file : Path or None
        The SQLite file; None on a server.
    journal : str
        "wal", "delete" (on a network share) or "server".
    notes : tuple of str
        What the person should know of how the ledger is kept, in plain sentences.
    """

    def __init__(self, database: Database, folder: Path | None = None) -> None:
        super().__init__(database, folder)
        self.file = database.file
        self.journal = database.journal
        self.notes = database.notes
        self._lock = WriterLock(database)

    @classmethod
    def open(cls, folder: Path, *, database_url: str | None = None) -> Self:
        """The ledger in a campaign's folder, made or migrated where needed (an older file is copied first)."""
        return cls(open_database(folder / FILE_NAME, database_url), folder)

    def close(self) -> None:
        """Give the database back."""
        self._database.engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def writing(self) -> AbstractContextManager[None]:
        """Be the only one that changes this campaign; reads by others go on. Nested uses in one thread count as one.

        Raises
        ------
        LedgerError
            At once, if another process or thread holds it; the message names the process.
        """
        return self._lock.held()

    def check(self) -> str:
        """What SQLite says of the file's soundness: "ok", or its complaint; a server looks after itself."""
        if self.file is None:
            return "ok"
        with self._reading() as connection:
            return str(connection.exec_driver_sql("PRAGMA integrity_check").scalar())

    def copy_to(self, file: Path) -> None:
        """A whole copy of the ledger as one SQLite file, also while it is in use."""
        if self.file is None:
            raise LedgerError(
                "a ledger on a server is not one file", next_step="copy it with the server's own means, such as pg_dump"
            )
        copy_sqlite(self.file, file)

    def export_sqlite(self, file: Path) -> None:
        """The whole ledger as one new SQLite file, wherever it is kept."""
        if self.file is not None:
            copy_sqlite(self.file, file)
        else:
            with self._reading() as connection:
                copy_tables(connection, file)

    def tables(self) -> Iterator[tuple[str, list[str], list[list[Any]]]]:
        """Every table as its name, columns and rows of plain values; packed arrays are left out."""
        with self._reading() as connection:
            for table in metadata.sorted_tables:
                columns = [c for c in table.columns if not isinstance(c.type, LargeBinary)]
                key = list(table.primary_key.columns)
                rows = connection.execute(select(*columns).order_by(*key))
                yield table.name, [c.name for c in columns], [[_plain(v) for v in row] for row in rows]


def _plain(value: Any) -> Any:
    return json.dumps(value, ensure_ascii=False) if isinstance(value, dict | list) else value
