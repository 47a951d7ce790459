"""What shall be imaged, as places and goals: panels spread out, names without coordinates looked up."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from nightfold.errors import SettingsError
from nightfold.plan.state import MeasuredGoal
from nightfold.settings.models import CampaignSettings, Goal, Rig, Site, Target
from nightfold.sky.ephemeris import Place
from nightfold.sky.objects import resolve

__all__ = ["Spot", "Wanted", "one_rig", "rigs_asked", "site_of", "spots_of", "target_asked", "wanted_of"]


USUAL_HOURS = 10.0
"""Taken for a goal that only a master can tell, before there is one (a stand-in, no source)."""


@dataclass(frozen=True)
class Spot:
    """A place to point at: a target or one panel of its mosaic."""

    target: str
    panel: int | None
    ra_deg: float
    dec_deg: float
    position_angle_deg: float | None = None

    @property
    def key(self) -> tuple[str, int | None]:
        return self.target, self.panel

    @property
    def words(self) -> str:
        """Its name for sentences."""
        return self.target if self.panel is None else f"{self.target}, panel {self.panel}"


@dataclass(frozen=True)
class Wanted:
    """One goal at one place."""

    spot: Spot
    goal: Goal
    rigs: tuple[str, ...]
    done: float | None = None
    """Where masters tell it; else it is reckoned from the subs."""


def site_of(settings: CampaignSettings) -> tuple[Site, Place]:
    """The site; planning cannot do without."""
    site = settings.site
    if site is None:
        raise SettingsError(
            "planning needs the site",
            seen="no [site] in campaign.toml",
            allowed="latitude_deg and longitude_deg at least; time_zone, sky_mag_arcsec2 and horizon_deg help",
            next_step="add [site] to campaign.toml",
        )
    return site, Place(site.latitude_deg, site.longitude_deg, site.elevation_m, site.time_zone)


def rigs_asked(settings: CampaignSettings, rig: str | None) -> tuple[Rig, ...]:
    """The rig of a name, or all."""
    if rig is None:
        return tuple(settings.rig)
    found = settings.rig_named(rig)
    if found is None:
        names = ", ".join(r.name for r in settings.rig) or "none yet"
        raise SettingsError("no rig has this name", seen=rig, allowed=names, next_step="name one of these with --rig")
    return (found,)


def one_rig(settings: CampaignSettings, name: str | None) -> Rig:
    """The rig of a name; the only one there is where none is named."""
    rigs = rigs_asked(settings, name)
    if len(rigs) != 1:
        names = ", ".join(r.name for r in rigs) or "none yet"
        raise SettingsError(
            "the rig must be named", seen=f"{len(rigs)} rigs", allowed=names, next_step="name one with --rig"
        )
    return rigs[0]


def target_asked(settings: CampaignSettings, name: str | None) -> Target | None:
    """The target of a name; the only one there is where none is named."""
    if name is None:
        return settings.target[0] if len(settings.target) == 1 else None
    found = settings.target_named(name)
    if found is None:
        names = ", ".join(t.name for t in settings.target) or "none yet"
        raise SettingsError("no target has this name", seen=name, allowed=names)
    return found


def spots_of(targets: Sequence[Target]) -> tuple[tuple[Spot, ...], tuple[str, ...]]:
    """Places of all targets, panel by panel, and what is missing.

    A target without coordinates is looked up by its name in the installed list; one that is not there is left out, with the
    nearest names told. Only where no target at all has a place is that an error.
    """
    found: list[Spot] = []
    missing: list[str] = []
    last: SettingsError | None = None
    for target in targets:
        ra, dec = target.ra_deg, target.dec_deg
        if (ra is None or dec is None) and not target.panel:
            try:
                known = resolve(target.name)
            except SettingsError as error:
                last = error
                missing.append(f"{target.name} has no ra_deg and dec_deg, and {error.line}")
                continue
            ra, dec = known.ra_deg, known.dec_deg
            missing.append(f"{target.name} has no ra_deg and dec_deg: the place of {known.name} is taken")
        for panel in target.panel:
            angle = panel.position_angle_deg
            angle = target.position_angle_deg if angle is None else angle
            found.append(Spot(target.name, panel.panel, panel.ra_deg, panel.dec_deg, angle))
        if not target.panel:
            assert ra is not None
            assert dec is not None
            numbers = sorted({g.panel for g in target.goal if g.panel is not None})
            for number in numbers:
                missing.append(
                    f"{target.name}: panel {number} has no [[target.panel]] with its place: the target's middle is taken"
                )
                found.append(Spot(target.name, number, ra, dec, target.position_angle_deg))
            if not numbers or any(g.panel is None for g in target.goal):
                found.append(Spot(target.name, None, ra, dec, target.position_angle_deg))
    if not found and last is not None:
        raise last
    return tuple(found), tuple(missing)


def wanted_of(
    settings: CampaignSettings,
    targets: Sequence[Target],
    spots: Sequence[Spot],
    measured: Mapping[tuple[str, int | None, str], MeasuredGoal] | None = None,
) -> tuple[tuple[Wanted, ...], tuple[str, ...]]:
    """Every goal at every place it is for, and what is missing. A goal without panel is for each panel of a mosaic.

    A goal that only masters can tell is planned in the hours that they tell for it.
    """
    found: list[Wanted] = []
    missing: list[str] = []
    for target in targets:
        own = [s for s in spots if s.target == target.name]
        rigs = tuple(target.rigs) or tuple(r.name for r in settings.rig)
        if own and not target.goal:
            missing.append(f"{target.name} has no [[target.goal]]: it is shown, but nothing is planned for it")
        for goal in target.goal:
            for spot in own:
                if goal.panel != spot.panel and not (goal.panel is None and target.panel):
                    continue
                if goal.like_master is None and goal.spot_px is None:
                    found.append(Wanted(spot, goal, rigs))
                    continue
                known = (measured or {}).get((*spot.key, goal.filter))
                if known is None:
                    missing.append(
                        f"{spot.words}: its goal in {goal.filter} is measured on masters; until one is folded {USUAL_HOURS:g} h "
                        "are taken"
                    )
                hours = Goal(filter=goal.filter, hours=known.hours if known else USUAL_HOURS, panel=goal.panel)
                found.append(Wanted(spot, hours, rigs, done=known.done if known else None))
    return tuple(found), tuple(missing)
