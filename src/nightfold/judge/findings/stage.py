"""Looks at all subs together for what no single one tells, writes it into the ledger as dated findings."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from nightfold.calibrate.stage import CalibrationRoom
from nightfold.errors import NightfoldError
from nightfold.frames.pixels import read_all
from nightfold.intake.stage import header_of_row
from nightfold.judge.evidence import robust_fit
from nightfold.judge.facts.stage import Group, arcsec_per_px
from nightfold.judge.findings import folder
from nightfold.judge.findings.comparing import Choice, NightFigure, compare_nights, sharper_or_deeper
from nightfold.judge.findings.creep import STREAK_LIMIT, Creep, creep_of, streak_ratio
from nightfold.judge.findings.halos import HALO_STAR_G, bright_places, gap_mm, ring_around
from nightfold.judge.findings.misfit import (
    CORNER_FLOOR,
    MOST_SUBS,
    Misfit,
    camera_fixed,
    flat_misfit,
    glow_left,
    moved_dust,
    stuck_places,
    unturned_noise,
)
from nightfold.judge.findings.two_layers import camera_corner, fit_two_layers
from nightfold.judge.records import SubFacts, Verdict
from nightfold.judge.value import weight_of
from nightfold.ledger.records import FindingRow
from nightfold.ledger.workspace import Workspace
from nightfold.measure.records import SkyMesh
from nightfold.sky.airmass import airmass_from_true_altitude, altitude_azimuth_deg

FloatArray = npt.NDArray[np.float64]

CALIBRATION, CREEP, STREAKS, HALO, BRIGHT_STAR, FOLDER, CLOCK, EXTINCTION = (
    "calibration-misfit", "creep", "streaks", "halo", "bright-star", "folder", "clock", "extinction",
)  # fmt: skip
NIGHTS, SHARPER = "nights-compared", "sharper-or-deeper"
FINDING_KINDS = (CLOCK, FOLDER, CALIBRATION, CREEP, STREAKS, HALO, BRIGHT_STAR, EXTINCTION)
"""Kinds that are told in sentences, in the order in which they are told."""

STUCK_LIMIT = 25
"""Fewer hot pixels left than this are what rejection is for."""
GLOW_FLOOR = 0.01


@dataclass(frozen=True, slots=True)
class JudgedGroup:
    """A group with the verdicts on its subs, in order."""

    group: Group
    verdicts: list[Verdict]

    def kept(self) -> list[SubFacts]:
        """Facts of the subs that are kept by their verdict."""
        return [f for f, v in zip(self.group.facts, self.verdicts) if v.keep]


def find_all(ws: Workspace, judged: Sequence[JudgedGroup]) -> None:
    """Look for everything anew and put it in place of what was found before."""
    found: dict[str, list[FindingRow]] = {kind: [] for kind in (*FINDING_KINDS, NIGHTS, SHARPER)}
    for row in (
        *_creep(judged),
        *_calibration(ws, judged),
        *_compared(judged),
        *_folder(ws, judged),
        *_clock(ws, judged),
        *_extinction(ws, judged),
        *_bright_stars(ws, judged),
        *_masters(ws, judged),
    ):
        found[row.kind].append(row)
    for kind, rows in found.items():
        ws.ledger.replace_findings(kind, rows)


def _finding(
    kind: str,
    text: str,
    *,
    group: Group | None = None,
    night: str | None = None,
    value: float | None = None,
    **keys: Any,
) -> FindingRow:
    document: dict[str, Any] = {"text": text, "value": value}
    return FindingRow(
        kind=kind,
        rig=keys.get("rig", group.rig if group else None),
        target=keys.get("target", group.target if group else None),
        panel=group.panel if group else None,
        filter=keys.get("filter", group.filter if group else None),
        night=date.fromisoformat(night) if night else None,
        document=document,
    )


# -- creep ------------------------------------------------------------------------------------------------------------


def _runs(
    judged: Sequence[JudgedGroup],
) -> dict[tuple[str | None, str | None, str | None], list[tuple[SubFacts, FloatArray]]]:
    """Places of frame centres on the grid, in the rig's own pixels, by target, rig and night, in order of time."""
    runs: dict[tuple[str | None, str | None, str | None], list[tuple[SubFacts, FloatArray]]] = defaultdict(list)
    for one in judged:
        g = one.group
        for row, fact in zip(g.rows, g.facts):
            placed = g.placed.get(row.id)
            if placed is not None and np.isfinite(fact.start_s):
                middle = np.array([[0.5 * (row.width_px - 1), 0.5 * (row.height_px - 1)]])
                at = placed.transform.apply(middle)[0] / placed.transform.scale
                runs[(g.target, g.rig, fact.night)].append((fact, at))
    return {key: sorted(own, key=lambda pair: pair[0].start_s) for key, own in runs.items()}


