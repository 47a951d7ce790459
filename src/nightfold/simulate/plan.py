"""From a plan to a folder of raw frames with the truth beside them."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable, Mapping
from concurrent.futures import FIRST_EXCEPTION, ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from nightfold.errors import SettingsError
from nightfold.simulate.cards import Card, camera_cards, write_frame
from nightfold.simulate.frames import render_bias, render_dark, render_flat, render_sub, sky_to_pixel
from nightfold.simulate.mount import Mount, carried
from nightfold.simulate.nebula import shell_nebula
from nightfold.simulate.place import moonlight_mag_arcsec2, place_of
from nightfold.simulate.plan_file import CalibrationRun, Fault, Night, PlanRig, Run, SimulationPlan, read_plan, start_of
from nightfold.simulate.rig import SimRig
from nightfold.simulate.scene import Scene, random_scene
from nightfold.simulate.truth import Conditions, SubTruth, Trail

PLAN_COPY = "plan.json"
TRUTH = "truth.json"
TRUTH_ARRAYS = "truth.npz"
STARS = "stars.ecsv"
_ARRAYS = ("star_index", "star_xy", "star_flux_e", "cosmic_xy", "cosmic_e")


class Progress(Protocol):
    """Where the work tells how far it is."""

    def start(self, total: int, what: str, unit: str = "") -> None:
        """Begin `total` steps."""

    def advance(self, n: int = 1) -> None:
        """`n` more are done."""

    def finish(self) -> None:
        """All are done."""


class Cancel(Protocol):
    """A request to stop."""

    def check(self, what: str) -> None:
        """Raise if somebody asked."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedCampaign:
    """What was made: the frames, and the truth (JSON, with its long arrays in an `.npz` beside it)."""

    folder: Path
    files: tuple[Path, ...]
    truth: Path

    def subs(self) -> dict[str, SubTruth]:
        """The truth of each sub by its path within the folder."""
        return load_truth(self.truth)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    """One file to make."""

    path: str
    kind: str
    rig: SimRig
    seed: int
    start: datetime
    exposure_s: float
    sensor_c: float
    cards: Mapping[str, Card]
    conditions: Conditions | None = None
    calibration: CalibrationRun | None = None


def scene_of(plan: SimulationPlan) -> Scene:
    """The sky of a plan."""
    nebula = None
    if plan.scene.nebula is not None:
        wanted = plan.scene.nebula
        nebula = shell_nebula(
            seed=wanted.seed,
            extent_arcsec=60.0 * wanted.extent_arcmin,
            radius_arcsec=60.0 * wanted.radius_arcmin,
            peak_rayleigh={str(k): v for k, v in wanted.peak_rayleigh.items()},
            texels=wanted.texels,
            centre_arcsec=(60.0 * wanted.centre_arcmin[0], 60.0 * wanted.centre_arcmin[1]),
        )
    return random_scene(
        plan.seed,
        ra_deg=plan.scene.ra_deg,
        dec_deg=plan.scene.dec_deg,
        size_arcmin=plan.scene.size_arcmin,
        faintest_g=plan.scene.faintest_g,
        stars_per_deg2_to_10=plan.scene.stars_per_deg2_to_10,
        catalogue=plan.scene.catalogue,
        nebula=nebula,
    )


def simulate_plan(
    plan: Path | str | Mapping[str, Any],
    out_dir: Path | str,
    *,
    progress: Progress | None = None,
    cancelled: Cancel | None = None,
    workers: int | None = None,
) -> SimulatedCampaign:
    """Make the frames of a plan in `out_dir`, the same ones for any number of `workers`.

    A folder that holds frames of another plan is refused; one left by an interrupted run of this plan is completed.
    """
    checked = read_plan(plan)
    out = Path(out_dir)
    frames = [*_subs(checked), *_calibration(checked)]
    _claim(out, checked)
    scene = scene_of(checked)
    truths: dict[str, SubTruth] = {}

    def make(frame: _Frame) -> None:
        if cancelled is not None:
            cancelled.check("simulating frames")
        pixels, truth = _render(frame, scene)
        write_frame(out / frame.path, pixels, frame.cards)
        if truth is not None:
            truths[frame.path] = truth
        if progress is not None:
            progress.advance()

    if progress is not None:
        progress.start(len(frames), "simulating frames", "frame")
    try:
        _in_threads(make, frames, workers or min(8, os.cpu_count() or 1))
    finally:
        if progress is not None:
            progress.finish()
    _write_truth(out, checked, frames, truths)
    _write_stars(out, checked, scene)
    return SimulatedCampaign(folder=out, files=tuple(out / f.path for f in frames), truth=out / TRUTH)


