"""Disks that fill, folders that may not be written, files that may not be read, two at once, and clocks that jump."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from nightfold.campaign import Campaign
from nightfold.errors import LedgerError

pytestmark = [pytest.mark.xdist_group("crash")]

Shell = Callable[..., tuple[int, Any, str]]


def as_a_person(command: list[str]) -> list[str]:
    """The command without root's right to pass over permissions."""
    if os.geteuid() != 0:
        return command
    if shutil.which("setpriv") is None:
        pytest.skip("root passes over permissions, and setpriv is not installed")
    return ["setpriv", "--bounding-set=-dac_override,-dac_read_search", *command]


def nightfold(campaign: Path, *arguments: object) -> tuple[int, Any, str]:
    """Exit status, document and messages of a command."""
    command = [sys.executable, "-m", "nightfold", "--campaign", str(campaign), *map(str, arguments), "--json"]
    done = subprocess.run(as_a_person(command), capture_output=True, text=True, check=False, timeout=300)
    assert "Traceback" not in done.stderr, done.stderr
    return done.returncode, json.loads(done.stdout), done.stderr


@pytest.fixture
def shut() -> Iterator[Callable[[Path, int], None]]:
    """Takes rights away, and gives them back at the end."""
    changed: list[tuple[Path, int]] = []

    def change(path: Path, mode: int) -> None:
        changed.append((path, path.stat().st_mode))
        path.chmod(mode)

    yield change
    for path, mode in reversed(changed):
        path.chmod(mode)


def test_a_campaign_that_may_not_be_written_can_be_looked_at(
    prepared: Any, tmp_path: Path, shut: Callable[[Path, int], None]
) -> None:
    campaign = tmp_path / "campaign"
    shutil.copytree(prepared.after["fold"], campaign)
    before = {p: p.read_bytes() for p in campaign.rglob("*") if p.is_file()}
    for path in (*campaign.rglob("*"), campaign):
        shut(path, 0o555 if path.is_dir() else 0o444)
    status, document, _ = nightfold(campaign, "show")
    assert status == 0
    assert document["goals"]
    status, document, _ = nightfold(campaign, "fold")
    assert status == 1
    assert "may not be written" in document["error"]["what"]
    assert "rights" in document["error"]["next"]
    assert {p: p.read_bytes() for p in campaign.rglob("*") if p.is_file()} == before


def test_an_older_ledger_that_may_not_be_written_is_told(
    prepared: Any, tmp_path: Path, shut: Callable[[Path, int], None]
) -> None:
    campaign = tmp_path / "campaign"
    shutil.copytree(prepared.before["migration"], campaign)
    shut(campaign / "ledger.sqlite", 0o444)
    shut(campaign, 0o555)
    status, document, _ = nightfold(campaign, "show")
    assert status == 1
    assert "older schema" in document["error"]["what"]


def test_a_folder_of_masters_that_may_not_be_written(
    prepared: Any, kills: ModuleType, tmp_path: Path, shut: Callable[[Path, int], None]
) -> None:
    campaign = tmp_path / "campaign"
    shutil.copytree(prepared.before["fold"], campaign)
    (campaign / "masters").mkdir(exist_ok=True)
    shut(campaign / "masters", 0o555)
    status, document, _ = nightfold(campaign, "fold")
    assert status == 1
    assert "masters" in document["error"]["next"] + document["error"]["what"]
    (campaign / "masters").chmod(0o755)
    assert nightfold(campaign, "fold")[0] == 0
    assert kills.products_of(campaign) == kills.products_of(prepared.after["fold"])


