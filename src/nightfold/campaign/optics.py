"""What the stars say about the rig."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from nightfold.campaign.base import CampaignBase

if TYPE_CHECKING:
    from nightfold.optics.camera_report import CameraReport
    from nightfold.optics.reports import (
        CollimationReport,
        FieldReport,
        FocusReport,
        LawReport,
        OpticsSummary,
        PolarReport,
        TrackingReport,
    )


# Each stage is loaded by the method that needs it: taking files in should not wait for what folding needs.


class OpticsPart(CampaignBase):
    """Focus to the camera test."""

    def focus_run(self, paths: Sequence[str | Path], *, rig: str | None = None) -> FocusReport:
        """A focus run from a CSV file of positions and radii, or from frames that know the focuser's position."""
        from nightfold.optics.stage import focus

        with self._writing("optics focus"):
            return focus(self._ws, [Path(p) for p in paths], rig=rig)

    def focus_law(self, *, rig: str | None = None) -> LawReport:
        """Focus over temperature from the runs on record, and what missed focus cost each sub."""
        from nightfold.optics.stage import law

        with self._writing("optics law"):
            return law(self._ws, rig=rig)

    def optics_field(self, *, night: date | None = None, rig: str | None = None) -> FieldReport:
        """Tilt, curvature, coma and astigmatism from a night's subs, as far as they tell."""
        from nightfold.optics.stage import field

        with self._writing("optics field"):
            return field(self._ws, night=night, rig=rig)

    def collimation(self, file: str | Path, *, rig: str | None = None) -> CollimationReport:
        """Where the shadow lies in the disc of a defocused star."""
        from nightfold.optics.stage import collimation

        with self._writing("optics collimation"):
            return collimation(self._ws, Path(file), rig=rig)

    def polar_error(
        self, *, night: date | None = None, rig: str | None = None, guided: bool | None = None
    ) -> PolarReport:
        """How far the mount's axis is from the pole, from a night's placed subs; by default from all since it was last set."""
        from nightfold.optics.pole.stage import polar

        with self._writing("optics polar"):
            return polar(self._ws, night=night, rig=rig, guided=guided)

    def tracking(self, *, night: date | None = None, rig: str | None = None) -> TrackingReport:
        """Drift, dithers and trailing of a night."""
        from nightfold.optics.mount.stage import tracking

        with self._writing("optics tracking"):
            return tracking(self._ws, night=night, rig=rig)

    def camera_test(self, paths: Sequence[str | Path], *, rig: str | None = None) -> CameraReport:
        """Gain, noise, dark current and more from calibration frames, against campaign.toml."""
        from nightfold.optics.lamp.stage import camera

        with self._writing("optics camera"):
            return camera(self._ws, [Path(p) for p in paths], rig=rig)

    def optics_summary(self, *, night: date | None = None) -> OpticsSummary:
        """What is on record of the optics for a night, in sentences; nothing is measured."""
        from nightfold.optics.night.stage import summary

        return summary(self._ws, night=night)
