"""How deep the campaign is: limits from its masters, what more time brings, what comes next, and when it will be enough."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt

from nightfold.depth.ahead.stage import forecast, goal_of, next_goal, not_begun
from nightfold.depth.blank import blank_sky
from nightfold.depth.boxes import BoxNoise, box_at, box_noise
from nightfold.depth.core import LIMIT_BOX_ARCSEC, Noise, Subs, gain_of_next_hour, hours_to, limit_rate
from nightfold.depth.falling.stage import noise_fall, write_crops
from nightfold.depth.goals import Wanted, faintness_warning, goal_words, wanted_of
from nightfold.depth.kept.stage import keep_measured
from nightfold.depth.nearest import best_rows
from nightfold.depth.records import Crop, DepthReport, FilterDepth, NightDepth
from nightfold.errors import FoldError, NightfoldError, SettingsError
from nightfold.fold.look import middle
from nightfold.fold.masters import Master, MasterSummary, SubRow, read_master
from nightfold.judge.photometry.core import surface_mag
from nightfold.judge.photometry.stage import FilterZeroPoint, filter_zero_point, promised_zero_point, zero_points
from nightfold.judge.stage import arcsec_per_px
from nightfold.ledger.records import FrameRow, GridRow, MasterRow
from nightfold.ledger.workspace import Workspace
from nightfold.measure.records import Reading
from nightfold.measure.stage import load_readings
from nightfold.settings.models import Goal

MUCH_LARGER = 1.5
"""Times the area that all subs cover, beyond which that of nearly all weight is looked at (our choice)."""
FLOOR_SIGMAS = 3.0
FLOOR_TELLS = 0.3
"""Share of the noise variance that a floor must hold to be called reached: two more years could gain no more than 1.8 times."""
CROP_PX = 512


@dataclass(frozen=True, slots=True)
class _Look:
    """A master that was opened and looked at: its blank sky, its scale, its subs."""

    row: MasterRow
    master: Master
    patch: npt.NDArray[np.float32]
    corner: tuple[int, int]
    blank: npt.NDArray[np.bool_]
    arcsec_px: float
    frames: list[FrameRow]
    subs: Subs
    sky_e_per_s_arcsec2: float | None

    def noise(self, box_arcsec: float) -> BoxNoise | None:
        """Of boxes of blank sky."""
        return box_noise(self.patch, self.blank, box_arcsec / self.arcsec_px)


def depth(ws: Workspace, *, day: date, target: str | None = None, crops: bool = False) -> DepthReport:
    """How deep every master is, and what is still to be done from the evening of `day`.

    With `crops` the middle of each master is written from a quarter, half and all of its subs, to judge by eye.
    """
    names = sorted({t.name for t in ws.settings.target} | {m.target for m in ws.ledger.masters()})
    if target is not None and target not in names:
        raise SettingsError("no target has this name", seen=target, allowed=", ".join(names) or "none yet")
    masters = [m for m in ws.ledger.masters(target=target) if m.target]
    if not masters:
        raise FoldError("there is no master to look at", next_step="fold first: nightfold fold")
    zero_points(ws)
    notes: list[str] = []
    rows: list[FilterDepth] = []
    latest: dict[int, datetime | None] = {}
    written: list[Crop] = []
    for master in sorted(masters, key=lambda m: (m.target, m.panel or 0, m.filter, m.rigs)):
        try:
            look = look_at_master(ws, master)
            rows.append(_of_master(ws, look, notes))
            latest[id(rows[-1])] = max((r.start for r in look.frames if r.start is not None), default=None)
            if crops:
                written += write_crops(ws, master, look.frames, _crop_box(ws, look))
        except NightfoldError as error:
            notes.append(f"{master.target}, {master.filter}: {error.line}")
    keep_measured(ws, [(row, latest[id(row)]) for row in best_rows(rows)])
    rows += not_begun(ws, rows, target)
    ahead = forecast(ws, rows, day, notes)
    return DepthReport(
        filters=tuple(rows),
        next=next_goal(rows),
        forecast=ahead,
        crops=tuple(written),
        notes=tuple(dict.fromkeys(notes)),
    )


def _crop_box(ws: Workspace, look: _Look) -> tuple[int, int, int, int]:
    """The middle of a master, or the surroundings of the spot that its goal names."""
    height, width = look.master.document.image.shape
    goal = goal_of(ws, look.row.target, look.row.panel, look.row.filter)
    x, y = goal.spot_px if goal is not None and goal.spot_px is not None else (0.5 * width, 0.5 * height)
    w, h = min(CROP_PX, width), min(CROP_PX, height)
    x0, y0 = int(np.clip(x - 0.5 * w, 0, width - w)), int(np.clip(y - 0.5 * h, 0, height - h))
    return x0, y0, x0 + w - 1, y0 + h - 1


# -- one master ------------------------------------------------------------------------------------------------------


def _of_master(ws: Workspace, look: _Look, notes: list[str]) -> FilterDepth:
    row = look.row
    name = f"{row.target}, {row.filter}"
    goal = goal_of(ws, row.target, row.panel, row.filter)
    scale = filter_zero_point(ws, of_level_rig(look.frames, ws.ledger.grid(row.target, row.panel)))
    box = goal.box_arcsec if goal is not None else LIMIT_BOX_ARCSEC
    limit_noise, own_noise = look.noise(LIMIT_BOX_ARCSEC), look.noise(box)
    if limit_noise is None or own_noise is None:
        notes.append(f"{name}: too little blank sky to measure its noise on")
    fall = noise_fall(ws, row, look.frames, look.blank, look.corner, LIMIT_BOX_ARCSEC / look.arcsec_px)
    notes += fall.notes
    share = fall.floor_share if fall.floor_share is not None and fall.floor_sigmas >= FLOOR_SIGMAS else 0.0
    information = float(look.subs.information.sum())
    promised = None
    if scale is None and goal is not None:
        promised = promised_zero_point(ws, row.rigs[0] if row.rigs else None, row.filter)
    wanted = _wanted(ws, goal, look, scale or promised)
    if promised is not None and wanted is not None and wanted.rate_e_per_s_arcsec2 is not None and wanted.by_scale:
        notes.append(f"{name}: no zero point from stars; SNR is reckoned from the rig's own numbers, good to some 30 %")
    if wanted is not None and wanted.lacks:
        notes.append(f"{name}: SNR not known: {wanted.lacks}")
    noise, signal = None, None
    if own_noise is not None:
        area = (own_noise.box_px**2) ** 2
        exposure = look.subs.effective_exposure_s if wanted is None or wanted.photons else float("inf")
        noise = Noise(
            variance=own_noise.sigma**2 * area,
            floor_variance=share * own_noise.sigma**2 * area,
            information=information,
            effective_exposure_s=exposure,
        )
        if wanted is not None and wanted.rate_e_per_s_arcsec2 is not None:
            signal = wanted.rate_e_per_s_arcsec2 * box**2
    if wanted is not None:
        warning = (
            faintness_warning(name, wanted.rate_e_per_s_arcsec2, look.sky_e_per_s_arcsec2) if wanted.photons else None
        )
        notes += [warning] if warning else []
    snr = noise.snr(signal) if noise is not None and signal is not None else None
    exposure_s = float(look.subs.exposure_s.sum())
    per_hour = look.subs.information_per_hour
    left, share_left = _left(goal, noise, signal, snr, per_hour, exposure_s)
    if goal is not None and snr is not None and left is None:
        notes.append(f"{name}: the goal lies below a floor that more time does not lower")
    limit = None
    if limit_noise is not None:
        limit = limit_rate(limit_noise.sigma, limit_noise.box_px, look.arcsec_px)
    return FilterDepth(
        target=row.target,
        panel=row.panel,
        filter=row.filter,
        rigs=row.rigs,
        subs=len(look.frames),
        exposure_s=exposure_s,
        snr=snr,
        snr_goal=goal.snr if goal is not None and goal.hours is None else None,
        limit_mag_arcsec2=_mag(limit, scale),
        limit_rayleigh=_rayleigh(limit, scale),
        snr_gain_next_hour=None if noise is None else gain_of_next_hour(noise, signal, per_hour),
        hours_to_goal=left,
        goal=None if goal is None else goal_words(goal),
        box_arcsec=box,
        limit_e_per_s_arcsec2=limit,
        limit_uncertainty_mag=None
        if limit_noise is None or scale is None
        else float(np.hypot(1.0857 * limit_noise.error / limit_noise.sigma, scale.zero_point.uncertainty_mag)),
        zero_point_mag=None if scale is None else scale.zero_point.mag,
        zero_point_uncertainty_mag=None if scale is None else scale.zero_point.uncertainty_mag,
        noise_fall=fall.points,
        floor_share=fall.floor_share,
        floor_reached=None if fall.floor_share is None else share >= FLOOR_TELLS,
        share_left=share_left,
        nights=_by_night(look, noise, signal, limit, share, scale),
    )


def of_level_rig(frames: Sequence[FrameRow], grid: GridRow | None) -> list[FrameRow]:
    """The subs whose rig gives a master its level: the grid's rig, or the first where that is not among them.

    A master of several rigs is brought to one rig's star fluxes; another rig's zero point does not hold for it.
    """
    rigs = list(dict.fromkeys(f.rig for f in frames))
    if len(rigs) < 2:
        return list(frames)
    base = grid.rig if grid is not None and grid.rig in rigs else rigs[0]
    return [f for f in frames if f.rig == base]


def look_at_master(ws: Workspace, row: MasterRow) -> _Look:
    """A master with its blank sky found and its subs looked up."""
    if not row.path.exists():
        raise FoldError(f"{row.path.name} is gone", next_step="fold the filter again")
    master = read_master(row.path)
    image = master.document.image
    summary = master.document.summary
    x0, y0, x1, y1 = middle(box_to_look_at(summary, image.shape))
    patch = image[y0 : y1 + 1, x0 : x1 + 1]
    blank = blank_sky(patch, summary.exposure_s)
    used = [s for s in master.document.subs if s.weight > 0.0]
    frames, subs, sky = _subs(ws, row, used)
    grid = ws.ledger.grid(row.target, row.panel)
    scale = _grid_scale(ws, grid)
    if scale is None:
        raise FoldError("the scale of its grid is not known", next_step="give pixel_um and focal_length_mm of the rig")
    return _Look(row, master, patch, (x0, y0), blank, scale, frames, subs, sky)


def box_to_look_at(summary: MasterSummary, shape: tuple[int, ...]) -> tuple[int, int, int, int]:
    """Where all subs lie, or nearly all weight where that is much larger.

    A few short subs at another angle leave little that all cover, and that lies in the middle, where the nebula is: its
    structure would pass for noise.
    """
    common, cut = summary.common_box_px, summary.cut_box_px
    if common is not None and (cut is None or _area(cut) < MUCH_LARGER * _area(common)):
        return common
    return cut or (0, 0, shape[1] - 1, shape[0] - 1)


def _area(box: tuple[int, int, int, int]) -> int:
    return (box[2] - box[0] + 1) * (box[3] - box[1] + 1)


def _grid_scale(ws: Workspace, grid: GridRow | None) -> float | None:
    """Arcsec a pixel of a grid, as solved, else as its reference's rig says."""
    if grid is None:
        return None
    if grid.wcs:
        cd = np.array([[grid.wcs["CD1_1"], grid.wcs["CD1_2"]], [grid.wcs["CD2_1"], grid.wcs["CD2_2"]]], np.float64)
        return float(3600.0 * np.sqrt(abs(np.linalg.det(cd))))
    return arcsec_per_px(ws, ws.ledger.frames(ids=[grid.reference_frame_id])[0])