def load_truth(path: Path | str) -> dict[str, SubTruth]:
    """The truth of each sub by its path within the folder, from the JSON file that `simulate_plan` wrote."""
    path = Path(path)
    document = json.loads(path.read_text(encoding="utf-8"))
    with np.load(path.with_name(TRUTH_ARRAYS)) as arrays:
        return {
            name: SubTruth.from_summary(frame["truth"], {a: arrays[f"{frame['index']}_{a}"] for a in _ARRAYS})
            for name, frame in document["frames"].items()
            if "truth" in frame
        }


def _in_threads(work: Callable[[_Frame], None], frames: list[_Frame], workers: int) -> None:
    with ThreadPoolExecutor(workers, thread_name_prefix="simulate") as pool:
        jobs = [pool.submit(work, frame) for frame in frames]
        done, waiting = wait(jobs, return_when=FIRST_EXCEPTION)
        for job in waiting:
            job.cancel()
        for job in done:
            job.result()


def _claim(out: Path, plan: SimulationPlan) -> None:
    """Make the folder ours: it is empty, or was begun with the same plan."""
    text = plan.model_dump_json(indent=1)
    copy = out / PLAN_COPY
    out.mkdir(parents=True, exist_ok=True)
    same = copy.is_file() and copy.read_text(encoding="utf-8") == text
    if not same and any(out.rglob("*.fits")):
        raise SettingsError(
            f"{out} holds frames already, of another plan", next_step="name an empty folder; nothing was overwritten"
        )
    _write_text(copy, text)


def _write_text(path: Path, text: str) -> None:
    unfinished = path.with_name(path.name + ".unfinished")
    unfinished.write_text(text, encoding="utf-8")
    os.replace(unfinished, path)


def _write_truth(out: Path, plan: SimulationPlan, frames: list[_Frame], truths: dict[str, SubTruth]) -> None:
    document: dict[str, Any] = {
        "plan": plan.name,
        "tangent_point": {"ra_deg": plan.scene.ra_deg, "dec_deg": plan.scene.dec_deg},
        "frames": {},
    }
    arrays: dict[str, npt.NDArray[Any]] = {}
    for index, frame in enumerate(frames):
        entry: dict[str, Any] = {"index": index, "kind": frame.kind, "rig": frame.rig.name, "seed": frame.seed}
        if frame.path in truths:
            truth = truths[frame.path]
            entry["truth"] = truth.summary()
            arrays.update({f"{index}_{name}": getattr(truth, name) for name in _ARRAYS})
        document["frames"][frame.path] = entry
    unfinished = out / ("unfinished-" + TRUTH_ARRAYS)  # numpy adds .npz to any other ending
    np.savez(unfinished, **arrays)  # type: ignore[arg-type]
    os.replace(unfinished, out / TRUTH_ARRAYS)
    _write_text(out / TRUTH, json.dumps(document, indent=1))


def _write_stars(out: Path, plan: SimulationPlan, scene: Scene) -> None:
    """The scene's stars as a table with the Gaia archive's column names (ECSV), as a catalogue of this invented sky."""
    ra, dec = scene.ra_dec_deg
    order = np.argsort(scene.g_mag, kind="stable")
    radius = 0.5 * math.hypot(*plan.scene.size_arcmin) / 60.0
    names = ("ra", "dec", "phot_g_mean_mag", "phot_bp_mean_mag", "phot_rp_mean_mag")
    head = [
        "%ECSV 1.0",
        "---",
        "datatype:",
        *[f"- {{name: {name}, datatype: float64}}" for name in names],
        f"meta: {{ra_deg: {plan.scene.ra_deg}, dec_deg: {plan.scene.dec_deg}, radius_deg: {radius:.4f}}}",
        "schema: astropy-2.0",
    ]
    columns = np.column_stack([ra, dec, scene.g_mag, scene.bp_mag, scene.rp_mag])[order]
    rows = [f"{a:.7f} {b:.7f} {g:.4f} {bp:.4f} {rp:.4f}" for a, b, g, bp, rp in columns]
    _write_text(out / STARS, "\n".join([*(f"# {line}" for line in head), " ".join(names), *rows]) + "\n")


def _render(frame: _Frame, scene: Scene) -> tuple[npt.NDArray[np.uint16], SubTruth | None]:
    if frame.conditions is not None:
        return render_sub(scene, frame.rig, frame.conditions, frame.seed)
    if frame.kind == "bias":
        return render_bias(frame.rig, frame.seed), None
    if frame.kind == "flat" and frame.calibration is not None and frame.calibration.filter is not None:
        return render_flat(
            frame.rig,
            frame.calibration.filter,
            frame.seed,
            exposure_s=frame.exposure_s,
            level=frame.calibration.level,
            sensor_c=frame.sensor_c,
            angle_deg=frame.calibration.position_angle_deg,
        ), None
    return render_dark(frame.rig, frame.seed, exposure_s=frame.exposure_s, sensor_c=frame.sensor_c), None


