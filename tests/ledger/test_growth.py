"""What concerns few subs never looks through all of them: the plans of the queries that pages and commands ask."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
import sqlalchemy as sa

from nightfold.frames.records import FrameHeader
from nightfold.intake.stage import facts_of_line, facts_of_row, header_document
from nightfold.judge.stage import _shares
from nightfold.ledger.core import Ledger
from nightfold.ledger.records import NewFrame, ReadingRow, SolutionRow, VerdictRow
from nightfold.ledger.workspace import Workspace

LARGE = ("frame", "place", "reading", "verdict", "solution", "placement", "decision", "fault")
NIGHT = date(2026, 5, 14)


@pytest.fixture
def sqlite_ledger(tmp_path: Path, new_frame: Any) -> Any:
    with Ledger.open(tmp_path) as ledger:
        start = datetime(2026, 5, 13, 10, tzinfo=UTC)
        ledger.add_frames(
            [new_frame(i, start=start + timedelta(hours=i), night=NIGHT + timedelta(days=i // 10)) for i in range(100)]
        )
        ids = [row.id for row in ledger.frames()]
        for i in ids:
            scalars = {"fwhm_px": 2.0, "sky_e": 50.0}
            ledger.save_reading(ReadingRow(frame_id=i, version=1, calibration="k", scalars=scalars, arrays=b""))
        ledger.save_verdicts(
            VerdictRow(frame_id=i, keep=True, worth=1.0, weight=0.1, scale=1.0, transparency=1.0, causes=[])
            for i in ids
        )
        ledger.save_solutions(SolutionRow(frame_id=i, solved=False, document={}) for i in ids)
        yield ledger


FEW: dict[str, Callable[[Ledger], object]] = {
    "a sub by name": lambda x: x.frames_by_name(["sub-00007.fits"]),
    "a sub by path": lambda x: x.frames_by_name(["/raws/sub-00007.fits"]),
    "a sub by hash": lambda x: x.frames_by_name(["a" * 64]),
    "subs by number": lambda x: x.frames(ids=[3, 4]),
    "a night": lambda x: x.frames(kind="sub", night=NIGHT),
    "a night in lines": lambda x: x.sub_lines(night=NIGHT),
    "a night's verdicts": lambda x: x.judged_lines(night=NIGHT),
    "verdicts": lambda x: x.verdicts([3, 4]),
    "decisions": lambda x: x.decisions([3, 4]),
    "readings": lambda x: x.readings([3, 4]),
    "solutions": lambda x: x.solutions([3, 4]),
    "places": lambda x: x.places([3, 4]),
    "decide": lambda x: x.add_decisions([3, 4], "drop", ""),
    "hash": lambda x: x.set_sha256(3, "b" * 64),
    "reading": lambda x: x.save_reading(ReadingRow(frame_id=3, version=1, calibration="k", scalars={}, arrays=b"")),
    "fault": lambda x: x.save_fault(3, "broken"),
    "verdict": lambda x: x.save_verdicts([VerdictRow(frame_id=3, keep=False, worth=None, weight=None, scale=None, transparency=None, causes=[])]),
    "gone": lambda x: x.mark_gone([Path("/raws/sub-00007.fits")]),
    "grid": lambda x: x.grid("Veil", None),
    "count": lambda x: x.sub_count(),
    "latest": lambda x: x.latest_paths(20),
}  # fmt: skip


@pytest.mark.parametrize("name", FEW)
def test_what_concerns_few_subs_looks_through_no_table(sqlite_ledger: Ledger, name: str) -> None:
    scans = [step for step in plans(sqlite_ledger, FEW[name]) if step.startswith("SCAN") and step.split()[1] in LARGE]
    assert not scans


def test_the_plans_are_seen(sqlite_ledger: Ledger) -> None:
    """The check itself: a question by a column without an index is found to go through all rows."""

    def by_width(ledger: Ledger) -> None:
        with ledger._reading() as connection:
            connection.execute(sa.text("SELECT id FROM frame WHERE width_px = 7"))

    assert plans(sqlite_ledger, by_width) == ["SCAN frame"]


def plans(ledger: Ledger, work: Callable[[Ledger], object]) -> list[str]:
    """The steps of SQLite's plans for all statements that `work` runs."""
    asked: list[tuple[str, Any]] = []

    def keep(_connection: Any, _cursor: Any, statement: str, parameters: Any, _context: Any, many: bool) -> None:
        asked.append((statement, parameters[0] if many else parameters))

    engine = ledger._database.engine
    sa.event.listen(engine, "before_cursor_execute", keep)
    try:
        work(ledger)
    finally:
        sa.event.remove(engine, "before_cursor_execute", keep)
    steps = []
    with engine.connect() as connection:
        for statement, parameters in asked:
            if statement.split()[0] in ("SELECT", "UPDATE", "DELETE", "INSERT"):
                found = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)
                steps += [str(row[3]) for row in found]
    return steps


