"""What a stage function is given: the campaign's folder, settings and ledger, and how to run."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from nightfold.engine.cluster import Cluster
from nightfold.engine.core import CancelToken, Progress
from nightfold.ledger.base import Stamp
from nightfold.ledger.core import Ledger
from nightfold.settings.models import CampaignSettings

Value = TypeVar("Value")


@dataclass(frozen=True, slots=True, kw_only=True)
class Workspace:
    """One campaign at work. Stages read settings, write the ledger, and report through `progress`."""

    folder: Path
    settings: CampaignSettings
    ledger: Ledger
    progress: Progress
    cancelled: CancelToken
    memory_bytes: int
    workers: int
    cluster: Cluster | None = None
    _remembered: dict[str, tuple[Stamp, Any]] = field(default_factory=dict, repr=False, compare=False)

    def remember(self, what: str, make: Callable[[], Value]) -> Value:
        """What `make` gives, made again only once the ledger has changed; it depends on nothing else but the settings.

        A ledger on a server does not tell whether it changed: there it is made every time.
        """
        stamp = self.ledger.stamp()
        known = self._remembered.get(what)
        if known is not None and stamp is not None and known[0] == stamp:
            value: Value = known[1]
            return value
        value = make()
        if stamp is not None:
            self._remembered[what] = (stamp, value)
        return value

    @property
    def calibration_folder(self) -> Path:
        """Where master calibration frames are kept."""
        return self.folder / "calibration"

    @property
    def masters_folder(self) -> Path:
        """Where masters are written unless told otherwise."""
        return self.folder / "masters"

    @property
    def pictures_folder(self) -> Path:
        """Where pictures and their recipes are written unless told otherwise."""
        return self.folder / "pictures"

    @property
    def catalogue_folder(self) -> Path:
        """Where the campaign's own deeper star lists are kept."""
        return self.folder / "catalogue"

    @property
    def depth_folder(self) -> Path:
        """Where crops of parts of the subs are written."""
        return self.folder / "depth"

    @property
    def views_folder(self) -> Path:
        """Small pictures for the page; made anew when they are missing."""
        return self.folder / "views"

    @property
    def scratch_folder(self) -> Path:
        """Where compressed raws are inflated; emptied when the work is done."""
        return self.folder / "scratch"

    def handing_folder(self) -> Path:
        """A new folder for what is handed to a cluster's workers; its name is never used again, for they may still hold it."""
        folder = (self.scratch_folder / f"handed-{uuid.uuid4().hex[:12]}").absolute()
        folder.mkdir(parents=True)
        return folder
