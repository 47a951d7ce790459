"""Keeping what was shot: copies, verification, the archive."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from nightfold.campaign.base import CampaignBase

if TYPE_CHECKING:
    from nightfold.record.archive import ArchiveReport
    from nightfold.record.copies import CopiesReport
    from nightfold.record.verify import VerifyReport


# Each stage is loaded by the method that needs it: taking files in should not wait for what folding needs.


class KeepingPart(CampaignBase):
    """Copies, verify, archive."""

    def copies(self) -> CopiesReport:
        """Which frames exist only once, and which files could go without loss."""
        from nightfold.record.copies import copies_report

        with self._writing("copies"):
            return copies_report(self._ws)

    def verify(self, search: Iterable[str | Path] = ()) -> VerifyReport:
        """Read every raw, master and picture again; what changed, is missing, or has moved (also into `search`)."""
        from nightfold.record.verify import verify

        with self._writing("verify"):
            return verify(self._ws, search=[Path(p) for p in search])

    def archive(self, folder: str | Path, *, references: bool = False) -> ArchiveReport:
        """Write the campaign as a bag (RFC 8493); with `references` the raws are listed, not copied."""
        from nightfold.record.archive import write_archive

        with self._writing("archive"):
            return write_archive(self._ws, Path(folder), references=references)