def _creep(judged: Sequence[JudgedGroup]) -> Iterable[FindingRow]:
    for (target, rig, night), run in _runs(judged).items():
        for piece in _unbroken(run):
            creep = creep_of(np.array([at for _, at in piece]))
            if creep is None or not (creep.steady or creep.still):
                continue
            text = creep_words(creep, rig)
            yield _finding(CREEP, text, night=night, value=creep.step_px, rig=rig, target=target, filter=None)
            break


def creep_words(creep: Creep, rig: str | None) -> str:
    """A drift in one sentence."""
    who = f"{rig}: " if rig else ""
    if creep.still:
        return (
            f"{who}{creep.subs} subs lie within {creep.random_px:.1f} px of each other: what the sensor adds adds up; dither ≥ 8 px at "
            "random"
        )
    return (
        f"{who}{creep.step_px:.1f} px a sub in one direction over {creep.subs} subs, {creep.random_px:.1f} px at random: streaks will "
        "follow; dither ≥ 8 px at random"
    )


def _unbroken(run: Sequence[tuple[SubFacts, FloatArray]]) -> Iterable[list[tuple[SubFacts, FloatArray]]]:
    """Stretches without a pause of half an hour or a jump of more than 40 px, such as a flip or a new slew."""
    piece: list[tuple[SubFacts, FloatArray]] = []
    for fact, at in run:
        if piece:
            last, before = piece[-1]
            if fact.start_s - last.start_s > 1800.0 + last.exposure_s or float(np.hypot(*(at - before))) > 40.0:
                yield piece
                piece = []
        piece.append((fact, at))
    if piece:
        yield piece


# -- calibration ------------------------------------------------------------------------------------------------------


def _calibration(ws: Workspace, judged: Sequence[JudgedGroup]) -> Iterable[FindingRow]:
    room = CalibrationRoom(ws)
    for one in judged:
        g = one.group
        by_key: dict[str, list[int]] = defaultdict(list)
        for f in one.kept():
            if f.frame_id in g.meshes:
                by_key[room.key_of(f.frame_id)].append(f.frame_id)
        for ids in by_key.values():
            yield from _of_one_calibration(ws, room, g, ids)


def _of_one_calibration(ws: Workspace, room: CalibrationRoom, g: Group, ids: list[int]) -> Iterable[FindingRow]:
    """The flat's shape, dust, glow and hot pixels in subs that share one calibration."""
    if len(ids) < 5:
        return
    facts = {f.frame_id: f for f in g.facts}
    night = facts[ids[0]].night
    offsets = np.array([g.placed[i].transform.matrix[:, 2] if i in g.placed else (np.nan, np.nan) for i in ids])
    sides = np.array([abs(g.placed[i].transform.rotation_deg) > 90.0 if i in g.placed else False for i in ids])
    one_side = sides == (np.count_nonzero(sides) > 0.5 * len(ids))
    known = one_side & np.isfinite(offsets).all(axis=1)
    stuck = stuck_places([g.sharp_xy[i] for i, ok in zip(ids, known) if ok], offsets[known])
    if stuck is not None and stuck[0] > STUCK_LIMIT:
        text = f"{stuck[0]} hot pixels stay at their place while the sky moved by {stuck[1]:.0f} px: the dark does not fit ({g.rig}, {g.filter})"
        yield _finding(CALIBRATION, text, group=g, night=night, value=float(stuck[0]))
    meshes = [g.meshes[i] for i in ids]
    shape = meshes[0].level_e.shape
    if any(m.level_e.shape != shape for m in meshes):
        return
    levels = np.stack([m.level_e for m in meshes])
    flat = _kept_flat(ws, room, ids[0], meshes[0])
    if flat is not None:
        misfit = _of_the_camera(g, ids, levels, flat)
        if misfit is not None:
            yield _finding(
                CALIBRATION, f"{g.rig}, {g.filter}: {misfit.sentence()}", group=g, night=night, value=misfit.corner
            )
    if np.count_nonzero(sides) >= 3 and np.count_nonzero(~sides) >= 3:
        yield from _camera_fixed(g, night, levels, sides, flat)


