"""The whole way at full size: ours stage by stage, beside a plain library pipeline on the same files, in one run.

    python benchmarks/full_size.py --work DIR [--n 24] [--baseline LIBRARY_PIPELINE.py] [--rounds 3] [--json FILE]
                                   [--turns 90 45] [--shares 0.5 0.25] [--first-run] [--width 6248 --height 4176]

Frames of 6248 x 4176 (26 megapixels, 52 MB each) are simulated once into DIR: one rig, one filter, four nights, every other
night with the camera turned over. Each stage runs in a process of its own, so that imports and loading of compiled code count:
take-in, measure (calibration and the full hash of each file included), register (placing, solving, verdicts), fold, picture as a
preview (1600 px) and whole. The baseline, any script that takes a folder of subs with --dark, --flat, --out and --json, gets
the same subs and the master dark and flat that we made. In every round the stages, the baseline and the plain sequential read
of the files follow one another; of each the round of least CPU time is told: wall and CPU seconds, peak memory, bytes that were
read by calls (`read_mb`, from cache or disk; Linux only) and from the disk (`disk_mb`). Readings, placements and verdicts are
forgotten before each round, only the calibration masters are kept.

`--turns` folds the same plan with the camera of every other night turned by so many degrees instead of 0.7, and tells the
ratio of the fold's times. `--shares` runs frames of these shares of the pixels and tells CPU seconds a megapixel.
`--first-run` judges once more with an empty cache of compiled code.
"""

from __future__ import annotations

import argparse
import compileall
import importlib.metadata
import json
import os
import platform
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import nightfold

PACKAGES = ("numpy", "numba", "scipy", "astropy", "nightfold")
WIDTH, HEIGHT = 6248, 4176
STAGES = ("take-in", "measure", "register", "fold", "picture preview", "picture full")
SETTINGS = f"""name = "full size"
[site]
latitude_deg = -32.6
longitude_deg = 147.2
time_zone = "Australia/Brisbane"
[[rig]]
name = "Big"
[rig.telescope]
aperture_mm = 130
focal_length_mm = 600
[rig.camera]
width_px = {WIDTH}
height_px = {HEIGHT}
pixel_um = 3.8
gains = [ {{ setting = 100, e_per_adu = 0.25, read_noise_e = 1.6, full_well_e = 16000, offset_adu = 200 }} ]
[[rig.filter]]
name = "Ha"
[[target]]
name = "Field"
ra_deg = 250.2
dec_deg = -48.8
rigs = ["Big"]
"""


def plan(n: int, *, width: int, height: int, turn_deg: float) -> dict[str, Any]:
    """A plan for the simulator; every other night the camera is turned by `turn_deg`."""
    nights = []
    for k in range(4):
        run: dict[str, Any] = {
            "rig": "Big", "filter": "Ha", "start": "13:25", "subs": n // 4 + (k < n % 4), "exposure_s": 300.0,
            "position_angle_deg": 0.0 if k % 2 == 0 else turn_deg, "dither_arcsec": 14.0,
        }  # fmt: skip
        if k >= 2:
            run["position_angle_deg"] = 180.0 + run["position_angle_deg"]
        night = {"date": f"2026-05-{14 + k}", "seeing_arcsec": 3.0 + 0.2 * k, "sky_gradient": [0.05, -0.03], "ambient_c": 12.0,
                 "sensor_c": -5.0, "run": [run]}  # fmt: skip
        if run["subs"]:
            nights.append(night)
    rig = {
        "name": "Big", "camera": "Big camera", "aperture_mm": 130.0, "focal_length_mm": 600.0, "pixel_um": 3.8, "width_px": width,
        "height_px": height, "e_per_adu": 0.25, "read_noise_e": 1.6, "full_well_e": 16000.0, "offset_adu": 200.0,
        "gain_setting": 100.0, "offset_setting": 20.0, "bits": 16, "seed": 7,
        "filter": [{"name": "Ha", "centre_nm": 656.28, "width_nm": 3.0, "transmission": 0.9, "line": "Ha"}],
    }  # fmt: skip
    return {
        "name": "full size", "seed": 3,
        "site": {"latitude_deg": -32.6, "longitude_deg": 147.2, "elevation_m": 390.0, "utc_offset_h": 10.0, "sky_mag_arcsec2": 20.5,
                 "extinction_mag": 0.14},
        "scene": {"object": "Field", "ra_deg": 250.2, "dec_deg": -48.8, "size_arcmin": [140.0, 100.0], "faintest_g": 17.0,
                  "nebula": {"seed": 5, "radius_arcmin": 25.0, "extent_arcmin": 140.0, "peak_rayleigh": {"Ha": 300.0}}},
        "rig": [rig], "night": nights,
        "calibration": [
            {"rig": "Big", "kind": "dark", "count": 5, "exposure_s": 300.0, "start": "2026-05-15T20:10:00Z"},
            {"rig": "Big", "kind": "bias", "count": 5, "start": "2026-05-15T20:00:00Z"},
            {"rig": "Big", "kind": "flat", "filter": "Ha", "count": 5, "exposure_s": 3.0, "start": "2026-05-15T21:10:00Z",
             "position_angle_deg": 0.0},
        ],
    }  # fmt: skip


