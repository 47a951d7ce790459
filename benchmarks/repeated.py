"""Memory and time over the number of subs: the same frames repeated under other names, each copy with a start of its own.

    python benchmarks/repeated.py --work DIR --raws RAWS [--n 24 100 300] [--memory-kb KB] [--copies-only] [--json FILE]

RAWS holds frames that `full_size.py` made (subs, darks, flats). For each N a campaign of the first N copies is taken in, judged
and folded, each command a process of its own; printed are wall and CPU seconds, peak memory and their ratio to the smallest N.
Noise repeats with the frames, so that figures of depth mean nothing here. With `--memory-kb` commands run under that limit of
address space (`ulimit -v`); NUMBA_CPU_NAME and NUMBA_CPU_FEATURES are handed on, with a code cache of their own.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import re
import shutil
import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from full_size import SETTINGS, measured, sequential_read_s

HEADER_BYTES = 28_800
STEP_S = 7.0
"""Copies of one sub follow it by this much, so that each is a content of its own in the same night."""


def repeat(subs: list[Path], folder: Path, count: int) -> list[Path]:
    """`count` files in `folder`, the subs over and over, each with its own DATE-OBS."""
    folder.mkdir(parents=True, exist_ok=True)
    made = []
    for k in range(count):
        source, turn = subs[k % len(subs)], k // len(subs)
        path = folder / f"{source.stem}-r{turn:03d}.fits"
        if not path.exists():
            data = bytearray(source.read_bytes())
            found = re.search(rb"DATE-OBS= '([0-9T:.-]+) *'", data[:HEADER_BYTES])
            if found is None:
                sys.exit(f"{source} has no DATE-OBS")
            width = found.end(1) - found.start(1)
            start = datetime.fromisoformat(found[1].decode()) + timedelta(seconds=STEP_S * turn)
            text = start.isoformat(timespec="milliseconds" if b"." in found[1] else "seconds")[:width].ljust(width)
            data[found.start(1) : found.end(1)] = text.encode()
            temporary = path.with_suffix(".part")
            temporary.write_bytes(data)
            temporary.rename(path)
        made.append(path)
    return made


def run(work: Path, subs: list[Path], calibration: list[Path], memory_kb: int | None) -> dict[str, Any]:
    """A campaign of these subs: what each command took."""
    n = len(subs)
    campaign, raws = work / f"campaign-{n}", work / f"raws-{n}"
    shutil.rmtree(campaign, ignore_errors=True)
    shutil.rmtree(raws, ignore_errors=True)
    campaign.mkdir(parents=True)
    raws.mkdir()
    (campaign / "campaign.toml").write_text(SETTINGS)
    for path in [*subs, *calibration]:
        os.link(path, raws / path.name)
    command = [sys.executable, "-m", "nightfold", "--campaign", str(campaign)]
    if memory_kb is not None:
        command = ["sh", "-c", f'ulimit -v {memory_kb} && exec "$@"', "limited", *command]
    told: dict[str, Any] = {"subs": n, "sequential_read_s": sequential_read_s(subs)}
    for step in (["take-in", str(raws)], ["judge"], ["fold"]):
        told[step[0]] = measured([*command, *step])
        print(n, step[0], told[step[0]], flush=True)
    return told


def main() -> None:
    """Repeat, run each N, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--work", type=Path, required=True)
    parser.add_argument("--raws", type=Path, required=True)
    parser.add_argument("--n", type=int, nargs="+", default=[24, 100, 300])
    parser.add_argument("--memory-kb", type=int)
    parser.add_argument("--copies-only", action="store_true")
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    files = sorted(options.raws.rglob("*.fits"))
    subs = [p for p in files if "300s" in p.name and "_Ha_" in p.name]
    calibration = [p for p in files if p not in set(subs)]
    repeated = repeat(subs, options.work / "copies", max(options.n))
    if options.copies_only:
        return
    kept = [options.work / "calibration" / p.name for p in calibration]
    for source, path in zip(calibration, kept):  # on the same disk, so that they can be linked
        path.parent.mkdir(exist_ok=True)
        if not path.exists():
            shutil.copyfile(source, path)
    if "NUMBA_CPU_NAME" in os.environ:
        os.environ["NUMBA_CACHE_DIR"] = str((options.work / "code").absolute())
    runs = [run(options.work, repeated[:n], kept, options.memory_kb) for n in options.n]
    result = {
        "machine": f"{platform.machine()}, {os.cpu_count()} cores",
        "processor": os.environ.get("NUMBA_CPU_NAME", "as it is"),
        "memory_kb": options.memory_kb,
        "distinct_subs": len(subs),
        "runs": runs,
        "peak_over_smallest": {
            step: [round(r[step]["peak_mb"] / runs[0][step]["peak_mb"], 3) for r in runs] for step in ("judge", "fold")
        },
        "cpu_ms_a_sub": {
            step: [round(1000 * r[step]["cpu_s"] / r["subs"]) for r in runs] for step in ("judge", "fold")
        },
    }
    text = json.dumps(result, indent=1)
    print(text)
    if options.json:
        options.json.write_text(text)


if __name__ == "__main__":
    main()
