"""Verdicts of a campaign: measures what is new, places it, finds transparency and worth, and keeps what a person decided."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from nightfold.align.places.stage import solve_subs
from nightfold.align.stage import Placed, place_subs, placed_of
from nightfold.errors import SettingsError
from nightfold.flags import StarFlag
from nightfold.intake.stage import header_of_row
from nightfold.judge.core import SubFacts, Verdict, judge_subs
from nightfold.judge.photometry.stage import photometry_of, zero_points
from nightfold.judge.transparency import FloatArray, cross_match, rate_table, solve_scales, trusted
from nightfold.ledger.records import FrameRow, GridRow, PlacementRow, VerdictRow
from nightfold.ledger.workspace import Workspace
from nightfold.measure.records import Reading, Stars
from nightfold.measure.stage import load_readings, measure_subs
from nightfold.sky.airmass import airmass_from_true_altitude, altitude_azimuth_deg, extinction_factor
from nightfold.units import ARCSEC_PER_RADIAN


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseLine:
    """One cause of a verdict with its number."""

    cause: str
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedSub:
    """One sub as the judge's document holds it."""

    file: str
    sha256: str | None
    rig: str | None
    target: str | None
    filter: str | None
    night: str | None
    start: object
    exposure_s: float | None
    stars: int | None
    fwhm_px: float | None
    fwhm_arcsec: float | None
    half_flux_radius_px: float | None
    ellipticity: float | None
    ellipticity_angle_deg: float | None
    sky_e_per_s: float | None
    transparency: float | None
    verdict: str
    weight: float | None
    causes: tuple[CauseLine, ...]
    zero_point_mag: float | None = None
    zero_point_uncertainty_mag: float | None = None
    sky_mag_arcsec2: float | None = None
    limiting_mag: float | None = None
    transparency_absolute: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgeReport:
    """All verdicts asked for."""

    subs: tuple[JudgedSub, ...]
    notes: tuple[str, ...] = ()


def judge(ws: Workspace, *, filter: str | None = None, night: date | None = None, again: bool = False) -> JudgeReport:
    """Measure and place what is new, judge every group anew, and report on the filter and night asked for.

    Verdicts are relative to the campaign's own spread, so all are made anew; the pixels are not read again.
    """
    known = {row.filter for row in ws.ledger.frames(kind="sub")}
    if filter is not None and filter not in known:
        names = ", ".join(sorted(str(k) for k in known)) or "none yet"
        raise SettingsError("no sub has this filter", seen=filter, allowed=names)
    measured = measure_subs(ws, again=again)
    place_subs(ws)
    solve_subs(ws)
    judge_all(ws)
    zero_points(ws)
    return report(ws, filter=filter, night=night, notes=measured.notes)


def judge_all(ws: Workspace) -> None:
    """Make the verdicts of all subs anew from readings and placements."""
    groups: dict[tuple[str | None, int | None, str | None, str | None], list[FrameRow]] = defaultdict(list)
    for row in ws.ledger.frames(kind="sub"):
        groups[(row.target, row.panel, row.rig, row.filter)].append(row)
    for (target, panel, rig, name), rows in groups.items():
        grid = ws.ledger.grid(target or "", panel)
        placements = ws.ledger.placements(grid.id) if grid else {}
        verdicts = _judge_group(ws, rows, grid, placements, rig, name)
        ws.ledger.save_verdicts(verdicts)


def _judge_group(
    ws: Workspace,
    rows: list[FrameRow],
    grid: GridRow | None,
    placements: dict[int, PlacementRow],
    rig: str | None,
    name: str | None,
) -> list[VerdictRow]:
    readings = load_readings(ws, rows)
    faults = ws.ledger.faults()
    placed = {i: placed_of(p) for i, p in placements.items() if p.found}
    scales = group_scales(ws, rows, readings, placed, grid, rig, name)
    facts: list[SubFacts] = []
    for row in rows:
        reading = readings.get(row.id)
        if reading is None:
            facts.append(_unread(row, faults.get(row.id, "its pixels were not read yet")))
            continue
        facts.append(_facts(ws, row, reading, placed.get(row.id), placements.get(row.id), scales.get(row.id)))
    verdicts = judge_subs(facts)
    weights = _weights(facts, verdicts)
    by_id = {f.frame_id: f for f in facts}
    return [
        VerdictRow(
            frame_id=v.frame_id,
            keep=v.keep,
            worth=_known(v.worth),
            weight=weights.get(v.frame_id, 0.0),
            scale=_known(by_id[v.frame_id].scale),
            transparency=_known(by_id[v.frame_id].transparency),
            causes=[[cause, text] for cause, text in v.causes],
        )
        for v in verdicts
    ]


