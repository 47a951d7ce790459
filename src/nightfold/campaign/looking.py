"""What is known, for tables, charts and viewers; nothing is measured anew."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightfold.campaign.base import CampaignBase, ledger_errors
from nightfold.engine.documents import to_document
from nightfold.errors import LedgerError

if TYPE_CHECKING:
    from astropy.table import QTable

    from nightfold.fold.viewer.stage import MasterLooker
    from nightfold.judge.looking.stage import NightReport, ProofPair, SubLooker
    from nightfold.judge.nights.stage import NightsReport
    from nightfold.judge.stage import JudgeReport
    from nightfold.picture.live.stage import Mixer, PictureRoom, Version
    from nightfold.picture.steps import Recipe


# Each stage is loaded by the method that needs it: taking files in should not wait for what folding needs.


class LookingPart(CampaignBase):
    """Verdicts, nights, masters, views and charts."""

    def chart(self, name: str, **request: Any) -> dict[str, Any]:
        """A chart as a Vega-Lite specification, by its name; keywords as in `nightfold.record.drawing.Drawn`.

        Names: strip, night, subs, sharpness, elongation, transparency, depth, exposure, season, frame.
        """
        from nightfold.record.drawing import Drawn, draw

        with self._writing("chart") if name == "depth" else ledger_errors():
            return draw(self._ws, name, Drawn(**request))

    def verdicts(self, *, filter: str | None = None, night: date | None = None) -> JudgeReport:
        """The verdicts as they stand, nothing measured."""
        from nightfold.judge.stage import report

        return report(self._ws, filter=filter, night=night)

    def nights(self) -> NightsReport:
        """The campaign as a row of nights, and what to do next; nothing is measured."""
        from nightfold.judge.nights.stage import nights_report

        return nights_report(self._ws)

    def night(self, night: date) -> NightReport:
        """One night's subs with their numbers, verdicts and worth; nothing is measured."""
        from nightfold.judge.looking.stage import night_report

        return night_report(self._ws, night)

    def filters(self) -> list[str]:
        """Names of the filters that subs were shot through."""
        return sorted(name for name in self._ws.ledger.sub_filters() if name is not None)

    def latest_folder(self) -> str | None:
        """The folder that the latest sub lies in; None without subs."""
        latest = self._ws.ledger.latest_sub()
        return None if latest is None else str(latest.parent)

    def proof_pair(self) -> ProofPair | None:
        """A good sub and a dropped one that show side by side what the costliest cause did."""
        from nightfold.judge.looking.stage import proof_pair

        return proof_pair(self._ws)

    def crop_file(self, name: str) -> Path:
        """The path of a crop that `depth` wrote, by its name.

        Raises
        ------
        LedgerError
            No crop has this name.
        """
        folder = self._ws.depth_folder
        found = (
            next((p for p in folder.rglob("*") if p.name == name and p.is_file()), None) if folder.is_dir() else None
        )
        if found is None:
            raise LedgerError("no crop has this name", seen=name[:80], next_step="compare parts of the subs again")
        return found

    def capture_table(self) -> str:
        """What was captured as CSV: a line per night, rig, filter and length of sub; nothing in it tells the site's place."""
        from nightfold.record.capture_table import capture_table

        return capture_table(self._ws)

    def master_file(self, master_id: int) -> Path:
        """The path of a master by its number; only files that the ledger lists.

        Raises
        ------
        LedgerError
            No master has this number, or its file is gone.
        """
        found = next((m.path for m in self._ws.ledger.masters() if m.id == master_id and m.path.exists()), None)
        if found is None:
            raise LedgerError("there is no master of this number", seen=str(master_id), next_step="fold again")
        return found

    def sub_looker(self) -> SubLooker:
        """Pictures of subs, small ones and tiles at full size, on their grid at a shared stretch."""
        from nightfold.judge.looking.stage import SubLooker

        return SubLooker(self._ws)

    def master_looker(self) -> MasterLooker:
        """Tiles of the masters' planes, and what stands at one pixel."""
        from nightfold.fold.viewer.stage import MasterLooker

        return MasterLooker(self._ws)

    def picture_room(self) -> PictureRoom:
        """The latest recipe, palettes that fit, saved versions and the pictures that were made."""
        from nightfold.picture.live.stage import picture_room

        return picture_room(self._ws)

    def mixer(self) -> Mixer:
        """Layers and previews of recipes, with the masters kept in memory."""
        from nightfold.picture.live.stage import Mixer

        return Mixer(self._ws)

    def save_version(self, recipe: Recipe, name: str) -> Version:
        """Keep a recipe under the next number, to come back to.

        Raises
        ------
        PictureError
            There are 200 versions already.
        """
        from nightfold.picture.live.stage import save_version

        return save_version(self._ws, recipe, name)

    def picture_file(self, picture_id: int, name: str) -> Path:
        """The path of a picture's file by its name; only files that the ledger lists.

        Raises
        ------
        PictureError
            No picture of this number has a file of this name.
        """
        from nightfold.picture.live.stage import picture_file

        return picture_file(self._ws, picture_id, name)

    def subs(self) -> QTable:
        """All subs with their readings and verdicts, as an astropy QTable with units, a row a sub, by start.

        Numbers that are not known are NaN. `start` is UTC in ISO 8601; `sha256` is empty until the pixels were read;
        `ellipticity_angle_deg` runs from +x towards +y; `weight` is the sub's share in its master; `to_pandas` makes a
        data frame of it.
        """
        import astropy.units as u
        from astropy.table import QTable

        rows = self.verdicts().subs
        units = {
            "exposure_s": u.s,
            "fwhm_px": u.pix,
            "fwhm_arcsec": u.arcsec,
            "sky_e_per_s": u.electron / u.s,
            "half_flux_radius_px": u.pix,
            "ellipticity_angle_deg": u.deg,
        }
        table = QTable()
        for name in ("file", "sha256", "rig", "target", "filter", "night", "verdict"):
            table[name] = [str(getattr(r, name) or "") for r in rows]
        table["start"] = ["" if r.start is None else str(to_document(r.start)) for r in rows]
        for name in (
            "exposure_s", "stars", "fwhm_px", "fwhm_arcsec", "half_flux_radius_px", "ellipticity", "ellipticity_angle_deg", "sky_e_per_s",
            "transparency", "weight",
        ):  # fmt: skip
            values = [float("nan") if getattr(r, name) is None else float(getattr(r, name)) for r in rows]
            table[name] = values * units[name] if name in units else values
        table["causes"] = ["; ".join(f"{c.cause}: {c.detail}" for c in r.causes) for r in rows]
        return table

    def masters(self) -> list[dict[str, Any]]:
        """The latest masters as documents."""
        return [{**to_document(m.document), "file": str(m.path)} for m in self._ws.ledger.masters()]

    def masters_with_ids(self) -> list[dict[str, Any]]:
        """The latest masters as documents, each with its number (`id`) and when it was made."""
        return [
            {"id": m.id, "made_at": to_document(m.made_at), **to_document(m.document), "file": str(m.path)}
            for m in self._ws.ledger.masters()
            if m.path.exists()
        ]
