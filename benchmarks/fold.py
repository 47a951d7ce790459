"""Time and memory of a fold of large frames: read, calibrate, resample, reject, combine.

    python benchmarks/fold.py [--side 6248x4176] [--subs 24] [--files 4] [--workers 2] [--rounds 2]
        [--turns 0,0.7,180,180.7] [--memory BYTES]

Frames of poisson sky and Gaussian stars are written to a temporary folder as 16-bit FITS, at the rotations asked for,
in degrees, with random shifts; each file stands for several subs, so that the disk need not hold them all. Prints CPU seconds
a frame, wall seconds and peak memory, with machine and versions.
"""

from __future__ import annotations

import argparse
import math
import platform
import resource
import tempfile
import time
from contextlib import ExitStack
from datetime import date
from pathlib import Path

import numba
import numpy as np
from astropy.io import fits

from nightfold.align.records import Transform
from nightfold.calibrate.records import Calibration
from nightfold.fold.core import fold_subs
from nightfold.fold.records import FoldOptions, FoldSub
from nightfold.frames.pixels import open_pixels

EXPOSURE_S = 180.0


def placed(turn_deg: float, shift: np.ndarray, height: int, width: int) -> Transform:
    """Turned about the frame's centre, then shifted."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    turn = np.array([[c, -s], [s, c]])
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    return Transform(matrix=np.column_stack([turn, centre - turn @ centre + shift]))


def write_frame(
    path: Path, transform: Transform, stars: np.ndarray, dark: np.ndarray, flat: np.ndarray, seed: int
) -> None:
    """One raw of the common stars, 1 electron per ADU."""
    rng = np.random.default_rng(seed)
    height, width = dark.shape
    light = np.full((height, width), 200.0, np.float32)
    reach, sigma = 9, 3.0 / 2.3548
    steps = np.arange(-reach, reach + 1)
    for (x, y), flux in zip(transform.invert(stars[:, :2]), stars[:, 2]):
        ix, iy = round(x), round(y)
        if reach <= ix < width - reach and reach <= iy < height - reach:
            gx, gy = (np.exp(-0.5 * ((steps - (p - round(p))) / sigma) ** 2) for p in (x, y))
            peak = flux / (2 * np.pi * sigma**2)
            light[iy - reach : iy + reach + 1, ix - reach : ix + reach + 1] += (peak * np.outer(gy, gx)).astype(
                np.float32
            )
    light *= flat
    noise = rng.standard_normal(light.shape, dtype=np.float32) * np.sqrt(light + np.float32(9.0))
    raw = np.clip(np.rint(light + noise + dark), 0, 65535).astype(np.uint16)
    fits.PrimaryHDU(raw).writeto(path)


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--side", default="6248x4176")
    parser.add_argument("--subs", type=int, default=24)
    parser.add_argument("--files", type=int, default=4)
    parser.add_argument("--stars", type=int, default=7900)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--turns", default="0,0.7,180,180.7")
    parser.add_argument("--memory", type=int, default=800_000_000)
    parser.add_argument("--tile")
    args = parser.parse_args()
    width, height = map(int, args.side.split("x"))
    turns = [float(t) for t in args.turns.split(",")]
    rng = np.random.default_rng(5)
    stars = np.column_stack(
        [
            rng.uniform(0, width, args.stars),
            rng.uniform(0, height, args.stars),
            300 * (1 - rng.random(args.stars)) ** -1.2,
        ]
    )
    stars[:, 2] = np.minimum(stars[:, 2], 3e5)
    across = np.linspace(-1, 1, width, dtype=np.float32) ** 2
    down = np.linspace(-1, 1, height, dtype=np.float32) ** 2
    flat = 1.1 - 0.15 * (across[None, :] + down[:, None])
    dark = (500 + rng.standard_normal((height, width), dtype=np.float32)).astype(np.float32)
    bad = rng.random((height, width), dtype=np.float32) < 2e-4
    calibration = Calibration(
        e_per_adu=1.0,
        read_noise_e=3.0,
        dark_adu=dark,
        dark_variance_adu2=1.0,
        flat=flat,
        flat_relative_variance=1e-6,
        bad=bad,
    )
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        sources, transforms = [], []
        for k in range(args.files):
            transform = placed(turns[k % len(turns)], rng.uniform(-8, 8, 2), height, width)
            path = Path(folder) / f"light-{k:03d}.fits"
            write_frame(path, transform, stars, dark, flat, k)
            sources.append(stack.enter_context(open_pixels(path)))
            transforms.append(transform)
        subs = [
            FoldSub(
                name=f"{k}",
                read_box=sources[k % args.files].read_box,
                read_stored=sources[k % args.files].read_stored,
                shape=(height, width),
                calibration=calibration,
                transform=transforms[k % args.files],
                exposure_s=EXPOSURE_S,
                sky_e_per_s=200.0 / EXPOSURE_S,
                fwhm_px=3.0 + 0.2 * math.sin(k),
            )
            for k in range(args.subs)
        ]
        tile = tuple(map(int, args.tile.split("x"))) if args.tile else None
        options = FoldOptions(workers=args.workers, tile=tile, memory_bytes=args.memory)
        fold_subs(subs[:3], (64, 256), options)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
        for _ in range(args.rounds):
            wall, cpu = time.perf_counter(), time.process_time()
            result = fold_subs(subs, (height, width), options)
            wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
            print(
                f"{args.subs} subs of {width}x{height}: {cpu / args.subs:.3f} CPU s a frame, wall {wall:.2f} s"
                f" ({wall / args.subs:.3f} a frame), peak {peak / 1e6:.0f} MB (before {before / 1e6:.0f}),"
                f" rejected {result.rejected_fraction:.4%}"
            )
            del result
    print(f"{date.today()} {platform.machine()} Python {platform.python_version()} numba {numba.__version__}")


if __name__ == "__main__":
    main()