def _weights(facts: Sequence[SubFacts], verdicts: Sequence[Verdict]) -> dict[int, float]:
    """Inverse variance at equal signal of the kept subs, summing to 1 over the group."""
    raw = {
        f.frame_id: (f.scale * f.exposure_s / f.noise_e) ** 2
        for f, v in zip(facts, verdicts)
        if v.keep and np.isfinite(f.scale) and f.noise_e > 0
    }
    total = sum(raw.values())
    return {i: w / total for i, w in raw.items()} if total > 0 else {}


def group_scales(
    ws: Workspace,
    rows: Sequence[FrameRow],
    readings: dict[int, Reading],
    placed: dict[int, Placed],
    grid: GridRow | None,
    rig: str | None,
    name: str | None,
) -> dict[int, float]:
    """Star-flux ratio of each placed sub to the group's fixed reference; the reference is chosen once and kept."""
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
        # The clearest sub that shares enough stars with the rest to be sure of it.
        enough = np.isfinite(rate).sum(axis=1) >= min(20, max(counts) // 4 + 1)
        clearest = np.where(enough & np.isfinite(first), first, -np.inf)
        reference = ids[int(np.argmax(clearest))]
        if ws.ledger.flux_reference(grid.id, rig, name or "") is None:
            ws.ledger.set_flux_reference(grid.id, rig, name or "", reference)
    number = ids.index(reference)
    scales, _ = solve_scales(*_speaking(rate, error, number), number)
    return {i: float(s) for i, s in zip(ids, scales)}


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


def _facts(
    ws: Workspace,
    row: FrameRow,
    reading: Reading,
    placed: Placed | None,
    placement: PlacementRow | None,
    scale: float | None,
) -> SubFacts:
    header = header_of_row(row)
    exposure_s = row.exposure_s or 1.0
    sky = reading.sky_e / exposure_s if np.isfinite(reading.sky_e) else float("nan")
    # The measured noise: it is right also where gain and zero level are not known.
    noise = reading.noise_e
    return SubFacts(
        frame_id=row.id,
        exposure_s=exposure_s,
        star_count=reading.star_count,
        sky_e_per_s=sky,
        noise_e=noise,
        fwhm_px=reading.fwhm_px,
        half_flux_radius_px=reading.half_flux_radius_px,
        ellipticity=reading.ellipticity,
        ellipticity_angle_deg=reading.ellipticity_angle_deg,
        saturated_fraction=reading.saturated_fraction,
        transparency=(scale if scale is not None else float("nan")) / _air_factor(ws, row),
        scale=scale if scale is not None else float("nan"),
        placed=placed is not None,
        place_reason="" if placement is None or placement.found else _why_not_placed(placement),
        overlap=placed.overlap if placed is not None else 0.0,
        sensor_c=header.sensor_c,
        set_point_c=header.set_point_c,
    )


def _why_not_placed(placement: PlacementRow) -> str:
    """The reason and what was tried."""
    tried = placement.document.get("tried") or []
    return placement.reason + (f"; tried: {'; '.join(tried)}" if tried else "")


def _air_factor(ws: Workspace, row: FrameRow) -> float:
    """What the air leaves of the light at this sub's altitude against the zenith; 1 where the altitude is not known."""
    airmass = airmass_of(ws, row)
    site = ws.settings.site
    if airmass is None:
        return 1.0
    return float(extinction_factor(airmass, site.extinction_mag if site else 0.2, relative_to=1.0))


def airmass_of(ws: Workspace, row: FrameRow) -> float | None:
    """Air mass at the middle of a sub, from place, time and site, else as its header tells; None if neither is known."""
    header = header_of_row(row)
    site = ws.settings.site
    latitude = site.latitude_deg if site else header.site_latitude_deg
    longitude = site.longitude_deg if site else header.site_longitude_deg
    target = ws.settings.target_named(row.target)
    ra = header.ra_deg if header.ra_deg is not None else (target.ra_deg if target else None)
    dec = header.dec_deg if header.dec_deg is not None else (target.dec_deg if target else None)
    if None in (latitude, longitude, ra, dec) or row.start is None:
        return header.airmass
    assert latitude is not None
    assert longitude is not None
    assert ra is not None
    assert dec is not None
    altitude, _ = altitude_azimuth_deg(
        ra,
        dec,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=site.elevation_m if site else 0.0,
        times=[row.start],
    )
    value = float(airmass_from_true_altitude(altitude[0]))
    return value if np.isfinite(value) else header.airmass


def _unread(row: FrameRow, reason: str) -> SubFacts:
    nan = float("nan")
    return SubFacts(
        frame_id=row.id, exposure_s=row.exposure_s or 1.0, star_count=0, sky_e_per_s=nan, noise_e=nan, fwhm_px=nan, half_flux_radius_px=nan,
        ellipticity=nan, ellipticity_angle_deg=nan, saturated_fraction=0.0, transparency=nan, scale=nan, placed=False, unreadable=reason,
    )  # fmt: skip


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def is_kept(verdict: VerdictRow | None, decision: str | None) -> bool:
    """Whether a sub goes into a fold: a person's decision wins over the automatic verdict."""
    if decision is not None:
        return decision == "keep"
    return verdict is not None and verdict.keep


def report(
    ws: Workspace, *, filter: str | None = None, night: date | None = None, notes: Sequence[str] = ()
) -> JudgeReport:
    """The verdicts in the ledger, with a person's decisions over them."""
    verdicts, decisions = ws.ledger.verdicts(), ws.ledger.decisions()
    rows = ws.ledger.frames(kind="sub", filter=filter, night=night)
    readings = load_readings(ws, rows)
    places = ws.ledger.solutions([row.id for row in rows])
    judged = []
    for row in rows:
        reading, verdict, decision = readings.get(row.id), verdicts.get(row.id), decisions.get(row.id)
        kept = is_kept(verdict, decision.verdict if decision else None)
        causes = [CauseLine(cause=c, detail=d) for c, d in (verdict.causes if verdict else [])]
        if decision is not None:
            causes.insert(0, CauseLine(cause="person", detail=decision.why or f"{decision.verdict} decided by hand"))
        scale = arcsec_per_px(ws, row)
        fwhm = reading.fwhm_px if reading else None
        judged.append(
            JudgedSub(
                file=str(row.path),
                sha256=row.sha256,
                rig=row.rig,
                target=row.target,
                filter=row.filter,
                night=row.night.isoformat() if row.night else None,
                start=row.start,
                exposure_s=row.exposure_s,
                stars=reading.star_count if reading else None,
                fwhm_px=fwhm,
                fwhm_arcsec=fwhm * scale if fwhm is not None and scale else None,
                half_flux_radius_px=reading.half_flux_radius_px if reading else None,
                ellipticity=reading.ellipticity if reading else None,
                ellipticity_angle_deg=reading.ellipticity_angle_deg if reading else None,
                sky_e_per_s=reading.sky_e / (row.exposure_s or 1.0) if reading else None,
                transparency=verdict.transparency if verdict else None,
                verdict="keep" if kept else "drop",
                weight=verdict.weight if verdict and kept else 0.0,
                causes=tuple(causes),
                **photometry_of(places.get(row.id)),
            )
        )
    return JudgeReport(subs=tuple(judged), notes=tuple(notes))


def arcsec_per_px(ws: Workspace, row: FrameRow) -> float | None:
    """Image scale of a sub from its header, else from its rig; None if neither tells."""
    header = header_of_row(row)
    rig = ws.settings.rig_named(row.rig)
    pixel = header.pixel_um or (rig.camera.pixel_um * header.binning[0] if rig and rig.camera.pixel_um else None)
    focal = (rig.telescope.focal_length_mm if rig else None) or header.focal_length_mm
    return ARCSEC_PER_RADIAN * pixel * 1e-3 / focal if pixel and focal else None