def test_lines_and_counts_tell_what_frames_tell(sqlite_ledger: Ledger) -> None:
    frames = sqlite_ledger.frames(kind="sub")
    lines = {line.frame_id: line for line in sqlite_ledger.sub_lines()}
    assert set(lines) == {row.id for row in frames}
    for row in frames:
        line = lines[row.id]
        assert (line.rig, line.target, line.filter, line.night) == (row.rig, row.target, row.filter, row.night)
        assert line.start == (row.start or datetime.max).replace(tzinfo=None)
        assert (line.fwhm_px, line.sky_e, line.keep, line.worth) == (2.0, 50.0, True, 1.0)
    assert sqlite_ledger.sub_count() == 100
    assert sqlite_ledger.sub_filters() == sorted({row.filter for row in frames})
    assert sqlite_ledger.latest_sub() == frames[-1].path
    assert {line.night for line in sqlite_ledger.sub_lines(night=NIGHT)} == {NIGHT}
    assert sum(sqlite_ledger.subs_in_one_place().values()) == 100


def test_lines_are_the_same_on_a_server(ledger: Ledger, new_frame: Any) -> None:
    header = {"pixel_um": 4.63, "binning": [2, 2], "focal_length_mm": None}
    ledger.add_frames([new_frame(1, header=header), new_frame(2), new_frame(3, kind="dark")])
    first, second = sorted(ledger.sub_lines())
    assert (first.pixel_um, first.binning, first.focal_length_mm) == (4.63, 2, None)
    assert (first.measured, first.fwhm_px, first.keep) == (None, None, None)
    assert second.pixel_um is None
    ledger.save_reading(
        ReadingRow(
            frame_id=first.frame_id, version=1, calibration="k", scalars={"fwhm_px": None, "sky_e": 3.5}, arrays=b""
        )
    )
    (first,) = [line for line in ledger.sub_lines() if line.frame_id == first.frame_id]
    assert (first.measured, first.fwhm_px, first.sky_e) == (first.frame_id, None, 3.5)
    assert ledger.latest_sub() == ledger.frames(kind="sub")[-1].path
    assert sum(ledger.subs_in_one_place().values()) == 2


def test_what_frames_are_matched_by_is_the_same_from_lines_and_from_whole_headers(tmp_path: Path) -> None:
    start = datetime(2026, 5, 14, 13, tzinfo=UTC)
    headers = [
        FrameHeader(kind="sub", width_px=600, height_px=400, start=start, exposure_s=120.0, filter="Ha", camera="Cam",
                    gain=100.0, offset=20.0, sensor_c=-9.8, set_point_c=-10.0, binning=(2, 2), readout_mode="slow", rotator_deg=12.5),
        FrameHeader(kind="dark", width_px=600, height_px=400, start=None, exposure_s=120.0, calibrated=True),
    ]  # fmt: skip
    with Ledger.open(tmp_path) as ledger:
        for i, header in enumerate(headers):
            ledger.add_frames([
                NewFrame(path=Path(f"/raws/{i}.fits"), size=1, mtime_ns=1, fingerprint=f"f{i}", kind=header.kind, rig="Heron 106",
                         target=None, panel=None, filter=header.filter, night=NIGHT, start=header.start,
                         exposure_s=header.exposure_s, width_px=600, height_px=400, header=header_document(header))
            ])  # fmt: skip
        whole = {row.id: replace(facts_of_row(row), name="") for row in ledger.frames()}
        assert {line.frame_id: facts_of_line(line) for line in ledger.fact_lines()} == whole
        assert [line.e_per_adu for line in ledger.fact_lines()] == [None, None]


