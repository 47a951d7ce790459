"""The ledger's part on overviews: what pages ask of all subs at once, without their headers, star lists and causes."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from pathlib import Path
from typing import Any, NamedTuple

import sqlalchemy as sa

from nightfold.ledger import schema as t
from nightfold.ledger.base import LedgerBase, many_rows


class SubLine(NamedTuple):
    """A sub in a few numbers. `start` is UTC without a zone; `keep` and `worth` are the automatic verdict's, None before one."""

    frame_id: int
    rig: str | None
    target: str | None
    panel: int | None
    filter: str | None
    night: date | None
    start: datetime | None
    exposure_s: float | None
    pixel_um: float | None
    binning: int | None
    focal_length_mm: float | None
    measured: int | None
    fwhm_px: float | None
    sky_e: float | None
    keep: bool | None
    worth: float | None


class PlaceLine(NamedTuple):
    """A file that holds, or held, a frame of a night."""

    frame_id: int
    night: date | None
    path: str
    size: int
    gone: bool


class LinesPart(LedgerBase):
    """Overviews."""

    def sub_lines(self, **where: Any) -> list[SubLine]:
        """All subs, or those whose columns (rig, target, filter, night) equal `where`, in no order."""
        with self._reading() as connection, many_rows():
            return [SubLine._make(row) for row in connection.execute(self._lines_query(where)).all()]

    @staticmethod
    def _lines_query(where: dict[str, Any]) -> sa.Select[Any]:
        f, header, scalars = t.frame.c, t.frame.c.header, t.reading.c.scalars
        columns: Iterable[Any] = (
            f.id, f.rig, f.target, f.panel, f.filter, f.night, f.start, f.exposure_s, header["pixel_um"].as_float(),
            header[("binning", 0)].as_integer(), header["focal_length_mm"].as_float(),
            t.reading.c.frame_id, scalars["fwhm_px"].as_float(), scalars["sky_e"].as_float(), t.verdict.c.keep, t.verdict.c.worth,
        )  # fmt: skip
        return (
            sa.select(*columns)
            .select_from(t.frame)
            .outerjoin(t.reading, t.reading.c.frame_id == f.id)
            .outerjoin(t.verdict, t.verdict.c.frame_id == f.id)
            .where(f.kind == "sub", *(f[name] == value for name, value in where.items()))
        )

    def sub_count(self) -> int:
        """How many subs there are."""
        with self._reading() as connection:
            return connection.scalar(sa.select(sa.func.count()).where(t.frame.c.kind == "sub")) or 0

    def sub_filters(self) -> list[str | None]:
        """The filters that subs were shot through, each once; None if some name none."""
        query = sa.select(t.frame.c.filter).where(t.frame.c.kind == "sub").distinct()
        with self._reading() as connection:
            return list(connection.scalars(query))

    def latest_sub(self) -> Path | None:
        """Where the sub of the latest start lies, or last lay."""
        start = sa.select(sa.func.max(t.frame.c.start)).where(t.frame.c.kind == "sub").scalar_subquery()
        query = (
            sa.select(t.place.c.path)
            .join(t.frame, t.frame.c.id == t.place.c.frame_id)
            .where(t.frame.c.kind == "sub", t.frame.c.start == start)
            .order_by(t.place.c.gone, t.place.c.made_at.desc(), t.place.c.id.desc())
        )
        with self._reading() as connection:
            path = connection.scalars(query).first()
        return None if path is None else Path(path)

    def place_lines(self) -> list[PlaceLine]:
        """Every place of every frame: frames by start, the places of each as they were first seen."""
        p = t.place.c
        query = (
            sa.select(p.frame_id, t.frame.c.night, p.path, p.size, p.gone)
            .join(t.frame, t.frame.c.id == p.frame_id)
            .order_by(t.frame.c.start.is_(None), t.frame.c.start, p.frame_id, p.id)
        )
        with self._reading() as connection, many_rows():
            return [PlaceLine._make(row) for row in connection.execute(query).all()]

    def subs_in_one_place(self) -> dict[date, int]:
        """By night how many subs exist in one place only."""
        once = (
            sa.select(t.place.c.frame_id)
            .where(t.place.c.gone.is_(False))
            .group_by(t.place.c.frame_id)
            .having(sa.func.count() == 1)
            .subquery()
        )
        query = (
            sa.select(t.frame.c.night, sa.func.count())
            .join(once, once.c.frame_id == t.frame.c.id)
            .where(t.frame.c.kind == "sub", t.frame.c.night.is_not(None))
            .group_by(t.frame.c.night)
        )
        with self._reading() as connection:
            return {row[0]: row[1] for row in connection.execute(query)}
