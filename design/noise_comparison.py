"""Our wavelet shrinkage beside non-local means (Buades et al. 2005; scikit-image): noise left, and detail lost at 5 sigma.

Three simulated nebulae under a depth that falls to a quarter towards one side, as at the edge of a dithered master. Non-local means knows one noise level; it is given the image divided by the local sigma, its best case.

Run it with: python design/noise_comparison.py
"""

from __future__ import annotations

import time

import numpy as np
import skimage
from scipy import ndimage
from skimage.restoration import denoise_nl_means

from nightfold.picture.noise import shrink_noise

SHAPE = (600, 800)


def lines(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Truth and where detail is: long, even filaments of 5 sigma peak, the best case for a method that seeks likenesses."""
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    broad = 12.0 * np.exp(-(((x - 400) / 260.0) ** 2 + ((y - 300) / 200.0) ** 2))
    filaments = np.zeros(SHAPE)
    for k in range(14):
        phase, slope = rng.uniform(0, 600), rng.uniform(-0.8, 0.8)
        line = y - phase - slope * (x - 400) - 25 * np.sin(x / rng.uniform(30, 70))
        filaments += 5.0 * np.exp(-0.5 * (line / rng.uniform(1.2, 2.5)) ** 2) * (k % 2 * 2 - 0.5)
    return broad + filaments, np.abs(filaments) > 2.5


def cloud(rng: np.random.Generator, slope: float) -> tuple[np.ndarray, np.ndarray]:
    """Truth and where detail is: a log-normal field of a power law, seen through the air, as interstellar clouds are."""
    waves = np.fft.rfft2(rng.normal(size=SHAPE))
    frequency = np.hypot(np.fft.fftfreq(SHAPE[0])[:, None], np.fft.rfftfreq(SHAPE[1])[None])
    frequency[0, 0] = 1.0
    field = np.fft.irfft2(waves * frequency**-slope * np.exp(-((frequency / 0.18) ** 2)), SHAPE)
    truth = 10.0 * np.exp(0.8 * (field - field.mean()) / field.std())
    return truth, np.abs(truth - ndimage.gaussian_filter(truth, 4.0)) > 1.0


def told(name: str, made: np.ndarray, truth: np.ndarray, sigma: np.ndarray, edge: np.ndarray, seconds: float) -> None:
    error = made - truth
    blank = ndimage.minimum_filter(~edge, 9)
    wide = ndimage.gaussian_filter(truth, 8.0)
    slope = float(np.sum((made - wide)[edge] * (truth - wide)[edge]) / np.sum((truth - wide)[edge] ** 2))
    print(
        f"{name:34s} noise left {np.std(error[blank] / sigma[blank]):.3f}  rms error at filaments "
        f"{np.std(error[edge] / sigma[edge]):.3f}  filaments keep {100 * slope:.0f} %  {seconds:.2f} s"
    )


def main() -> None:
    rng = np.random.default_rng(5)
    x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]][1]
    sigma = np.where(x < 400, 1.0, 1.0 + (x - 400) / 400.0)
    variance = (sigma**2).astype(np.float32)
    print(f"scikit-image {skimage.__version__}, {SHAPE[1]}x{SHAPE[0]} pixels")
    for name, (truth, edge) in (
        ("lines", lines(rng)),
        ("rough cloud", cloud(rng, 1.5)),
        ("soft cloud", cloud(rng, 1.9)),
    ):
        print(name)
        image = (truth + sigma * rng.normal(size=SHAPE)).astype(np.float32)
        told("untouched", image, truth, sigma, edge, 0.0)
        for strengths in ((1.6, 1.6, 1.5, 1.3, 1.3), (2.2, 2.2, 2.0, 1.5, 1.5)):
            began = time.perf_counter()
            made = shrink_noise(image, variance, strengths=strengths)
            told(f"wavelet shrinkage {strengths[0]:g}", made, truth, sigma, edge, time.perf_counter() - began)
        even = (image / sigma).astype(np.float32)
        for h in (0.6, 0.8, 1.0):
            began = time.perf_counter()
            made = sigma * denoise_nl_means(even, patch_size=5, patch_distance=6, h=h, sigma=1.0, fast_mode=True)
            told(f"non-local means, h {h:g} sigma", made, truth, sigma, edge, time.perf_counter() - began)


if __name__ == "__main__":
    main()
