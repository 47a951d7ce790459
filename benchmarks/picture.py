"""Time and memory of a picture at full size: automatic recipe, whole picture, preview.

Run it with: python benchmarks/picture.py [--width 6248 --height 4176] [--json FILE]
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from scipy import ndimage

import nightfold
from nightfold.picture.recipe import apply_recipe, automatic_recipe
from nightfold.picture.records import Plane

FWHM_PX = 3.0
NOISE = 0.001
"""Of a deep master: its nebula stands hundreds of sigma high, so sharpening goes on for long."""


def master(name: str, shape: tuple[int, int], seed: int, strength: float) -> Plane:
    """A linear master with sky, a nebula with detail on every scale everywhere, stars and noise, seen through the stars' profile."""
    rng = np.random.default_rng(seed)
    coarse = ndimage.gaussian_filter(rng.normal(size=(shape[0] // 16 + 2, shape[1] // 16 + 2)), 6).astype(np.float32)
    cloud = np.clip(coarse / coarse.std(), 0, None) + np.float32(0.3)
    image = ndimage.zoom(cloud, 16, order=1)[: shape[0], : shape[1]] * np.float32(strength) + np.float32(0.5)
    for scale in (1.5, 3.0, 6.0, 12.0, 24.0):
        detail = ndimage.gaussian_filter(rng.standard_normal(shape, dtype=np.float32), scale, truncate=3.0)
        np.abs(detail, out=detail)
        detail *= np.float32(0.05 * strength * scale**0.5 / detail.std())
        image += detail
    image = ndimage.gaussian_filter(image, FWHM_PX / 2.3548, truncate=3.0)
    stars = np.random.default_rng(1)
    count = shape[0] * shape[1] // 2600
    y, x = stars.uniform(21, shape[0] - 22, count), stars.uniform(21, shape[1] - 22, count)
    light = 0.05 * (1.0 + stars.pareto(0.9, count)).clip(max=3000)
    alpha = 0.5 * FWHM_PX / (2.0 ** (1.0 / 3.0) - 1.0) ** 0.5
    for a, b, f in zip(y, x, light):
        ys, xs = np.mgrid[int(a) - 20 : int(a) + 21, int(b) - 20 : int(b) + 21]
        spot = f * (1.0 + ((ys - a) ** 2 + (xs - b) ** 2) / alpha**2) ** -3.0
        image[int(a) - 20 : int(a) + 21, int(b) - 20 : int(b) + 21] += spot.astype(np.float32)
    image += rng.standard_normal(shape, dtype=np.float32) * np.float32(NOISE)
    variance = np.full(shape, NOISE**2, np.float32)
    return Plane(filter=name, image=image, variance=variance, scale_arcsec_px=1.8, sha256=name)


def clocked(work: Callable[[], Any]) -> tuple[Any, float, float]:
    """The result, wall and CPU seconds."""
    wall, cpu = time.perf_counter(), time.process_time()
    return work(), time.perf_counter() - wall, time.process_time() - cpu


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--width", type=int, default=6248)
    parser.add_argument("--height", type=int, default=4176)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    small = {n: master(n, (400, 600), k, 0.1) for k, n in enumerate(("Ha", "OIII", "SII"))}
    apply_recipe(
        automatic_recipe(small, target="warm", box=(0, 0, 599, 399)), small
    )  # compiled once before the clock runs
    shape = (options.height, options.width)
    planes = {n: master(n, shape, k, s) for k, (n, s) in enumerate((("Ha", 0.3), ("OIII", 0.1), ("SII", 0.08)))}
    box = (0, 0, options.width - 1, options.height - 1)
    recipe, wall, cpu = clocked(lambda: automatic_recipe(planes, target="bench", box=box))
    rows = {"automatic recipe": (wall, cpu)}
    for name, preview in (("preview 1600 px", 1600), ("whole picture", None)):
        _, wall, cpu = clocked(lambda p=preview: apply_recipe(recipe, planes, preview_px=p))
        rows[name] = (wall, cpu)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if platform.system() == "Darwin" else 1024)
    print("The nebula has detail everywhere; masters as deep as this are the dearest to sharpen.")
    print(f"nightfold {nightfold.__version__}, Python {platform.python_version()}, {os.cpu_count()} cores, 3 x {shape}")
    for name, (wall, cpu) in rows.items():
        print(f"{name:20s} {wall:7.2f} s wall {cpu:7.2f} s CPU")
    print(
        f"peak memory {peak / 1e9:.2f} GB (the three masters hold {3 * 2 * 4 * shape[0] * shape[1] / 1e9:.2f} GB of it)"
    )
    if options.json:
        options.json.write_text(json.dumps({"rows": rows, "peak_memory_bytes": peak}, indent=1))


if __name__ == "__main__":
    main()