def test_raws_whose_rights_are_taken_away_are_told_and_the_rest_goes_on(
    prepared: Any, tmp_path: Path, shut: Callable[[Path, int], None]
) -> None:
    raws = tmp_path / "frames"
    shutil.copytree(prepared.raws, raws)
    campaign = tmp_path / "campaign"
    campaign.mkdir()
    (campaign / "campaign.toml").write_text(prepared.text, encoding="utf-8")
    subs = sorted(p for p in raws.rglob("*.fits") if "_OIII_300s_" in p.name)
    shut(subs[0], 0o000)
    status, taken, _ = nightfold(campaign, "take-in", raws)
    assert status == 0
    assert [Path(r["file"]).name for r in taken["refused"]] == [subs[0].name]
    assert "rights" in taken["refused"][0]["reason"] or "denied" in taken["refused"][0]["reason"]
    shut(subs[1], 0o000)  # after it was taken in, before its pixels are read
    status, judged, _ = nightfold(campaign, "judge")
    assert status == 0
    bad = next(s for s in judged["subs"] if Path(s["file"]).name == subs[1].name)
    assert bad["verdict"] == "drop"
    status, folded, _ = nightfold(campaign, "fold")
    assert status == 0
    assert {m["filter"]: m["subs_used"] for m in folded["masters"]} == {"Ha": 3, "OIII": 1}
    for sub in subs[:2]:
        sub.chmod(0o644)
    nightfold(campaign, "take-in", raws)
    judged = nightfold(campaign, "judge", "--again")[1]
    assert {s["verdict"] for s in judged["subs"]} == {"keep"}, "given back, they are used"


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 32 MB, in memory."""
    place = tmp_path / "disk"
    place.mkdir()
    made = os.geteuid() == 0 and not subprocess.call(
        ["mount", "-t", "tmpfs", "-o", "size=32m", "tmpfs", str(place)], stderr=subprocess.DEVNULL
    )
    if not made:
        pytest.skip("a small disk can be made by root only")
    yield place
    subprocess.call(["umount", "-l", str(place)])


@pytest.mark.parametrize("stage", ["take-in", "judge", "fold", "picture"])
def test_a_full_disk_is_told_and_the_next_run_ends_as_if_nothing_had_been(
    stage: str, prepared: Any, kills: ModuleType, small_disk: Path
) -> None:
    campaign = small_disk / "campaign"
    kills.copy_campaign(prepared.before[stage], campaign)
    filler = small_disk / "filler"
    told = 0
    for left_bytes in (0, 40_000, 300_000):
        free = shutil.disk_usage(small_disk).free
        filler.write_bytes(bytes(max(0, free - left_bytes)))
        outcome = kills.run(prepared.runners["forked"], campaign, prepared.arguments(stage), prepared.log)
        text = prepared.log.read_text(encoding="utf-8")
        assert "Traceback" not in text, text
        filler.unlink()  # without room not even SQLite's own look at the file works
        assert kills.complaints_of(campaign) == []
        if outcome.status == 1:
            told += 1
            assert any(w in text for w in ("room", "space", "full")), text
    assert told, "none of the disks was too small"
    assert kills.run(prepared.runners["forked"], campaign, prepared.arguments(stage), prepared.log).status == 0
    assert kills.temporaries_of(campaign) == []
    assert kills.products_of(campaign) == kills.products_of(prepared.after[stage])
    mine, theirs = kills.rows_of(campaign / "ledger.sqlite"), kills.rows_of(prepared.after[stage] / "ledger.sqlite")
    assert {k: mine[k] for k in ("frame", "reading", "verdict")} == {
        k: theirs[k] for k in ("frame", "reading", "verdict")
    }
    assert kills.digest_of(prepared.raws) == prepared.raw_digest


def test_two_at_once_one_waits_with_a_clear_message_and_reading_goes_on(prepared: Any, tmp_path: Path) -> None:
    campaign = tmp_path / "campaign"
    shutil.copytree(prepared.after["fold"], campaign)
    with Campaign.open(campaign) as one, one._writing("fold"):
        status, document, _ = nightfold(campaign, "judge")
        assert status == 1
        assert f"process {os.getpid()}" in document["error"]["what"]
        assert "reading goes on" in document["error"]["next"]
        assert nightfold(campaign, "show")[0] == 0
        with Campaign.open(campaign) as two, pytest.raises(LedgerError, match="another Nightfold"):
            two.note("lens cleaned")
    assert nightfold(campaign, "judge")[0] == 0


def test_files_and_clocks_out_of_their_time(prepared: Any, tmp_path: Path) -> None:
    raws = tmp_path / "frames"
    shutil.copytree(prepared.raws, raws)
    for number, path in enumerate(sorted(raws.rglob("*.fits"))):
        when = (0, 4_000_000_000, 1_000_000_000)[number % 3]  # 1970, 2096, 2001
        os.utime(path, (when, when))
    campaign = tmp_path / "campaign"
    clock = [1_800_000_000.0]
    jumps = iter((1.0, 1.0, -86_400.0, 1.0, 1.0, 1.0, 1.0))
    with Campaign.create(campaign, text=prepared.text) as made:
        events = made.watch(
            [raws],
            once=True,
            settle_s=1.0,
            interval_s=0.0,
            clock=lambda: clock[0],
            sleep=lambda _s: clock.__setitem__(0, clock[0] + next(jumps, 1.0)),
        )
        kinds = [e.kind for e in events]
        assert kinds.count("sub") == 6
        assert len(made.subs()) == 6