def _subs(ws: Workspace, row: MasterRow, used: Sequence[SubRow]) -> tuple[list[FrameRow], Subs, float | None]:
    """The ledger's rows of a master's subs, their numbers, and the median sky at SCALE 1 a square arcsecond."""
    by_hash: dict[str, FrameRow] = {
        r.sha256: r for r in ws.ledger.frames(kind="sub", target=row.target, filter=row.filter) if r.sha256 is not None
    }
    known = [(by_hash[s.sha256], s) for s in used if s.sha256 in by_hash]
    readings: dict[int, Reading] = load_readings(ws, [r for r, _ in known])
    known = [(r, s) for r, s in known if r.id in readings and s.scale > 0.0]
    if not known:
        raise FoldError("none of its subs is known any more", next_step="take the subs in, then fold again")
    exposure = np.array([r.exposure_s or 1.0 for r, _ in known])
    scale = np.array([s.scale for _, s in known])
    per_grid = np.array([1.0 / s.transform.scale if s.transform is not None else 1.0 for _, s in known])
    noise = np.array([readings[r.id].noise_e for r, _ in known])
    sky = []
    for (r, s), t in zip(known, exposure):
        px = arcsec_per_px(ws, r)
        if px and np.isfinite(readings[r.id].sky_e):
            sky.append(max(readings[r.id].sky_e, 0.0) / t / s.scale / px**2)
    subs = Subs(
        exposure_s=exposure,
        scale=scale,
        sigma=noise / exposure / scale * per_grid,
        weight=np.array([s.weight for _, s in known]),
    )
    return [r for r, _ in known], subs, float(np.median(sky)) if sky else None


