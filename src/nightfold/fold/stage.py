"""Folds a campaign's kept subs into masters: one per target, panel, filter and rig, all of a target on one grid."""

from __future__ import annotations

import shutil
import sys
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from nightfold.align.fit import best_affine
from nightfold.align.places.stage import solve_subs
from nightfold.align.records import Transform
from nightfold.align.stage import Placed, place_subs, placed_of
from nightfold.calibrate.records import Calibration
from nightfold.calibrate.stage import CalibrationRoom
from nightfold.engine.core import allow_open_files
from nightfold.errors import FoldError, FrameError, NightfoldError
from nightfold.fold.boxes import CUT_SHARE, common_box, largest_box
from nightfold.fold.core import fold_subs
from nightfold.fold.elsewhere import FoldElsewhere
from nightfold.fold.finer import drizzle_fold, write_drizzled
from nightfold.fold.look import coarser, look_at, middle
from nightfold.fold.masters import MasterDocument, MasterSummary, SubRow, write_master
from nightfold.fold.moving_sky import cards_of, moving_sky
from nightfold.fold.normalise import (
    SkyPoints,
    ideal_noise,
    measure_noise_e_per_s,
    noise_over_ideal,
    solve_skies,
    weights_inverse_variance,
)
from nightfold.fold.records import FoldOptions, FoldResult, FoldSub
from nightfold.fold.rig_levels import RigStars, rig_levels
from nightfold.fold.statistics import RULES
from nightfold.frames.identity import hash_file
from nightfold.frames.pixels import PixelSource, open_pixels
from nightfold.intake.stage import header_of_row
from nightfold.judge.stage import is_kept, judge_all
from nightfold.ledger.records import FrameRow, GridRow, VerdictRow
from nightfold.ledger.workspace import Workspace
from nightfold.measure.blank import blank_noise_e, blank_sky_e
from nightfold.measure.records import Reading
from nightfold.measure.stage import load_readings, measure_subs

Plane = npt.NDArray[np.float32]

MOST_SKY_CELLS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterReport:
    """One master as the fold's document holds it."""

    target: str
    panel: int | None
    filter: str
    rigs: tuple[str, ...]
    file: str
    subs_used: int
    subs_dropped: int
    exposure_s: float
    width_px: int
    height_px: int
    common_box_px: tuple[int, int, int, int] | None
    cut_box_px: tuple[int, int, int, int] | None
    noise_e_per_s: float
    noise_over_ideal: float
    registration_rms_px: float
    fwhm_px: float
    rejected_fraction: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FoldReport:
    """All masters of a fold."""

    masters: tuple[MasterReport, ...]
    seconds: float
    peak_memory_bytes: int
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FoldRequest:
    """What to fold and how; the names are the command's options."""

    target: str | None = None
    filter: str | None = None
    rig: str | None = None
    out: Path | None = None
    reference: str | None = None
    new_grid: bool = False
    combine_rigs: bool = False
    statistic: str = "weighted-mean"
    give_up: float = 0.0015
    drizzle: float | None = None


@dataclass(frozen=True, slots=True)
class _Member:
    """A kept sub with everything that its fold needs."""

    row: FrameRow
    reading: Reading
    placed: Placed
    verdict: VerdictRow
    calibration: Calibration
    level: float = 1.0  # of its rig against the rig that sets the master's level

    @property
    def exposure_s(self) -> float:
        return self.row.exposure_s or 1.0

    @property
    def scale(self) -> float:
        return (self.verdict.scale or 1.0) * self.level

    @property
    def sky_e_per_s(self) -> float:
        """Of blank sky."""
        return blank_sky_e(self.reading.sky, self.reading.sky_e) / self.exposure_s

    @property
    def blank_variance(self) -> float:
        """Variance of a blank raw pixel's rate."""
        return (blank_noise_e(self.reading, self.calibration, self.exposure_s) / self.exposure_s) ** 2

    @property
    def per_grid_pixel(self) -> float:
        """Sub pixels that one grid pixel holds."""
        return 1.0 / self.placed.transform.scale**2


