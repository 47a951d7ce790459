"""The ledger's part on overviews: what pages ask of all subs at once, without their headers, star lists and causes."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from pathlib import Path
from typing import Any, NamedTuple

import sqlalchemy as sa

from nightfold.ledger import schema as t
from nightfold.ledger.base import LedgerBase, chosen_by_frame, many_rows, place_rank

Group = tuple[str | None, int | None, str | None, str | None]
"""Target, panel, filter and rig: subs of one master."""


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


class FactLine(NamedTuple):
    """A frame of any kind in what it is matched and planned by. `start` is UTC without a zone."""

    frame_id: int
    kind: str
    rig: str | None
    target: str | None
    panel: int | None
    filter: str | None
    night: date | None
    start: datetime | None
    exposure_s: float | None
    width_px: int
    height_px: int
    camera: str | None
    gain: float | None
    offset: float | None
    sensor_c: float | None
    set_point_c: float | None
    binning_x: int
    binning_y: int
    readout_mode: str | None
    rotator_deg: float | None
    calibrated: bool
    e_per_adu: float | None


class PastLine(NamedTuple):
    """What was measured and judged of a sub; None where nothing was. `keep` is the automatic verdict."""

    frame_id: int
    measured: int | None
    noise_e: float | None
    sky_e: float | None
    fwhm_px: float | None
    keep: bool | None
    scale: float | None
    transparency: float | None
    zero_point_mag: float | None
    up_deg: float | None
    mirrored: bool | None
    solved: bool | None


class JudgedLine(NamedTuple):
    """A sub as the judge's document tells it, but for a person's decision. `start` is UTC without a zone."""

    frame_id: int
    sha256: str | None
    rig: str | None
    target: str | None
    filter: str | None
    night: date | None
    start: datetime | None
    exposure_s: float | None
    pixel_um: float | None
    binning: int | None
    focal_length_mm: float | None
    star_count: int | None
    fwhm_px: float | None
    half_flux_radius_px: float | None
    ellipticity: float | None
    ellipticity_angle_deg: float | None
    sky_e: float | None
    keep: bool | None
    weight: float | None
    transparency: float | None
    causes: list[list[str]] | None
    zero_point_mag: float | None
    zero_point_uncertainty_mag: float | None
    sky_mag_arcsec2: float | None
    limiting_mag: float | None
    transparency_absolute: float | None
    path: str
    name: str
    gone: bool
    seen_at: datetime
    place_id: int


class TemperatureLine(NamedTuple):
    """When a sub was exposed and how warm it was, by the focuser and by the air. `start` is UTC without a zone."""

    start: datetime
    exposure_s: float | None
    focuser_c: float | None
    ambient_c: float | None


class WeightLine(NamedTuple):
    """A sub's pull in its master beside those of its group; None before a verdict. `keep` is the automatic verdict's."""

    frame_id: int
    rig: str | None
    target: str | None
    panel: int | None
    filter: str | None
    keep: bool | None
    weight: float | None


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
            .where(f.kind == "sub" if where else _most_are_subs(), *(f[name] == value for name, value in where.items()))
        )

    def fact_lines(self) -> list[FactLine]:
        """All frames as they are matched and planned by, by their start."""
        f, h = t.frame.c, t.frame.c.header
        columns: Iterable[Any] = (
            f.id, f.kind, f.rig, f.target, f.panel, f.filter, f.night, f.start, f.exposure_s, f.width_px, f.height_px,
            h["camera"].as_string(), h["gain"].as_float(), h["offset"].as_float(), h["sensor_c"].as_float(),
            h["set_point_c"].as_float(), h[("binning", 0)].as_integer(), h[("binning", 1)].as_integer(),
            h["readout_mode"].as_string(), h["rotator_deg"].as_float(), h["calibrated"].as_boolean(), h["e_per_adu"].as_float(),
        )  # fmt: skip
        with self._reading() as connection, many_rows():
            lines = [FactLine._make(row) for row in connection.execute(sa.select(*columns)).all()]
        return sorted(lines, key=lambda line: (line.start or datetime.max, line.frame_id))

    def past_lines(self) -> dict[int, PastLine]:
        """What was measured and judged of each sub."""
        f, scalars, place = t.frame.c, t.reading.c.scalars, t.solution.c.document
        columns: Iterable[Any] = (
            f.id, t.reading.c.frame_id, scalars["noise_e"].as_float(), scalars["sky_e"].as_float(), scalars["fwhm_px"].as_float(),
            t.verdict.c.keep, t.verdict.c.scale, t.verdict.c.transparency, place[("photometry", "zero_point_mag")].as_float(),
            place["up_deg"].as_float(), place["mirrored"].as_boolean(), t.solution.c.solved,
        )  # fmt: skip
        query = (
            sa.select(*columns)
            .select_from(t.frame)
            .outerjoin(t.reading, t.reading.c.frame_id == f.id)
            .outerjoin(t.verdict, t.verdict.c.frame_id == f.id)
            .outerjoin(t.solution, t.solution.c.frame_id == f.id)
            .where(_most_are_subs())
        )
        with self._reading() as connection, many_rows():
            return {row[0]: PastLine._make(row) for row in connection.execute(query).all()}

    def judged_lines(self, **where: Any) -> list[JudgedLine]:
        """All subs, or those whose columns equal `where`, by their start; each with the place where it lies, or last lay."""
        f, h, scalars, place = t.frame.c, t.frame.c.header, t.reading.c.scalars, t.place.c
        columns: Iterable[Any] = (
            f.id, f.sha256, f.rig, f.target, f.filter, f.night, f.start, f.exposure_s, h["pixel_um"].as_float(),
            h[("binning", 0)].as_integer(), h["focal_length_mm"].as_float(), scalars["star_count"].as_integer(),
            *(scalars[n].as_float() for n in ("fwhm_px", "half_flux_radius_px", "ellipticity", "ellipticity_angle_deg", "sky_e")),
            t.verdict.c.keep, t.verdict.c.weight, t.verdict.c.transparency, t.verdict.c.causes,
            *(t.solution.c.document[("photometry", n)].as_float() for n in JudgedLine._fields[21:26]),
            place.path, place.name, place.gone, place.made_at, place.id,
        )  # fmt: skip
        query = (
            sa.select(*columns)
            .select_from(t.frame)
            .join(t.place, place.frame_id == f.id)
            .outerjoin(t.reading, t.reading.c.frame_id == f.id)
            .outerjoin(t.verdict, t.verdict.c.frame_id == f.id)
            .outerjoin(t.solution, t.solution.c.frame_id == f.id)
            .where(f.kind == "sub" if where else _most_are_subs(), *(f[name] == value for name, value in where.items()))
        )
        best: dict[int, JudgedLine] = {}
        with self._reading() as connection, many_rows():
            for row in connection.execute(query).all():
                line = JudgedLine._make(row)
                before = best.setdefault(line.frame_id, line)
                if before is not line and place_rank(line) > place_rank(before):
                    best[line.frame_id] = line
            return sorted(best.values(), key=lambda line: (line.start or datetime.max, line.name, line.frame_id))

    def temperature_lines(self, rig: str | None) -> list[TemperatureLine]:
        """When a rig's subs (all, for None) were exposed and how warm their headers say it was; those without a start left out."""
        f, h = t.frame.c, t.frame.c.header
        query = sa.select(f.start, f.exposure_s, h["focuser_c"].as_float(), h["ambient_c"].as_float()).where(
            _most_are_subs(), f.start.is_not(None)
        )
        if rig is not None:
            query = query.where(f.rig == rig)
        with self._reading() as connection, many_rows():
            return [TemperatureLine._make(row) for row in connection.execute(query).all()]

    def weight_lines(self, frame_ids: Iterable[int] | None = None) -> list[WeightLine]:
        """The pulls of all subs, or of these, in no order."""
        f, v = t.frame.c, t.verdict.c
        query = (
            sa.select(f.id, f.rig, f.target, f.panel, f.filter, v.keep, v.weight)
            .select_from(t.frame)
            .join(t.verdict, v.frame_id == f.id)
            .where(_most_are_subs())
        )
        with self._reading() as connection, many_rows():
            return [
                WeightLine._make(row)
                for chosen in chosen_by_frame(query, t.verdict, frame_ids)
                for row in connection.execute(chosen).all()
            ]

    def undecided_weights(self) -> dict[Group, float]:
        """Sums of the pulls of the subs that verdicts keep and nobody ever decided on, by target, panel, filter and rig.

        The database adds them, so that no row is made for a sub; where no sub has a panel, from an index alone.
        """
        f, v = t.frame.c, t.verdict.c

        def sums(*by: sa.ColumnElement[Any]) -> sa.Select[Any]:
            return (
                sa.select(*by, sa.func.sum(v.weight))
                .select_from(t.frame)
                .join(t.verdict, v.frame_id == f.id)
                .where(v.keep, f.id.not_in(sa.select(t.decision.c.frame_id)))
                .group_by(*by)
            )

        panels = sa.select(f.id).where(_most_are_subs(), f.panel.is_not(None)).limit(1)
        with self._reading() as connection:
            if connection.execute(panels).first() is not None:
                rows = connection.execute(sums(f.target, f.panel, f.filter, f.rig).where(_most_are_subs()))
                return {(target, panel, name, rig): total or 0.0 for target, panel, name, rig, total in rows}
            rows = connection.execute(sums(f.target, f.filter, f.rig).where(f.kind == "sub"))
            return {(target, None, name, rig): total or 0.0 for target, name, rig, total in rows}

    def latest_paths(self, count: int) -> list[Path]:
        """Where the subs of the latest starts lie, or last lay; the latest first."""
        newest = (
            sa.select(t.frame.c.id, t.frame.c.start)
            .where(t.frame.c.kind == "sub", t.frame.c.start.is_not(None))
            .order_by(t.frame.c.start.desc())
            .limit(count)
            .subquery()
        )
        query = (
            sa.select(t.place.c.path)
            .join(newest, newest.c.id == t.place.c.frame_id)
            .order_by(newest.c.start.desc(), newest.c.id, t.place.c.gone, t.place.c.made_at.desc(), t.place.c.id.desc())
        )
        with self._reading() as connection:
            return [Path(p) for p in connection.scalars(query)]

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
        return next(iter(self.latest_paths(1)), None)

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


def _most_are_subs() -> sa.ColumnElement[bool]:
    """The kind is "sub", asked so that no index is taken: for nearly all rows, one after the other is twice as fast."""
    return sa.func.coalesce(t.frame.c.kind, "") == "sub"
