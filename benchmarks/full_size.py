"""The whole way at full size: ours beside a plain library pipeline on the same files, in one run.

    python benchmarks/full_size.py --work DIR [--n 24] [--baseline LIBRARY_PIPELINE.py] [--json FILE]

Frames of 6248 x 4176 (26 megapixels, 52 MB each) are simulated once into DIR: one rig, one filter, four nights, every other
night with the camera turned over. Ours runs as a person would run it, each command a process of its own, so that imports and
loading of compiled code count; the baseline, any script that takes a folder of subs with --dark, --flat, --out and --json,
gets the same subs and the master dark and flat that we made. Printed: seconds, CPU seconds and peak memory of each step, their
ratios, the plain sequential read of the files, machine and versions. The full hash of each file is part of `judge`, and so is
placing: readings, placements and verdicts are forgotten before each timed `judge`, only the calibration masters are kept. On a
machine that others use as well, `--rounds` repeats our steps and gives the round of least CPU time of each.
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
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import nightfold

PACKAGES = ("numpy", "numba", "scipy", "astropy", "nightfold")
WIDTH, HEIGHT = 6248, 4176
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


def plan(n: int) -> dict[str, Any]:
    """A plan for the simulator."""
    nights = []
    for k in range(4):
        run = {
            "rig": "Big", "filter": "Ha", "start": "13:25", "subs": n // 4 + (k < n % 4), "exposure_s": 300.0,
            "position_angle_deg": 0.0 if k % 2 == 0 else 0.7, "dither_arcsec": 14.0,
        }  # fmt: skip
        if k >= 2:
            run["position_angle_deg"] = 180.0 + run["position_angle_deg"]
        night = {"date": f"2026-05-{14 + k}", "seeing_arcsec": 3.0 + 0.2 * k, "sky_gradient": [0.05, -0.03], "ambient_c": 12.0,
                 "sensor_c": -5.0, "run": [run]}  # fmt: skip
        if run["subs"]:
            nights.append(night)
    rig = {
        "name": "Big", "camera": "Big camera", "aperture_mm": 130.0, "focal_length_mm": 600.0, "pixel_um": 3.8, "width_px": WIDTH,
        "height_px": HEIGHT, "e_per_adu": 0.25, "read_noise_e": 1.6, "full_well_e": 16000.0, "offset_adu": 200.0,
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


def measured(command: list[str]) -> dict[str, float]:
    """Run a command; wall and CPU seconds and peak memory of that process."""
    began = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    assert process.stderr is not None
    told = process.stderr.read()
    _, status, usage = os.wait4(process.pid, 0)
    if status:
        sys.exit(f"{' '.join(command[:6])} … ended with {status}:\n{told.decode()[-2000:]}")
    return {
        "wall_s": round(time.perf_counter() - began, 2),
        "cpu_s": round(usage.ru_utime + usage.ru_stime, 2),
        "peak_mb": round(usage.ru_maxrss / 1000),
    }


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


def main() -> None:
    """Simulate, run both ways, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--n", type=int, default=24)
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--baseline", type=Path)
    parser.add_argument("--simulate-only", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    work: Path = options.work
    # Bytecode beside the modules, as an installed package has it, also where the environment tells Python to write none.
    compileall.compile_dir(Path(nightfold.__file__).parent, quiet=1)
    raws, campaign = work / "raws", work / "campaign"
    if options.simulate_only:
        from nightfold.simulate.plan import simulate_plan

        simulate_plan(plan(options.n), raws)
        return
    if not raws.exists():
        # In a process of its own: a child's peak memory starts from its parent's.
        subprocess.check_call([sys.executable, __file__, "--work", str(work), "--n", str(options.n), "--simulate-only"])
    subs = sorted(p for p in raws.rglob("*.fits") if "300s" in p.name and "_Ha_" in p.name)
    if not (campaign / "campaign.toml").exists():
        campaign.mkdir(parents=True, exist_ok=True)
        (campaign / "campaign.toml").write_text(SETTINGS)
    ours = [sys.executable, "-m", "nightfold", "--campaign", str(campaign)]
    take_in = measured([*ours, "take-in", str(raws)])
    # The baseline is handed its master dark and flat, so ours are made before its clock starts; told apart all the same.
    first = measured([*ours, "judge"])
    steps = {"take-in": take_in}
    for _ in range(options.rounds):
        forget(campaign)
        for step in ("judge", "fold"):
            found = measured([*ours, step])
            steps[step] = min(steps.get(step, found), found, key=lambda m: m["cpu_s"])
    result: dict[str, Any] = {
        "machine": f"{platform.processor() or platform.machine()}, {os.cpu_count()} cores",
        "python": platform.python_version(),
        "versions": {p: importlib.metadata.version(p) for p in PACKAGES},
        "subs": len(subs),
        "first_judge_with_calibration_masters": first,
        "ours": steps,
        "ours_cpu_s": round(sum(s["cpu_s"] for s in steps.values()), 2),
        "ours_wall_s": round(sum(s["wall_s"] for s in steps.values()), 2),
        "sequential_read_s": sequential_read_s(subs),
    }
    if options.baseline:
        lights = work / "lights"
        lights.mkdir(exist_ok=True)
        for i, sub in enumerate(subs):
            link = lights / f"light_{i:03d}.fits"
            if not link.exists():
                link.symlink_to(sub.absolute())
        masters = {p.name.split("-")[0]: p for p in (campaign / "calibration").glob("*.fits")}
        command = [
            sys.executable,
            str(options.baseline),
            str(lights),
            "--out",
            str(work / "baseline.fits"),
            "--work",
            str(work / "reg"),
        ]
        for kind in ("dark", "flat"):
            if kind in masters:
                command += [f"--{kind}", str(masters[kind])]
        theirs = measured(command)
        result["baseline"] = theirs
        result["cpu_ratio"] = round(theirs["cpu_s"] / result["ours_cpu_s"], 1)
        result["wall_ratio"] = round(theirs["wall_s"] / result["ours_wall_s"], 1)
    text = json.dumps(result, indent=1)
    print(text)
    if options.json:
        options.json.write_text(text)


if __name__ == "__main__":
    main()