def fold(ws: Workspace, request: FoldRequest) -> FoldReport:
    """Fold every group of subs that the request names; groups that cannot be folded are told and the rest goes on."""
    began = time.perf_counter()
    _check(request)
    before = ws.ledger.masters() if request.new_grid else []
    measured = measure_subs(ws)
    place_subs(ws, reference=_reference(ws, request.reference), new_grid=request.new_grid)
    solve_subs(ws)
    judge_all(ws)
    groups = _groups(ws, request)
    if not groups:
        raise FoldError(
            "there is nothing to fold",
            seen=f"target {request.target or 'any'}, filter {request.filter or 'any'}, rig {request.rig or 'any'}",
            allowed="; ".join(sorted({f"{r.target} {r.filter} ({r.rig})" for r in ws.ledger.frames(kind="sub")}))
            or "subs that were taken in",
        )
    room = CalibrationRoom(ws, in_files=True)
    masters: list[MasterReport] = []
    notes = list(measured.notes)
    problems: list[str] = []
    for rows in groups:
        try:
            masters.append(_fold_group(ws, request, rows, room, notes))
        except (FoldError, FrameError) as error:
            problems.append(error.line)
        finally:
            shutil.rmtree(ws.scratch_folder, ignore_errors=True)
    if not masters:
        raise FoldError(
            "nothing could be folded", seen="; ".join(problems), next_step="look at the verdicts: nightfold judge"
        )
    notes += _left_over(ws, [m.path for m in before])
    return FoldReport(
        masters=tuple(masters),
        seconds=time.perf_counter() - began,
        peak_memory_bytes=peak_memory_bytes(),
        notes=tuple(dict.fromkeys([*notes, *problems])),
    )


def _left_over(ws: Workspace, before: Sequence[Path]) -> list[str]:
    """Files of masters that a new grid has put out of use: told, not removed."""
    in_use = {m.path for m in ws.ledger.masters()}
    left = sorted({str(path) for path in before if path not in in_use and path.exists()})
    if not left:
        return []
    return [f"Masters on the grid before are out of use and still on the disk: {', '.join(left)}"]


def _check(request: FoldRequest) -> None:
    names = ["weighted-mean", *RULES]
    if request.statistic not in names:
        raise FoldError("unknown statistic", seen=request.statistic, allowed=", ".join(names))
    if not 0.0 <= request.give_up <= 0.05:
        raise FoldError(
            "the share of good samples to give up is impossible", seen=f"{request.give_up}", allowed="0 to 0.05"
        )
    if request.drizzle is not None and not 0.3 <= request.drizzle <= 1.0:
        raise FoldError("the drops of a drizzle are impossible", seen=f"{request.drizzle}", allowed="0.3 to 1 pixel")


def _reference(ws: Workspace, name: str | None) -> FrameRow | None:
    if name is None:
        return None
    found = [r for r in ws.ledger.frames_by_name([name])[name] if r.kind == "sub"]
    if len(found) != 1:
        raise FoldError(
            "the reference is not one sub of this campaign",
            seen=f"{name}: {len(found)} subs",
            allowed="the path or name of one sub",
        )
    return found[0]


def _groups(ws: Workspace, request: FoldRequest) -> list[list[FrameRow]]:
    groups: dict[tuple[Any, ...], list[FrameRow]] = defaultdict(list)
    combine = request.combine_rigs or ws.settings.combine_rigs
    for row in ws.ledger.frames(kind="sub", target=request.target, filter=request.filter, rig=request.rig):
        groups[(row.target, row.panel, row.filter, None if combine else row.rig)].append(row)
    wave = {f.name: f.centre_nm or 0.0 for r in ws.settings.rig for f in r.filter}
    return [
        groups[k]
        for k in sorted(groups, key=lambda k: (str(k[0]), k[1] or 0, wave.get(str(k[2]), 0.0), str(k[2]), str(k[3])))
    ]