def measured(command: list[str], **environment: str) -> dict[str, float]:
    """Run a command; wall and CPU seconds, peak memory and bytes read of that process."""
    began = time.perf_counter()
    process = subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env={**os.environ, **environment}
    )
    assert process.stderr is not None
    told = process.stderr.read()
    read = {}
    if hasattr(os, "waitid") and Path("/proc").is_dir():
        os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOWAIT)  # ended, and its counts still there
        lines = Path(f"/proc/{process.pid}/io").read_text().splitlines()
        counts = {name: int(value) for name, value in (line.split(": ") for line in lines)}
        read = {"read_mb": round(counts["rchar"] / 1e6), "disk_mb": round(counts["read_bytes"] / 1e6)}
    _, status, usage = os.wait4(process.pid, 0)
    if status:
        sys.exit(f"{' '.join(command[:6])} … ended with {status}:\n{told.decode()[-2000:]}")
    return {
        "wall_s": round(time.perf_counter() - began, 2),
        "cpu_s": round(usage.ru_utime + usage.ru_stime, 2),
        "peak_mb": round(usage.ru_maxrss / 1000),
        **read,
    }


def one_stage(campaign_folder: Path, stage: str, raws: Path) -> None:
    """The work of one stage, in the process that is measured."""
    from nightfold.campaign import Campaign

    with Campaign.open(campaign_folder) as campaign:
        ws = campaign._ws
        if stage == "take-in":
            campaign.take_in([raws])
        elif stage == "measure":
            from nightfold.measure.stage import measure_subs

            with campaign._writing("measure"):
                measure_subs(ws)
        elif stage == "register":
            campaign.judge()  # everything is measured: what is left is placing, solving and the verdicts
        elif stage == "fold":
            campaign.fold()
        elif stage == "picture preview":
            from nightfold.picture.steps import Recipe

            recipe = campaign.picture_room().recipe
            assert recipe is not None, "make the whole picture first"
            campaign.mixer().preview(Recipe.model_validate(recipe))
        elif stage == "picture full":
            campaign.picture()


def forget(campaign: Path) -> None:
    """Leave of a campaign what was taken in and its calibration masters, as if a new night had just come."""
    with closing(sqlite3.connect(campaign / "ledger.sqlite")) as ledger:
        for table in ("reading", "placement", "verdict", "solution", "finding"):
            ledger.execute(f"DELETE FROM {table}")
        ledger.commit()


def sequential_read_s(files: list[Path]) -> float:
    """Seconds to read the files once, as they lie in the cache or on the disk."""
    began = time.perf_counter()
    for file in files:
        with open(file, "rb", buffering=0) as handle:
            while handle.read(1 << 22):
                pass
    return round(time.perf_counter() - began, 2)