def _of_the_camera(g: Group, ids: list[int], levels: FloatArray, flat: FloatArray) -> Misfit | None:
    """The flat's shape that is left in these subs' skies, where it is sure that it stays with the camera."""
    alone = flat_misfit(levels, flat)
    placed = np.array([i in g.placed for i in ids])
    # A sky without any bowl needs no second look; a flat that errs just as a nebula shines is not thought of.
    if alone is None or not placed.any() or abs(alone.corner) < CORNER_FLOOR:
        return None
    facts = {f.frame_id: f for f in g.facts}
    mine = [i for i, ok in zip(ids, placed) if ok]
    mine = mine[:: -(-len(mine) // MOST_SUBS)]
    mesh = g.meshes[mine[0]]
    x, y = np.meshgrid(mesh.x_px, mesh.y_px)
    cells = np.column_stack([x.ravel(), y.ravel()])
    place = np.stack([g.placed[i].transform.apply(cells).reshape(*x.shape, 2) for i in mine])
    nights = {n: k for k, n in enumerate(sorted({str(facts[i].night) for i in mine}))}
    layers = fit_two_layers(
        np.stack([g.meshes[i].level_e for i in mine]),
        flat,
        place,
        np.array([facts[i].scale for i in mine]),
        start_s=np.array([facts[i].start_s for i in mine]),
        stretch=np.array(
            [2 * nights[str(facts[i].night)] + int(abs(g.placed[i].transform.rotation_deg) > 90.0) for i in mine]
        ),
    )
    shape = 1.0 / flat - 1.0
    corner = float(np.nanmean([shape[0, 0], shape[0, -1], shape[-1, 0], shape[-1, -1]]))
    sure = camera_corner(alone, layers, corner)
    return None if sure is None else replace(alone, corner=sure[0], error=sure[1])


def _camera_fixed(
    g: Group, night: str | None, levels: FloatArray, sides: npt.NDArray[np.bool_], flat: FloatArray | None
) -> Iterable[FindingRow]:
    """What both sides of the pier share, which the sky cannot make: dust that moved, glow."""
    one, other = (_mean_residual(levels[sides == side], flat) for side in (False, True))
    fixed = camera_fixed(one, other)
    for dust in moved_dust(fixed, noise=unturned_noise(one, other))[:2]:
        text = (
            f"{g.rig}, {g.filter}: dust moved since the flat: a dark spot of {100 * dust.depth:.1f} % and a bright one "
            f"{dust.apart_cells:.0f} cells of the sky mesh apart; new flats mend it"
        )
        yield _finding(CALIBRATION, text, group=g, night=night, value=dust.depth)
    where, excess, sigma = glow_left(fixed)
    if excess > GLOW_FLOOR and sigma > 6.0:
        text = f"{g.rig}, {g.filter}: {100 * excess:.1f} % of the sky's light too much at the {where}: glow that the dark left, or a light leak"
        yield _finding(CALIBRATION, text, group=g, night=night, value=excess)


def _mean_residual(levels: FloatArray, flat: FloatArray | None) -> FloatArray:
    """Median over subs of a mesh less its plane and its share of the flat's shape, over the level.

    The fit is robust: the halo of a bright star in the middle, which both sides of the pier show at one place, must not bend it.
    """
    ny, nx = levels.shape[1:]
    v, u = (a.ravel() for a in np.meshgrid(np.linspace(-1, 1, ny), np.linspace(-1, 1, nx), indexing="ij"))
    columns = [np.ones(ny * nx), u, v]
    if flat is not None:
        columns.append((1.0 / flat - 1.0).ravel())
    design = np.column_stack(columns)
    rest = []
    for level in levels[:: -(-len(levels) // MOST_SUBS)]:
        y = level.ravel() / np.nanmedian(level)
        good = np.isfinite(y)
        solution, _ = robust_fit(design[good], y[good])
        rest.append(np.where(good, y - design @ solution, 0.0).reshape(ny, nx))
    return np.asarray(np.median(rest, axis=0))


def _kept_flat(ws: Workspace, room: CalibrationRoom, frame_id: int, mesh: SkyMesh) -> FloatArray | None:
    """The flat at the mesh's cells; kept by its calibration, since loading a full-size flat takes seconds."""
    key = f"flat-on-mesh-{room.key_of(frame_id)[:24]}-{mesh.level_e.shape[0]}x{mesh.level_e.shape[1]}"
    kept = ws.ledger.kept_setting(key)
    if kept is None:
        flat = _flat_on_mesh(room, frame_id, mesh)
        kept = [] if flat is None else np.round(flat, 5).tolist()
        ws.ledger.keep_setting(key, kept)
    return np.array(kept, np.float64) if kept else None


def _flat_on_mesh(room: CalibrationRoom, frame_id: int, mesh: SkyMesh) -> FloatArray | None:
    """The flat at the mesh's cells, 1 in its middle; None without a flat."""
    try:
        flat = room.flat_of(frame_id)
    except NightfoldError:
        return None
    if flat is None or len(mesh.x_px) < 4 or len(mesh.y_px) < 4:
        return None
    half_x, half_y = (max(1, int(0.5 * abs(a[1] - a[0]))) for a in (mesh.x_px, mesh.y_px))
    columns = np.clip(mesh.x_px.astype(np.int64)[:, None] + np.arange(-half_x, half_x + 1, 4), 0, flat.shape[1] - 1)
    out = np.empty((len(mesh.y_px), len(mesh.x_px)))
    for j, y in enumerate(mesh.y_px):
        rows = np.asarray(flat[max(0, int(y) - half_y) : int(y) + half_y + 1 : 4], np.float32)
        out[j] = _medians(rows[:, columns].transpose(1, 0, 2).reshape(len(columns), -1))
    ny, nx = out.shape
    return out / float(np.nanmedian(out[ny // 3 : -(ny // 3), nx // 3 : -(nx // 3)]))


def _medians(values: npt.NDArray[np.float32]) -> FloatArray:
    """Median of the finite values of each row; NaN for none. The library's own goes row by row where a NaN may be."""
    ordered = np.sort(values, axis=1)  # NaN last
    count = np.isfinite(ordered).sum(axis=1)
    low, high = (
        np.take_along_axis(ordered, np.maximum(k, 0)[:, None], axis=1)[:, 0] for k in ((count - 1) // 2, count // 2)
    )
    return np.where(count > 0, 0.5 * (low.astype(np.float64) + high), np.nan)


# -- nights -----------------------------------------------------------------------------------------------------------


def _compared(judged: Sequence[JudgedGroup]) -> Iterable[FindingRow]:
    for one in judged:
        g, kept = one.group, one.kept()
        p = weight_of(
            scale=[f.scale for f in kept], exposure_s=[f.exposure_s for f in kept], noise_e=[f.noise_e for f in kept]
        )
        axis = np.array([f.long_axis_px for f in kept])
        good = np.isfinite(p) & (p > 0) & np.isfinite(axis)
        if not good.any():
            continue
        kept = [f for f, ok in zip(kept, good) if ok]
        p, axis = p[good], axis[good]
        named: dict[str, Any] = {"target": g.target, "rig": g.rig, "filter": g.filter}
        exposure = np.array([f.exposure_s for f in kept])
        for name, subs, hours, share, fwhm, snr, width in compare_nights([f.night for f in kept], exposure, p, axis):
            figure = NightFigure(
                **named, night=name, subs=subs, hours=hours, share=share, fwhm_px=_known(fwhm), snr_without=_known(snr),
                fwhm_without=_known(width),
            )  # fmt: skip
            yield _document(NIGHTS, g, name, asdict(figure))
        if len(kept) >= 3:
            for share, subs, snr, width in sharper_or_deeper(p, axis):
                choice = Choice(**named, kept_share=share, subs=subs, snr_relative=snr, fwhm_px=width)
                yield _document(SHARPER, g, None, asdict(choice))


def _document(kind: str, g: Group, night: str | None, document: dict[str, Any]) -> FindingRow:
    return FindingRow(
        kind=kind, rig=g.rig, target=g.target, panel=g.panel, filter=g.filter, night=date.fromisoformat(night) if night else None,
        document=document,
    )  # fmt: skip


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


# -- the folder and the clock -----------------------------------------------------------------------------------------


def _folder(ws: Workspace, judged: Sequence[JudgedGroup]) -> Iterable[FindingRow]:
    by_target: dict[str | None, list[SubFacts]] = defaultdict(list)
    for one in judged:
        by_target[one.group.target] += one.group.facts
    for target, facts in by_target.items():
        field = _field_deg(ws, judged, target)
        elsewhere = folder.two_targets(facts, field_deg=field) if field else []
        for group in elsewhere:
            text = (
                f"{group.subs} subs of {target or 'this campaign'} point {group.degrees:.1f}° away from the rest, at RA {group.ra_deg:.2f}°, "
                f"Dec {group.dec_deg:+.2f}°: two targets in one folder; name each as a [[target]] with its place"
            )
            yield _finding(FOLDER, text, target=target, value=float(group.subs))
        alone = folder.unplaced_with_stars(facts) - sum(e.subs for e in elsewhere)
        if alone >= 3:
            text = f"{alone} subs of {target or 'this campaign'} with plenty of stars match no other: another target or field among them?"
            yield _finding(FOLDER, text, target=target, value=float(alone))
    names = {row.id: row.name for one in judged for row in one.group.rows}
    pairs = folder.overlapping_exposures([f for one in judged for f in one.group.facts])
    if pairs:
        a, b = pairs[0]
        text = (
            f"{len(pairs)} pair{'s' if len(pairs) > 1 else ''} of subs of one rig overlap in time, {names[a]} and {names[b]} first: copies of "
            "one exposure that were changed, or a clock that jumped; drop one of each"
        )
        yield _finding(FOLDER, text, value=float(len(pairs)))


def _field_deg(ws: Workspace, judged: Sequence[JudgedGroup], target: str | None) -> float | None:
    """Diagonal of the largest frame of a target, degrees."""
    sizes = []
    for one in judged:
        if one.group.target == target and one.group.rows:
            row = one.group.rows[0]
            scale = arcsec_per_px(ws, row)
            if scale:
                sizes.append(float(np.hypot(row.width_px, row.height_px)) * scale / 3600.0)
    return max(sizes, default=None)


def _clock(ws: Workspace, judged: Sequence[JudgedGroup]) -> Iterable[FindingRow]:
    site = ws.settings.site
    day = folder.in_daylight([f for one in judged for f in one.group.facts])
    if day:
        text = (
            f"{len(day)} subs full of stars are dated when the Sun stood at {day[0].sun_altitude_deg:+.0f}°: the clock, its time zone or the "
            "site's longitude is wrong"
        )
        yield _finding(CLOCK, text, night=day[0].night, value=float(len(day)))
    if site is None:
        return
    by_night: dict[tuple[str | None, str | None], list[tuple[Any, float, float, float]]] = defaultdict(list)
    for one in judged:
        for row, fact in zip(one.group.rows, one.group.facts):
            header = header_of_row(row)
            if header.airmass and row.start and header.ra_deg is not None and header.dec_deg is not None:
                middle = row.start + timedelta(seconds=0.5 * (row.exposure_s or 0.0))
                by_night[(row.rig, fact.night)].append((middle, header.airmass, header.ra_deg, header.dec_deg))
    shifts = [-2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0]
    for (rig, night), seen in by_night.items():
        table = []
        for shift in shifts:
            times = [t + timedelta(hours=shift) for t, *_ in seen]
            altitude, _ = altitude_azimuth_deg(
                seen[0][2], seen[0][3], latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg, elevation_m=site.elevation_m, times=times
            )  # fmt: skip
            table.append(airmass_from_true_altitude(altitude).tolist())
        off = folder.clock_off_h(shifts, [s[1] for s in seen], table)
        if off is not None:
            text = (
                f"{rig or 'the rig'}: the headers' own air masses fit the times only if {abs(off):g} h are {'added' if off > 0 else 'taken off'}: "
                "the clock or its time zone is off"
            )
            yield _finding(CLOCK, text, night=night, value=off, rig=rig)


def _extinction(ws: Workspace, judged: Sequence[JudgedGroup]) -> Iterable[FindingRow]:
    site = ws.settings.site
    told = site.extinction_mag if site else 0.2
    for one in judged:
        g = one.group
        if abs(g.extinction_mag - told) > 3.0 * g.extinction_error_mag and abs(g.extinction_mag - told) > 0.03:
            text = (
                f"{g.rig}, {g.filter}: the air takes {g.extinction_mag:.2f} ± {g.extinction_error_mag:.2f} mag per air mass (the site is said "
                f"to take {told:.2f} in V); transparency is reckoned with it"
            )
            yield _finding(EXTINCTION, text, group=g, value=g.extinction_mag)


# -- bright stars and masters -----------------------------------------------------------------------------------------


def _bright_stars(ws: Workspace, judged: Sequence[JudgedGroup]) -> Iterable[FindingRow]:
    """Stars of the field that will show reflections, from the catalogue."""
    from nightfold.align.catalogue import load_catalogue

    for target in ws.settings.target:
        field = _field_deg(ws, judged, target.name)
        if field is None or target.ra_deg is None or target.dec_deg is None:
            continue
        reach = round(0.5 * field + 0.1, 2)
        # Reading the whole list takes a second: what it says of a place is kept.
        key = f"brightest-star-{target.ra_deg:.3f}-{target.dec_deg:.3f}-{reach:g}"
        star = ws.ledger.kept_setting(key)
        if star is None:
            try:
                near = load_catalogue().near(target.ra_deg, target.dec_deg, reach)
            except NightfoldError:
                return
            star = [float(near.ra_deg[0]), float(near.dec_deg[0]), float(near.g[0])] if len(near) else []
            ws.ledger.keep_setting(key, star)
        if star and star[2] < HALO_STAR_G:
            apart = folder.apart_deg(star[0], star[1], target.ra_deg, target.dec_deg)
            text = (
                f"{target.name}: a star of G {star[2]:.1f} stands {apart:.2f}° from the middle: expect halos around it and a ghost across "
                "from it"
            )
            yield _finding(BRIGHT_STAR, text, target=target.name, value=star[2])


def _masters(ws: Workspace, judged: Sequence[JudgedGroup]) -> Iterable[FindingRow]:
    """Rings around bright stars and streaks along the drift, in the latest masters; unchanged masters are not read again."""
    angles = _drift_angles(judged)
    done: dict[str, Any] = ws.ledger.kept_setting(_LOOKED) or {}
    looked: dict[str, Any] = {}
    for master in ws.ledger.masters():
        if master.sha256 not in done:
            done[master.sha256] = _look(
                ws, master.path, master.rigs, angles.get(master.rigs[0]) if master.rigs else None
            )
        looked[master.sha256] = done[master.sha256]
        for kind, text, value in looked[master.sha256]:
            yield _finding(kind, f"{master.path.name}: {text}", target=master.target, filter=master.filter, value=value)
    ws.ledger.keep_setting(_LOOKED, looked)


_LOOKED = "masters-looked-at"


def _drift_angles(judged: Sequence[JudgedGroup]) -> dict[str, float]:
    """Direction of each rig's strongest steady drift on the grid."""
    found: dict[str, tuple[float, float]] = {}
    for (_, rig, _), run in _runs(judged).items():
        for piece in _unbroken(run):
            creep = creep_of(np.array([at for _, at in piece]))
            if creep is not None and creep.steady and rig and creep.step_px > found.get(rig, (0.0, 0.0))[0]:
                found[rig] = (creep.step_px, creep.angle_deg)
    return {rig: angle for rig, (_, angle) in found.items()}


def _look(ws: Workspace, path: Path, rigs: tuple[str, ...], angle_deg: float | None) -> list[tuple[str, str, float]]:
    try:
        image, _ = read_all(path)
    except (NightfoldError, OSError):
        return []
    found: list[tuple[str, str, float]] = []
    rig = ws.settings.rig_named(rigs[0]) if rigs else None
    plane = np.asarray(image, np.float32)
    pixel = rig.camera.pixel_um if rig else None
    aperture = rig.telescope.aperture_mm if rig else None
    focal = rig.telescope.focal_length_mm if rig else None
    for x, y in bright_places(plane, most=3):
        ring = ring_around(plane, x, y, fwhm_px=4.0, most_px=0.25 * min(*plane.shape, 1600))
        if ring is None:
            continue
        text = f"a ring of {ring.diameter_px:.0f} px around the bright star at ({x:.0f}, {y:.0f})"
        if pixel and aperture and focal:
            gap = gap_mm(ring.diameter_px, pixel_um=pixel, focal_ratio=focal / aperture)
            text += f": two surfaces {gap:.1f} mm apart in air ({1.5 * gap:.1f} mm in glass)"
        found.append((HALO, text, ring.diameter_px))
        break
    if angle_deg is not None:
        ratio = streak_ratio(_middle_of(plane), angle_deg)
        if np.isfinite(ratio) and ratio > STREAK_LIMIT:
            text = f"noise across the drift is {ratio:.2f} times that along it: streaks along {angle_deg:.0f}°"
            found.append((STREAKS, text, ratio))
    return found


def _middle_of(plane: npt.NDArray[np.floating], size_px: int = 1200) -> npt.NDArray[np.floating]:
    """The middle part, large enough to tell noise by its direction."""
    height, width = plane.shape
    y, x = max(0, (height - size_px) // 2), max(0, (width - size_px) // 2)
    return plane[y : y + size_px, x : x + size_px]