def _fold_group(
    ws: Workspace, request: FoldRequest, rows: list[FrameRow], room: CalibrationRoom, notes: list[str]
) -> MasterReport:
    first = rows[0]
    name = f"{first.target}, {first.filter}"
    if any(header_of_row(r).cfa for r in rows):
        raise FoldError(
            f"{name}: frames of a colour-filter camera are taken in and judged; their fold comes with a later version"
        )
    grid = ws.ledger.grid(first.target or "", first.panel)
    if grid is None:
        raise FoldError(
            f"{name}: no sub has stars enough to set a grid",
            seen=f"{len(rows)} subs",
            allowed="one with 6 stars or more",
        )
    members, rejected = _members(ws, rows, grid, room)
    if not members:
        raise FoldError(
            f"{name}: every sub is dropped",
            seen=f"{len(rows)} subs",
            next_step="see why with nightfold judge; keep FILE overrules",
        )
    with ExitStack() as stack:
        ready = _ready(ws, name, members, stack, notes)
        options = FoldOptions(
            share_given_up=request.give_up,
            memory_bytes=ws.memory_bytes,
            workers=ws.workers if ws.cluster is None else ws.cluster.most_threads,
            statistic=request.statistic,
        )
        elsewhere = None
        if ws.cluster is not None:
            folder = ws.handing_folder()
            stack.callback(shutil.rmtree, folder, ignore_errors=True)
            elsewhere = FoldElsewhere(ws.cluster, folder, ready.files, ws.cancelled)
        label = f"Folding {first.filter}" + (f" of {first.rig}" if first.rig else "")
        result = fold_subs(
            ready.subs,
            (grid.height_px, grid.width_px),
            options,
            progress=_Labelled(ws, label),
            cancelled=ws.cancelled,
            elsewhere=elsewhere,
        )
        drizzled = drizzle_fold(ready.subs, result, options, drop=request.drizzle) if request.drizzle else None
    document = _document(
        ws, grid, first, ready.members, rejected, result, ready.weights, ready.sigmas, request, ready.lost
    )
    document = replace(document, facts=cards_of(moving_sky([s.sky for s in ready.subs], ready.weights)))
    path = _path(ws, request, document.summary)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_master(path, document, spend=drizzled is None)
    if drizzled is not None:
        notes.append(f"Drizzled: {write_drizzled(path, drizzled, document.summary)}")
    summary = document.summary
    ws.ledger.save_master(
        target=summary.target,
        panel=summary.panel,
        filter=summary.filter,
        rigs=summary.rigs,
        grid_id=grid.id,
        path=path.absolute(),
        sha256=hash_file(path),
        document=summary.as_json(str(path)),
    )
    return MasterReport(**{**summary.as_json(str(path)), **_plain(summary), "file": str(path)})


@dataclass(frozen=True, slots=True)
class ReadySubs:
    """The kept subs of a group, open and brought to one level, in one order; `sigmas` are of blank sky at SCALE 1.

    `files` are those that hold the pixels, unpacked where they were packed, by the subs' names.
    """

    members: list[_Member]
    subs: list[FoldSub]
    weights: npt.NDArray[np.float64]
    sigmas: npt.NDArray[np.float64]
    lost: list[str]
    files: dict[str, Path]

    @property
    def rows(self) -> list[FrameRow]:
        """The ledger's rows of the subs."""
        return [m.row for m in self.members]


