"""The part of a master's gradient that comes and goes with the sky's brightness: Moon, dawn, haze.

A nebula does not change from sub to sub; the sky does. Each sub's own surface, solved for all subs together, holds its level
and its slopes against the mean. Where the slopes follow the level, the mean's slopes hold a share that the darkest subs do
not have: that share can be taken off a master without any blank sky, and without touching the nebula.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.fold.records import SkySurface

FloatArray = npt.NDArray[np.float64]

LEAST_SUBS = 8
SIGNIFICANT = 4.0
"""Slope against level in units of its error; five terms are tried, so that chance makes one in three thousand masters."""
DARKEST = 0.1
"""The level of the darkest tenth stands for the sky without what comes and goes: one odd sub must not decide."""


@dataclass(frozen=True, slots=True)
class MovingSky:
    """Six coefficients over plain grid pixels (1, x, y, x², xy, y²), electron/s, and how sure its largest slope is."""

    in_pixels: FloatArray
    significance: float


def moving_sky(skies: Sequence[SkySurface], weights: npt.ArrayLike) -> MovingSky | None:
    """The surface that a master's sky has beyond that of its darkest subs; None where nothing of the kind is significant.

    Parameters
    ----------
    skies : sequence of SkySurface
        Of the subs used, on one frame; the weighted sum of each term is zero.
    weights : array, shape (n_subs,)
        The subs' weights.

    Notes
    -----
    Weighted least squares through the mean, c_i = alpha L_i for each slope c against the level L; what the darkest lack of
    it is -alpha L_dark. Levels include each sub's zero point; a drifting one has no slopes and only dilutes alpha.
    """
    share = np.asarray(weights, np.float64)
    table = np.zeros((len(skies), 6))
    for row, sky in zip(table, skies):
        row[: len(sky.coefficients)] = sky.coefficients
    used = share > 0.0
    if int(used.sum()) < LEAST_SUBS:
        return None
    table, share = table[used], share[used] / share[used].sum()
    level, slopes = table[:, 0] - share @ table[:, 0], table[:, 1:] - share @ table[:, 1:]
    power = float(share @ level**2)
    if power <= 0.0:
        return None
    alpha = (share * level) @ slopes / power
    residual = slopes - np.outer(level, alpha)
    # A weighted fit's error from the residuals; the effective number of subs is that of the weights.
    error = np.sqrt((share**2 * level**2) @ residual**2) / power * np.sqrt(len(share) / (len(share) - 2.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        pull = np.where(error > 0.0, np.abs(alpha) / error, 0.0)
    sure = pull > SIGNIFICANT
    if not sure.any():
        return None
    dark = float(np.quantile(level, DARKEST))
    first = skies[int(np.flatnonzero(used)[0])]
    surface = SkySurface(
        coefficients=np.concatenate([[0.0], np.where(sure, -alpha * dark, 0.0)]),
        centre=first.centre,
        radius=first.radius,
    )
    return MovingSky(surface.in_pixels(), float(pull.max()))


def cards_of(sky: MovingSky | None) -> dict[str, str | int | float | bool]:
    """Header cards of a master; none without such a sky."""
    if sky is None:
        return {}
    cards: dict[str, str | int | float | bool] = {f"MOVSKY{i}": float(c) for i, c in enumerate(sky.in_pixels)}
    return cards | {"MOVSKYSN": round(sky.significance, 1)}