def _seed(plan: SimulationPlan, *place: int) -> int:
    return int(np.random.SeedSequence([plan.seed, *place]).generate_state(1)[0])


def _slug(text: str) -> str:
    return _safe(text.lower())


def _safe(text: str) -> str:
    return "".join(c if c.isalnum() else "-" for c in text).strip("-")


def _subs(plan: SimulationPlan) -> list[_Frame]:
    rigs = {r.name: (r, r.sim_rig()) for r in plan.rig}
    frames = []
    counts: dict[tuple[str, str], int] = {}
    for n, night in enumerate(plan.night):
        for r, run in enumerate(night.run):
            for s in range(run.subs):
                serial = counts[run.rig, run.filter] = counts.get((run.rig, run.filter), 0) + 1
                frames.append(_sub(plan, rigs[run.rig], night, run, s, _seed(plan, 1, n, r, s), serial))
    return frames


def _sub(
    plan: SimulationPlan, rigs: tuple[PlanRig, SimRig], night: Night, run: Run, number: int, seed: int, serial: int
) -> _Frame:
    rig_plan, rig = rigs
    begun = start_of(run, night, plan.site.utc_offset_h)
    start = begun + timedelta(seconds=number * (run.exposure_s + run.gap_s))
    hours = (start - begun).total_seconds() / 3600.0
    rng = np.random.default_rng([seed, 9])
    ambient_c = night.ambient_c - 0.8 * ((start.hour + start.minute / 60.0 + plan.site.utc_offset_h - 18.0) % 24.0)
    conditions, place = _conditions(plan, rig, night, run, start, hours, rng)
    if rig_plan.polar_error_arcmin is not None:
        conditions = _carried(plan, rig_plan, rig, run, conditions, begun, start, ambient_c)
    for fault in run.fault:
        if fault.sub == number + 1:
            conditions = _with_fault(conditions, fault, rig, rng)
    sensor_c = night.sensor_c + float(rng.normal(0.0, 0.05))
    cards = camera_cards(
        rig,
        kind="sub",
        start=start,
        exposure_s=run.exposure_s,
        sensor_c=sensor_c,
        set_point_c=night.sensor_c,
        utc_offset_h=plan.site.utc_offset_h,
    )
    east, north = (float(v) for v in rng.normal(0.0, 20.0, 2))  # a mount knows its pointing to some 20"
    cards |= {
        "FILTER": (run.filter, "filter"),
        "OBJECT": (plan.scene.object, "target"),
        "RA": (
            round((plan.scene.ra_deg + east / 3600.0 / math.cos(math.radians(plan.scene.dec_deg))) % 360.0, 6),
            "[deg] mount",
        ),
        "DEC": (round(plan.scene.dec_deg + north / 3600.0, 6), "[deg] mount"),
        "SITELAT": (plan.site.latitude_deg, "[deg] north positive"),
        "SITELONG": (plan.site.longitude_deg, "[deg] east positive"),
        "SITEELEV": (plan.site.elevation_m, "[m] above the sea"),
        "FOCUSPOS": (rig_plan.focuser_position + round(4.0 * (ambient_c - night.ambient_c)), "[step] focuser"),
        "FOCTEMP": (round(ambient_c, 2), "[degC] tube"),
        "PIERSIDE": ("East" if conditions.flipped else "West", "side of the pier"),
        "AIRMASS": (round(place, 4), "at mid-exposure"),
    }
    if rig_plan.rotator:
        cards["ROTATANG"] = (round(run.position_angle_deg % 360.0, 2), "[deg] rotator")
    name = f"{night.date}/{_slug(rig.name)}/{_slug(plan.scene.object)}_{_safe(run.filter)}_{run.exposure_s:g}s_{serial:04d}.fits"
    return _Frame(
        path=name,
        kind="sub",
        rig=rig,
        seed=seed,
        start=start,
        exposure_s=run.exposure_s,
        sensor_c=sensor_c,
        cards=cards,
        conditions=replace(conditions, sensor_c=sensor_c),
    )