def _ready(ws: Workspace, what: str, members: list[_Member], stack: ExitStack, notes: list[str]) -> ReadySubs:
    """Open the members and bring them to one level; `stack` closes them again."""
    opened, lost = _open(ws, members, stack, notes)
    if not opened:
        raise FoldError(f"{what}: no sub can be read", seen="; ".join(lost))
    variances = np.array([m.blank_variance * m.per_grid_pixel for m, _ in opened])
    scales = np.array([m.scale for m, _ in opened])
    widths = np.array([m.reading.fwhm_px * m.placed.transform.scale for m, _ in opened])
    weights = weights_inverse_variance(scales, variances, fwhm_px=widths if ws.settings.sharp_weights else None)
    skies = solve_skies([_sky_points(m) for m, _ in opened], weights)
    subs = [
        FoldSub(
            name=f"{m.row.name} {m.row.fingerprint}",  # names alone may repeat from night to night
            read_box=source.read_box,
            read_stored=source.read_stored if source.is_plain_unsigned16 else None,
            shape=(m.row.height_px, m.row.width_px),
            calibration=m.calibration,
            transform=m.placed.transform,
            exposure_s=m.exposure_s,
            scale=m.scale,
            sky=sky,
            sky_e_per_s=m.sky_e_per_s,
            fwhm_px=m.reading.fwhm_px * m.placed.transform.scale,
            weight=float(w),
        )
        for (m, source), sky, w in zip(opened, skies, weights)
    ]
    files = {s.name: source.file.absolute() for s, (_, source) in zip(subs, opened)}
    return ReadySubs([m for m, _ in opened], subs, weights, np.sqrt(variances) / scales, lost, files)


@contextmanager
def ready_subs(ws: Workspace, rows: list[FrameRow], grid: GridRow, room: CalibrationRoom) -> Iterator[ReadySubs]:
    """The kept subs among `rows`, ready to be folded in whole or in part while the block lasts."""
    members, _ = _members(ws, rows, grid, room)
    what = f"{rows[0].target}, {rows[0].filter}" if rows else "no subs"
    if not members:
        raise FoldError(f"{what}: every sub is dropped", seen=f"{len(rows)} subs")
    try:
        with ExitStack() as stack:
            yield _ready(ws, what, members, stack, [])
    finally:
        shutil.rmtree(ws.scratch_folder, ignore_errors=True)


def _plain(summary: MasterSummary) -> dict[str, Any]:
    return {name: getattr(summary, name) for name in MasterSummary.__dataclass_fields__}


def _members(
    ws: Workspace, rows: list[FrameRow], grid: GridRow, room: CalibrationRoom
) -> tuple[list[_Member], list[tuple[FrameRow, Placed | None, VerdictRow | None]]]:
    """The subs to fold, and those offered and dropped."""
    placements = ws.ledger.placements(grid.id)
    verdicts, decisions = ws.ledger.verdicts(), ws.ledger.decisions()
    readings = load_readings(ws, rows)
    kept: list[_Member] = []
    dropped: list[tuple[FrameRow, Placed | None, VerdictRow | None]] = []
    for row in rows:
        placement = placements.get(row.id)
        placed = placed_of(placement) if placement is not None and placement.found else None
        verdict = verdicts.get(row.id)
        decision = decisions.get(row.id)
        wanted = is_kept(verdict, decision.verdict if decision else None)
        if wanted and placed is not None and verdict is not None and verdict.scale and row.id in readings:
            kept.append(_Member(row, readings[row.id], placed, verdict, room.of(row.id).calibration))
        else:
            dropped.append((row, placed, verdict))
    return _on_one_level(ws, kept, grid), dropped


def _on_one_level(ws: Workspace, members: list[_Member], grid: GridRow) -> list[_Member]:
    """The members with their rigs' levels against that of the grid's rig, or of the first where that is not among them."""
    rigs = list(dict.fromkeys(m.row.rig or "" for m in members))
    if len(rigs) < 2:
        return members
    base = grid.rig if grid.rig in rigs else rigs[0]
    levels = rig_levels([_stars_of(ws, m) for m in members], base or "")
    return [replace(m, level=levels[m.row.rig or ""]) for m in members]


