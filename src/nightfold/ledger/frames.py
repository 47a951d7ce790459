"""The ledger's part on frames: contents, the places where they were seen, and files that were not taken in."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from nightfold.ledger import schema as t
from nightfold.ledger.base import LedgerBase, aware, chunks, many_rows, naive, now, place_rank, plain
from nightfold.ledger.records import AddCounts, FrameRow, NewFrame, PlaceRow, RefusedRow

MATCHED = ("kind", "rig", "target", "panel", "filter", "night", "exposure_s")
"""What a frame is taken for: from its header and campaign.toml together, so it can change without the content."""


class FramesPart(LedgerBase):
    """Contents and places."""

    def add_frames(self, frames: Sequence[NewFrame]) -> AddCounts:
        """Take frames in, each content once, in one transaction.

        A content seen before gets a new place; its places that are no more are marked gone. A path that holds another
        content than before keeps the earlier one on record as gone.
        """
        with self._writing() as connection:
            known = _ids_by_fingerprint(connection, [f.fingerprint for f in frames])
            fresh: dict[str, NewFrame] = {}
            for new in frames:
                if new.fingerprint not in known:
                    fresh.setdefault(new.fingerprint, new)
            made = now()
            for chunk in chunks(fresh.values()):
                connection.execute(sa.insert(t.frame), [_frame_values(new, made) for new in chunk])
            ids = known | _ids_by_fingerprint(connection, list(fresh))
            moved = _mark_moved(connection, frames, known)
            _note_places(connection, frames, ids, made)
            for paths in chunks(str(f.path) for f in frames):
                connection.execute(sa.delete(t.refused).where(t.refused.c.path.in_(paths)))
        return AddCounts(
            taken_in=len(fresh),
            already_known=len(frames) - len(fresh) - moved,
            moved=moved,
            new_fingerprints=frozenset(fresh),
        )

    def known_files(self) -> dict[str, tuple[int, int]]:
        """Path to (size, time of change in ns) of every file that holds a frame as it was last seen."""
        query = sa.select(t.place.c.path, t.place.c.size, t.place.c.mtime_ns).where(t.place.c.gone.is_(False))
        with self._reading() as connection:
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
        """Frames of these properties, by their start. One whose files are all gone has the path where it last was."""
        f, place = t.frame.c, t.place.c
        query = sa.select(
            *(f[name] for name in _OF_FRAME), place.path, place.name, place.gone, place.made_at.label("seen_at"), place.id.label("place_id")
        ).join(t.place, place.frame_id == f.id)  # fmt: skip
        for column, value in ((f.kind, kind), (f.rig, rig), (f.target, target), (f.filter, filter), (f.night, night)):
            if value is not None:
                query = query.where(column == value)
        if ids is not None:
            ids = [i for i in ids if abs(i) < 1 << 63]  # a number no database can hold is that of no frame
        queries = [query] if ids is None else [query.where(f.id.in_(chunk)) for chunk in chunks(ids)]
        best: dict[int, Any] = {}
        with self._reading() as connection, many_rows():
            for chosen in queries:
                for row in connection.execute(chosen).all():
                    before = best.get(row[0])
                    if before is None or place_rank(row) > place_rank(before):
                        best[row[0]] = row
            rows = sorted(best.values(), key=lambda r: (r.start or datetime.max, r.name, r.id))
            return [_frame_row(row) for row in rows]

    def nights(self, *, target: str | None = None, rig: str | None = None) -> list[date]:
        """The nights that have subs (of this target or rig), in order."""
        query = sa.select(t.frame.c.night).where(t.frame.c.kind == "sub", t.frame.c.night.is_not(None)).distinct()
        if target is not None:
            query = query.where(t.frame.c.target == target)
        if rig is not None:
            query = query.where(t.frame.c.rig == rig)
        with self._reading() as connection:
            return list(connection.scalars(query.order_by(t.frame.c.night)))

    def frames_by_name(self, names: Iterable[str]) -> dict[str, list[FrameRow]]:
        """For each path, file name or SHA-256 the frames it may mean; what a path holds now comes before what it held."""
        found: dict[str, list[FrameRow]] = {}
        with self._reading() as connection:
            for name in names:
                path = t.place.c.path.in_({str(Path(name).absolute()), os.path.abspath(name), name})
                ids: set[int] = set()
                for where in (sa.and_(path, t.place.c.gone.is_(False)), path, t.place.c.name == name):
                    ids = ids or set(connection.scalars(sa.select(t.place.c.frame_id).where(where)))
                ids = ids or set(connection.scalars(sa.select(t.frame.c.id).where(t.frame.c.sha256 == name)))
                found[name] = self.frames(ids=ids) if ids else []
        return found

    def set_sha256(self, frame_id: int, sha256: str) -> None:
        """Record the full hash of a content."""
        with self._writing() as connection:
            connection.execute(sa.update(t.frame).where(t.frame.c.id == frame_id).values(sha256=sha256))

    def set_nights(self, nights: Mapping[int, date]) -> None:
        """Date frames anew."""
        if not nights:
            return
        change = sa.update(t.frame).where(t.frame.c.id == sa.bindparam("of")).values(night=sa.bindparam("to"))
        with self._writing() as connection:
            connection.execute(change, [{"of": i, "to": night} for i, night in nights.items()])

    def update_frames(self, changes: Mapping[int, Mapping[str, Any]]) -> int:
        """Match frames anew, after campaign.toml changed: by frame, the new values of some of `MATCHED`; how many."""
        for values in changes.values():
            if wrong := sorted(set(values) - set(MATCHED)):
                raise ValueError(f"a frame's {wrong[0]} cannot be changed; allowed: {', '.join(MATCHED)}")
        with self._writing() as connection:
            for frame_id, values in changes.items():
                if values:
                    connection.execute(sa.update(t.frame).where(t.frame.c.id == frame_id).values(dict(values)))
        return len(changes)

    def places(self, frame_ids: Iterable[int]) -> dict[int, list[PlaceRow]]:
        """Every place where contents were seen, those that are gone included, by frame."""
        found: dict[int, list[PlaceRow]] = {}
        with self._reading() as connection:
            for chunk in chunks(frame_ids):
                query = sa.select(t.place).where(t.place.c.frame_id.in_(chunk)).order_by(t.place.c.id)
                for r in connection.execute(query).mappings():
                    found.setdefault(r["frame_id"], []).append(
                        PlaceRow(
                            frame_id=r["frame_id"], path=Path(r["path"]), size=r["size"], mtime_ns=r["mtime_ns"], gone=r["gone"],
                            seen_at=aware(r["made_at"]),
                        )
                    )  # fmt: skip
        return found

    def mark_gone(self, paths: Iterable[Path]) -> int:
        """Record that these files are no more; how many were known."""
        count = 0
        with self._writing() as connection:
            for chunk in chunks(str(p) for p in paths):
                change = sa.update(t.place).where(t.place.c.path.in_(chunk), t.place.c.gone.is_(False))
                count += connection.execute(change.values(gone=True)).rowcount
        return count

    def copies(self) -> dict[int, list[Path]]:
        """Every place where each content was seen and is not known to be gone."""
        found: dict[int, list[Path]] = {}
        query = sa.select(t.place.c.frame_id, t.place.c.path).where(t.place.c.gone.is_(False)).order_by(t.place.c.id)
        with self._reading() as connection:
            for frame_id, path in connection.execute(query):
                found.setdefault(frame_id, []).append(Path(path))
        return found

    def add_refused(self, files: Iterable[tuple[Path, str]]) -> None:
        """Record files that were not taken in, each with its latest reason."""
        made = now()
        latest = {str(path): {"path": str(path), "reason": reason, "made_at": made} for path, reason in files}
        with self._writing() as connection:
            for chunk in chunks(latest.values()):
                connection.execute(sa.delete(t.refused).where(t.refused.c.path.in_([r["path"] for r in chunk])))
                connection.execute(sa.insert(t.refused), list(chunk))

    def refused(self) -> list[tuple[Path, str]]:
        """Files that were not taken in and why."""
        return [(row.path, row.reason) for row in self.refusals()]

    def refusals(self) -> list[RefusedRow]:
        """Files that were not taken in, why and when, by path."""
        query = sa.select(t.refused).order_by(t.refused.c.path)
        with self._reading() as connection:
            return [
                RefusedRow(path=Path(r["path"]), reason=r["reason"], seen_at=aware(r["made_at"]))
                for r in connection.execute(query).mappings()
            ]


def _ids_by_fingerprint(connection: sa.Connection, fingerprints: Sequence[str]) -> dict[str, int]:
    found: dict[str, int] = {}
    for chunk in chunks(fingerprints):
        query = sa.select(t.frame.c.fingerprint, t.frame.c.id).where(t.frame.c.fingerprint.in_(chunk))
        found.update((f, i) for f, i in connection.execute(query))
    return found


def _mark_moved(connection: sa.Connection, frames: Sequence[NewFrame], known: Mapping[str, int]) -> int:
    """Mark places of known contents that are no more; the number of files whose content left another place."""
    here = {str(f.path) for f in frames}
    old: dict[int, list[tuple[int, str]]] = {}
    for chunk in chunks({known[f.fingerprint] for f in frames if f.fingerprint in known}):
        query = sa.select(t.place.c.frame_id, t.place.c.id, t.place.c.path).where(
            t.place.c.frame_id.in_(chunk), t.place.c.gone.is_(False)
        )
        for frame_id, place_id, path in connection.execute(query):
            old.setdefault(frame_id, []).append((place_id, path))
    gone: list[int] = []
    moved = 0
    for new in frames:
        places = old.get(known.get(new.fingerprint, -1), [])
        left = [place for place in places if place[1] not in here and not Path(place[1]).exists()]
        if left:
            moved += 1
            gone += [place_id for place_id, _ in left]
            old[known[new.fingerprint]] = [place for place in places if place not in left]
    for ids in chunks(gone):
        connection.execute(sa.update(t.place).where(t.place.c.id.in_(ids)).values(gone=True))
    return moved


def _note_places(connection: sa.Connection, frames: Sequence[NewFrame], ids: Mapping[str, int], made: datetime) -> None:
    """Every frame's file as a place of its content, and of no other any more."""
    latest = {str(new.path): new for new in frames}
    existing: dict[tuple[str, int], int] = {}
    others: list[int] = []
    for paths in chunks(latest):
        query = sa.select(t.place.c.path, t.place.c.frame_id, t.place.c.id, t.place.c.gone).where(
            t.place.c.path.in_(paths)
        )
        for path, frame_id, place_id, gone in connection.execute(query):
            existing[path, frame_id] = place_id
            if not gone and frame_id != ids[latest[path].fingerprint]:
                others.append(place_id)
    for chunk in chunks(others):
        connection.execute(sa.update(t.place).where(t.place.c.id.in_(chunk)).values(gone=True))
    inserts: list[dict[str, Any]] = []
    updates: list[dict[str, Any]] = []
    for path, new in latest.items():
        frame_id = ids[new.fingerprint]
        values = {"size": new.size, "mtime_ns": new.mtime_ns, "gone": False, "made_at": made}
        if (place_id := existing.get((path, frame_id))) is not None:
            updates.append({**values, "of": place_id})
        else:
            inserts.append({**values, "frame_id": frame_id, "path": path, "name": new.path.name})
    if updates:
        change = sa.update(t.place).where(t.place.c.id == sa.bindparam("of"))
        names = ("size", "mtime_ns", "gone", "made_at")
        connection.execute(change.values({n: sa.bindparam(f"new_{n}") for n in names}), [
            {"of": u["of"], **{f"new_{n}": u[n] for n in names}} for u in updates
        ])  # fmt: skip
    for rows in chunks(inserts):
        connection.execute(sa.insert(t.place), list(rows))


def _frame_values(new: NewFrame, made: datetime) -> dict[str, Any]:
    values = plain(new)
    for name in ("path", "size", "mtime_ns"):
        del values[name]
    return {**values, "start": naive(new.start), "made_at": made}


_OF_FRAME = tuple(name for name in FrameRow.__dataclass_fields__ if name != "path")
_START, _PATH = _OF_FRAME.index("start"), len(_OF_FRAME)


def _frame_row(row: Any) -> FrameRow:
    values = dict(zip(_OF_FRAME, row))
    if row[_START] is not None:
        values["start"] = aware(row[_START])
    return FrameRow(**values, path=Path(row[_PATH]))