def _conditions(
    plan: SimulationPlan, rig: SimRig, night: Night, run: Run, start: datetime, hours: float, rng: np.random.Generator
) -> tuple[Conditions, float]:
    """The night as it meets one sub, and the airmass."""
    middle = start + timedelta(seconds=run.exposure_s / 2.0)
    target = (plan.scene.ra_deg, plan.scene.dec_deg)
    at = {"latitude_deg": plan.site.latitude_deg, "longitude_deg": plan.site.longitude_deg}
    place = place_of(*target, middle, **at)
    if place.altitude_deg < 8.0:
        raise SettingsError(
            f"the plan: {plan.scene.object} is too low for the run of rig {run.rig!r} with {run.filter} on {night.date}",
            seen=f"altitude {place.altitude_deg:.1f} deg at {middle:%Y-%m-%d %H:%M} UTC",
            allowed="8 deg and more",
            next_step="move the run's start (UTC)",
        )
    extinction = plan.site.extinction_mag if night.extinction_mag is None else night.extinction_mag
    moon = moonlight_mag_arcsec2(target, middle, extinction_mag=extinction, **at) if night.moon else math.inf
    flipped = rig.flips and place.hour_angle_h > 0.1
    # The glow on the horizon stays where it is when the frame turns over with the mount.
    sign = -1.0 if flipped else 1.0
    angle = 2.0 * math.pi * rng.random()
    step = run.dither_arcsec * math.sqrt(rng.random())
    conditions = Conditions(
        filter=run.filter,
        exposure_s=run.exposure_s,
        seeing_arcsec=night.seeing_arcsec * place.airmass**0.6 * float(rng.lognormal(0.0, 0.05)),
        defocus_px=run.focus_drift_px_h * hours,
        elongation_px=0.6 * float(rng.random()),
        elongation_angle_deg=180.0 * float(rng.random()),
        airmass=place.airmass,
        extinction_mag=extinction,
        transparency=night.transparency * float(np.clip(rng.normal(0.99, 0.01), 0.95, 1.0)),
        sky_mag_arcsec2=plan.site.sky_mag_arcsec2 - 0.15 * (place.airmass - 1.0),
        moon_mag_arcsec2=moon,
        sky_gradient=(sign * night.sky_gradient[0] * place.airmass, sign * night.sky_gradient[1] * place.airmass),
        position_angle_deg=run.position_angle_deg,
        flipped=flipped,
        offset_arcsec=(
            step * math.cos(angle) + run.creep_arcsec_h[0] * hours,
            step * math.sin(angle) + run.creep_arcsec_h[1] * hours,
        ),
        zenith_angle_deg=90.0 - place.altitude_deg,
        parallactic_deg=place.parallactic_deg,
    )
    return conditions, place.airmass


def _carried(
    plan: SimulationPlan,
    rig_plan: PlanRig,
    rig: SimRig,
    run: Run,
    c: Conditions,
    begun: datetime,
    start: datetime,
    air_c: float,
) -> Conditions:
    """The conditions as the mount's axis turns and, unguided, shifts the field; dithers and creep stay as they are."""
    azimuth, altitude = rig_plan.polar_error_arcmin or (0.0, 0.0)
    mount = Mount(
        latitude_deg=plan.site.latitude_deg, longitude_deg=plan.site.longitude_deg, elevation_m=plan.site.elevation_m,
        azimuth_error_arcmin=azimuth, altitude_error_arcmin=altitude, air_c=air_c,
    )  # fmt: skip
    scene, half = (plan.scene.ra_deg, plan.scene.dec_deg), timedelta(seconds=0.5 * run.exposure_s)
    since = None if rig_plan.guided else begun
    views = [
        carried(
            mount, scene, start + n * half, angle_deg=c.position_angle_deg, offset_arcsec=c.offset_arcsec, left_alone_since=since
        )
        for n in (0, 1, 2)
    ]  # fmt: skip
    c = replace(c, position_angle_deg=views[1].position_angle_deg, offset_arcsec=views[1].offset_arcsec)
    dx, dy = sky_to_pixel(rig, c)[:, :2] @ np.subtract(views[2].offset_arcsec, views[0].offset_arcsec)
    # The spread of an even trail is its length over the root of 12, and 2.355 of it pass for a width.
    drawn = 2.355 / math.sqrt(12.0) * math.hypot(dx, dy)
    if drawn > c.elongation_px:
        c = replace(c, elongation_px=drawn, elongation_angle_deg=math.degrees(math.atan2(dy, dx)) % 180.0)
    return c


