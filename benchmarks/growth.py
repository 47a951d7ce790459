"""What a large ledger costs: a campaign of N subs is invented in the ledger alone, and every listing and page query is timed.

    python benchmarks/growth.py --work DIR [--frames 100000] [--headers 10000] [--json FILE]

Nothing is simulated: rows of frames, places, readings, placements, solutions, verdicts and decisions are written as the stages
write them, over two targets, two rigs, five filters and one night for every 250 subs. Each query runs in this process on a fresh
`Campaign`, the best of three; `per_frame_us` is its CPU time over the number of frames, so that runs with several N show whether it
grows as N. With `--headers`, that many small files with headers of their own are written to DIR and taken in, cold and again.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import random
import shutil
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import sqlalchemy as sa
from astropy.io import fits

from nightfold.campaign import Campaign
from nightfold.ledger import schema as t
from nightfold.ledger.records import FindingRow
from nightfold.measure.pack import pack_reading
from nightfold.measure.records import READING_VERSION, Reading, SkyMesh, Stars

RIGS, TARGETS = ("Heron 106", "Wren 61"), ("Lantern Shell", "Reed Cloud")
FILTERS = ("Ha", "OIII", "R", "G", "B")
NIGHT_SUBS = 250
SETTINGS = (
    """name = "growth"
[site]
latitude_deg = -32.6
longitude_deg = 147.2
time_zone = "Australia/Brisbane"
"""
    + "".join(
        f"""[[rig]]
name = "{rig}"
[rig.telescope]
aperture_mm = {aperture}
focal_length_mm = {focal}
[rig.camera]
width_px = 4144
height_px = 2822
pixel_um = 4.63
gains = [ {{ setting = 100, e_per_adu = 0.25, read_noise_e = 1.6, full_well_e = 16000, offset_adu = 200 }} ]
"""
        + "".join(f'[[rig.filter]]\nname = "{name}"\n' for name in FILTERS)
        for rig, aperture, focal in ((RIGS[0], 106, 530), (RIGS[1], 61, 275))
    )
    + "".join(
        f"""[[target]]