def test_past_lines_tell_readings_verdicts_and_solutions(ledger: Ledger, new_frame: Any) -> None:
    ledger.add_frames([new_frame(1), new_frame(2), new_frame(3, kind="dark")])
    first, second = (row.id for row in ledger.frames(kind="sub"))
    ledger.save_reading(
        ReadingRow(frame_id=first, version=1, calibration="k", scalars={"noise_e": 7.5, "sky_e": None}, arrays=b"")
    )
    ledger.save_verdicts(
        [VerdictRow(frame_id=first, keep=False, worth=0.1, weight=0.2, scale=0.9, transparency=0.8, causes=[])]
    )
    place = {"photometry": {"zero_point_mag": 21.5}, "up_deg": 3.25, "mirrored": True}
    ledger.save_solutions([SolutionRow(frame_id=first, solved=True, document=place)])
    told = ledger.past_lines()
    assert set(told) == {first, second}
    assert told[first] == (first, first, 7.5, None, None, False, 0.9, 0.8, 21.5, 3.25, True, True)
    assert told[second] == (second, *[None] * 11)


def test_judged_lines_name_the_place_that_still_holds_a_sub(ledger: Ledger, new_frame: Any) -> None:
    ledger.add_frames([new_frame(1), new_frame(2)])
    first = ledger.frames(kind="sub")[0]
    ledger.add_frames([replace(new_frame(1), path=Path("/other/copy.fits"))])
    assert [line.path for line in ledger.judged_lines()] == [str(row.path) for row in ledger.frames(kind="sub")]
    ledger.mark_gone([Path("/other/copy.fits")])
    assert [line.path for line in ledger.judged_lines()] == [str(row.path) for row in ledger.frames(kind="sub")]
    assert ledger.judged_lines(filter=first.filter)[0].frame_id == first.id
    assert ledger.judged_lines(night=date(1999, 1, 1)) == []


def test_latest_paths_begin_with_the_latest_sub(sqlite_ledger: Ledger) -> None:
    rows = sqlite_ledger.frames(kind="sub")
    assert sqlite_ledger.latest_paths(3) == [row.path for row in rows[:-4:-1]]


@pytest.mark.parametrize("panels", [False, True])
def test_shares_of_some_subs_are_those_among_all(ledger: Ledger, new_frame: Any, panels: bool) -> None:
    rng = random.Random(11)
    days = (NIGHT, NIGHT + timedelta(days=1))
    made = [
        new_frame(
            i, night=days[i % 2], rig=("Heron 106", "Wren 61")[i % 3 > 1], filter=("Ha", None)[i % 5 > 3],
            panel=1 + i % 2 if panels else None,
        )
        for i in range(60)
    ]  # fmt: skip
    ledger.add_frames([*made, new_frame(60, kind="dark")])
    ids = sorted(row.id for row in ledger.frames(kind="sub"))
    ledger.save_verdicts(
        VerdictRow(frame_id=i, keep=rng.random() > 0.3, worth=1.0, weight=rng.random(), scale=1.0, transparency=1.0, causes=[])
        for i in ids[:-3]
    )  # fmt: skip
    ledger.add_decisions(ids[::7], "drop", "a look")
    ledger.add_decisions(ids[1::5], "keep", "a look")
    ledger.add_decisions(ids[:20:3], "clear", "a look")
    ws = cast(Workspace, SimpleNamespace(ledger=ledger))
    decisions = ledger.decisions()
    whole = _shares(ws, decisions)
    assert len(whole) > 20
    for day in days:
        mine = {row.id for row in ledger.frames(kind="sub", night=day)}
        some = _shares(ws, decisions, mine)
        assert {i: some[i] for i in some if i in mine} == pytest.approx({i: whole[i] for i in whole if i in mine})
        assert mine & set(some) == mine & set(whole)
