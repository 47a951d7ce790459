"""A real scheduler and workers on loopback, each a process of its own, for tests."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

RUN = "import sys; from {module} import main; sys.exit(main())"


@dataclass
class LocalCluster:
    """What a test may do to it."""

    address: str
    folder: Path
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def add_worker(self, threads: int = 1) -> subprocess.Popen[bytes]:
        """One more worker; without a guard that would start it again."""
        name = f"worker-{len(self.workers)}"
        module = "distributed.cli.dask_worker"
        words = [
            self.address,
            "--host",
            "127.0.0.1",
            "--no-nanny",
            "--nthreads",
            str(threads),
            "--no-dashboard",
            "--name",
            name,
        ]
        words += ["--local-directory", str(self.folder / name)]
        command = [sys.executable, "-c", RUN.format(module=module), *words]
        with open(self.folder / f"{name}.log", "wb") as log:
            started = subprocess.Popen(command, stdout=log, stderr=log, env=_environment())
        self.workers.append(started)
        return started


def _environment() -> dict[str, str]:
    """So that the tasks of this module are found."""
    return {**os.environ, "PYTHONPATH": str(Path(__file__).parent)}


@contextmanager
def local_cluster(folder: Path, workers: int = 2) -> Iterator[LocalCluster]:
    """A scheduler with workers; all are ended afterwards."""
    told = folder / "scheduler.json"
    module = "distributed.cli.dask_scheduler"
    words = ["--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(told), "--no-dashboard"]
    with open(folder / "scheduler.log", "wb") as log:
        command = [sys.executable, "-c", RUN.format(module=module), *words]
        scheduler = subprocess.Popen(command, stdout=log, stderr=log, env=_environment())
    cluster: LocalCluster | None = None
    try:
        for _ in range(300):
            if told.exists() and told.stat().st_size:
                break
            assert scheduler.poll() is None, (folder / "scheduler.log").read_text()
            time.sleep(0.1)
        cluster = LocalCluster(json.loads(told.read_text(encoding="utf-8"))["address"], folder)
        for _ in range(workers):
            cluster.add_worker()
        yield cluster
    finally:
        for process in [*(cluster.workers if cluster else []), scheduler]:
            process.kill()
            process.wait()


def square(n: int) -> int:
    """A task."""
    return n * n


def note_and_wait(item: tuple[Path, float]) -> str:
    """A task that leaves a line in a file each time it is begun, and takes a while."""
    path, seconds = item
    with open(path, "a", encoding="utf-8") as file:
        file.write("begun\n")
    time.sleep(seconds)
    return path.name