name = "{name}"
ra_deg = {ra}
dec_deg = -48.8
rigs = ["{RIGS[0]}", "{RIGS[1]}"]
[[target.goal]]
filter = "Ha"
hours = 400
"""
        for name, ra in ((TARGETS[0], 250.2), (TARGETS[1], 262.0))
    )
)


def header_of(i: int, start: datetime) -> dict[str, Any]:
    """A header as take-in keeps it."""
    from nightfold.engine.documents import to_document
    from nightfold.frames.records import FrameHeader

    made = FrameHeader(kind="sub", start=start, exposure_s=300.0, width_px=4144, height_px=2822, object=TARGETS[i % 2],
                       filter=FILTERS[i // 2 % 5], camera=RIGS[i // 10 % 2], gain=100.0, sensor_c=-10.0, ra_deg=250.2, dec_deg=-48.8)  # fmt: skip
    return dict(to_document(made))


def make_ledger(folder: Path, n: int) -> None:
    """A campaign of `n` subs, all judged."""
    rng = random.Random(5)
    folder.mkdir(parents=True)
    (folder / "campaign.toml").write_text(SETTINGS, encoding="utf-8")
    scalars, arrays = pack_reading(_reading())
    began = datetime(2016, 3, 1, 11, 0)
    with Campaign.open(folder) as campaign:
        ledger = campaign._ws.ledger
        with ledger._writing() as connection:
            for first in range(0, n, 2000):
                ids = range(first, min(first + 2000, n))
                rows: dict[str, list[dict[str, Any]]] = {}
                for i in ids:
                    night, within = divmod(i, NIGHT_SUBS)
                    start = began + timedelta(days=night, minutes=2.4 * within)
                    made = {"made_at": start}
                    on = {"frame_id": i + 1, **made}
                    path = folder / "raws" / f"{start:%Y-%m-%d}" / f"sub-{i:06d}.fits"
                    rows.setdefault("frame", []).append({
                        **made, "id": i + 1, "fingerprint": f"f{i:020d}", "sha256": f"{i:064x}", "kind": "sub", "rig": RIGS[i // 10 % 2],
                        "target": TARGETS[i % 2], "panel": None, "filter": FILTERS[i // 2 % 5], "night": start.date(), "start": start,
                        "exposure_s": 300.0, "width_px": 4144, "height_px": 2822, "header": header_of(i, start.replace(tzinfo=UTC)),
                    })  # fmt: skip
                    rows.setdefault("place", []).append(
                        {**on, "path": str(path), "name": path.name, "size": 1, "mtime_ns": i, "gone": False}
                    )
                    own = {**scalars, "fwhm_px": rng.uniform(2, 4), "sky_e": rng.uniform(50, 90)}
                    rows.setdefault("reading", []).append(
                        {**on, "version": READING_VERSION, "calibration": "k" * 64, "scalars": own, "arrays": arrays}
                    )
                    keep = rng.random() > 0.1
                    causes = [] if keep else [["clouds", "60 % of the light is missing"]]
                    rows.setdefault("verdict", []).append(
                        {
                            **on,
                            "keep": keep,
                            "worth": rng.random(),
                            "weight": 1e-4,
                            "scale": 1.0,
                            "transparency": 0.9,
                            "causes": causes,
                        }
                    )
                    rows.setdefault("solution", []).append({**on, "solved": False, "document": {}})
                    if rng.random() < 0.01:
                        rows.setdefault("decision", []).append({**on, "verdict": "drop", "why": "a lamp"})
                for name, values in rows.items():
                    connection.execute(sa.insert(t.metadata.tables[name]), values)
        for k, name in enumerate(TARGETS):
            grid = ledger.make_grid(
                target=name, panel=None, rig=RIGS[0], reference_frame_id=k + 1, width_px=4144, height_px=2822
            )
            placed = [{"frame_id": i + 1, "grid_id": grid.id, "found": True, "reason": "", "made_at": began,
                       "document": {"matrix": [[1.0, 0.0, 3.2], [0.0, 1.0, -4.1]], "model": "affine", "rms_px": 0.1,
                                    "distortion": None, "centre": [2072.0, 1411.0], "radius": 2500.0}}
                      for i in range(k, n, 2)]  # fmt: skip
            with ledger._writing() as connection:
                for first in range(0, len(placed), 2000):
                    connection.execute(sa.insert(t.placement), placed[first : first + 2000])
        nights = sorted({began.date() + timedelta(days=k) for k in range(-(-n // NIGHT_SUBS))})
        ledger.replace_findings("loss", [
            FindingRow(kind="loss", target=TARGETS[0], rig=RIGS[0], filter=name, night=night, document={"cause": "clouds", "hours": 0.4})
            for night in nights for name in FILTERS
        ])  # fmt: skip


def _reading() -> Reading:
    """A reading of a few stars: no query here touches its arrays, so that their size costs nothing but room."""
    sky = SkyMesh(x_px=np.arange(12.0), y_px=np.arange(8.0), level_e=np.ones((8, 12)), sigma_e=np.ones((8, 12)))
    stars = Stars(
        **{name: np.arange(40) if name == "flags" else np.arange(40.0) for name in Stars.__dataclass_fields__}
    )
    values: dict[str, Any] = dict.fromkeys(Reading.__dataclass_fields__, 1.0)
    values.update(stars=stars, sky=sky, streaks=(), width_px=4144, height_px=2822, star_count=900)
    return Reading(**values)


def queries(middle: date) -> dict[str, Callable[[Campaign], object]]:
    """What pages and commands ask, by name."""
    name = "sub-000777.fits"
    return {
        "show": lambda c: c.show(with_tonight=False),
        "judge report, all": lambda c: c.verdicts(),
        "judge report, one night": lambda c: c.verdicts(night=middle),
        "nights page": lambda c: c.nights(),
        "night page": lambda c: c.night(middle),
        "drop": lambda c: c.decide([name], "drop"),
        "keep": lambda c: c.decide([name], "keep"),
        "decide on 250": lambda c: c.decide_on(list(range(1001, 1251)), "clear"),
        "filters": lambda c: c.filters(),
        "latest folder": lambda c: c.latest_folder(),
        "masters": lambda c: c.masters(),
        "proof pair": lambda c: c.proof_pair(),
        "tonight": lambda c: c.tonight(day=middle),
        "exposure": lambda c: c.exposure(rig=RIGS[0], filter="Ha"),
        "optics page": lambda c: c.optics_summary(),
        "capture table": lambda c: c.capture_table(),
        "copies": lambda c: c.copies(),
        "repr": repr,
        "sub looker": lambda c: c.sub_looker(),
        "known files": lambda c: c._ws.ledger.known_files(),
        "ledger frames, one night": lambda c: c._ws.ledger.frames(kind="sub", night=middle),
        "ledger frames, all": lambda c: c._ws.ledger.frames(),
        "ledger verdicts": lambda c: c._ws.ledger.verdicts(),
        "ledger scalars, all": lambda c: c._ws.ledger.readings(
            list(c._ws.ledger.reading_versions()), with_arrays=False
        ),
    }


def timed(folder: Path, n: int) -> dict[str, dict[str, float]]:
    """Seconds of each query, the best of three."""
    middle = date(2016, 3, 1) + timedelta(days=n // NIGHT_SUBS // 2)
    found = {}
    for name, query in queries(middle).items():
        seconds, cpu = [], []
        for _ in range(3):
            with Campaign.open(folder) as campaign:
                began, used = time.perf_counter(), time.process_time()
                query(campaign)
                seconds.append(time.perf_counter() - began)
                cpu.append(time.process_time() - used)
        found[name] = {
            "seconds": round(min(seconds), 4),
            "cpu_s": round(min(cpu), 4),
            "per_frame_us": round(1e6 * min(cpu) / n, 3),
        }
        told = found[name]
        print(
            f"{name:28s} {told['seconds']:8.3f} s, {told['cpu_s']:8.3f} s CPU, {told['per_frame_us']:7.2f} us a frame",
            flush=True,
        )
    return found


def take_in_headers(work: Path, count: int) -> dict[str, dict[str, int]]:
    """Files a second of taking in `count` files with headers of their own, new and once more."""
    raws, folder = work / "headers", work / "headers-campaign"
    raws.mkdir(parents=True, exist_ok=True)
    began = datetime(2016, 3, 1, 11, 0)
    pixels = np.zeros((24, 32), np.uint16)
    for i in range(count):
        path = raws / f"sub-{i:06d}.fits"
        if not path.exists():
            start = began + timedelta(days=i // NIGHT_SUBS, minutes=2.4 * (i % NIGHT_SUBS))
            hdu = fits.PrimaryHDU(pixels + np.uint16(i % 251))
            hdu.header.update({"DATE-OBS": start.isoformat(), "EXPTIME": 300.0, "FILTER": FILTERS[i % 5], "OBJECT": TARGETS[i % 2],
                               "IMAGETYP": "LIGHT", "INSTRUME": RIGS[0], "GAIN": 100})  # fmt: skip
            hdu.writeto(path)
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    (folder / "campaign.toml").write_text(SETTINGS, encoding="utf-8")
    told = {}
    for what in ("new", "again"):
        with Campaign.open(folder) as campaign:
            started, used = time.perf_counter(), time.process_time()
            report = campaign.take_in([raws])
            seconds, cpu = time.perf_counter() - started, time.process_time() - used
        told[what] = {"files_a_second": round(count / seconds), "files_a_cpu_second": round(count / cpu)}
        print(f"take-in, {what}: {told[what]} ({report.taken_in} taken in)", flush=True)
    return told


def main() -> None:
    """Make the ledger, time it, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--frames", type=int, nargs="*", default=[100_000])
    parser.add_argument("--headers", type=int, default=0)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    result: dict[str, Any] = {
        "machine": f"{platform.machine()}, {os.cpu_count()} cores",
        "python": platform.python_version(),
    }
    for n in options.frames:
        folder = options.work / f"campaign-{n}"
        if not folder.exists():
            make_ledger(folder, n)
        print(f"{n} frames, ledger of {(folder / 'ledger.sqlite').stat().st_size / 1e6:.0f} MB")
        result[str(n)] = timed(folder, n)
    if options.headers:
        result["take_in_files_a_second"] = take_in_headers(options.work, options.headers)
    if options.json:
        options.json.write_text(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
