"""Every kind of row goes in and comes out the same, on SQLite and on PostgreSQL."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from hypothesis import given, settings
from hypothesis import strategies as st

from nightfold.errors import LedgerError
from nightfold.ledger.core import Ledger
from nightfold.ledger.database import _to_json, copy_tables
from nightfold.ledger.records import CalibrationRow, FindingRow, PlacementRow, ReadingRow, SolutionRow, VerdictRow

START = datetime(2026, 5, 13, 10, tzinfo=UTC)


def test_a_content_is_taken_in_once(ledger: Ledger, new_frame: Any) -> None:
    frames = [new_frame(i) for i in range(1200)]  # more than one statement holds
    counts = ledger.add_frames([*frames, frames[7]])
    assert (counts.taken_in, counts.already_known, counts.moved) == (1200, 1, 0)
    assert counts.new_fingerprints == {f.fingerprint for f in frames}
    again = ledger.add_frames(random.Random(3).sample(frames, 1200))
    assert (again.taken_in, again.already_known, again.moved) == (0, 1200, 0)
    assert [r.name for r in ledger.frames()] == [f.path.name for f in frames]
    assert ledger.known_files() == {str(f.path): (f.size, f.mtime_ns) for f in frames}
    assert ledger.add_frames([]).taken_in == 0


def test_a_frame_comes_out_as_it_went_in(ledger: Ledger, new_frame: Any) -> None:
    local = datetime(2026, 5, 13, 20, 0, 0, 123456, tzinfo=timezone(timedelta(hours=10)))
    header = {"gain": 100.0, "binning": [1, 1], "notes": ["ä"], "sensor_c": None, "calibrated": False}
    ledger.add_frames([new_frame(1, start=local, header=header, panel=2, night=date(2026, 5, 12))])
    (row,) = ledger.frames()
    assert row.start == local
    assert row.start.tzinfo is UTC
    assert (row.header, row.panel, row.night, row.sha256) == (header, 2, date(2026, 5, 12), None)


def test_frames_are_chosen_by_their_properties(ledger: Ledger, new_frame: Any) -> None:
    ledger.add_frames(
        [
            new_frame(1),
            new_frame(2, filter="OIII", night=date(2026, 5, 14)),
            new_frame(3, rig="Wide", target="Veil"),
            new_frame(4, kind="dark", filter=None, target=None, night=date(2026, 5, 20)),
            new_frame(5, start=None, night=None),
        ]
    )

    def names(**wanted: Any) -> list[int]:
        return [int(r.fingerprint.removeprefix("print-")) for r in ledger.frames(**wanted)]

    assert names() == [1, 2, 3, 4, 5]  # without a start: last
    assert names(filter="OIII") == [2]
    assert names(rig="Wide") == [3]
    assert names(target="Ridge", kind="sub") == [1, 2, 5]
    assert names(night=date(2026, 5, 13), filter="Ha") == [1, 3]
    assert names(ids=[]) == []
    ids = [r.id for r in ledger.frames(ids=[f.id for f in ledger.frames(kind="dark")])]
    assert len(ids) == 1
    assert ledger.nights() == [date(2026, 5, 13), date(2026, 5, 14)]  # of subs only
    assert ledger.nights(target="Veil") == [date(2026, 5, 13)]


def test_a_path_written_over_keeps_its_earlier_content_on_record(ledger: Ledger, new_frame: Any) -> None:
    first = new_frame(1)
    first.path.write_bytes(b"x")
    ledger.add_frames([first])
    (old,) = ledger.frames()
    second = replace(first, fingerprint="another", size=7)
    assert ledger.add_frames([second]).taken_in == 1
    assert {r.fingerprint for r in ledger.frames()} == {"print-1", "another"}
    assert ledger.known_files() == {str(first.path): (7, 1)}
    (by_path,) = ledger.frames_by_name([str(first.path)])[str(first.path)]
    assert by_path.fingerprint == "another"
    assert [p.gone for p in ledger.places([old.id])[old.id]] == [True]
    assert ledger.add_frames([first]).already_known == 1  # put back
    (by_path,) = ledger.frames_by_name([str(first.path)])[str(first.path)]
    assert by_path.id == old.id
    assert ledger.known_files() == {str(first.path): (101, 1)}


def test_a_moved_folder_is_recognised_and_a_vanished_one_is_told(
    ledger: Ledger, new_frame: Any, tmp_path: Path
) -> None:
    frames = [new_frame(i) for i in range(5)]
    ledger.add_frames(frames)
    elsewhere = [replace(f, path=tmp_path / "new" / f.path.name) for f in frames]
    assert ledger.add_frames(elsewhere).moved == 5
    assert [r.path for r in ledger.frames()] == [f.path for f in elsewhere]
    assert all(len(places) == 1 for places in ledger.copies().values())
    assert ledger.mark_gone([f.path for f in elsewhere]) == 5
    assert ledger.mark_gone([tmp_path / "never seen"]) == 0
    assert ledger.copies() == {}
    assert [r.path for r in ledger.frames()] == [f.path for f in elsewhere]  # still named


def test_frames_are_found_by_path_name_and_hash(ledger: Ledger, new_frame: Any, tmp_path: Path) -> None:
    ledger.add_frames([new_frame(1), new_frame(2, path=tmp_path / "b" / "sub-00001.fits")])
    one, two = ledger.frames()
    ledger.set_sha256(two.id, "cd" * 32)
    found = ledger.frames_by_name(["sub-00001.fits", str(one.path), "cd" * 32, "x"])
    assert [[r.id for r in rows] for rows in found.values()] == [[one.id, two.id], [one.id], [two.id], []]


def test_frames_can_be_matched_anew_but_not_be_forged(ledger: Ledger, new_frame: Any) -> None:
    ledger.add_frames([new_frame(1), new_frame(2)])
    one, two = ledger.frames()
    assert ledger.update_frames({one.id: {"rig": "Wide", "target": None}, two.id: {}}) == 2
    ledger.set_nights({two.id: date(2026, 6, 1)})
    changed, same = ledger.frames()
    assert (changed.rig, changed.target, changed.filter) == ("Wide", None, "Ha")
    assert same == replace(two, night=date(2026, 6, 1))
    with pytest.raises(ValueError, match="fingerprint cannot be changed; allowed: kind, rig"):
        ledger.update_frames({one.id: {"fingerprint": "other"}})


def test_refused_files_keep_their_latest_reason_until_they_are_taken_in(ledger: Ledger, new_frame: Any) -> None:
    frame = new_frame(1)
    ledger.add_refused([(frame.path, "truncated"), (Path("b"), "no FITS"), (frame.path, "still truncated")])
    assert sorted(ledger.refused()) == sorted([(frame.path, "still truncated"), (Path("b"), "no FITS")])
    ledger.add_frames([frame])
    assert [r.path for r in ledger.refusals()] == [Path("b")]


def test_readings_come_with_or_without_their_arrays(ledger: Ledger, new_frame: Any) -> None:
    ledger.add_frames([new_frame(1), new_frame(2)])
    one, two = ledger.frames()
    reading = ReadingRow(
        frame_id=one.id, version=1, calibration="k", scalars={"fwhm_px": 3.25, "sky_e": None}, arrays=bytes(range(256))
    )
    ledger.save_fault(one.id, "unreadable")
    ledger.save_fault(two.id, "unreadable")
    ledger.save_reading(reading, sha256="ab" * 32)
    ledger.save_reading(replace(reading, version=2))
    assert ledger.readings([one.id, two.id]) == {one.id: replace(reading, version=2)}
    assert ledger.readings([one.id], with_arrays=False)[one.id] == replace(reading, version=2, arrays=b"")
    assert ledger.reading_versions() == {one.id: (2, "k")}
    assert ledger.faults() == {two.id: "unreadable"}
    assert ledger.frames(ids=[one.id])[0].sha256 == "ab" * 32


def test_what_is_kept_for_good_is_set_once(ledger: Ledger, new_frame: Any) -> None:
    ledger.add_frames([new_frame(1), new_frame(2)])
    one, two = ledger.frames()
    grid = ledger.make_grid(
        target="Ridge", panel=None, rig="Scout", reference_frame_id=one.id, width_px=90, height_px=60
    )
    again = ledger.make_grid(target="Ridge", panel=None, rig="Wide", reference_frame_id=two.id, width_px=1, height_px=1)
    assert again == grid
    other = ledger.make_grid(target="Ridge", panel=2, rig="Scout", reference_frame_id=two.id, width_px=90, height_px=60)
    assert [g.id for g in ledger.grids()] == [grid.id, other.id]
    ledger.set_grid_wcs(grid.id, {"CRVAL1": 250.2})
    assert ledger.grid("Ridge", None) == replace(grid, wcs={"CRVAL1": 250.2})
    assert ledger.set_flux_reference(grid.id, None, "Ha", one.id) == one.id
    assert ledger.set_flux_reference(grid.id, None, "Ha", two.id) == one.id
    assert ledger.set_flux_reference(grid.id, "Scout", "Ha", two.id) == two.id
    assert ledger.flux_reference(grid.id, None, "Ha") == one.id
    ledger.retire_grid(grid.id)
    assert ledger.grid("Ridge", None) is None
    fresh = ledger.make_grid(target="Ridge", panel=None, rig="Wide", reference_frame_id=two.id, width_px=9, height_px=6)
    assert fresh.id not in (grid.id, other.id)


def test_placements_are_replaced_on_their_grid_only(ledger: Ledger, new_frame: Any) -> None:
    ledger.add_frames([new_frame(1), new_frame(2)])
    ids = [r.id for r in ledger.frames()]
    grids = [
        ledger.make_grid(target="Ridge", panel=p, rig=None, reference_frame_id=ids[0], width_px=9, height_px=6).id
        for p in (1, 2)
    ]
    rows = [
        PlacementRow(frame_id=i, grid_id=g, found=True, reason="", document={"matrix": [[1.0, 0.0, 0.1 * g]]})
        for i in ids
        for g in grids
    ]
    ledger.save_placements(rows)
    lost = PlacementRow(frame_id=ids[0], grid_id=grids[0], found=False, reason="too few stars", document={})
    ledger.save_placements([rows[0], lost])
    assert ledger.placements(grids[0]) == {ids[0]: lost, ids[1]: rows[2]}
    assert ledger.placements(grids[1]) == {ids[0]: rows[1], ids[1]: rows[3]}


def test_a_persons_decision_outlives_verdicts(ledger: Ledger, new_frame: Any) -> None:
    ledger.add_frames([new_frame(i) for i in range(3)])
    ids = [r.id for r in ledger.frames()]
    verdicts = [
        VerdictRow(frame_id=i, keep=True, worth=1.0, weight=None, scale=1.0, transparency=float("nan"), causes=[["cloud", "0.4"]])
        for i in ids
    ]  # fmt: skip
    ledger.save_verdicts(verdicts)
    assert ledger.add_decisions(ids[:2], "drop", "lamp") == 2
    ledger.save_verdicts([replace(verdicts[0], worth=0.5)])
    assert ledger.verdicts()[ids[0]] == replace(verdicts[0], worth=0.5, transparency=None)
    assert ledger.verdicts()[ids[1]] == replace(verdicts[1], transparency=None)
    assert {i: d.verdict for i, d in ledger.decisions().items()} == {ids[0]: "drop", ids[1]: "drop"}
    ledger.add_decisions([ids[0]], "clear", "")
    ledger.add_decisions([ids[1]], "keep", "looks fine")
    assert {i: d.why for i, d in ledger.decisions().items()} == {ids[1]: "looks fine"}
    assert [d.verdict for d in ledger.decision_history([ids[0]])] == ["drop", "clear"]
    with pytest.raises(ValueError, match="allowed: keep, drop, clear"):
        ledger.add_decisions(ids, "maybe", "")
    assert ledger.add_decisions([], "keep", "") == 0


def test_masters_pictures_and_the_rest(ledger: Ledger, new_frame: Any, tmp_path: Path) -> None:
    ledger.add_frames([new_frame(1)])
    frame_id = ledger.frames()[0].id
    grid = ledger.make_grid(target="Ridge", panel=None, rig=None, reference_frame_id=frame_id, width_px=9, height_px=6)
    for noise in (2.0, 1.0):
        ledger.save_master(
            target="Ridge", panel=None, filter="Ha", rigs=["Scout", "Wide"], grid_id=grid.id, path=tmp_path / "Ha.fits", sha256="s",
            document={"noise_e_per_s": noise},
        )  # fmt: skip
    (master,) = ledger.masters(target="Ridge")
    assert (master.document, master.rigs, master.made_at.tzinfo) == ({"noise_e_per_s": 1.0}, ("Scout", "Wide"), UTC)
    assert ledger.masters(target="Veil") == []
    calibration = CalibrationRow(key="k", kind="dark", path=tmp_path / "dark.fits", document={"inputs": ["a"]})
    ledger.save_calibration_master(calibration)
    ledger.save_calibration_master(replace(calibration, document={"inputs": ["a", "b"]}))
    assert ledger.calibration_master("k") == replace(calibration, document={"inputs": ["a", "b"]})
    assert len(ledger.calibration_masters()) == 1
    assert ledger.calibration_master("none") is None
    ledger.save_picture(
        target="Ridge", path=tmp_path / "a.png", recipe_path=tmp_path / "a.toml", sha256="p", document={}
    )
    assert [(p.path.name, p.recipe_path.name) for p in ledger.pictures()] == [("a.png", "a.toml")]
    ledger.add_event(None, date(2026, 5, 15), "cleaned")
    ledger.add_event("Scout", date(2026, 5, 14), "camera turned")
    assert [(e.rig, e.text) for e in ledger.events()] == [("Scout", "camera turned"), (None, "cleaned")]
    ledger.keep_setting("sky", {"Ha": 21.5})
    ledger.keep_setting("sky", [1])
    assert ledger.kept_setting("sky") == [1]
    assert ledger.kept_setting("nothing") is None
    with ledger.running("fold", "0.1"):
        assert ledger.runs()[0].ended_at is None
    with pytest.raises(KeyError), ledger.running("judge", "0.1"):
        raise KeyError("x")
    assert [r.outcome for r in ledger.runs()] == ["done", "KeyError: 'x'"]


def test_a_row_of_a_frame_that_is_not_there_is_refused_whole(ledger: Ledger, new_frame: Any) -> None:
    ledger.add_frames([new_frame(1)])
    (row,) = ledger.frames()
    verdict = VerdictRow(frame_id=row.id, keep=True, worth=1.0, weight=None, scale=1.0, transparency=1.0, causes=[])
    with pytest.raises(sa.exc.IntegrityError):
        ledger.save_verdicts([verdict, replace(verdict, frame_id=row.id + 99)])
    assert ledger.verdicts() == {}


def test_a_failure_amid_taking_in_takes_nothing_in(ledger: Ledger, new_frame: Any) -> None:
    with pytest.raises((sa.exc.StatementError, TypeError)):
        ledger.add_frames([new_frame(1), new_frame(2, header={"bad": object()})])
    assert ledger.frames() == []


def test_only_one_opened_ledger_may_write(ledger: Ledger, tmp_path: Path) -> None:
    url = None if ledger.file else ledger._database.engine.url.render_as_string(hide_password=False)
    with Ledger.open(tmp_path, database_url=url) as other:
        with ledger.writing():
            with ledger.writing():  # nested uses of the holder count as one
                pass
            with pytest.raises(LedgerError, match="another Nightfold"), other.writing():
                pass
            assert other.frames() == []
        with other.writing():
            pass


@settings(max_examples=25, deadline=None)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=5),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
        max_leaves=8,
    )
)  # fmt: skip
def test_documents_survive_json(value: Any) -> None:
    assert json.loads(_to_json(value)) == value


def test_what_is_no_number_becomes_unknown() -> None:
    assert json.loads(_to_json({"a": [float("nan"), 1.5], "b": (float("inf"),)})) == {"a": [None, 1.5], "b": [None]}


def test_solutions_are_kept_in_place_of_earlier_ones(ledger: Ledger, new_frame: Any) -> None:
    ledger.add_frames([new_frame(1), new_frame(2)])
    first, second = (row.id for row in ledger.frames())
    ledger.save_solutions([SolutionRow(frame_id=first, solved=False, document={"reason": "too few stars"})])
    ledger.save_solutions(
        [
            SolutionRow(frame_id=first, solved=True, document={"zero_point": 22.1}),
            SolutionRow(frame_id=second, solved=True, document={}),
        ]
    )
    assert ledger.solutions()[first] == SolutionRow(frame_id=first, solved=True, document={"zero_point": 22.1})
    assert set(ledger.solutions([second])) == {second}


def test_findings_add_up_and_are_replaced_only_within_their_kind(ledger: Ledger) -> None:
    night, other = date(2026, 5, 13), date(2026, 5, 14)
    for n in (1, 2):
        ledger.add_finding(FindingRow(kind="focus", rig="Scout", night=night, document={"best_position": n}))
    ledger.add_finding(FindingRow(kind="creep", rig="Scout", night=night, document={"px": 0.6}))
    ledger.replace_findings(
        "creep", [FindingRow(kind="creep", rig=None, night=other, document={"px": 0.7})], night=other
    )
    assert [f.document["best_position"] for f in ledger.findings("focus", rig="Scout")] == [1, 2]
    assert [f.document["px"] for f in ledger.findings("creep")] == [0.6, 0.7]
    ledger.replace_findings("creep", [])
    assert ledger.findings("creep") == []
    assert len(ledger.findings()) == 2
    assert all(f.id is not None and f.made_at is not None for f in ledger.findings())
    with pytest.raises(ValueError, match=r"\['focus'\]; allowed: 'creep'"):
        ledger.replace_findings("creep", [FindingRow(kind="focus", document={})])


def test_any_ledger_becomes_a_sqlite_file(ledger: Ledger, new_frame: Any, tmp_path: Path) -> None:
    ledger.add_frames([new_frame(i) for i in range(1200)])
    frame = ledger.frames()[7]
    ledger.save_reading(
        ReadingRow(frame_id=frame.id, version=1, calibration="c", scalars={"sky": 1.5}, arrays=b"\x00\xff")
    )
    (tmp_path / "copied").mkdir()
    with ledger._reading() as connection:
        copy_tables(connection, tmp_path / "copied" / "ledger.sqlite")
    with Ledger.open(tmp_path / "copied") as copied:
        assert copied.frames() == ledger.frames()
        assert copied.readings([frame.id]) == ledger.readings([frame.id])
        assert copied.check() == "ok"
    names = {name: (columns, rows) for name, columns, rows in ledger.tables()}
    assert len(names["frame"][1]) == 1200
    assert "arrays" not in names["reading"][0]


def test_a_sub_is_found_by_any_spelling_of_its_path(
    ledger: Ledger, new_frame: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "raws").mkdir()
    (tmp_path / "beside").mkdir()
    file = tmp_path / "raws" / "night-sub.fits"
    ledger.add_frames([replace(new_frame(1), path=file)])
    monkeypatch.chdir(tmp_path / "beside")
    for name in (str(file), "../raws/night-sub.fits", f"{tmp_path}/raws/../raws/night-sub.fits", "night-sub.fits"):
        assert [r.path for r in ledger.frames_by_name([name])[name]] == [file], name
    assert ledger.frames_by_name(["../night-sub.fits"]) == {"../night-sub.fits": []}
