"""A cluster gives the bytes that one process gives, outlives the loss of a worker, and says which worker lacks what."""

from __future__ import annotations

import importlib
import os
import signal
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("distributed", reason="the extra cluster is not installed")

from nightfold.campaign import Campaign
from nightfold.cli import main
from nightfold.engine.cluster import Cluster
from nightfold.engine.core import CancelToken, NullProgress
from nightfold.errors import CancelledError, SettingsError

sys.path.insert(0, str(Path(__file__).parent))
helpers = importlib.import_module("cluster_of_two")
slow = pytest.mark.slow


class Told(NullProgress):
    """Keeps what is said."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def say(self, text: str) -> None:
        self.lines.append(text)


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    with helpers.local_cluster(tmp_path_factory.mktemp("cluster")) as cluster:
        wait_for(cluster.address, 2)
        yield cluster


def wait_for(address: str, workers: int) -> None:
    """Until so many workers are there."""
    from distributed import Client

    with Client(address, set_as_default=False) as client:
        client.wait_for_workers(workers, timeout=60)


def test_without_the_extra_the_error_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(SettingsError, match=r"nightfold\[cluster\]"):
        Cluster.connect("tcp://127.0.0.1:1")


def test_an_address_where_nobody_answers_is_told(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], small_settings: str, tmp_path: Path
) -> None:
    monkeypatch.setattr("nightfold.engine.cluster.CONNECT_S", 0.5)
    Campaign.create(tmp_path / "c", text=small_settings).close()
    assert main(["--campaign", str(tmp_path / "c"), "judge", "--cluster", "tcp://127.0.0.1:9"]) == 1
    told = capsys.readouterr().err
    assert "no scheduler answers at this address; seen: tcp://127.0.0.1:9" in told


@slow
def test_results_come_in_order_and_a_cancel_stops(two: Any) -> None:
    token = CancelToken()
    with Cluster.connect(two.address) as cluster:
        assert list(cluster.map(helpers.square, range(20))) == [n * n for n in range(20)]
        with pytest.raises(CancelledError):
            for n in cluster.map(helpers.square, range(1000), cancelled=token):
                if n == 9:
                    token.cancel()


@slow
def test_the_same_bytes_as_one_process_while_a_worker_is_killed(
    two: Any, small_frames: Path, small_settings: str, tmp_path: Path
) -> None:
    made = {}
    two.add_worker()
    wait_for(two.address, 3)
    kill = threading.Timer(1.0, two.workers[-1].kill)
    for name, address in (("one", None), ("many", two.address)):
        with Campaign.create(tmp_path / name / "c", text=small_settings, cluster=address) as campaign:
            campaign.take_in([small_frames])
            if address is not None:
                kill.start()
            campaign.judge()
            ledger = campaign._ws.ledger
            readings = ledger.readings([r.id for r in ledger.frames(kind="sub")])
            report = campaign.fold()
            assert not list(campaign._ws.scratch_folder.glob("*"))
        made[name] = (
            {i: (r.scalars, r.arrays) for i, r in readings.items()},
            {Path(m.file).name: Path(m.file).read_bytes() for m in report.masters},
        )
    kill.join()
    assert two.workers.pop().wait() != 0
    assert len(made["one"][0]) == 10
    assert len(made["one"][1]) == 2
    assert made["one"] == made["many"]


@slow
def test_a_killed_worker_costs_only_its_tasks(two: Any, tmp_path: Path) -> None:
    told = Told()
    two.add_worker()
    wait_for(two.address, 3)
    victim = two.workers[-1]
    with Cluster.connect(two.address, progress=told) as cluster:
        began = [(tmp_path / f"{n}", 0.15) for n in range(30)]
        kill = threading.Timer(0.6, os.kill, (victim.pid, signal.SIGKILL))
        kill.start()
        assert list(cluster.map(helpers.note_and_wait, began)) == [p.name for p, _ in began]
        kill.join()
    victim.wait()
    lines = [len(p.read_text().splitlines()) for p, _ in began]
    assert min(lines) == 1
    # What the lost worker had in hand, or had done and not yet handed in, is done again: no more.
    assert 30 < sum(lines) <= 30 + 3 * 3
    assert any("A worker is gone" in line and "2 left" in line for line in told.lines)


@slow
def test_a_file_that_a_worker_does_not_see_is_named_with_the_worker(two: Any, tmp_path: Path) -> None:
    missing = tmp_path / "not there.fits"
    unseen = r"worker tcp://.* on .* does not see .*not there\.fits"
    with Cluster.connect(two.address) as cluster, pytest.raises(SettingsError, match=unseen):
        list(cluster.map(helpers.square, [1], needs=lambda _: [missing]))
    with pytest.raises(SettingsError, match="does not see"):
        Cluster.connect(two.address, folder=tmp_path / "elsewhere")


@slow
def test_a_cluster_without_workers_is_told_at_once(tmp_path: Path) -> None:
    with (
        helpers.local_cluster(tmp_path, workers=0) as empty,
        pytest.raises(SettingsError, match="the cluster has no worker"),
    ):
        Cluster.connect(empty.address)


@slow
def test_workers_that_all_go_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("nightfold.engine.cluster.ALONE_S", 1.0)
    with helpers.local_cluster(tmp_path, workers=1) as cluster:
        wait_for(cluster.address, 1)
        with Cluster.connect(cluster.address) as joined:
            results = joined.map(helpers.note_and_wait, [(tmp_path / f"{n}", 0.2) for n in range(20)])
            assert next(results) == "0"
            cluster.workers[0].kill()
            with pytest.raises(SettingsError, match="no worker is left"):
                list(results)


def test_the_command_line_offers_it_where_work_can_go(capsys: pytest.CaptureFixture[str]) -> None:
    for command in ("judge", "fold", "start"):
        main([command, "--help"])
        assert "--cluster" in capsys.readouterr().out
