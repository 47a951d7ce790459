"""Nights compared, and sharper or deeper, from weights and widths alone: nothing is folded again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

KEPT_SHARES = (1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3)


@dataclass(frozen=True, slots=True, kw_only=True)
class NightFigure:
    """What one night gives to a filter, and what the master would be without it.

    `snr_without` and `fwhm_without` are changes relative to the master of all nights: -0.2 loses a fifth of the signal-to-noise.
    """

    target: str | None
    rig: str | None
    filter: str | None
    night: str | None
    subs: int
    hours: float
    share: float  # of the summed weight
    fwhm_px: float | None
    snr_without: float | None
    fwhm_without: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """A master of the sharpest subs alone: their share, its signal-to-noise on large areas against all subs, and its width."""

    target: str | None
    rig: str | None
    filter: str | None
    kept_share: float
    subs: int
    snr_relative: float
    fwhm_px: float


def compare_nights(
    nights: Sequence[str | None], exposure_s: FloatArray, p: FloatArray, axis_px: FloatArray
) -> list[tuple[str | None, int, float, float, float, float, float]]:
    """For each night in order: its name, subs, hours, share of weight, FWHM, and relative changes of SNR and FWHM without it.

    `p` is each kept sub's inverse variance at equal signal, `axis_px` its FWHM. SNR on large areas goes as the root of the summed
    p; a master's squared width is the mean of the subs' squared widths under their weights. NaN for the changes of a lone night.
    """
    total, moment = float(p.sum()), float((p * axis_px**2).sum())
    found = []
    for name in sorted(set(nights), key=lambda n: n or ""):
        mine = np.array([n == name for n in nights])
        own, own_moment = float(p[mine].sum()), float((p[mine] * axis_px[mine] ** 2).sum())
        rest, rest_moment = total - own, moment - own_moment
        lone = not rest > 1e-12 * total
        found.append(
            (
                name,
                int(mine.sum()),
                float(exposure_s[mine].sum()) / 3600.0,
                own / total if total > 0 else float("nan"),
                float(np.sqrt(own_moment / own)) if own > 0 else float("nan"),
                float("nan") if lone else float(np.sqrt(rest / total)) - 1.0,
                float("nan") if lone else float(np.sqrt((rest_moment / rest) / (moment / total))) - 1.0,
            )
        )
    return found


def sharper_or_deeper(p: FloatArray, axis_px: FloatArray) -> list[tuple[float, int, float, float]]:
    """Masters of the sharpest subs: share kept, subs, SNR relative to all, FWHM."""
    order = np.argsort(axis_px, kind="stable")
    weight, moment = np.cumsum(p[order]), np.cumsum((p * axis_px**2)[order])
    found: list[tuple[float, int, float, float]] = []
    for share in KEPT_SHARES:
        n = max(1, round(share * len(p)))
        if found and found[-1][1] == n:
            continue
        found.append(
            (share, n, float(np.sqrt(weight[n - 1] / weight[-1])), float(np.sqrt(moment[n - 1] / weight[n - 1])))
        )
    return found