def _with_fault(c: Conditions, fault: Fault, rig: SimRig, rng: np.random.Generator) -> Conditions:
    """The conditions with something gone wrong."""
    size = fault.size
    c = replace(c, faults=(*c.faults, fault.kind))
    if fault.kind == "cloud":
        lost = min(size, 0.99)
        tilt = 0.3 * lost * (rng.random(2) - 0.5)
        return replace(
            c,
            transparency=c.transparency * (1.0 - lost),
            transparency_gradient=(float(tilt[0]), float(tilt[1])),
            sky_factor=c.sky_factor * (1.0 + 1.5 * lost),
            sky_gradient=(c.sky_gradient[0] - float(tilt[0]), c.sky_gradient[1] - float(tilt[1])),
        )
    if fault.kind == "trailing":
        return replace(c, elongation_px=size)
    if fault.kind == "focus":
        return replace(c, defocus_px=c.defocus_px + size)
    if fault.kind == "seeing":
        return replace(c, seeing_arcsec=c.seeing_arcsec * size)
    if fault.kind == "dew":
        lost = min(size, 0.95)
        return replace(
            c, transparency=c.transparency * (1.0 - lost), halo_share=lost, sky_factor=c.sky_factor * (1 - 0.5 * lost)
        )
    if fault.kind == "wrong_filter":
        names = [f.name for f in rig.filters]
        return replace(c, filter=names[(names.index(c.filter) + max(1, round(size))) % len(names)])
    if fault.kind == "dawn":
        return replace(
            c, sky_factor=c.sky_factor * size, sky_gradient=(c.sky_gradient[0] + 0.08, c.sky_gradient[1] + 0.05)
        )
    if fault.kind == "pointing":
        angle = 2.0 * math.pi * rng.random()
        off = 60.0 * size
        return replace(
            c, offset_arcsec=(c.offset_arcsec[0] + off * math.cos(angle), c.offset_arcsec[1] + off * math.sin(angle))
        )
    return replace(c, trails=(*c.trails, _trail(c, size, rig, rng)))


def _trail(c: Conditions, size: float, rig: SimRig, rng: np.random.Generator) -> Trail:
    """A trail across the whole frame, through a point in its middle part."""
    through = (0.25 + 0.5 * rng.random(2)) * (rig.width_px, rig.height_px)
    angle = math.pi * rng.random()
    reach = 3.0 * rig.half_diagonal_px
    ends = [
        (float(through[0] + sign * reach * math.cos(angle)), float(through[1] + sign * reach * math.sin(angle)))
        for sign in (-1.0, 1.0)
    ]
    sky_e = c.exposure_s * c.sky_factor * rig.sky_e_per_s(c.filter, min(c.sky_mag_arcsec2, c.moon_mag_arcsec2))
    return Trail(
        start=ends[0],
        end=ends[1],
        peak_e=size * math.sqrt(sky_e + rig.read_noise_e**2),
        fwhm_px=max(2.0, 1.2 * c.seeing_arcsec / rig.scale_arcsec_px),
        ripple=0.15,
    )


def _calibration(plan: SimulationPlan) -> list[_Frame]:
    rigs = {r.name: (r, r.sim_rig()) for r in plan.rig}
    frames = []
    counts: dict[str, int] = {}
    for n, run in enumerate(plan.calibration):
        rig_plan, rig = rigs[run.rig]
        begun = run.start.replace(tzinfo=None)
        for s in range(run.count):
            start = begun + timedelta(seconds=s * (run.exposure_s + 3.0))
            rng = np.random.default_rng([_seed(plan, 2, n, s), 9])
            sensor_c = run.sensor_c + float(rng.normal(0.0, 0.05))
            cards = camera_cards(
                rig,
                kind=run.kind,
                start=start,
                exposure_s=run.exposure_s,
                sensor_c=sensor_c,
                set_point_c=run.sensor_c,
                utc_offset_h=plan.site.utc_offset_h,
            )
            if run.filter is not None and run.kind == "flat":
                cards["FILTER"] = (run.filter, "filter")
            if rig_plan.rotator and run.kind == "flat":
                cards["ROTATANG"] = (round(run.position_angle_deg % 360.0, 2), "[deg] rotator")
            stem = (
                f"{run.kind}{'_' + _safe(run.filter) if run.kind == 'flat' and run.filter else ''}_{run.exposure_s:g}s"
            )
            folder = f"calibration/{_slug(rig.name)}/{run.kind}"
            counts[folder + stem] = counts.get(folder + stem, 0) + 1
            frames.append(
                _Frame(
                    path=f"{folder}/{stem}_{counts[folder + stem]:04d}.fits",
                    kind=run.kind,
                    rig=rig,
                    seed=_seed(plan, 2, n, s),
                    start=start,
                    exposure_s=run.exposure_s,
                    sensor_c=sensor_c,
                    cards=cards,
                    calibration=run,
                )
            )
    return frames
