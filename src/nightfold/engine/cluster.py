"""Work on other machines: a Dask scheduler hands pure functions on paths and arrays to workers; results come back to the one writer.

Workers never touch the ledger. A task names its files by paths that every worker must see, so that pixels go from the disk
that holds them straight to the machine that needs them. A worker that is lost costs what it had in hand: the scheduler gives
its tasks to others. Results come in the order of the items, so that what is made of them does not depend on who was faster.
"""

from __future__ import annotations

import socket
import time
import uuid
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import cache
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, TypeVar

from nightfold.engine.core import CancelToken, NullProgress, Progress
from nightfold.errors import NightfoldError, SettingsError

Item = TypeVar("Item")
Result = TypeVar("Result")

AHEAD = 3
"""Tasks in flight for each thread of the workers: one at work, one whose file may be read ahead, one on its way."""
CONNECT_S = 15.0
ALONE_S = 60.0
"""How long to wait for a worker when none is left."""
LOOK_S = 1.0
SAME_BYTES = ("numpy", "numba", "scipy")
"""Packages whose version may change the last bit of a number."""


class UnseenFileError(Exception):
    """A worker does not see a file that it was told to work on."""

    def __init__(self, worker: str, path: str) -> None:
        self.worker, self.path = worker, path
        super().__init__(worker, path)


