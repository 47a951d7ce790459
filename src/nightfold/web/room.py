"""What the page keeps between requests: the folder it serves, the open campaign, the door, and the jobs."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

from nightfold.campaign import Campaign
from nightfold.engine.core import CancelToken, Progress
from nightfold.errors import LedgerError, SettingsError
from nightfold.fold.viewer.stage import MasterLooker
from nightfold.judge.looking.stage import SubLooker
from nightfold.picture.live.stage import Mixer
from nightfold.settings.files import FILE_NAME
from nightfold.web.guard import Door
from nightfold.web.jobs import Jobs

JOBS_FOLDER = ".nightfold-jobs"
MOST_CAMPAIGNS = 200


class Room:
    """One served folder: a campaign itself, or the place where campaigns are made."""

    def __init__(self, folder: Path, door: Door) -> None:
        self.base = folder.resolve()
        self.door = door
        self.jobs = Jobs(self.base / JOBS_FOLDER)
        self._lock = threading.Lock()
        self._campaign: Campaign | None = None
        self._stamp: tuple[Path, int] | None = None
        self._chosen: Path | None = None
        self._lookers: tuple[tuple[int, int], SubLooker, MasterLooker, Mixer] | None = None

    @property
    def folder(self) -> Path | None:
        """The campaign's folder: the served one, the one chosen, or the only one below; None if there is no campaign yet."""
        if (self.base / FILE_NAME).exists():
            return self.base
        if self._chosen is not None and (self._chosen / FILE_NAME).exists():
            return self._chosen
        found = self.campaigns()
        return found[0] if len(found) == 1 else None

    def campaigns(self) -> list[Path]:
        """Campaigns directly below the served folder."""
        return sorted(p.parent for p in self.base.glob(f"*/{FILE_NAME}"))[:MOST_CAMPAIGNS]

    def choose(self, name: str) -> Path:
        """Open one of the campaigns below from now on."""
        found = next((p for p in self.campaigns() if p.name == name), None)
        if found is None:
            names = ", ".join(p.name for p in self.campaigns()) or "none"
            raise SettingsError("there is no campaign of this name here", seen=name[:80], allowed=names)
        self._chosen = found
        return found

    def campaign(self) -> Campaign:
        """The open campaign, for reading and for quick changes; opened anew when campaign.toml changed."""
        folder = self.folder
        if folder is None:
            raise LedgerError("there is no campaign here yet", next_step="point at a folder, or see the demo")
        with self._lock:
            stamp = (folder, (folder / FILE_NAME).stat().st_mtime_ns)
            if self._campaign is None or self._stamp != stamp:
                if self._campaign is not None:
                    self._campaign.close()
                self._campaign = Campaign.open(folder)
                self._stamp = stamp
            return self._campaign

    def sub_looker(self) -> SubLooker:
        """Pictures of subs of the open campaign."""
        return self._looking()[0]

    def master_looker(self) -> MasterLooker:
        """Looks into the masters of the open campaign."""
        return self._looking()[1]

    def mixer(self) -> Mixer:
        """Layers and previews of pictures of the open campaign."""
        return self._looking()[2]

    def _looking(self) -> tuple[SubLooker, MasterLooker, Mixer]:
        """All three; made anew when the campaign was opened anew or work ended, for then they may know too little."""
        campaign = self.campaign()
        with self._lock:
            key = (id(campaign), self.jobs.ended())
            if self._lookers is None or self._lookers[0] != key:
                self._lookers = (key, campaign.sub_looker(), campaign.master_looker(), campaign.mixer())
            return self._lookers[1:]

    def at_work(self, progress: Progress, token: CancelToken, **options: Any) -> Campaign:
        """A campaign of its own for a job: it tells its progress and can be stopped."""
        folder = self.folder
        if folder is None:
            raise LedgerError("there is no campaign here yet", next_step="point at a folder, or see the demo")
        return Campaign.open(folder, progress=progress, cancelled=token, **options)

    def close(self) -> None:
        """The server ends."""
        self.jobs.close()
        if self._campaign is not None:
            self._campaign.close()