def _stars_of(ws: Workspace, member: _Member) -> RigStars:
    stars = member.reading.stars
    clean = stars.take(stars.flags == 0)
    rig = ws.settings.rig_named(member.row.rig)
    band = rig.filter_named(member.row.filter or "") if rig else None
    return RigStars(
        rig=member.row.rig or "",
        xy=member.placed.transform.apply(clean.xy),
        rate=clean.flux_e / member.exposure_s,
        error=clean.flux_error_e / member.exposure_s,
        scale=member.verdict.scale or 1.0,
        fwhm_px=member.reading.fwhm_px * member.placed.transform.scale,
        width_nm=band.width_nm if band else None,
    )


def _open(
    ws: Workspace, members: list[_Member], stack: ExitStack, notes: list[str]
) -> tuple[list[tuple[_Member, PixelSource]], list[str]]:
    """Members with their pixels open; raws that are gone or broken since are told and left out."""
    allow_open_files(len(members))
    packed = [m for m in members if m.row.path.suffix.lower() in (".gz", ".fz")]
    if packed:
        ws.scratch_folder.mkdir(parents=True, exist_ok=True)
        ws.progress.say(
            f"Unpacking {len(packed)} compressed raws into {ws.scratch_folder}; they are removed when the fold is done."
        )
    opened: list[tuple[_Member, PixelSource]] = []
    lost: list[str] = []
    for member in members:
        try:
            source = stack.enter_context(open_pixels(member.row.path, scratch_dir=ws.scratch_folder))
        except (FrameError, OSError) as error:
            reason = error.line if isinstance(error, NightfoldError) else f"{member.row.path}: {error}"
            lost.append(reason)
            notes.append(f"Left out: {reason}")
            continue
        opened.append((member, source))
    return opened, lost


def _sky_points(member: _Member) -> SkyPoints:
    """The sky cells of a sub on the grid, electrons per second and grid pixel over the sub's scale."""
    mesh = coarser(member.reading.sky, MOST_SKY_CELLS)
    x, y = np.meshgrid(mesh.x_px, mesh.y_px)
    there = member.placed.transform.apply(np.column_stack([x.ravel(), y.ravel()]))
    factor = member.per_grid_pixel / (member.exposure_s * member.scale)
    # A cell's level is a robust mean of its pixels: its error is the pixel noise over the root of their number.
    cell_px = max(1.0, float(member.row.width_px * member.row.height_px) / max(1, mesh.level_e.size))
    sigma = mesh.sigma_e.ravel() * factor / np.sqrt(cell_px / 2.0)
    return SkyPoints(there[:, 0], there[:, 1], mesh.level_e.ravel() * factor, sigma)


@dataclass(slots=True)
class _Labelled:
    """Names the fold's own steps for the person."""

    ws: Workspace
    label: str

    def start(self, total: int, _what: str = "", unit: str = "tiles") -> None:
        self.ws.progress.start(total, self.label, unit)

    def advance(self, n: int = 1) -> None:
        self.ws.progress.advance(n)

    def finish(self) -> None:
        self.ws.progress.finish()

    def say(self, text: str) -> None:
        self.ws.progress.say(text)


