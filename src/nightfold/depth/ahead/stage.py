"""What is still to be done: goals not begun, what comes next, and when all will be met."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from nightfold.calibrate.stage import measured_read_noise_e
from nightfold.depth.core import hours_from_scratch
from nightfold.depth.forecast import HORIZON_NIGHTS, NightsAhead, Wish, nights_ahead
from nightfold.depth.goals import goal_words, wanted_of
from nightfold.depth.nearest import best_rows
from nightfold.depth.records import FilterDepth, NextGoal
from nightfold.errors import SettingsError
from nightfold.judge.photometry.stage import optics_of, promised_zero_point
from nightfold.ledger.workspace import Workspace
from nightfold.rig.photometry import sky_e_per_s
from nightfold.settings.models import Goal, Target
from nightfold.sky.brightness import Band, SkyModel, natural_photons
from nightfold.sky.ephemeris import Place, require_nights
from nightfold.sky.usable_hours import NightHours, season_sky, usable_hours

FIRST_LOOK_NIGHTS = 150
USUAL_SUB_S = 300.0


def goal_of(ws: Workspace, target: str, panel: int | None, filter: str) -> Goal | None:
    """The goal of a filter, that of the panel before that of the whole target."""
    found = ws.settings.target_named(target)
    goals = [g for g in found.goal if g.filter == filter and g.panel in (None, panel)] if found else []
    return next((g for g in goals if g.panel == panel), goals[0] if goals else None)


def _reckoned_hours(ws: Workspace, target: Target, goal: Goal) -> float | None:
    """Hours that a goal without any sub will take, from the rig's numbers and the site's moonless sky; None if not known."""
    if goal.hours is not None:
        return goal.hours
    site = ws.settings.site
    names = target.rigs or [r.name for r in ws.settings.rig]
    for name in names:
        rig = ws.settings.rig_named(name)
        band = rig.filter_named(goal.filter) if rig else None
        promised = promised_zero_point(ws, name, goal.filter)
        if rig is None or band is None or promised is None or site is None or site.sky_mag_arcsec2 is None:
            continue
        optics = optics_of(ws, name, band)
        gain = rig.gain_for(None) or (rig.camera.gains[0] if rig.camera.gains else None)
        wanted = wanted_of(
            goal,
            zero_point_mag=promised.zero_point.mag,
            rayleigh_e_per_s_arcsec2=promised.rayleigh_e_per_s_arcsec2,
        )
        noise = gain.read_noise_e if gain is not None else None
        if noise is None:
            noise = ws.remember("read noise", lambda: measured_read_noise_e(ws)).get(name)
        if optics is None or noise is None or wanted.rate_e_per_s_arcsec2 is None:
            continue
        width = promised.width_nm or 0.0
        photons = natural_photons(site.sky_mag_arcsec2, Band(band.name, promised.centre_nm, width))
        area = optics.scale_arcsec_px**2
        dark = min((rate for _, rate in rig.camera.dark_e_per_s), default=0.0)
        return hours_from_scratch(
            signal_e_per_s=wanted.rate_e_per_s_arcsec2 * area,
            sky_e_per_s=float(sky_e_per_s(photons, width, optics)),
            dark_e_per_s=dark,
            read_noise_e=noise,
            exposure_s=rig.sub_s or USUAL_SUB_S,
            box_px2=goal.box_arcsec**2 / area,
            snr=goal.snr,
        )
    return None


def not_begun(ws: Workspace, rows: Sequence[FilterDepth], target: str | None) -> list[FilterDepth]:
    """Goals that have no master yet."""
    there = {(r.target, r.panel, r.filter) for r in rows}
    found = []
    for one in ws.settings.target:
        if target is not None and one.name != target:
            continue
        for goal in one.goal:
            panels: list[int | None] = (
                [goal.panel] if goal.panel is not None or not one.panel else [p.panel for p in one.panel]
            )
            for panel in panels:
                if (one.name, panel, goal.filter) in there:
                    continue
                found.append(
                    FilterDepth(
                        target=one.name, panel=panel, filter=goal.filter, rigs=(), subs=0, exposure_s=0.0, snr=None,
                        snr_goal=goal.snr if goal.hours is None else None, limit_mag_arcsec2=None, limit_rayleigh=None,
                        snr_gain_next_hour=None, hours_to_goal=_reckoned_hours(ws, one, goal), goal=goal_words(goal),
                        box_arcsec=goal.box_arcsec, share_left=1.0,
                    )
                )  # fmt: skip
    return found


def next_goal(rows: Sequence[FilterDepth]) -> NextGoal | None:
    """The goal that is furthest from being met, as far as time can meet it; None when all are met."""
    waiting = [
        r
        for r in best_rows(rows)
        if r.share_left is not None and r.share_left > 0.0 and (r.hours_to_goal is not None or not r.subs)
    ]
    if not waiting:
        return None
    chosen = max(waiting, key=lambda r: (r.share_left or 0.0, r.snr_gain_next_hour or 0.0))
    return NextGoal(target=chosen.target, panel=chosen.panel, filter=chosen.filter)


def forecast(ws: Workspace, rows: Sequence[FilterDepth], day: date, notes: list[str]) -> NightsAhead:
    """Calendar nights until all goals are met; nothing where site or weather are not known."""
    unknown = NightsAhead(median=None, p10=None, p90=None)
    goals = best_rows(rows)
    if not goals:
        notes.append("no forecast: no target has a goal")
        return unknown
    told = [f"{r.target} {r.filter}" for r in goals if r.hours_to_goal is None]
    if told:
        notes.append(f"no forecast: the hours still wanted are not known for {', '.join(told)}")
        return unknown
    if all(r.hours_to_goal == 0.0 for r in goals):
        return NightsAhead(median=0, p10=0, p90=0)
    site = ws.settings.site
    if site is None or site.clear_night_probability is None:
        notes.append("no forecast: give clear_night_probability in [site]")
        return unknown
    found = unknown
    for nights in (FIRST_LOOK_NIGHTS, HORIZON_NIGHTS):
        try:
            require_nights(day, nights)
        except SettingsError as error:  # what is reached is told all the same
            notes.append(f"no forecast: {error.line}")
            return found
        wishes = _wishes(ws, [r for r in goals if r.hours_to_goal], day, nights, notes)
        if not wishes:
            return unknown
        found = nights_ahead(
            wishes,
            first=day,
            clear_probability=lambda month: site.clear_probability(month) or 0.0,
            persistence=site.clear_persistence,
        )
        if found.p90 is not None:
            break
    return found


def _wishes(ws: Workspace, rows: Sequence[FilterDepth], day: date, nights: int, notes: list[str]) -> list[Wish]:
    site = ws.settings.site
    assert site is not None
    place = Place(site.latitude_deg, site.longitude_deg, site.elevation_m, time_zone=site.time_zone)
    sky = season_sky(place, day, nights)
    model = None
    if site.sky_mag_arcsec2 is not None:
        model = SkyModel(site.sky_mag_arcsec2, extinction_mag=site.extinction_mag, elevation_m=site.elevation_m)
    hours: dict[tuple[str, int | None, str], tuple[NightHours, ...]] = {}
    wishes = []
    for row in rows:
        target = ws.settings.target_named(row.target)
        panel = next((p for p in target.panel if p.panel == row.panel), None) if target else None
        ra = panel.ra_deg if panel else target.ra_deg if target else None
        dec = panel.dec_deg if panel else target.dec_deg if target else None
        rig_name = row.rigs[0] if row.rigs else (target.rigs[0] if target and target.rigs else "")
        rig = ws.settings.rig_named(rig_name) or (ws.settings.rig[0] if ws.settings.rig else None)
        if ra is None or dec is None:
            notes.append(f"no forecast: {row.target} has no ra_deg and dec_deg")
            return []
        band = _band(ws, row.filter, rig_name)
        key = (row.target, row.panel, rig_name)
        if key not in hours:
            bands = {b.name: b for b in (_band(ws, r.filter, rig_name) for r in rows) if b is not None}
            hours[key] = usable_hours(
                sky,
                ra,
                dec,
                min_altitude_deg=rig.mount.min_altitude_deg if rig else 30.0,
                profile=site.horizon_deg,
                model=model,
                bands=bands if model is not None else None,
            )
        wishes.append(
            Wish(
                name=f"{row.target} {row.panel or ''} {row.filter}",
                rig=rig_name,
                hours=float(row.hours_to_goal or 0.0),
                nights=hours[key],
                moon_free_of=band.name if band is not None and model is not None else None,
            )
        )
    return wishes


def _band(ws: Workspace, filter: str, rig_name: str) -> Band | None:
    rig = ws.settings.rig_named(rig_name)
    found = rig.filter_named(filter) if rig else None
    if found is None or found.centre_nm is None or found.width_nm is None:
        return None
    return Band(found.name, found.centre_nm, found.width_nm)
