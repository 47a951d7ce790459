"""Less noise, detail kept: wavelet planes shrunk where they hold no more than the noise that the variance plane tells.

Each coefficient is multiplied by S / (S + N), at least by a small floor: N is the plane's noise power and S the power of
the signal there, taken as the mean square around it less k^2 N. With k = 1 this is the local Wiener filter (Lee 1980,
IEEE PAMI 2, 165; for wavelets Mihcak et al. 1999, IEEE SPL 6, 300); a greater k leaves less noise behind. What stands
clear of the noise passes nearly whole; where depth differs across the frame, so do the noise and the shrinking.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from nightfold.kernels.wavelets import add_shrunk, squared_difference
from nightfold.picture.wavelets import noise_factors, reach_px, smooth
from nightfold.units import SIGMA_PER_MAD

Plane32 = npt.NDArray[np.float32]

LEVELS = 5
LEAST_KEPT = 0.12
"""Share of pure noise that stays, so that smooth parts do not look like plastic. Our choice."""


def noise_apron_px(levels: int = LEVELS) -> int:
    """The apron that `shrink_noise` needs around a tile."""
    return reach_px(levels) + (4 << (levels - 1))


def measured_noise(image: Plane32, variance: Plane32, levels: int = LEVELS) -> tuple[float, ...]:
    """Noise of each detail plane over what white noise of this variance would have, near 1.

    Resampling moves noise from fine planes to broad ones, and the sky's own unrest adds to the latter. Measured by the
    median absolute coefficient over its expected sigma, on the quarter of the pixels of lowest smooth brightness, where
    nebula counts least.
    """
    fine = np.ascontiguousarray(image, np.float32)
    local = np.sqrt(smooth(smooth(np.ascontiguousarray(variance, np.float32), 0), 1))
    step = max(1, int(np.sqrt(image.size / 250_000)))
    spots = (slice(None, None, step), slice(None, None, step))
    pulls = []
    for level, factor in enumerate(noise_factors(levels)):
        broad = smooth(fine, level)
        pulls.append((fine[spots] - broad[spots]) / (np.float32(factor) * np.maximum(local[spots], 1e-30)))
        fine = broad
    rest = fine[spots]
    dark = rest <= np.quantile(rest, 0.25)
    ratios = [float(SIGMA_PER_MAD * np.median(np.abs(p[dark]))) for p in pulls]
    # Nebula feigns noise in the broad planes: none is believed to have more than a quarter more than the plane before.
    for i in range(1, levels):
        ratios[i] = min(ratios[i], 1.25 * ratios[i - 1])
    return tuple(ratios)


def shrink_noise(
    image: Plane32,
    variance: Plane32,
    *,
    strengths: Sequence[float],
    ratios: Sequence[float] | None = None,
    least_kept: float = LEAST_KEPT,
) -> Plane32:
    """The image with its noise shrunk.

    Parameters
    ----------
    image, variance : float32 (height, width), no NaN
        Any linear unit, and its square.
    strengths : sequence of float
        Of each detail plane, finest first, in sigma (the k above): detail whose mean square is (strength sigma)^2 or less
        goes down to `least_kept`; 0 leaves a plane alone.
    ratios : sequence of float, optional
        The planes' noise over white noise (`measured_noise`); ones when left out.
    """
    levels = len(strengths)
    known = tuple(ratios) if ratios is not None else (1.0,) * levels
    local = smooth(smooth(np.ascontiguousarray(variance, np.float32), 0), 1)
    fine = np.ascontiguousarray(image, np.float32)
    out = np.zeros(image.shape, np.float32)
    energy = np.empty(image.shape, np.float32)
    for level, factor in enumerate(noise_factors(levels)):
        broad = smooth(fine, level)
        if strengths[level] > 0:
            squared_difference(fine, broad, energy)
            noise, margin = (factor * known[level]) ** 2, strengths[level] ** 2
            add_shrunk(
                fine,
                broad,
                smooth(energy, level),
                local,
                np.float32(noise),
                np.float32(margin),
                np.float32(least_kept),
                out,
            )
        else:
            out += fine - broad
        fine = broad
    out += fine
    return out
