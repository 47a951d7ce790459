"""The ledger: each content once, moved files recognised, decisions kept, older and newer schemas, two processes, kills."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from nightfold.errors import LedgerError
from nightfold.ledger.core import FILE_NAME, Ledger
from nightfold.ledger.records import NewFrame, ReadingRow, VerdictRow

START = datetime(2026, 5, 13, 10, tzinfo=UTC)


def new_frame(folder: Path, i: int, **change: object) -> NewFrame:
    path = folder / f"sub-{i:04d}.fits"
    frame = NewFrame(
        path=path, size=100 + i, mtime_ns=i, fingerprint=f"print-{i}", kind="sub", rig="Scout", target="Ridge", panel=None, filter="Ha",
        night=date(2026, 5, 13), start=START + timedelta(minutes=i), exposure_s=180.0, width_px=90, height_px=60, header={"gain": 100.0},
    )  # fmt: skip
    return replace(frame, **change)


def test_a_content_is_taken_in_once(tmp_path: Path) -> None:
    with Ledger.open(tmp_path) as ledger:
        frames = [new_frame(tmp_path, i) for i in range(5)]
        assert ledger.add_frames(frames).taken_in == 5
        again = ledger.add_frames(frames)
        assert (again.taken_in, again.already_known, again.moved) == (0, 5, 0)
        rows = ledger.frames(kind="sub", filter="Ha")
        assert [r.name for r in rows] == [f.path.name for f in frames]
        assert rows[0].start == START
        assert ledger.known_files()[str(frames[2].path)] == (102, 2)
        assert ledger.frames(filter="OIII") == []


def test_a_moved_file_is_the_same_frame(tmp_path: Path) -> None:
    with Ledger.open(tmp_path) as ledger:
        ledger.add_frames([new_frame(tmp_path, 1)])
        elsewhere = replace(new_frame(tmp_path, 1), path=tmp_path / "new" / "sub.fits")
        assert ledger.add_frames([elsewhere]).moved == 1
        (row,) = ledger.frames()
        assert row.path == elsewhere.path
        assert [len(places) for places in ledger.copies().values()] == [1]


def test_a_copy_is_a_second_place(tmp_path: Path) -> None:
    frame = new_frame(tmp_path, 1)
    frame.path.write_bytes(b"x")
    with Ledger.open(tmp_path) as ledger:
        ledger.add_frames([frame])
        counts = ledger.add_frames([replace(frame, path=tmp_path / "copy.fits")])
        assert (counts.already_known, counts.moved) == (1, 0)
        assert [len(places) for places in ledger.copies().values()] == [2]


def test_a_persons_decision_outlives_verdicts_and_can_be_cleared(tmp_path: Path) -> None:
    with Ledger.open(tmp_path) as ledger:
        ledger.add_frames([new_frame(tmp_path, 1)])
        (row,) = ledger.frames()
        ledger.add_decisions([row.id], "drop", "lamp")
        verdict = VerdictRow(frame_id=row.id, keep=True, worth=1.0, weight=None, scale=1.0, transparency=1.0, causes=[])
        ledger.save_verdicts([verdict])
        ledger.save_verdicts([replace(verdict, worth=0.5)])
        assert ledger.verdicts()[row.id].worth == 0.5
        assert ledger.decisions()[row.id].why == "lamp"
        ledger.add_decisions([row.id], "clear", "")
        assert ledger.decisions() == {}


def test_readings_round_trip_and_carry_the_hash(tmp_path: Path) -> None:
    with Ledger.open(tmp_path) as ledger:
        ledger.add_frames([new_frame(tmp_path, 1)])
        (row,) = ledger.frames()
        ledger.save_fault(row.id, "truncated")
        reading = ReadingRow(frame_id=row.id, version=1, calibration="k", scalars={"fwhm_px": 3.0}, arrays=b"\x00\x01")
        ledger.save_reading(reading, sha256="ab" * 32)
        assert ledger.readings([row.id]) == {row.id: reading}
        assert ledger.faults() == {}
        assert ledger.frames_by_name(["ab" * 32])["ab" * 32][0].id == row.id
        assert ledger.frames_by_name(["nothing"]) == {"nothing": []}


def test_the_grid_is_one_until_it_is_retired(tmp_path: Path) -> None:
    with Ledger.open(tmp_path) as ledger:
        ledger.add_frames([new_frame(tmp_path, 1)])
        frame_id = ledger.frames()[0].id
        grid = ledger.make_grid(
            target="Ridge", panel=None, rig="Scout", reference_frame_id=frame_id, width_px=90, height_px=60
        )
        assert ledger.grid("Ridge", None) == grid
        assert ledger.grid("Ridge", 2) is None
        ledger.set_flux_reference(grid.id, "Scout", "Ha", frame_id)
        assert ledger.flux_reference(grid.id, "Scout", "Ha") == frame_id
        assert ledger.flux_reference(grid.id, "Wide", "Ha") is None
        ledger.retire_grid(grid.id)
        assert ledger.grid("Ridge", None) is None


def test_a_newer_schema_is_refused_and_an_older_one_copied_first(tmp_path: Path) -> None:
    Ledger.open(tmp_path).close()
    file = tmp_path / FILE_NAME
    with sqlite3.connect(file) as connection:
        connection.execute("UPDATE alembic_version SET version_num='9999'")
    with pytest.raises(LedgerError, match="newer Nightfold"):
        Ledger.open(tmp_path)


def test_a_file_that_is_no_ledger_is_told(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_bytes(b"not a database, certainly not one" * 100)
    with pytest.raises(LedgerError, match="cannot be opened as a ledger"):
        Ledger.open(tmp_path)


def test_opening_twice_migrates_once(tmp_path: Path) -> None:
    for _ in range(2):
        with Ledger.open(tmp_path) as ledger:
            assert ledger.check() == "ok"
            assert ledger.journal == "wal"
    assert not list(tmp_path.glob("*.backup"))


def test_two_processes_cannot_both_write(tmp_path: Path) -> None:
    code = (
        "import sys, pathlib; from nightfold.ledger.core import Ledger\n"
        "with Ledger.open(pathlib.Path(sys.argv[1])) as ledger, ledger.writing():\n"
        "    print('held', flush=True); sys.stdin.read()\n"
    )
    with Ledger.open(tmp_path) as ledger:
        command = [sys.executable, "-c", code, str(tmp_path)]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
            assert other.stdout is not None
            assert other.stdout.readline() == "held\n"
            with pytest.raises(LedgerError, match=str(other.pid)), ledger.writing():
                pass
            assert ledger.frames() == []  # reading goes on
            other.communicate()
        with ledger.writing():
            pass


@pytest.mark.skipif(os.name == "nt", reason="needs SIGKILL")
def test_a_kill_amid_writing_leaves_whole_batches(tmp_path: Path) -> None:
    code = (
        "import sys, pathlib; from dataclasses import replace\n"
        "from nightfold.ledger.core import Ledger; from nightfold.ledger.records import NewFrame\n"
        "folder = pathlib.Path(sys.argv[1])\n"
        "with Ledger.open(folder) as ledger:\n"
        "    print('open', flush=True)\n"
        "    for batch in range(100000):\n"
        "        ledger.add_frames([NewFrame(path=folder / f'{batch}-{i}', size=1, mtime_ns=1, fingerprint=f'{batch}-{i}', kind='sub',\n"
        "            rig=None, target=None, panel=None, filter=None, night=None, start=None, exposure_s=1.0, width_px=1, height_px=1,\n"
        "            header={}) for i in range(10)])\n"
        "        print(batch, flush=True)\n"
    )
    with subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        for _ in range(8):
            process.stdout.readline()
        process.send_signal(signal.SIGKILL)
    with Ledger.open(tmp_path) as ledger:
        assert ledger.check() == "ok"
        rows = ledger.frames()
        assert len(rows) % 10 == 0
        assert len(rows) >= 70


def test_events_and_runs(tmp_path: Path) -> None:
    with Ledger.open(tmp_path) as ledger:
        ledger.add_event("Scout", date(2026, 5, 14), "camera turned")
        assert [(e.rig, e.text) for e in ledger.events()] == [("Scout", "camera turned")]
        with pytest.raises(ValueError, match="boom"), ledger.running("fold", "0"):
            raise ValueError("boom")
    with sqlite3.connect(tmp_path / FILE_NAME) as connection:
        assert connection.execute("SELECT outcome FROM run").fetchone() == ("ValueError: boom",)


def test_the_migrations_make_what_the_schema_says(tmp_path: Path) -> None:
    from sqlalchemy import create_engine, inspect

    from nightfold.ledger.schema import metadata

    Ledger.open(tmp_path).close()
    engine = create_engine(f"sqlite:///{tmp_path / FILE_NAME}")
    inspector = inspect(engine)
    for table in metadata.sorted_tables:
        made = {c["name"]: c["nullable"] for c in inspector.get_columns(table.name)}
        assert made == {c.name: c.nullable for c in table.columns}, table.name
    engine.dispose()
