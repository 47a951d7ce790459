"""The mount's axis from all subs since it was last set: their turn on the sky, and their drift where nobody guided."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.stats import f as f_distribution

from nightfold.align.wcs import is_mirrored, scale_arcsec_px
from nightfold.errors import SettingsError
from nightfold.intake.stage import header_of_row
from nightfold.ledger.workspace import Workspace
from nightfold.optics.apparent import air_factor, position_angle_deg, seen_by_the_mount
from nightfold.optics.files import temperature_of
from nightfold.optics.mount.stage import OnSky, not_placed, on_sky
from nightfold.optics.polar import (
    PolarError,
    corner_trail_arcsec,
    drifts_by_the_axis,
    polar_error,
    refracted_pole_arcmin,
)
from nightfold.optics.polar_fit import turn_groups
from nightfold.optics.reports import PolarReport, SubTrail, values_of
from nightfold.optics.stage import keep, last_event, middle_s, night_rows

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

UNGUIDED_ARCSEC = 60.0
"""A field that drifts less in a night may as well be guided: its drift is not used."""
STEP_OF_FRAME = 0.2
"""Share of the frame's height to which the turn of its middle is taken."""
DISAGREE = 1e-3
"""Nights that would agree as badly by chance in one of a thousand campaigns were of another setting of the mount."""


@dataclass(frozen=True, slots=True)
class _Night:
    """The subs of one night as the mount saw them; `zero` numbers stretches of one camera, target and side of the pier."""

    day: date
    seen: list[OnSky]
    hour_deg: FloatArray
    dec_deg: FloatArray
    angle_deg: FloatArray
    zero: IntArray
    guided: npt.NDArray[np.bool_]  # declination held, of each sub
    note: str


def polar(
    ws: Workspace, *, night: date | None = None, rig: str | None = None, guided: bool | None = None
) -> PolarReport:
    """The polar axis' error, kept as a finding.

    Parameters
    ----------
    night : date, optional
        This night alone; by default the last one and those before it that agree with it, back to the rig's last note.
    guided : bool, optional
        Whether declination was held by a guider; told from the subs by default.
    """
    named, day, rows = night_rows(ws, rig, night)
    site, header = ws.settings.site, header_of_row(rows[0])
    latitude = site.latitude_deg if site else header.site_latitude_deg
    longitude = site.longitude_deg if site else header.site_longitude_deg
    if latitude is None or longitude is None:
        raise SettingsError("the polar error needs the site", seen="no [site] in campaign.toml and none in the headers", allowed="latitude_deg and longitude_deg")  # fmt: skip
    name = rows[0].rig
    days = [day]
    if night is None:
        since = last_event(ws, name)
        earlier = {
            r.night for r in ws.ledger.frames(kind="sub") if r.rig == name and r.night is not None and r.night < day
        }
        days += sorted((d for d in earlier if since is None or d >= since), reverse=True)
    elevation = float(site.elevation_m or 0.0) if site else 0.0
    looked = (_night(ws, name, d, where=(latitude, longitude, elevation), guided=guided) for d in days)
    nights = [n for n in looked if n is not None]
    if not nights or nights[0].day != day:
        raise not_placed(ws, rows, "the polar error", day)
    used, notes = _that_agree(nights, latitude)
    found = _error_of(used, latitude)
    subs = [s for n in used for s in n.seen]
    scale = scale_arcsec_px(subs[0].cd_deg)
    trails = _trails(used, found, latitude)
    worst = max((t.corner_trail_arcsec for t in trails), default=float("nan"))
    if found.separable:
        half_field = 0.5 * float(np.hypot(subs[0].row.width_px, subs[0].row.height_px)) * scale / 3600.0
        exposure = float(np.median([s.row.exposure_s or 0.0 for s in subs]))
        dec = float(np.nanmedian(used[0].dec_deg))
        worst = corner_trail_arcsec(found.total_arcmin, exposure_s=exposure, declination_deg=dec, field_deg=half_field)
    targets = sorted({s.row.target or "" for s in subs})
    report = PolarReport(
        **values_of(found), rig=named.name if named else None, target=targets[0] if len(targets) == 1 else ", ".join(targets),
        night=day.isoformat(), nights=tuple(n.day.isoformat() for n in used), guided=bool(np.all([n.guided.all() for n in used])),
        subs=len(subs), refracted_pole_arcmin=refracted_pole_arcmin(latitude), corner_trail_arcsec=worst,
        corner_trail_px=worst / scale, trails=trails, notes=(used[0].note, *notes) if used[0].note else notes,
    )  # fmt: skip
    keep(ws, "optics-polar", report, rig=report.rig, night=day)
    return report


