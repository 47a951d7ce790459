"""Exposure advice and framing of one rig, as reports: from settings and state to `plan.exposure` and `plan.framing`."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from nightfold.align.catalogue import load_catalogue
from nightfold.errors import SettingsError
from nightfold.plan.equipment import USUAL_SEEING_ARCSEC, Equipment, Wheel, equipment_of, optics_for, shooting_of
from nightfold.plan.exposure import Advice, SubConditions, advise
from nightfold.plan.framing import Field, area_lost, field_of, outline, panels, panels_needed, sampling, turn_by_deg
from nightfold.plan.records import ExposureReport, ExposureRow, FrameReport, PanelLine
from nightfold.plan.state import PastSub, State
from nightfold.plan.targets import Spot, one_rig, spots_of, target_asked
from nightfold.rig.photometry import sky_e_per_s, star_e_per_s
from nightfold.settings.models import CampaignSettings, Goal, Rig, Target
from nightfold.sky.airmass import airmass_from_true_altitude, extinction_factor
from nightfold.sky.brightness import SkyModel
from nightfold.sky.moonlight import extinction_mag_at
from nightfold.sky.objects import objects_near

__all__ = ["conditions_of", "exposure_report", "frame_report", "lost_per_hour", "sub_advice"]

FloatArray = npt.NDArray[np.float64]

USUAL_LOST_PER_HOUR = 0.5
"""Subs spoilt per hour of exposing where the ledger cannot tell (common practice, no source)."""

USUAL_ALTITUDE_DEG = 60.0
OVERLAP = 0.15


def lost_per_hour(subs: Sequence[PastSub], rig: str, *, least: int = 20) -> float:
    """How often an hour of exposing was spoilt on a rig, from the share of its subs that was kept."""
    own = [s for s in subs if s.rig == rig and s.exposure_s > 0]
    kept = sum(s.kept for s in own)
    if len(own) < least or kept == 0:
        return USUAL_LOST_PER_HOUR
    hours = sum(s.exposure_s for s in own) / len(own) / 3600.0
    return max(-math.log(kept / len(own)) / hours, 0.0)


def conditions_of(
    equipment: Equipment,
    wheel: Wheel,
    goal: Goal | None,
    *,
    model: SkyModel,
    altitude_deg: float,
    lost: float = USUAL_LOST_PER_HOUR,
) -> SubConditions:
    """One filter on one rig under the moonless sky at an altitude.

    A goal in hours stands for the depth that these hours reach in long subs; without a goal ten hours are taken.
    """
    shooting = shooting_of(equipment, wheel, goal, sub_s=300.0)
    terms = model.terms(
        wheel.band, altitude_deg=altitude_deg, sun_altitude_deg=-40.0, moon_altitude_deg=-40.0, separation_deg=90.0,
        phase_angle_deg=90.0,
    )  # fmt: skip
    sky = float(sky_e_per_s(terms.total, wheel.band.width_nm, shooting.optics))
    k = extinction_mag_at(wheel.band.centre_nm, model.extinction_mag, model.elevation_m)
    signal = shooting.signal_e_per_s * float(extinction_factor(airmass_from_true_altitude(altitude_deg), k))
    box_px = (shooting.box_arcsec / shooting.optics.scale_arcsec_px) ** 2
    snr = shooting.snr
    bright = goal is not None and goal.hours is None
    if not bright:
        hours = goal.hours if goal is not None and goal.hours is not None else 10.0
        snr = math.sqrt(box_px * signal**2 * hours * 3600.0 / (signal + sky + shooting.dark_e_per_s))
    return SubConditions(
        signal_e_per_s=signal,
        sky_e_per_s=sky,
        read_noise_e=max(equipment.read_noise_e, 1e-3),
        dark_e_per_s=shooting.dark_e_per_s,
        full_well_e=equipment.full_well_e,
        overhead_s=equipment.overhead_s(300.0),
        lost_per_hour=lost,
        snr=max(snr, 1e-6),
        box_px=box_px,
    )


def sub_advice(
    equipment: Equipment,
    wheel: Wheel,
    goal: Goal | None,
    *,
    model: SkyModel,
    altitude_deg: float = USUAL_ALTITUDE_DEG,
    lost: float = USUAL_LOST_PER_HOUR,
    star_rates: npt.ArrayLike = (),
    fwhm_px: float = 2.5,
    tracking_limit_s: float | None = None,
) -> Advice:
    """The recommended length with its table."""
    conditions = conditions_of(equipment, wheel, goal, model=model, altitude_deg=altitude_deg, lost=lost)
    return advise(
        conditions,
        star_e_per_s=star_rates,
        fwhm_px=fwhm_px,
        tracking_limit_s=tracking_limit_s,
        bytes_per_sub=float(equipment.bytes_per_sub or 0),
    )


def _stars(equipment: Equipment, wheel: Wheel, spot: Spot, field_deg: float) -> FloatArray:
    """Electrons per second of the catalogue's stars in the field through a filter; Gaia's G stands for the AB magnitude.

    G is within some tenths of AB in the red for most stars, brighter in the blue for hot ones: enough to count cores that burn
    out.
    """
    near = load_catalogue().near(spot.ra_deg, spot.dec_deg, field_deg / 2.0)
    return star_e_per_s(near.g, wheel.band.centre_nm, wheel.band.width_nm, optics_for(equipment, wheel))


def _upper_altitude(latitude_deg: float | None, spot: Spot | None) -> float:
    """Altitude at upper transit, 60 degrees where no place is known; at least 20 so that the air can be reckoned with."""
    if latitude_deg is None or spot is None:
        return USUAL_ALTITUDE_DEG
    return max(90.0 - abs(latitude_deg - spot.dec_deg), 20.0)


def exposure_report(
    settings: CampaignSettings,
    state: State,
    model: SkyModel,
    *,
    rig: str | None,
    filter: str,
    target: str | None = None,
    missing: Sequence[str] = (),
    throughput: Mapping[tuple[str, str], float] | None = None,
) -> ExposureReport:
    """How long a sub shall be on a rig through a filter, for a target's goal where there is one."""
    one = one_rig(settings, rig)
    wanted = target_asked(settings, target)
    equipment = equipment_of(one, (filter,), throughput=throughput, read_noise_e=state.read_noise_e)
    wheel = _wheel_asked(one, equipment, filter)
    if not equipment.measured:
        raise SettingsError(
            f"{one.name} cannot be reckoned with",
            seen=equipment.missing[0],
            allowed="aperture_mm, focal_length_mm and pixel_um",
            next_step="fill them in in campaign.toml",
        )
    goal = next((g for g in wanted.goal if g.filter == filter), None) if wanted else None
    spot: Spot | None = None
    lacks = list(missing)
    if wanted is not None:
        spots, told = spots_of([wanted])
        lacks += told
        spot = spots[0] if spots else None
    lacks += [m for m in equipment.missing if ": filter " not in m or f"filter {filter} " in m]
    if goal is None:
        lacks.append(f"no goal in {filter}: the depth of ten hours is taken")
    site = settings.site
    altitude = _upper_altitude(site.latitude_deg if site else None, spot)
    width = equipment.width_px * equipment.optics.scale_arcsec_px / 3600.0 if equipment.width_px else 1.0
    rates = _stars(equipment, wheel, spot, width) if spot is not None else np.empty(0)
    seeing = site.seeing_arcsec if site and site.seeing_arcsec else USUAL_SEEING_ARCSEC
    fwhm = max(seeing / equipment.optics.scale_arcsec_px, 1.0)
    lost = lost_per_hour(state.subs, one.name)
    conditions = conditions_of(equipment, wheel, goal, model=model, altitude_deg=altitude, lost=lost)
    advice = sub_advice(
        equipment,
        wheel,
        goal,
        model=model,
        altitude_deg=altitude,
        lost=lost,
        star_rates=rates,
        fwhm_px=fwhm,
        tracking_limit_s=one.mount.tracking_limit_s,
    )
    notes = []
    if not math.isfinite(equipment.full_well_e):
        lacks.append(f"{one.name}: camera.gains has no full_well_e: stars that burn out are not counted")
    own = wheel.band.name in model.site_factor
    notes.append(
        f"sky from {model.learnt_from} measured backgrounds" if own else "sky from the model, good to half a magnitude"
    )
    return ExposureReport(
        rig=one.name,
        filter=filter,
        target=wanted.name if wanted else None,
        recommended_s=advice.recommended_s,
        least_s=advice.least_s,
        most_s=advice.most_s,
        why=advice.why,
        sky_e_per_s=conditions.sky_e_per_s,
        dark_e_per_s=conditions.dark_e_per_s,
        read_noise_e=equipment.read_noise_e,
        signal_e_per_s=conditions.signal_e_per_s,
        stars_known=int(rates.size),
        line_transmission=wheel.line_transmission,
        overhead_s=conditions.overhead_s,
        table=tuple(
            ExposureRow(**{f: getattr(row, f) for f in ExposureRow.__dataclass_fields__}) for row in advice.table
        ),
        missing=tuple(dict.fromkeys(lacks)),
        notes=tuple(notes),
    )


