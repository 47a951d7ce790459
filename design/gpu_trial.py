"""What an accelerator would gain: transfer of frames, combination of samples, iterated deconvolution; against two cores.

Run it on a machine with an accelerator and PyTorch: python design/gpu_trial.py
The results of one such run and what follows from them stand in gpu.md.
"""

from __future__ import annotations

import os
import platform
import time
from collections.abc import Callable

import numpy as np
import torch
from scipy import ndimage

HEIGHT, WIDTH = 4176, 6248
ROUNDS = 20


def best(work: Callable[[], object], times: int = 5) -> float:
    """Best wall seconds; the accelerator is waited for."""
    found = []
    for _ in range(times):
        torch.cuda.synchronize()
        began = time.perf_counter()
        work()
        torch.cuda.synchronize()
        found.append(time.perf_counter() - began)
    return min(found)


def richardson_lucy_cpu(image: np.ndarray, sigma: float, rounds: int) -> np.ndarray:
    """The plain loop of Richardson and Lucy with a Gaussian, as the processor does it."""
    estimate = image.copy()
    for _ in range(rounds):
        model = ndimage.gaussian_filter(estimate, sigma, truncate=3.0)
        estimate *= ndimage.gaussian_filter(image / np.maximum(model, 1e-6), sigma, truncate=3.0)
    return estimate


def richardson_lucy_gpu(image: torch.Tensor, sigma: float, rounds: int) -> torch.Tensor:
    """The same on the accelerator, by two one-dimensional convolutions."""
    radius = int(3.0 * sigma + 0.5)
    x = torch.arange(-radius, radius + 1, dtype=torch.float32, device=image.device)
    taps = torch.exp(-0.5 * (x / sigma) ** 2)
    taps = taps / taps.sum()
    across, along = taps.view(1, 1, 1, -1), taps.view(1, 1, -1, 1)

    def blur(plane: torch.Tensor) -> torch.Tensor:
        padded = torch.nn.functional.pad(plane, (radius, radius, radius, radius), mode="reflect")
        return torch.nn.functional.conv2d(torch.nn.functional.conv2d(padded, across), along)

    plane = image.view(1, 1, *image.shape)
    estimate = plane.clone()
    for _ in range(rounds):
        estimate = estimate * blur(plane / torch.clamp(blur(estimate), min=1e-6))
    return estimate.view(*image.shape)


def main() -> None:
    rng = np.random.default_rng(1)
    name = torch.cuda.get_device_name(0)
    print(f"{name}; {os.cpu_count()} cores; Python {platform.python_version()}, torch {torch.__version__}")
    raw = rng.integers(0, 65535, (HEIGHT, WIDTH), dtype=np.uint16).view(np.int16)
    plain = torch.from_numpy(raw)
    pinned = plain.pin_memory()
    print(
        f"one raw of {raw.nbytes / 1e6:.0f} MB to the card, plain memory   {1e3 * best(lambda: plain.to('cuda')):8.2f} ms"
    )
    print(f"the same from pinned memory                     {1e3 * best(lambda: pinned.to('cuda')):8.2f} ms")
    plane = rng.normal(100, 5, (HEIGHT, WIDTH)).astype(np.float32)
    on_card = torch.from_numpy(plane).to("cuda")
    print(f"one float plane back                            {1e3 * best(lambda: on_card.cpu()):8.2f} ms")

    samples, rows = 100, 256
    stack = torch.randn(samples, rows, WIDTH, device="cuda")

    def combine() -> object:
        middle = stack.median(dim=0).values
        keep = (stack - middle).abs() < 4.0
        return (stack * keep).sum(dim=0) / keep.sum(dim=0)

    seconds = best(combine)
    print(f"clipped mean about the median, N = 100, a sample {1e9 * seconds / stack.numel():8.3f} ns")

    image = np.maximum(plane, 1.0)
    gpu_image = torch.from_numpy(image).to("cuda")
    gpu = best(lambda: richardson_lucy_gpu(gpu_image, 1.6, ROUNDS), 3)
    there_and_back = best(lambda: richardson_lucy_gpu(torch.from_numpy(image).to("cuda"), 1.6, ROUNDS).cpu(), 3)
    began = time.perf_counter()
    cpu = richardson_lucy_cpu(image, 1.6, 2)
    two = time.perf_counter() - began
    same = richardson_lucy_gpu(gpu_image, 1.6, 2).cpu().numpy()
    inner = (slice(40, -40), slice(40, -40))
    print(
        f"deconvolution of 26 megapixels, {ROUNDS} rounds, card    {gpu:8.3f} s; with both transfers {there_and_back:.3f} s"
    )
    print(f"the same with SciPy on one core (2 rounds x 10)  {two * ROUNDS / 2:8.1f} s")
    print(f"largest relative difference                      {np.max(np.abs(same[inner] / cpu[inner] - 1)):8.1e}")


if __name__ == "__main__":
    main()