def _wanted(ws: Workspace, goal: Goal | None, look: _Look, scale: FilterZeroPoint | None) -> Wanted | None:
    if goal is None:
        return None
    like = None
    if goal.like_master is not None:
        path = Path(goal.like_master)
        like = _noise_of_file(path if path.is_absolute() else ws.folder / path, goal.box_arcsec, look.arcsec_px)
    spot = None
    if goal.spot_px is not None:
        box_px = goal.box_arcsec / look.arcsec_px
        level = box_at(look.master.document.image, (goal.spot_px[0], goal.spot_px[1]), box_px)
        values = look.patch[look.blank]
        if np.isfinite(level) and values.size:
            spot = (level - float(np.median(values))) / look.arcsec_px**2
    return wanted_of(
        goal,
        zero_point_mag=None if scale is None else scale.zero_point.mag,
        rayleigh_e_per_s_arcsec2=None if scale is None else scale.rayleigh_e_per_s_arcsec2,
        like_sigma_e_per_s_arcsec2=like,
        spot_e_per_s_arcsec2=spot,
    )


def _noise_of_file(path: Path, box_arcsec: float, arcsec_px: float) -> float | None:
    """Noise of a box's mean in another master of ours, a square arcsecond; None where it cannot be measured."""
    try:
        other = read_master(path)
    except NightfoldError:
        return None
    if other.wcs is not None:
        arcsec_px = float(3600.0 * np.sqrt(abs(np.linalg.det(other.wcs.pixel_scale_matrix))))
    image = other.document.image
    box = other.document.summary.common_box_px or (0, 0, image.shape[1] - 1, image.shape[0] - 1)
    x0, y0, x1, y1 = middle(box)
    patch = image[y0 : y1 + 1, x0 : x1 + 1]
    found = box_noise(patch, blank_sky(patch, other.document.summary.exposure_s), box_arcsec / arcsec_px)
    return None if found is None else found.sigma / arcsec_px**2