class Case:
    """A plan with its frames and campaign: of one size, and one turn of the camera."""

    def __init__(self, work: Path, n: int, *, width: int, height: int, turn_deg: float = 0.7) -> None:
        usual = (width, height, turn_deg) == (WIDTH, HEIGHT, 0.7)
        self.work = work if usual else work / f"{width}x{height}-turn-{turn_deg:g}"
        self.n, self.width, self.height, self.turn_deg = n, width, height, turn_deg
        self.raws, self.campaign = self.work / "raws", self.work / "campaign"
        self.steps: dict[str, dict[str, float]] = {}
        self.first: dict[str, dict[str, float]] | None = None

    def made(self) -> Case:
        """With its frames simulated and its calibration masters made."""
        if not self.raws.exists():
            # In a process of its own: a child's peak memory starts from its parent's.
            subprocess.check_call(self._self("--simulate-only"))
        if not (self.campaign / "campaign.toml").exists():
            self.campaign.mkdir(parents=True, exist_ok=True)
            text = SETTINGS.replace(f"width_px = {WIDTH}", f"width_px = {self.width}")
            (self.campaign / "campaign.toml").write_text(
                text.replace(f"height_px = {HEIGHT}", f"height_px = {self.height}")
            )
            self.first = {stage: measured(self._self("--stage", stage)) for stage in ("take-in", "measure", "register")}
        return self

    def _self(self, *more: str) -> list[str]:
        return [
            sys.executable, __file__, "--work", str(self.work), "--n", str(self.n), "--width", str(self.width),
            "--height", str(self.height), "--turn", str(self.turn_deg), *more,
        ]  # fmt: skip

    def subs(self) -> list[Path]:
        """The files of its subs."""
        return sorted(p for p in self.raws.rglob("*.fits") if "300s" in p.name and "_Ha_" in p.name)

    def round(self, stages: Sequence[str] = STAGES, **environment: str) -> None:
        """All stages once more; of each the run of least CPU time is kept."""
        forget(self.campaign)
        for stage in stages:
            self._keep(stage, measured(self._self("--stage", stage), **environment))

    def _keep(self, what: str, found: dict[str, float]) -> None:
        self.steps[what] = min(self.steps.get(what, found), found, key=lambda m: m["cpu_s"])


def baseline_command(script: Path, case: Case) -> list[str]:
    """The library pipeline on the same subs, with the master dark and flat that we made."""
    lights = case.work / "lights"
    lights.mkdir(exist_ok=True)
    for i, sub in enumerate(case.subs()):
        link = lights / f"light_{i:03d}.fits"
        if not link.exists():
            link.symlink_to(sub.absolute())
    masters = {p.name.split("-")[0]: p for p in (case.campaign / "calibration").glob("*.fits")}
    command = [
        sys.executable,
        str(script),
        str(lights),
        "--out",
        str(case.work / "baseline.fits"),
        "--work",
        str(case.work / "reg"),
    ]
    for kind in ("dark", "flat"):
        if kind in masters:
            command += [f"--{kind}", str(masters[kind])]
    return command


def turned(options: argparse.Namespace, usual: Case) -> dict[str, Any]:
    """Folds of other turns against the usual one, rounds of both interleaved."""
    stages = ("measure", "register", "fold")
    cases = {
        turn: Case(options.work, options.n, width=options.width, height=options.height, turn_deg=turn).made()
        for turn in options.turns
    }
    for _ in range(options.rounds):
        for case in (usual, *cases.values()):
            case.round(stages)
    base = usual.steps["fold"]
    return {
        f"{turn:g}": {
            "fold": case.steps["fold"],
            "cpu_over_0.7": round(case.steps["fold"]["cpu_s"] / base["cpu_s"], 2),
            "wall_over_0.7": round(case.steps["fold"]["wall_s"] / base["wall_s"], 2),
        }
        for turn, case in cases.items()
    }