def _night(
    ws: Workspace, rig: str | None, day: date, *, where: tuple[float, float, float], guided: bool | None
) -> _Night | None:
    """The subs of a night whose place is known; None without any."""
    measured = ws.ledger.reading_versions()
    rows = [r for r in ws.ledger.frames(kind="sub", night=day) if r.id in measured and r.rig == rig]
    parts: list[_Night] = []
    for seen in on_sky(ws, rows).values():
        parts.append(_of_target(ws, day, sorted(seen, key=lambda s: middle_s(s.row)), where=where, guided=guided))
    if not parts:
        return None
    parts.sort(key=lambda p: -len(p.seen))
    starts = np.cumsum([0, *[int(p.zero.max()) + 1 for p in parts]])
    return _Night(
        day, [s for p in parts for s in p.seen], np.concatenate([p.hour_deg for p in parts]),
        np.concatenate([p.dec_deg for p in parts]), np.concatenate([p.angle_deg for p in parts]),
        np.concatenate([p.zero + k for p, k in zip(parts, starts, strict=False)]), np.concatenate([p.guided for p in parts]),
        parts[0].note,
    )  # fmt: skip


def _of_target(
    ws: Workspace, day: date, seen: list[OnSky], *, where: tuple[float, float, float], guided: bool | None
) -> _Night:
    times = np.array([middle_s(s.row) for s in seen])
    air_c = [temperature_of(header_of_row(s.row)) for s in seen]
    warmth = float(np.nanmedian(air_c)) if np.isfinite(air_c).any() else 10.0
    air = np.array([air_factor(elevation_m=where[2], air_c=c if np.isfinite(c) else warmth) for c in air_c])
    site: dict[str, Any] = {"latitude_deg": where[0], "longitude_deg": where[1], "air": air}
    here = np.array([s.place() for s in seen])
    hour, dec = seen_by_the_mount(here[:, 0], here[:, 1], times, **site)
    # Refraction squeezes the field towards the zenith, and whether a sub's transform follows that hangs on its stars. One that
    # does not turns as its stars do on average, those far along the longer side with more leverage: weighted by the squares of
    # the sides, the turn of the four directions from the middle is the same either way.
    turns = []
    leverage = np.array([s.row.width_px for s in seen]) ** 2.0, np.array([s.row.height_px for s in seen]) ** 2.0
    for k, (dx, dy) in enumerate(((1, 0), (0, 1), (-1, 0), (0, -1))):
        step = [STEP_OF_FRAME * s.row.height_px for s in seen]
        there = np.array([s.place(dx * d, dy * d) for s, d in zip(seen, step, strict=True)])
        angle = position_angle_deg(hour, dec, *seen_by_the_mount(there[:, 0], there[:, 1], times, **site))
        mirrored = np.array([is_mirrored(s.cd_deg) for s in seen])
        turns.append(np.radians(angle - np.where(mirrored, -1.0, 1.0) * (90.0 * k - 90.0)))
    weight = np.array([leverage[k % 2] for k in range(4)])
    angle = np.degrees(np.arctan2((weight * np.sin(turns)).sum(axis=0), (weight * np.cos(turns)).sum(axis=0))) % 360.0
    zero = turn_groups(angle, times)
    # A sub solved by its own stars has another zero than those that share a grid.
    kinds = np.unique([f"{z} {s.row.panel} {s.through_grid}" for z, s in zip(zero, seen, strict=True)], return_inverse=True)[1]  # fmt: skip
    note, held = "", guided
    if held is None:
        reach = float(np.ptp(here[:, 1])) * 3600.0
        held = reach <= UNGUIDED_ARCSEC or not drifts_by_the_axis(
            hour, dec, angle, angle_error_deg=[s.turn_error_deg for s in seen], group=kinds
        )
        note = (
            "taken as guided: azimuth and altitude are told from the turn of the field" if held
            else f"taken as unguided: the field drifted over {reach:.0f}″ in declination, smoothly and as it turned"
        )  # fmt: skip
    return _Night(day, seen, hour, dec, angle, kinds.astype(np.int64), np.full(len(seen), held), note)


