"""From readings, headers and placements to the facts that verdicts are made from, group by group."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from nightfold.align.stage import Placed, placed_of
from nightfold.flags import StarFlag
from nightfold.frames.records import FrameHeader
from nightfold.intake.stage import header_of_row, rig_events
from nightfold.judge.binned import in_one_pixel
from nightfold.judge.evidence import field_shape, slope_over_frame
from nightfold.judge.records import NAN, SubFacts
from nightfold.judge.sky_curve import SkyCurve, SkyMoment, sky_curve
from nightfold.judge.transparency import FloatArray, cross_match, fit_extinction, rate_table, solve_scales, trusted
from nightfold.ledger.records import FrameRow, GridRow, PlacementRow
from nightfold.ledger.workspace import Workspace
from nightfold.measure.records import Reading, SkyMesh, Stars
from nightfold.measure.stage import load_readings
from nightfold.robust import mad_sigma
from nightfold.settings.models import CampaignSettings
from nightfold.sky.airmass import airmass_from_true_altitude, altitude_azimuth_deg
from nightfold.sky.brightness import Band, SkyModel
from nightfold.sky.ephemeris import Place, moon_illumination, moon_track, separation_deg, sun_track, target_track
from nightfold.units import ARCSEC_PER_RADIAN

COLOUR_STARS_ERROR = 0.05
"""Stars measured to 5 % or better tell whether brightness ratios differ from star to star."""


@dataclass(frozen=True, slots=True)
class Photometry:
    """A sub's light against the other subs of its group."""

    scale: float
    slopes: FloatArray  # (2,) relative, along u and v of the frame; NaN where too few stars tell
    slope_error: float
    scatter: float


@dataclass(frozen=True, slots=True)
class Group:
    """The subs of one target, panel, rig and filter with what verdicts and findings are made from.

    `facts` goes in the order of `rows`. `sharp_xy` holds the places of detections too sharp for stars.
    """

    target: str | None
    panel: int | None
    rig: str | None
    filter: str | None
    rows: list[FrameRow]
    facts: list[SubFacts]
    placed: dict[int, Placed]
    meshes: dict[int, SkyMesh]
    sharp_xy: dict[int, FloatArray]
    extinction_mag: float
    extinction_error_mag: float

    def detail_px(self, ws: Workspace) -> float | None:
        """FWHM of the finest detail wanted: the goal's, else twice the site's seeing; None where neither is told."""
        scales = [f.arcsec_per_px for f in self.facts if np.isfinite(f.arcsec_per_px)]
        target, site = ws.settings.target_named(self.target), ws.settings.site
        wanted = [
            g.detail_arcsec for g in (target.goal if target else []) if g.filter == self.filter and g.detail_arcsec
        ]
        seeing = site.seeing_arcsec if site else None
        arcsec = min(wanted) if wanted else (2.0 * seeing if seeing else None)
        return arcsec / float(np.median(scales)) if arcsec and scales else None


def load_groups(ws: Workspace) -> list[Group]:
    """All subs of the campaign in groups, with their facts."""
    by_key: dict[tuple[str | None, int | None, str | None, str | None], list[FrameRow]] = defaultdict(list)
    for row in ws.ledger.frames(kind="sub"):
        by_key[(row.target, row.panel, row.rig, row.filter)].append(row)
    groups = []
    for (target, panel, rig, name), rows in by_key.items():
        grid = ws.ledger.grid(target or "", panel)
        placements = ws.ledger.placements(grid.id) if grid else {}
        groups.append(_group(ws, (target, panel, rig, name), rows, grid, placements))
    return groups