def _left(
    goal: Goal | None, noise: Noise | None, signal: float | None, snr: float | None, per_hour: float, exposure_s: float
) -> tuple[float | None, float | None]:
    """Hours to the goal, and the share of its work that is left."""
    if goal is None:
        return None, None
    if goal.hours is not None:
        left = max(0.0, goal.hours - exposure_s / 3600.0)
        return left, left / goal.hours
    if noise is None or signal is None or snr is None:
        return None, None
    return hours_to(noise, signal, goal.snr, per_hour), max(0.0, 1.0 - (snr / goal.snr) ** 2)


def _by_night(
    look: _Look,
    noise: Noise | None,
    signal: float | None,
    limit: float | None,
    share: float,
    scale: FilterZeroPoint | None,
) -> tuple[NightDepth, ...]:
    """Each night alone and all up to it, from the master's measured noise and each night's part of the information."""
    nights: dict[str | None, list[int]] = defaultdict(list)
    for i, frame in enumerate(look.frames):
        nights[frame.night.isoformat() if frame.night else None].append(i)
    total = float(look.subs.information.sum())
    so_far, seconds = 0.0, 0.0
    found = []
    for night in sorted(nights, key=lambda n: n or ""):
        own = look.subs.take(np.array(nights[night]))
        here = float(own.information.sum())
        so_far += here
        seconds += float(own.exposure_s.sum())

        def at(information: float) -> float | None:
            return None if limit is None else limit * float(np.sqrt((1.0 - share) * total / information + share))

        def snr(information: float) -> float | None:
            return None if noise is None or signal is None else noise.snr(signal, information)

        found.append(
            NightDepth(
                night=night,
                subs=len(own.exposure_s),
                exposure_s=float(own.exposure_s.sum()),
                snr=snr(here),
                limit_mag_arcsec2=_mag(at(here), scale),
                limit_rayleigh=_rayleigh(at(here), scale),
                cumulative_exposure_s=seconds,
                cumulative_snr=snr(so_far),
                cumulative_limit_mag_arcsec2=_mag(at(so_far), scale),
                cumulative_limit_rayleigh=_rayleigh(at(so_far), scale),
            )
        )
    return tuple(found)


def _mag(rate: float | None, scale: FilterZeroPoint | None) -> float | None:
    return None if rate is None or scale is None else surface_mag(rate, scale.zero_point.mag)


def _rayleigh(rate: float | None, scale: FilterZeroPoint | None) -> float | None:
    if rate is None or scale is None or scale.rayleigh_e_per_s_arcsec2 is None:
        return None
    return rate / scale.rayleigh_e_per_s_arcsec2
