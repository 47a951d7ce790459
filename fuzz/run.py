"""Search every door for inputs that break it, guided by coverage, for some minutes each.

    python fuzz/run.py --minutes 2                 all targets
    python fuzz/run.py --minutes 10 header pixels  some

Needs the package atheris (`pip install nightfold[fuzz]`, on Linux; version 2 miscompiles code of Python 3.11). Starts from `tests/corpus`. An input
that raises something other than our own errors, takes over 5 s or over 2 GB is kept in `fuzz/found/`; put it into
`tests/corpus` together with the mend. What was run is kept as JSON with `--out`.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

HERE = Path(__file__).parent
CORPUS = HERE.parent / "tests" / "corpus"
FOUND = HERE / "found"
FITS = {"header", "pixels", "master", "calibration"}
NAMES = (
    "header",
    "pixels",
    "master",
    "calibration",
    "star_list",
    "campaign_file",
    "recipe",
    "simulation_plan",
    "secrets",
)


def run_target(name: str, seconds: int) -> dict[str, object]:
    """Run one target; inputs tried, ways through the code found, and inputs that broke it."""
    FOUND.mkdir(exist_ok=True)
    kept = [p for p in sorted(CORPUS.iterdir()) if (p.suffix == ".toml") != (name in FITS) or name == "star_list"]
    with tempfile.TemporaryDirectory() as scratch:
        start = Path(scratch) / "start"
        start.mkdir()
        for path in kept:
            (start / path.name).write_bytes(path.read_bytes())
        command = [
            sys.executable, str(HERE / "one.py"), name, str(start), f"-max_total_time={seconds}", "-timeout=5",
            "-rss_limit_mb=2048", "-max_len=65536", f"-artifact_prefix={FOUND}/{name}-", "-print_final_stats=1",
        ]  # fmt: skip
        done = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
    log = done.stdout + done.stderr
    tried = re.findall(r"stat::number_of_executed_units:\s*(\d+)", log)
    ways = re.findall(r"cov: (\d+)", log)
    broke = sorted(p.name for p in FOUND.glob(f"{name}-*"))
    if done.returncode and not broke:
        raise RuntimeError(f"{name} did not run: {log[-2000:]}")
    if done.returncode:
        print(log[-3000:], file=sys.stderr)
    return {
        "inputs": int(tried[-1]) if tried else 0,
        "branches": int(ways[-1]) if ways else 0,
        "seconds": seconds,
        "broke": broke,
    }


def main() -> int:
    """Run the targets, print what came of them."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("targets", nargs="*", choices=[*NAMES, []], default=[])
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    results = {}
    for name in options.targets or NAMES:
        results[name] = run_target(name, round(60.0 * options.minutes))
        print(f"{name}: {results[name]}", flush=True)
    document = {"date": datetime.now(UTC).date().isoformat(), "targets": results}
    if options.out:
        options.out.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
    return 1 if any(r["broke"] for r in results.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