def _group(
    ws: Workspace,
    key: tuple[str | None, int | None, str | None, str | None],
    rows: list[FrameRow],
    grid: GridRow | None,
    placements: dict[int, PlacementRow],
) -> Group:
    readings = load_readings(ws, rows)
    mine = {row.id for row in rows}
    placed = {i: placed_of(p) for i, p in placements.items() if p.found and i in mine}
    photometry = group_photometry(ws, rows, readings, placed, grid, key[2], key[3])
    airmasses = {row.id: airmass_of(ws, row) for row in rows}
    reference = ws.ledger.flux_reference(grid.id, key[2], key[3] or "") if grid else None
    seen = [r for r in rows if r.id in photometry]
    site = ws.settings.site
    nights = {n: i for i, n in enumerate(sorted({str(r.night) for r in rows}))}
    extinction, error = fit_extinction(
        np.array([photometry[r.id].scale for r in seen]),
        np.array([airmasses[r.id] or NAN for r in seen]),
        np.array([nights[str(r.night)] for r in seen], np.int64),
        site.extinction_mag if site else 0.2,
    )
    at_reference = airmasses.get(reference) if reference is not None else None
    curve = _sky_curve(ws, rows, readings)
    faults = ws.ledger.faults()
    events = sorted(e.at for e in rig_events(ws) if e.rig is None or e.rig == key[2])
    facts = []
    for row in rows:
        reading = readings.get(row.id)
        if reading is None:
            facts.append(unread(row, faults.get(row.id, "its pixels were not read yet")))
            continue
        airmass = airmasses[row.id]
        air = 1.0
        if airmass is not None and at_reference is not None:
            air = float(10.0 ** (-0.4 * extinction * (airmass - at_reference)))
        light = photometry.get(row.id)
        epoch = bisect_right(events, row.start) if row.start is not None else 0
        facts.append(
            _facts(
                ws,
                row,
                reading,
                placed.get(row.id),
                placements.get(row.id),
                light,
                airmass,
                air,
                curve.get(row.id),
                epoch,
            )
        )
    sharp = {i: r.stars.xy[(r.stars.flags & int(StarFlag.NOT_A_STAR)) != 0] for i, r in readings.items()}
    return Group(
        *key,
        rows=rows,
        facts=in_one_pixel(facts, [_binning(r) for r in rows]),
        placed=placed,
        meshes={i: r.sky for i, r in readings.items()},
        sharp_xy=sharp,
        extinction_mag=extinction,
        extinction_error_mag=error,
    )


# -- light ------------------------------------------------------------------------------------------------------------


def group_photometry(
    ws: Workspace,
    rows: Sequence[FrameRow],
    readings: dict[int, Reading],
    placed: dict[int, Placed],
    grid: GridRow | None,
    rig: str | None,
    name: str | None,
) -> dict[int, Photometry]:
    """Star-flux ratio of each placed sub to the group's fixed reference, and how evenly it holds over the frame.

    The reference is chosen once and kept.
    """
    usable = [r for r in rows if r.id in readings and r.id in placed and len(readings[r.id].stars)]
    if grid is None or not usable:
        return {}
    stars = [_photometric(readings[r.id].stars) for r in usable]
    positions = [placed[r.id].transform.apply(s.xy) for r, s in zip(usable, stars)]
    radius = 2.0 + 0.5 * float(
        np.median([readings[r.id].fwhm_px for r in usable if np.isfinite(readings[r.id].fwhm_px)] or [3.0])
    )
    counts = [len(s) for s in stars]
    members = cross_match(positions, radius_px=radius, anchor=int(np.argmax(counts)))
    rates = [s.flux_e / (r.exposure_s or 1.0) for r, s in zip(usable, stars)]
    errors = [s.flux_error_e / (r.exposure_s or 1.0) for r, s in zip(usable, stars)]
    rate, error = rate_table(members, rates, errors)
    reference = ws.ledger.flux_reference(grid.id, rig, name or "")
    ids = [r.id for r in usable]
    if reference not in ids:
        anchor = int(np.argmax(counts))
        first, _ = solve_scales(*_speaking(rate, error, anchor), anchor)
        reference = ids[_clearest(rate, first, counts)]
        if ws.ledger.flux_reference(grid.id, rig, name or "") is None:
            ws.ledger.set_flux_reference(grid.id, rig, name or "", reference)
    number = ids.index(reference)
    speaking, spoken_error = _speaking(rate, error, number)
    scales, _ = solve_scales(speaking, spoken_error, number)
    u, _ = rate_table(members, [_unit(s.x, readings[r.id].width_px) for r, s in zip(usable, stars)], errors)
    v, _ = rate_table(members, [_unit(s.y, readings[r.id].height_px) for r, s in zip(usable, stars)], errors)
    turned = np.array([abs(placed[i].transform.rotation_deg) > 90.0 for i in ids])
    return dict(zip(ids, _evenness(speaking, spoken_error, scales, u, v, turned)))