def smaller(options: argparse.Namespace, usual: Case) -> dict[str, Any]:
    """CPU seconds a megapixel and sub of frames with a share of the pixels."""
    found = {}
    for share in (1.0, *options.shares):
        side = share**0.5
        width, height = (2 * round(v * side / 2) for v in (options.width, options.height))
        case = usual if share == 1.0 else Case(options.work, options.n, width=width, height=height).made()
        if share != 1.0:
            for _ in range(options.rounds):
                case.round(("measure", "register", "fold"))
        millions = len(case.subs()) * width * height / 1e6
        found[f"{share:g}"] = {"width": width, "height": height} | {
            f"{stage}_cpu_s_per_mpx": round(case.steps[stage]["cpu_s"] / millions, 4) for stage in ("measure", "register", "fold")
        }  # fmt: skip
    return found


def main() -> None:
    """Simulate, run both ways, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--n", type=int, default=24)
    parser.add_argument("--width", type=int, default=WIDTH)
    parser.add_argument("--height", type=int, default=HEIGHT)
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--baseline", type=Path)
    parser.add_argument("--turns", type=float, nargs="*", default=[])
    parser.add_argument("--shares", type=float, nargs="*", default=[])
    parser.add_argument("--first-run", action="store_true")
    parser.add_argument("--turn", type=float, default=0.7, help=argparse.SUPPRESS)
    parser.add_argument("--stage", choices=STAGES, help=argparse.SUPPRESS)
    parser.add_argument("--simulate-only", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    # Bytecode beside the modules, as an installed package has it, also where the environment tells Python to write none.
    if not options.stage:
        compileall.compile_dir(Path(nightfold.__file__).parent, quiet=1)
    if options.simulate_only:
        from nightfold.simulate.plan import simulate_plan

        plan_ = plan(options.n, width=options.width, height=options.height, turn_deg=options.turn)
        simulate_plan(plan_, options.work / "raws")
        return
    if options.stage:
        one_stage(options.work / "campaign", options.stage, options.work / "raws")
        return
    case = Case(options.work, options.n, width=options.width, height=options.height).made()
    subs = case.subs()
    reads, theirs = [], []
    order = (
        *STAGES[:4],
        "picture full",
        "picture preview",
    )  # the preview needs a recipe, which the first picture writes
    for _ in range(options.rounds):
        case.round(order)
        if options.baseline:
            theirs.append(measured(baseline_command(options.baseline, case)))
        reads.append(sequential_read_s(subs))
    steps = {stage: case.steps[stage] for stage in STAGES}
    way = [steps[stage] for stage in STAGES[:4]]
    result: dict[str, Any] = {
        "machine": f"{platform.processor() or platform.machine()}, {os.cpu_count()} cores",
        "python": platform.python_version(),
        "versions": {p: importlib.metadata.version(p) for p in PACKAGES},
        "subs": len(subs),
        "frame": [options.width, options.height],
        "files_mb": round(sum(p.stat().st_size for p in subs) / 1e6),
        "rounds": options.rounds,
        "first_with_calibration_masters": case.first,
        "ours": steps,
        "to_master_cpu_s": round(sum(s["cpu_s"] for s in way), 2),
        "to_master_wall_s": round(sum(s["wall_s"] for s in way), 2),
        "sequential_read_s": min(reads),
    }
    if theirs:
        best = min(theirs, key=lambda m: m["cpu_s"])
        result["baseline"] = best
        result["cpu_ratio"] = round(best["cpu_s"] / result["to_master_cpu_s"], 1)
        result["wall_ratio"] = round(best["wall_s"] / result["to_master_wall_s"], 1)
    if options.first_run:
        with tempfile.TemporaryDirectory() as empty:
            forget(case.campaign)
            cold = measured(case._self("--stage", "measure"), NUMBA_CACHE_DIR=empty)
        result["first_run"] = {"measure": cold, "compiling_cpu_s": round(cold["cpu_s"] - steps["measure"]["cpu_s"], 2)}
    if options.shares:
        result["pixels"] = smaller(options, case)
    if options.turns:
        result["turns"] = turned(options, case)
    text = json.dumps(result, indent=1)
    print(text)
    if options.json:
        options.json.write_text(text)


if __name__ == "__main__":
    main()