def _document(
    ws: Workspace,
    grid: GridRow,
    first: FrameRow,
    used: Sequence[_Member],
    dropped: Sequence[tuple[FrameRow, Placed | None, VerdictRow | None]],
    result: FoldResult,
    weights: npt.NDArray[np.float64],
    sigmas: npt.NDArray[np.float64],
    request: FoldRequest,
    lost: Sequence[str],
) -> MasterDocument:
    exposure_s = float(sum(m.exposure_s for m in used))
    box = common_box(result.coverage, len(used))
    # Sharpness and noise are told from the middle of the common box: four million pixels know both to a thousandth.
    window = middle(box or (0, 0, grid.width_px - 1, grid.height_px - 1))
    x0, y0, x1, y1 = window
    patch = result.image[y0 : y1 + 1, x0 : x1 + 1]
    reading, sources = look_at(patch, exposure_s)
    noise = float("nan") if box is None else measure_noise_e_per_s(patch, (0, 0, x1 - x0, y1 - y0), sources)
    subs = [
        SubRow(
            file=m.row.name,
            sha256=m.row.sha256 or "",
            weight=float(w),
            scale=m.scale,
            transform=m.placed.transform,
            verdict="keep",
            best_affine=_affine(m.placed.transform, (m.row.height_px, m.row.width_px)),
        )
        for m, w in zip(used, weights)
    ]
    levels = {m.row.rig: m.level for m in used}
    subs += [
        SubRow(
            file=row.name,
            sha256=row.sha256 or "",
            weight=0.0,
            scale=(verdict.scale * levels.get(row.rig, 1.0) if verdict and verdict.scale else float("nan")),
            transform=placed.transform if placed else None,
            verdict="drop",
            best_affine=_affine(placed.transform, (row.height_px, row.width_px)) if placed else None,
        )
        for row, placed, verdict in dropped
    ]
    over_ideal = noise_over_ideal(
        noise, weights=weights, sigmas_at_scale_1=sigmas, kernel_rms=np.sqrt(result.kernel_noise)
    )
    if not all(m.calibration.noise_known for m in used):
        over_ideal = float("nan")  # without gain and zero there is no ideal to compare with
    summary = MasterSummary(
        target=first.target or "",
        panel=first.panel,
        filter=first.filter or "",
        rigs=tuple(sorted({m.row.rig or "" for m in used})),
        subs_used=len(used),
        subs_dropped=len(dropped) + len(lost),
        exposure_s=exposure_s,
        width_px=grid.width_px,
        height_px=grid.height_px,
        common_box_px=box,
        cut_box_px=largest_box(result.well_covered(CUT_SHARE)),
        noise_e_per_s=noise,
        noise_over_ideal=over_ideal,
        registration_rms_px=_rms([m.placed.residual_rms_px for m in used if m.placed.model != "reference"]),
        fwhm_px=reading.fwhm_px if reading is not None else float("nan"),
        rejected_fraction=result.rejected_fraction,
    )
    history = (
        f"folded by nightfold {_version()}: {request.statistic}, share of good samples given up {request.give_up:g}",
        "Lanczos-3 resampling at exact phases; scale from stars; one common sky, a low-order surface per sub",
        f"ideal noise of these subs {ideal_noise(sigmas):.6g} electron/s",
        *[f"calibration: {note}" for note in dict.fromkeys(n for m in used for n in m.calibration.notes)],
    )
    cards = None
    if grid.wcs:
        from astropy.io import fits

        cards = fits.Header(list(grid.wcs.items()))
    return MasterDocument(
        image=result.image,
        variance=result.variance,
        coverage=result.coverage,
        rejected=result.rejected,
        subs=tuple(subs),
        summary=summary,
        wcs_cards=cards,
        history=history,
    )


def _affine(transform: Transform, shape: tuple[int, int]) -> npt.NDArray[np.float64] | None:
    """The best affine of a transform with distortion, for the SUBS table; None where its matrix is all of it."""
    return None if transform.distortion is None else best_affine(transform, shape)


def _version() -> str:
    from importlib.metadata import version

    return version("nightfold")


def _rms(values: Sequence[float]) -> float:
    finite = [v for v in values if np.isfinite(v)]
    return float(np.sqrt(np.mean(np.square(finite)))) if finite else float("nan")


def _path(ws: Workspace, request: FoldRequest, summary: MasterSummary) -> Path:
    folder = request.out or ws.masters_folder
    parts = [summary.target, f"panel{summary.panel}" if summary.panel else "", summary.filter, *summary.rigs]
    name = "_".join(_safe(p) for p in parts if p)
    return folder.absolute() / f"{name}.fits"


def _safe(text: str) -> str:
    return "".join(c if c.isalnum() or c in "-+." else "-" for c in text).strip("-.") or "x"


def peak_memory_bytes() -> int:
    """Largest resident size of this process so far; 0 where the system does not tell."""
    if sys.platform == "win32":
        return 0
    import resource

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return int(peak if sys.platform == "darwin" else peak * 1024)