def _wheel_asked(rig: Rig, equipment: Equipment, filter: str) -> Wheel:
    """The filter on the rig, or why not."""
    names = [f.name for f in rig.filter]
    if names and filter not in names:
        raise SettingsError(f"{rig.name} has no such filter", seen=filter, allowed=", ".join(names))
    wheel = equipment.wheels.get(filter)
    if wheel is None:
        told = next((m for m in equipment.missing if f"filter {filter} " in m), f"filter {filter} is not known")
        raise SettingsError(told, next_step=f"give centre_nm and width_nm of {filter} in campaign.toml")
    return wheel


# ------------------------------------------------------------------------------------------------------------- framing


def frame_report(
    settings: CampaignSettings, state: State, *, rig: str | None, target: str | None = None
) -> FrameReport:
    """Field, sampling, panels and the camera's turn for a rig and a target."""
    one = one_rig(settings, rig)
    wanted = target_asked(settings, target)
    camera, telescope = one.camera, one.telescope
    gone = [
        name
        for name, value in (
            ("telescope.focal_length_mm", telescope.focal_length_mm),
            ("camera.pixel_um", camera.pixel_um),
            ("camera.width_px", camera.width_px),
            ("camera.height_px", camera.height_px),
        )
        if value is None
    ]
    if gone:
        raise SettingsError(
            f"the frame of {one.name} is not known",
            seen=f"{', '.join(gone)} not given",
            next_step="fill in the rig's telescope and camera in campaign.toml",
        )
    assert camera.width_px is not None
    assert camera.height_px is not None
    assert camera.pixel_um is not None
    assert telescope.focal_length_mm is not None
    field = field_of(
        camera.width_px, camera.height_px, pixel_um=camera.pixel_um, focal_length_mm=telescope.focal_length_mm
    )
    notes: list[str] = []
    spots: tuple[Spot, ...] = ()
    if wanted is not None:
        spots, told = spots_of([wanted])
        notes += told
    elif settings.target:
        notes.append(f"no target named; the campaign has {', '.join(t.name for t in settings.target)}")
    angle = _frame_angle(state, wanted)
    columns, rows = 1, 1
    lines: list[PanelLine] = []
    if wanted is not None and spots:
        lines, columns, rows = _panels(wanted, spots, (field.width_deg, field.height_deg), angle, notes)
    turn, lost, now, then = _turn(state, one.name, wanted, spots, (field.width_deg, field.height_deg), notes)
    site = settings.site
    seeing = site.seeing_arcsec if site else None
    objects: tuple[str, ...] = ()
    if lines:
        reach = 0.5 * math.hypot(field.width_deg, field.height_deg)
        near = [o for line in lines for o in objects_near(line.ra_deg, line.dec_deg, reach)]
        objects = tuple(dict.fromkeys(o.name for o in near))[:40]
    return FrameReport(
        rig=one.name,
        target=wanted.name if wanted else None,
        scale_arcsec_px=field.scale_arcsec_px,
        width_deg=field.width_deg,
        height_deg=field.height_deg,
        panels=tuple(lines),
        columns=columns,
        rows=rows,
        overlap=OVERLAP,
        turn_by_deg=turn,
        area_lost=lost,
        angle_now_deg=now,
        angle_wanted_deg=then,
        sampling=sampling(field.scale_arcsec_px, seeing).sentence if seeing is not None else None,
        objects=objects,
        notes=tuple(dict.fromkeys(notes)),
    )


