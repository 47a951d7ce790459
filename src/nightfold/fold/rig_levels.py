"""How much more light one rig takes from the same stars than another: what brings their subs to one level in one master.

Verdicts' scales are told rig by rig, each against its own reference sub. Where subs of several rigs go into one master,
the same stars on the grid tell the ratio of the references: aperture, transmission and sensor in one number.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.errors import FoldError
from nightfold.judge.transparency import cross_match, rate_table, solve_scales, trusted

FloatArray = npt.NDArray[np.float64]

SUBS_A_RIG = 4
"""Subs of each rig that are compared: those with the most stars."""
LEAST_STARS = 5
"""Stars that two rigs must have in common."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RigStars:
    """The clean stars of one sub: places on the grid, rates (e/s of the whole star) with errors, and the sub's own scale."""

    rig: str
    xy: FloatArray
    rate: FloatArray
    error: FloatArray
    scale: float
    fwhm_px: float
    width_nm: float | None = None


def rig_levels(subs: Sequence[RigStars], base: str) -> dict[str, float]:
    """Signal of each rig's reference sub over that of the base's, for light of one brightness per nm of the filter.

    Parameters
    ----------
    subs : sequence of RigStars
        Subs of all rigs, the base's among them.
    base : str
        The rig whose level is 1.

    Returns
    -------
    dict
        By rig. A sub's scale in the common master is its own scale times its rig's level.

    Notes
    -----
    Star-flux ratios are solved jointly (`nightfold.judge.transparency`) and each sub's own scale is taken off; the median over
    a rig's subs counts. Stars shine through the whole width of a filter: where two rigs' filters of one name have different
    widths, the ratio is divided by that of the widths, so that the light of a line within both keeps its level.

    Raises
    ------
    FoldError
        A rig has too few stars in common with the base.
    """
    chosen: list[RigStars] = []
    for rig in dict.fromkeys([base, *(s.rig for s in subs)]):
        own = sorted((s for s in subs if s.rig == rig), key=lambda s: -len(s.rate))
        chosen += own[:SUBS_A_RIG]
    widest = max((s.fwhm_px for s in chosen if np.isfinite(s.fwhm_px)), default=3.0)
    members = cross_match([s.xy for s in chosen], radius_px=1.0 + 0.5 * widest)
    rate, error = rate_table(members, [s.rate for s in chosen], [s.error for s in chosen])
    rigs = list(dict.fromkeys(s.rig for s in chosen))
    seen = {rig: np.isfinite(rate[[s.rig == rig for s in chosen]]).any(axis=0) for rig in rigs}
    for rig in rigs:
        shared = int(np.count_nonzero(seen[base] & seen[rig]))
        if shared < LEAST_STARS:
            raise _apart(rig, base, shared)
    with np.errstate(invalid="ignore"):
        speaking = np.where(trusted(rate, error, 0), rate, np.nan)
    scales, _ = solve_scales(speaking, error, 0)
    level = {rig: _level_of(rig, chosen, scales) / _level_of(base, chosen, scales) for rig in rigs}
    for rig in rigs:
        if not (np.isfinite(level[rig]) and level[rig] > 0.0):
            raise _apart(rig, base, int(np.count_nonzero(seen[base] & seen[rig])))
    widths = {s.rig: s.width_nm for s in chosen}
    for rig in level:
        wide, narrow = widths[rig], widths[base]
        if wide and narrow:
            level[rig] /= wide / narrow
    return level


def _level_of(rig: str, subs: Sequence[RigStars], scales: FloatArray) -> float:
    ratios = [float(scale) / s.scale for s, scale in zip(subs, scales) if s.rig == rig and np.isfinite(scale)]
    return float(np.median(ratios)) if ratios else float("nan")


def _apart(rig: str, base: str, shared: int) -> FoldError:
    return FoldError(
        f"{rig} and {base} cannot be brought to one level",
        seen=f"{shared} clean stars in common",
        allowed=f"{LEAST_STARS} and more, bright enough in both",
        next_step="fold one master per rig, without --combine-rigs",
    )