def _error_of(nights: list[_Night], latitude: float) -> PolarError:
    zero: list[IntArray] = []
    for n in nights:
        zero.append(n.zero + (int(zero[-1].max()) + 1 if zero else 0))
    dec = np.concatenate([n.dec_deg for n in nights])
    loose = ~np.concatenate([n.guided for n in nights])
    return polar_error(
        np.concatenate([n.hour_deg for n in nights]), latitude_deg=latitude, declination_deg=dec,
        position_angle_deg=np.concatenate([n.angle_deg for n in nights]),
        angle_error_deg=np.array([s.turn_error_deg for n in nights for s in n.seen]), group=np.concatenate(zero),
        field_declination_deg=np.where(loose, dec, np.nan) if loose.any() else None,
    )  # fmt: skip


def _that_agree(nights: list[_Night], latitude: float) -> tuple[list[_Night], tuple[str, ...]]:
    """The last night and those before it, as far as one axis explains them; and what ended them."""
    used, whole = nights[:1], _error_of(nights[:1], latitude)
    for n in nights[1:]:
        alone, both = _error_of([n], latitude), _error_of([*used, n], latitude)
        if np.isfinite([whole.chi2, alone.chi2, both.chi2]).all():
            apart, freedom = whole.chi2 + alone.chi2, whole.freedom + alone.freedom
            worse = (both.chi2 - apart) / 2.0 / max(apart / max(freedom, 1), 1e-30)
            if worse > 0.0 and float(f_distribution.sf(worse, 2, max(freedom, 1))) < DISAGREE:
                line = f"the axis stood elsewhere on {n.day}: only nights since then count; a `note` of that change would say so"
                return used, (line,)
        elif np.isfinite(whole.chi2) and not np.isfinite(both.chi2):
            continue
        used, whole = [*used, n], both
    return used, ()


def _trails(nights: list[_Night], found: PolarError, latitude: float) -> tuple[SubTrail, ...]:
    """What the tilt costs each sub: turn about the guide star in the far corner, and drift where nobody guided."""
    if not found.separable:
        return ()
    toward = np.radians(found.axis_hour_angle_deg)
    trails = []
    for n in nights:
        for s, h, d, held in zip(n.seen, n.hour_deg, n.dec_deg, n.guided, strict=True):
            if not np.isfinite(h):
                continue
            scale = scale_arcsec_px(s.cd_deg)
            half = 0.5 * float(np.hypot(s.row.width_px, s.row.height_px)) * scale / 3600.0
            exposure = s.row.exposure_s or 0.0
            most = corner_trail_arcsec(
                found.total_arcmin, exposure_s=exposure, declination_deg=float(d), field_deg=half
            )
            drift = corner_trail_arcsec(
                found.total_arcmin, exposure_s=exposure, declination_deg=0.0, field_deg=float(np.degrees(1.0))
            )
            corner = most * abs(float(np.cos(np.radians(h) - toward)))
            trails.append(
                SubTrail(
                    file=str(s.row.path), night=n.day.isoformat(), start=s.row.start, hour_angle_deg=float(h),
                    corner_trail_arcsec=corner, corner_trail_px=corner / scale,
                    drift_arcsec=0.0 if held else drift * abs(float(np.sin(np.radians(h) - toward))),
                )
            )  # fmt: skip
    return tuple(trails)