def _frame_angle(state: State, wanted: Target | None) -> float:
    """The position angle that frames shall have: the ledger's grid where it is solved, else the target's, else 0."""
    if wanted is None:
        return 0.0
    held = next((a for (name, _), a in state.wanted_angle.items() if name == wanted.name), None)
    if held is not None:
        return held.up_deg
    return wanted.position_angle_deg or 0.0


def _panels(
    wanted: Target, spots: Sequence[Spot], size: tuple[float, float], angle: float, notes: list[str]
) -> tuple[list[PanelLine], int, int]:
    """The panels that campaign.toml places, else as many as the target's size asks for."""
    width, height = size
    if wanted.panel:
        placed = [
            (s.panel or 1, s.ra_deg, s.dec_deg, s.position_angle_deg if s.position_angle_deg is not None else angle)
            for s in spots
        ]
        columns, rows = len(placed), 1
    else:
        spot = spots[0]
        columns = rows = 1
        if wanted.size_arcmin is not None:
            along = _along_frame(wanted, angle)
            columns, rows = panels_needed(along, Field(width, height, float("nan")), overlap=OVERLAP)
            if columns * rows > 1:
                notes.append(f"{wanted.name} is larger than one frame: {columns} by {rows} panels cover it")
        placed = [
            (p.panel, p.ra_deg, p.dec_deg, p.position_angle_deg)
            for p in panels(
                spot.ra_deg, spot.dec_deg, position_angle_deg=angle, columns=columns, rows=rows, width_deg=width,
                height_deg=height, overlap=OVERLAP,
            )
        ]  # fmt: skip
    lines = []
    for number, ra, dec, turned in placed:
        corners = outline(ra, dec, turned, width_deg=width, height_deg=height)
        lines.append(
            PanelLine(
                panel=number,
                ra_deg=ra,
                dec_deg=dec,
                position_angle_deg=turned,
                corners_deg=tuple((float(a), float(d)) for a, d in corners),
            )
        )
    return lines, columns, rows


