"""The program's own sharpening of 26 megapixels on a card and on the processor: time of both, and how far they are apart.

Run it on a machine with a card and PyTorch: PYTHONPATH=src python design/gpu_sharpen.py
"""

from __future__ import annotations

import os
import time

import numpy as np
import torch
from scipy import ndimage

from nightfold.picture.sharpen import sharpen


def main() -> None:
    rng = np.random.default_rng(8)
    light = 40.0 * ndimage.gaussian_filter(np.clip(rng.normal(size=(4176, 6248)), 0, None) ** 4, 2.0)
    variance = (0.02 + 0.001 * light).astype(np.float32)
    image = (ndimage.gaussian_filter(light, 1.4) + np.sqrt(variance) * rng.normal(size=light.shape)).astype(np.float32)
    sharpen(image[:300, :300], variance[:300, :300], fwhm_px=3.3)
    sharpen(image[:300, :300], variance[:300, :300], fwhm_px=3.3, on_card=True)
    results = {}
    for on_card in (False, True):
        wall, cpu = time.perf_counter(), time.process_time()
        results[on_card] = sharpen(image, variance, fwhm_px=3.3, on_card=on_card)
        print(
            f"{'card' if on_card else 'processor'}: {time.perf_counter() - wall:.2f} s wall, "
            f"{time.process_time() - cpu:.2f} s of the processor"
        )
    apart = float(np.max(np.abs(results[True] - results[False])) / np.max(image))
    print(f"largest difference over the brightest pixel: {apart:.1e}")
    print(f"{torch.cuda.get_device_name(0)}, {os.cpu_count()} cores, torch {torch.__version__}, numpy {np.__version__}")


if __name__ == "__main__":
    main()
