"""The open campaign: its folder, settings and ledger, and the lock that every change holds."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib.metadata import version
from pathlib import Path
from shutil import rmtree
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from sqlalchemy.exc import DatabaseError
from threadpoolctl import threadpool_limits

from nightfold.engine.cluster import Cluster
from nightfold.engine.core import (
    CancelToken,
    NullProgress,
    Progress,
    clean_leftovers,
    default_workers,
    memory_limit_bytes,
    write_text,
)
from nightfold.errors import LedgerError, SettingsError
from nightfold.ledger.core import Ledger
from nightfold.ledger.workspace import Workspace
from nightfold.settings.files import FILE_NAME, load_settings, parse_settings, starter_text
from nightfold.settings.models import CampaignSettings

if TYPE_CHECKING:
    pass


class CampaignBase:
    """Opening, closing, and what every part stands on."""

    def __init__(self, workspace: Workspace) -> None:
        self._ws = workspace

    @classmethod
    def open(
        cls,
        folder: str | Path,
        *,
        progress: Progress | None = None,
        cancelled: CancelToken | None = None,
        memory: str | None = None,
        workers: int | None = None,
        cluster: str | None = None,
    ) -> Self:
        """The campaign in `folder`.

        Parameters
        ----------
        progress : Progress, optional
            Told how far a step is; nobody by default.
        cancelled : CancelToken, optional
            Lets another thread or a signal ask for a clean stop.
        memory : str, optional
            Ceiling of a fold's buffers, such as "800M" or "2G".
        workers : int, optional
            Threads; as many as cores by default.
        cluster : str, optional
            Address of a Dask scheduler whose workers measure and fold, such as "tcp://10.0.0.5:8786".
        """
        path = Path(folder)
        settings = load_settings(path / FILE_NAME)
        if workers is not None and not 1 <= workers <= 256:
            raise SettingsError("the number of workers is not usable", seen=f"{workers}", allowed="1 to 256")
        limit = memory_limit_bytes(memory)
        with ledger_errors():
            ledger = Ledger.open(path, database_url=settings.database_url)
        with suppress(LedgerError), ledger.writing():  # whoever is at work has unfinished files that are not left over
            clean_leftovers(path)
            rmtree(path / "scratch", ignore_errors=True)  # raws that a killed run had unpacked
        helpers: Cluster | None = None
        if cluster is not None:
            try:
                helpers = Cluster.connect(cluster, folder=path, progress=progress)
            except BaseException:
                ledger.close()
                raise
            (progress or NullProgress()).say(helpers.told())
        return cls(
            Workspace(
                folder=path,
                settings=settings,
                ledger=ledger,
                progress=progress or NullProgress(),
                cancelled=cancelled or CancelToken(),
                memory_bytes=limit,
                workers=workers or default_workers(),
                cluster=helpers,
            )
        )

    @classmethod
    def create(
        cls, folder: str | Path, *, from_file: str | Path | None = None, text: str | None = None, **options: Any
    ) -> Self:
        """A new campaign in `folder`, with a commented campaign.toml, a copy of `from_file`, or `text`."""
        path = Path(folder)
        file = path / FILE_NAME
        if file.exists():
            raise SettingsError(f"{file} exists already", next_step="open that campaign, or choose another folder")
        if from_file is not None:
            if not Path(from_file).is_file():
                raise SettingsError(f"{from_file} does not exist", allowed="a campaign.toml to start from")
            load_settings(Path(from_file))
            text = Path(from_file).read_text(encoding="utf-8")
        text = text if text is not None else starter_text(path.resolve().name)
        parse_settings(text, str(file))
        path.mkdir(parents=True, exist_ok=True)
        write_text(file, text)
        return cls.open(path, **options)

    def close(self) -> None:
        """Give the ledger back, and leave the cluster."""
        self._ws.ledger.close()
        if self._ws.cluster is not None:
            self._ws.cluster.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        subs = self._ws.ledger.sub_count()
        masters = ", ".join(sorted({m.filter for m in self._ws.ledger.masters()})) or "none yet"
        return f"<Campaign {self.settings.name!r} in {self.folder}: {subs} subs, masters: {masters}>"

    @property
    def folder(self) -> Path:
        """The campaign's folder."""
        return self._ws.folder

    @property
    def settings(self) -> CampaignSettings:
        """What campaign.toml says."""
        return self._ws.settings

    @contextmanager
    def _writing(self, command: str) -> Any:
        # The stages bring their own threads; the linear algebra's would only spin beside them (a third of a judge's time).
        with (
            ledger_errors(),
            self._ws.ledger.writing(),
            self._ws.ledger.running(command, version("nightfold")),
            threadpool_limits(limits=1, user_api="blas"),
        ):
            yield


@contextmanager
def ledger_errors() -> Iterator[None]:
    """What the database could not do, in words: a full disk, a folder that may not be written."""
    try:
        yield
    except DatabaseError as error:
        raise LedgerError(
            "the ledger could not be written",
            seen=str(error.orig),
            next_step="check the room and the rights of the campaign's folder; what was written before stays",
        ) from error
