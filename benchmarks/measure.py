"""Time to find and measure the stars of a large frame, beside the same work with `sep`.

    python benchmarks/measure.py [--side 6248x4176] [--stars 7900] [--rounds 5]

Prints the best of several rounds, one thread each, with machine and versions. The work of `sep`: background, extraction at
5 sigma, windowed centroids, apertures, half-flux radii; no profile fits and no streaks.
"""

from __future__ import annotations

import argparse
import cProfile
import platform
import pstats
import time
from datetime import date

import numba
import numpy as np
import sep

from nightfold.measure.core import measure_sub


def simulated(height: int, width: int, count: int) -> np.ndarray:
    """A frame of Gaussian stars of 3 px FWHM under a tilted sky, float32 electrons."""
    rng = np.random.default_rng(7)
    sigma, reach = 3.0 / 2.3548, 9
    image = np.add.outer(np.linspace(180, 220, height), np.linspace(0, 30, width)).astype(np.float32)
    steps = np.arange(-reach, reach + 1)
    for flux in 300.0 * (1.0 - rng.random(count)) ** -1.2:
        x, y = rng.uniform(reach, width - reach - 1), rng.uniform(reach, height - reach - 1)
        ix, iy = round(x), round(y)
        gx, gy = (np.exp(-0.5 * ((steps - (p - round(p))) / sigma) ** 2) for p in (x, y))
        light = min(flux, 3e5) / (2 * np.pi * sigma**2)
        image[iy - reach : iy + reach + 1, ix - reach : ix + reach + 1] += (light * np.outer(gy, gx)).astype(np.float32)
    noise = rng.standard_normal(image.shape, dtype=np.float32)
    return image + noise * np.sqrt(image + np.float32(9.0))


def with_sep(image: np.ndarray) -> int:
    """The same with `sep`."""
    background = sep.Background(image, bw=64, bh=64)
    residual = image - background.back()
    found = sep.extract(residual, 5.0 / 3.5, err=background.globalrms, minarea=5)
    x, y, _ = sep.winpos(residual, found["x"], found["y"], np.full(len(found), 1.27))
    sep.sum_circle(residual, x, y, 3.0, err=background.globalrms)
    sep.flux_radius(residual, x, y, np.full(len(found), 9.0), 0.5, subpix=5)
    return len(found)


def best(work, rounds: int) -> tuple[float, float, object]:
    """Least wall and CPU seconds, and the last result."""
    walls, cpus, result = [], [], None
    for _ in range(rounds):
        wall, cpu = time.perf_counter(), time.process_time()
        result = work()
        walls.append(time.perf_counter() - wall)
        cpus.append(time.process_time() - cpu)
    return min(walls), min(cpus), result


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--side", default="6248x4176")
    parser.add_argument("--stars", type=int, default=7900)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--profile", action="store_true")
    options = parser.parse_args()
    width, height = (int(v) for v in options.side.split("x"))
    image = simulated(height, width, options.stars)
    sep.set_extract_pixstack(2_000_000)
    start = time.perf_counter()
    measure_sub(image[:512, :512], read_noise_e=3.0)
    print(f"first call (compile or load)  {time.perf_counter() - start:6.2f} s")
    measure_sub(image, read_noise_e=3.0)
    ours = best(lambda: measure_sub(image, read_noise_e=3.0), options.rounds)
    theirs = best(lambda: with_sep(image), options.rounds)
    print(f"nightfold  {ours[0]:6.3f} s wall {ours[1]:6.3f} s CPU, {ours[2].star_count} stars")
    print(f"sep        {theirs[0]:6.3f} s wall {theirs[1]:6.3f} s CPU, {theirs[2]} sources")
    print(f"ratio      {theirs[1] / ours[1]:6.2f} in CPU time")
    print(
        f"{width}x{height}, {platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}, "
        f"numba {numba.__version__}, sep {sep.__version__}, {date.today().isoformat()}"
    )
    if options.profile:
        profile = cProfile.Profile()
        profile.runcall(measure_sub, image, read_noise_e=3.0)
        pstats.Stats(profile).sort_stats("cumulative").print_stats(45)


if __name__ == "__main__":
    main()
