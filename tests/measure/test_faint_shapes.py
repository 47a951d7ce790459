"""Star widths under a dark sky, where the wings weigh most: no profile may be taken for granted."""

from __future__ import annotations

import math

import numpy as np
import pytest

from nightfold.measure.core import measure_sub


@pytest.mark.parametrize("profile", ["gaussian", "moffat"])
@pytest.mark.parametrize("peak_e", [60.0, 25.0])
def test_faint_stars_are_as_wide_as_they_are(profile: str, peak_e: float) -> None:
    # Point-sampled profiles of FWHM 3.53 px, closed form; readings take the pixel's own width (0.68 px) off in quadrature.
    rng = np.random.default_rng(1)
    y, x = np.mgrid[0:320, 0:480]
    scale = (3.53 / 2.0) ** 2 / (2.0 ** (1.0 / 3.0) - 1.0)
    light = np.ones(x.shape)
    for _ in range(60):
        r2 = (x - rng.uniform(0, 480)) ** 2 + (y - rng.uniform(0, 320)) ** 2
        light += peak_e * (np.exp(-r2 / 4.5) if profile == "gaussian" else (1.0 + r2 / scale) ** -3)
    image = rng.poisson(light) + rng.normal(0.0, 0.5, x.shape)
    reading = measure_sub(image.astype(np.float32), read_noise_e=0.5)
    assert reading.fwhm_px == pytest.approx(math.sqrt(3.53**2 - 0.68**2), rel=0.05)