class Cluster:
    """The workers behind one scheduler; use it as a context manager."""

    def __init__(self, client: Any, address: str, progress: Progress) -> None:
        self._client = client
        self._address = address
        self._progress = progress
        self._known = self._workers()
        self._closed = False

    @classmethod
    def connect(cls, address: str, *, folder: Path | None = None, progress: Progress | None = None) -> Cluster:
        """Join the scheduler at `address`, such as ``tcp://10.0.0.5:8786``.

        Parameters
        ----------
        folder : Path, optional
            A folder that every worker must see under the same path; asked at once.

        Raises
        ------
        SettingsError
            The extra is missing, nobody answers, no worker is there, one runs another version or does not see the folder.
        """
        lib = _distributed()
        try:
            client = lib.Client(address, timeout=CONNECT_S, set_as_default=False, name="nightfold")
        except (OSError, TimeoutError, ValueError) as error:
            raise SettingsError(
                "no scheduler answers at this address",
                seen=address,
                allowed="an address as the scheduler prints it, such as tcp://10.0.0.5:8786",
                next_step="start it with: dask scheduler",
            ) from error
        cluster = cls(client, address, progress or NullProgress())
        try:
            cluster._check(folder)
        except BaseException:
            cluster.close()
            raise
        return cluster

    def __enter__(self) -> Cluster:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Leave the scheduler; workers stay."""
        if not self._closed:
            self._closed = True
            self._client.close(timeout=5)

    @property
    def threads(self) -> int:
        """Threads of all workers together, at least one."""
        return max(1, sum(self._workers().values()))

    @property
    def most_threads(self) -> int:
        """Threads of the worker that has most of them: as many tasks share its memory."""
        return max([1, *self._workers().values()])

    def told(self) -> str:
        """Where work goes, in a sentence."""
        workers, threads = len(self._workers()), self.threads
        return (
            f"Working on the cluster at {self._address}: {workers} worker{'s' if workers != 1 else ''}, "
            f"{threads} thread{'s' if threads != 1 else ''}."
        )

    def map(
        self,
        function: Callable[[Item], Result],
        items: Iterable[Item],
        *,
        needs: Callable[[Item], Sequence[Path]] = lambda _: (),
        cancelled: CancelToken | None = None,
    ) -> Iterator[Result]:
        """Results of `function` on `items` in their order; as `parallel_map`, on the workers.

        Parameters
        ----------
        function : callable
            A function of a module that workers can import, pure but for reading files.
        needs : callable
            The files that an item's task opens; a worker that does not see one says so.
        """
        name = f"nightfold-{getattr(function, '__name__', 'task')}-{uuid.uuid4().hex}"
        pending: deque[tuple[Any, str]] = deque()
        source = enumerate(items)
        try:
            while True:
                if cancelled is not None:
                    cancelled.check("the work")
                self._tell_of_workers()
                while len(pending) < AHEAD * self.threads:
                    try:
                        i, item = next(source)
                    except StopIteration:
                        break
                    paths = [str(p) for p in needs(item)]
                    future = self._client.submit(_work, function, item, paths, pure=False, key=f"{name}-{i}")
                    pending.append((future, paths[0] if paths else ""))
                if not pending:
                    return
                yield self._wait(*pending[0], cancelled)
                pending.popleft()
        finally:
            if pending and not self._closed:
                self._client.cancel([future for future, _ in pending], force=True)

    def _wait(self, future: Any, path: str, cancelled: CancelToken | None) -> Any:
        """The result of a task, looking now and then who is there."""
        lib = _distributed()
        alone_since: float | None = None
        while not future.done():
            try:
                with self._client.as_current():
                    lib.wait(future, timeout=LOOK_S)
            except TimeoutError:
                if cancelled is not None:
                    cancelled.check("the work")
                alone_since = None if self._tell_of_workers() else (alone_since or time.monotonic())
                if alone_since is not None and time.monotonic() - alone_since > ALONE_S:
                    raise SettingsError(
                        "no worker is left on the cluster",
                        seen=self._address,
                        next_step="start workers there and run the command again; what was finished stays",
                    ) from None
        try:
            return future.result()
        except UnseenFileError as error:
            raise _unseen(error.worker, error.path) from None
        except RuntimeError as error:
            if isinstance(error.__cause__, ImportError):
                raise SettingsError(
                    "the scheduler cannot load Nightfold's work",
                    seen=str(error.__cause__),
                    next_step="install the same version on the scheduler's machine too",
                ) from error
            raise
        except lib.KilledWorker as error:
            raise SettingsError(
                "a task ended every worker that tried it",
                seen=path or str(error),
                next_step="see the workers' own messages; they may need more memory or fewer threads",
            ) from None

    def _workers(self) -> dict[str, int]:
        """Address and threads of the workers that are there now."""
        known = self._client.scheduler_info(n_workers=-1)["workers"]
        return {str(address): int(worker["nthreads"]) for address, worker in known.items()}

    def _tell_of_workers(self) -> int:
        """Say who came and went since the last look; how many are there."""
        now = self._workers()
        for address in sorted(set(self._known) - set(now)):
            self._progress.say(f"A worker is gone: {address}; {len(now)} left, and what it had in hand goes to others.")
        for address in sorted(set(now) - set(self._known)):
            self._progress.say(f"A worker has come: {address}, {now[address]} threads.")
        self._known = now
        return len(now)

    def _check(self, folder: Path | None) -> None:
        """That workers are there, run this version, and see the folder."""
        if not self._known:
            raise SettingsError(
                "the cluster has no worker",
                seen=self._address,
                next_step=f"start one with: dask worker {self._address}",
            )
        mine = _versions()
        for worker, theirs in self._ask(_versions).items():
            if theirs["nightfold"] != mine["nightfold"]:
                raise SettingsError(
                    f"worker {worker} runs another Nightfold",
                    seen=theirs["nightfold"] or "none",
                    allowed=str(mine["nightfold"]),
                    next_step="install the same version on every machine",
                )
            other = [f"{p} {theirs[p]} where this machine has {mine[p]}" for p in SAME_BYTES if theirs[p] != mine[p]]
            if other:
                self._progress.say(f"Worker {worker} has {', '.join(other)}: the last digits may differ.")
        if folder is not None:
            for worker, seen in self._ask(_sees, str(folder.absolute())).items():
                if not seen:
                    raise _unseen(worker, str(folder.absolute()))

    def _ask(self, function: Callable[..., Any], *arguments: Any) -> dict[str, Any]:
        """The answer of every worker, those lost meanwhile left out; one without Nightfold cannot even load the question."""
        answers: dict[str, Any] = self._client.run(function, *arguments, on_error="return")
        for worker, answer in answers.items():
            if isinstance(answer, ImportError):
                raise SettingsError(
                    f"worker {worker} has no Nightfold",
                    seen=str(answer),
                    next_step="install it there, the same version",
                )
        return {worker: answer for worker, answer in answers.items() if not isinstance(answer, BaseException)}


def _distributed() -> Any:
    """The package that talks to schedulers; an extra."""
    try:
        return import_module("distributed")
    except ImportError as error:
        raise SettingsError(
            "work on a cluster needs the package distributed", next_step='pip install "nightfold[cluster]"'
        ) from error


def _unseen(worker: str, path: str) -> NightfoldError:
    return SettingsError(
        f"worker {worker} does not see {path}",
        allowed="a folder that every machine has under the same path",
        next_step="mount the shared folder there, or stop that worker",
    )


def _work(function: Callable[[Any], Any], item: Any, paths: Sequence[str]) -> Any:
    """What a worker does: looks whether it sees the files, then calls the function."""
    check_seen(paths)
    _one_thread_for_algebra()
    return function(item)


def check_seen(paths: Iterable[str | Path]) -> None:
    """On a worker: raise `UnseenFileError` for the first of these files that it does not see."""
    for path in paths:
        if not Path(path).exists():
            raise UnseenFileError(_own_name(), str(path))


def _own_name() -> str:
    """This worker's address and its machine."""
    return f"{_distributed().get_worker().address} on {socket.gethostname()}"


@cache
def _one_thread_for_algebra() -> object:
    """Tasks bring their own threads; the sums of linear algebra must not depend on how many there are."""
    from threadpoolctl import threadpool_limits

    return threadpool_limits(limits=1, user_api="blas")


def _versions() -> dict[str, str | None]:
    found: dict[str, str | None] = {}
    for package in ("nightfold", *SAME_BYTES):
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            found[package] = None
    return found


def _sees(path: str) -> bool:
    return Path(path).exists()