def _clearest(rate: FloatArray, scales: FloatArray, counts: Sequence[int]) -> int:
    """The clearest sub that shares enough stars with the rest to be sure of it, and that is no stranger among them.

    A sub of another filter may look brighter than all: one that outshines the upper quarter by half is passed over.
    """
    enough = np.isfinite(rate).sum(axis=1) >= min(20, max(counts) // 4 + 1)
    known = enough & np.isfinite(scales)
    if np.count_nonzero(known) >= 4:
        known &= scales < 1.5 * np.percentile(scales[known], 75)
    return int(np.argmax(np.where(known, scales, -np.inf)))


def _evenness(
    rate: FloatArray, error: FloatArray, scales: FloatArray, u: FloatArray, v: FloatArray, turned: FloatArray
) -> list[Photometry]:
    """Slopes over the frame against what is usual at that orientation, and scatter from star to star, of every sub."""
    with np.errstate(invalid="ignore", divide="ignore"):
        own = rate / scales[:, None]
        brightness = np.nanmedian(np.where(np.isfinite(own).any(axis=0), own, 1.0), axis=0)
        model = scales[:, None] * brightness[None, :]
        deviation, relative = rate / model - 1.0, error / model
    slopes = np.full((len(rate), 2), NAN)
    slope_errors = np.full(len(rate), NAN)
    for i in range(len(rate)):
        slopes[i], slope_errors[i] = slope_over_frame(u[i], v[i], deviation[i], np.hypot(relative[i], 0.005))
    for side in (False, True):
        mine = (turned == side) & np.isfinite(slopes[:, 0])
        if np.count_nonzero(mine) >= 3:
            slopes[mine] -= np.median(slopes[mine], axis=0)
    found = []
    for i in range(len(rate)):
        rest = deviation[i]
        if np.isfinite(slopes[i, 0]):
            rest = rest - slopes[i, 0] * u[i] - slopes[i, 1] * v[i]
        sure = np.isfinite(rest) & (relative[i] < COLOUR_STARS_ERROR)
        scatter = NAN
        if np.count_nonzero(sure) >= 10:
            scatter = float(
                np.sqrt(max(float(mad_sigma(rest[sure])) ** 2 - float(np.median(relative[i][sure] ** 2)), 0.0))
            )
        found.append(Photometry(float(scales[i]), slopes[i], float(slope_errors[i]), scatter))
    return found


def _unit(position: FloatArray, length_px: int) -> FloatArray:
    """Pixels as -1 to 1 across the frame."""
    return np.asarray((position - 0.5 * (length_px - 1)) / (0.5 * length_px))


def _speaking(rate: FloatArray, error: FloatArray, reference: int) -> tuple[FloatArray, FloatArray]:
    """Rates and errors with only the samples that may speak; all of them where that would leave a sub without any."""
    chosen = np.where(trusted(rate, error, reference), rate, np.nan)
    silent = np.isfinite(rate).any(axis=1) & ~np.isfinite(chosen).any(axis=1)
    chosen[silent] = rate[silent]
    return chosen, error


def _photometric(stars: Stars) -> Stars:
    """Stars whose flux can be trusted, brightest first."""
    against = (
        StarFlag.NOT_A_STAR
        | StarFlag.ELONGATED
        | StarFlag.EDGE
        | StarFlag.SATURATED
        | StarFlag.BLENDED
        | StarFlag.BAD_PIXELS
    )
    good = ((stars.flags & int(against)) == 0) & (stars.flux_e > 0)
    return stars.take(np.flatnonzero(good)[:600])


# -- sky --------------------------------------------------------------------------------------------------------------


def _sky_curve(ws: Workspace, rows: Sequence[FrameRow], readings: dict[int, Reading]) -> dict[int, SkyCurve]:
    """What the sky should have been in each sub; empty where site, sky or filter are not told."""
    site, first = ws.settings.site, rows[0]
    rig = ws.settings.rig_named(first.rig)
    chosen = rig.filter_named(first.filter or "") if rig else None
    if site is None or site.sky_mag_arcsec2 is None or chosen is None or not chosen.centre_nm or not chosen.width_nm:
        return {}
    place = Place(site.latitude_deg, site.longitude_deg, site.elevation_m)
    model = SkyModel(site.sky_mag_arcsec2, extinction_mag=site.extinction_mag, elevation_m=site.elevation_m)
    band = Band(chosen.name, chosen.centre_nm, chosen.width_nm)
    moments: list[SkyMoment] = []
    finest = min(map(_binning, rows))
    by_night: dict[str, list[FrameRow]] = {}
    for row in rows:
        if row.start is not None and row.id in readings:
            by_night.setdefault(str(row.night), []).append(row)
    for own in by_night.values():
        at = _pointing(ws, own[0])
        if at is None:
            continue
        middle = np.array([r.start.timestamp() + 0.5 * (r.exposure_s or 0.0) for r in own if r.start is not None])
        begin, end = float(middle.min()) - 1800.0, float(middle.max()) + 1800.0
        sun, moon = sun_track(place, begin, end), moon_track(place, begin, end)
        target = target_track(at[0] % 360.0, at[1], place, begin, end)
        phase = moon_illumination(middle, place).phase_angle_deg
        terms = model.terms(
            band,
            altitude_deg=target.altitude_deg(middle),
            sun_altitude_deg=sun.altitude_deg(middle),
            moon_altitude_deg=moon.altitude_deg(middle),
            separation_deg=separation_deg(target, moon, middle),
            phase_angle_deg=phase,
        )
        site_part, moon_part, twilight = (
            np.broadcast_to(t, middle.shape) for t in (terms.site, terms.moon, terms.twilight)
        )
        for i, row in enumerate(own):
            reading = readings[row.id]
            moments.append(
                SkyMoment(
                    frame_id=row.id,
                    measured_e_per_s=reading.sky_e / (row.exposure_s or 1.0) * (finest / _binning(row)) ** 2,
                    site=float(site_part[i]),
                    moon=float(moon_part[i]),
                    twilight=float(twilight[i]),
                    moon_altitude_deg=float(moon.altitude_deg(middle[i])),
                    sun_altitude_deg=float(sun.altitude_deg(middle[i])),
                )
            )
    return sky_curve(moments)


# -- one sub ----------------------------------------------------------------------------------------------------------


def _facts(
    ws: Workspace,
    row: FrameRow,
    reading: Reading,
    placed: Placed | None,
    placement: PlacementRow | None,
    light: Photometry | None,
    airmass: float | None,
    air: float,
    curve: SkyCurve | None,
    epoch: int,
) -> SubFacts:
    header = header_of_row(row)
    exposure_s = row.exposure_s or 1.0
    rig = ws.settings.rig_named(row.rig)
    gain = rig.gain_for(header.gain) if rig else None
    scale = light.scale if light is not None else NAN
    uneven = float(np.abs(light.slopes).sum()) if light is not None and np.isfinite(light.slopes).all() else 0.0
    return SubFacts(
        frame_id=row.id,
        exposure_s=exposure_s,
        star_count=reading.star_count,
        sky_e_per_s=reading.sky_e / exposure_s if np.isfinite(reading.sky_e) else NAN,
        # The measured noise: it is right also where gain and zero level are not known.
        noise_e=reading.noise_e,
        blank_noise_e=reading.blank_noise_e,
        fwhm_px=reading.fwhm_px,
        half_flux_radius_px=reading.half_flux_radius_px,
        ellipticity=reading.ellipticity,
        ellipticity_angle_deg=reading.ellipticity_angle_deg,
        saturated_fraction=reading.saturated_fraction,
        transparency=scale / air,
        scale=scale,
        placed=placed is not None,
        place_reason="" if placement is None or placement.found else placement.reason,
        overlap=placed.overlap if placed is not None else 0.0,
        sensor_c=header.sensor_c,
        set_point_c=header.set_point_c,
        rig=row.rig,
        filter=row.filter,
        night=row.night.isoformat() if row.night else None,
        start_s=row.start.timestamp() if row.start else NAN,
        airmass=airmass if airmass is not None else NAN,
        focuser_position=header.focuser_position,
        focuser_c=header.focuser_c if header.focuser_c is not None else header.ambient_c,
        pier_side=header.pier_side,
        predicted_dark_e_per_s=curve.dark_e_per_s if curve else NAN,
        predicted_moon_e_per_s=curve.moon_e_per_s if curve else 0.0,
        predicted_twilight_e_per_s=curve.twilight_e_per_s if curve else 0.0,
        moon_altitude_deg=curve.moon_altitude_deg if curve else NAN,
        sun_altitude_deg=curve.sun_altitude_deg if curve else NAN,
        read_noise_e=gain.read_noise_e if gain and gain.read_noise_e is not None else NAN,
        shape=field_shape(reading.stars, width_px=reading.width_px, height_px=reading.height_px),
        uneven=uneven,
        uneven_error=1.5 * light.slope_error if light is not None else NAN,
        star_scatter=light.scatter if light is not None else NAN,
        arcsec_per_px=arcsec_per_px(ws, row) or NAN,
        ra_deg=header.ra_deg if header.ra_deg is not None else NAN,
        dec_deg=header.dec_deg if header.dec_deg is not None else NAN,
        settings=_settings(header),
        object_name=(header.object or "").strip(),
        gain_known=header.calibrated is False and (gain is not None or header.e_per_adu is not None),
        row_pattern_e=reading.row_pattern_e,
        column_pattern_e=reading.column_pattern_e,
        epoch=epoch,
    )


def _settings(header: FrameHeader) -> tuple[tuple[str, str], ...]:
    """What a header tells of the camera's settings, in the words that a verdict uses."""
    told = {
        "gain": header.gain,
        "offset": header.offset,
        "binning": "x".join(str(n) for n in header.binning),
        "readout mode": header.readout_mode,
    }
    return tuple((k, f"{v:g}" if isinstance(v, float | int) else str(v)) for k, v in told.items() if v is not None)


def unread(row: FrameRow, reason: str) -> SubFacts:
    """The facts of a frame whose pixels could not be used."""
    return SubFacts(
        frame_id=row.id, exposure_s=row.exposure_s or 1.0, star_count=0, sky_e_per_s=NAN, noise_e=NAN, fwhm_px=NAN, half_flux_radius_px=NAN,
        ellipticity=NAN, ellipticity_angle_deg=NAN, saturated_fraction=0.0, transparency=NAN, scale=NAN, placed=False, unreadable=reason,
        rig=row.rig, filter=row.filter, night=row.night.isoformat() if row.night else None,
        start_s=row.start.timestamp() if row.start else NAN,
    )  # fmt: skip


def _pointing(ws: Workspace, row: FrameRow) -> tuple[float, float] | None:
    """Where a sub points: as its header says, else its target; None if neither is told."""
    header = header_of_row(row)
    target = ws.settings.target_named(row.target)
    ra = header.ra_deg if header.ra_deg is not None else (target.ra_deg if target else None)
    dec = header.dec_deg if header.dec_deg is not None else (target.dec_deg if target else None)
    return (ra, dec) if ra is not None and dec is not None else None


def airmass_of(ws: Workspace, row: FrameRow) -> float | None:
    """Air mass at the middle of a sub, from place, time and site, else as its header tells; None if neither is known."""
    header: FrameHeader = header_of_row(row)
    site = ws.settings.site
    latitude = site.latitude_deg if site else header.site_latitude_deg
    longitude = site.longitude_deg if site else header.site_longitude_deg
    at = _pointing(ws, row)
    if latitude is None or longitude is None or at is None or row.start is None:
        return header.airmass
    altitude, _ = altitude_azimuth_deg(
        *at,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=site.elevation_m if site else 0.0,
        times=[row.start + timedelta(seconds=0.5 * (row.exposure_s or 0.0))],
    )
    value = float(airmass_from_true_altitude(altitude[0]))
    return value if np.isfinite(value) else header.airmass


def arcsec_per_px(ws: Workspace, row: FrameRow) -> float | None:
    """Image scale of a sub from its header, else from its rig; None if neither tells."""
    told = row.header  # as it lies in the ledger: making the whole record of it takes ten times as long
    return image_scale(ws.settings, row.rig, told.get("pixel_um"), _binning(row), told.get("focal_length_mm"))


def _binning(row: FrameRow) -> int:
    return int((row.header.get("binning") or (1,))[0])


def image_scale(
    settings: CampaignSettings, name: str | None, pixel_um: float | None, binning: int | None, focal_mm: float | None
) -> float | None:
    """Arcsec a pixel of a rig's sub whose header tells these numbers; None if neither it nor the rig tells."""
    rig = settings.rig_named(name)
    pixel = pixel_um or (rig.camera.pixel_um * (binning or 1) if rig and rig.camera.pixel_um else None)
    focal = (rig.telescope.focal_length_mm if rig else None) or focal_mm
    return ARCSEC_PER_RADIAN * pixel * 1e-3 / focal if pixel and focal else None