def _along_frame(wanted: Target, angle: float) -> tuple[float, float]:
    """Width and height in degrees of the box along the frame's sides that holds the target.

    `size_arcmin` is width and height along the target's own position angle; a frame at another angle needs a larger box.
    """
    assert wanted.size_arcmin is not None
    w, h = (v / 60.0 for v in wanted.size_arcmin)
    turn = math.radians(angle - (wanted.position_angle_deg or 0.0))
    c, s = abs(math.cos(turn)), abs(math.sin(turn))
    return w * c + h * s, w * s + h * c


def _turn(
    state: State,
    rig: str,
    wanted: Target | None,
    spots: Sequence[Spot],
    size: tuple[float, float],
    notes: list[str],
) -> tuple[float, float, float | None, float | None]:
    """How far to turn, what is lost otherwise, the camera's angle now and the one wanted."""
    if wanted is None:
        return 0.0, 0.0, None, None
    keys = [s.key for s in spots]
    now = next((state.angle_now[(rig, *k)] for k in keys if (rig, *k) in state.angle_now), None)
    held = next((state.wanted_angle[k] for k in keys if k in state.wanted_angle), None)
    then = held.up_deg if held is not None else wanted.position_angle_deg
    if now is None:
        notes.append("no solved sub of this rig and target yet: how the camera stands is not known")
        return 0.0, 0.0, None, then
    if then is None:
        notes.append("no position angle is wanted yet: the camera may stay as it is")
        return 0.0, 0.0, now.up_deg, None
    turn = turn_by_deg(now.up_deg, then, mirrored=now.mirrored)
    lost = area_lost(turn, *size)
    if abs(turn) >= 0.5:
        way = "clockwise" if turn > 0 else "anticlockwise"
        notes.append(
            f"turn the camera {abs(turn):.1f}° {way}, as seen from behind it; left as it is, {100 * lost:.1f} % of the frame is lost"
        )
    return turn, lost, now.up_deg, then
