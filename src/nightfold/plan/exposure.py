"""How long a sub shall be: what each length costs in hours for the same depth, what it burns out, and a length with its reason.

There is no rule in here, only the count: subs of a length have a noise, a goal needs so many of them, each costs its
exposure and what stands around it, and some are lost. The curve is flat over a wide range; the advice is the shortest
length on the flat, because short subs lose less to a gust, keep more stars and leave more subs to reject outliers with.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import erf

from nightfold.errors import SettingsError
from nightfold.units import FWHM_PER_SIGMA

__all__ = ["Advice", "SubConditions", "SubCost", "advise", "peak_share", "saturation_s", "sub_costs"]

FloatArray = npt.NDArray[np.float64]

LENGTHS_S = (1, 2, 3, 5, 10, 15, 20, 30, 45, 60, 90, 120, 150, 180, 240, 300, 360, 420, 480, 600, 720, 900, 1200, 1800)
"""Lengths that are offered: round numbers that darks can be kept for."""

FLAT_SHARE = 0.05
"""Lengths whose hours are within this share of the least cost count as equal."""

SKY_SHARE_OF_WELL = 0.3
"""The sky alone may fill so much of the well (common practice, no source): above it stars and nebula have no room."""


@dataclass(frozen=True)
class SubConditions:
    """One filter on one rig under one sky.

    Parameters
    ----------
    signal_e_per_s, sky_e_per_s, dark_e_per_s : float
        Per pixel: the goal's surface brightness, the sky and dark current.
    read_noise_e, full_well_e : float
        Per pixel and sub.
    overhead_s : float
        Spent per sub without light: download, dither and settling shared over the subs between dithers.
    lost_per_hour : float
        How often an hour of exposing meets something that spoils the sub at hand (a gust, a satellite's flare, a cloud).
    least_subs : int
        Fewer subs than this leave rejection nothing to compare with.
    snr, box_px : float
        The goal: signal-to-noise in a box of so many pixels.
    """

    signal_e_per_s: float
    sky_e_per_s: float
    read_noise_e: float
    dark_e_per_s: float = 0.0
    full_well_e: float = float("inf")
    overhead_s: float = 0.0
    lost_per_hour: float = 0.0
    least_subs: int = 15
    snr: float = 10.0
    box_px: float = 100.0

    def __post_init__(self) -> None:
        for name in ("signal_e_per_s", "read_noise_e", "snr", "box_px"):
            value = getattr(self, name)
            if not value > 0:
                raise SettingsError(
                    f"{name} must be known to weigh sub lengths",
                    seen=f"{value:g}",
                    allowed="more than 0",
                    next_step="fill in the rig's camera and the goal",
                )


@dataclass(frozen=True)
class SubCost:
    """What one sub length costs."""

    sub_s: float
    subs: int
    hours: float
    """On the clock, from first to last sub, lost ones and overhead included."""
    exposure_hours: float
    read_noise_penalty: float
    """By how much read-out raises the noise of a sub above that of its photons."""
    sky_share_of_well: float
    saturated_stars: int
    lost_share: float
    gigabytes: float


@dataclass(frozen=True)
class Advice:
    """A recommended length in seconds, its range, why, and the whole table."""

    recommended_s: float
    least_s: float
    most_s: float
    why: str
    table: tuple[SubCost, ...]


def peak_share(fwhm_px: float) -> float:
    """Share of a Gaussian star's light in the pixel at its centre; the most a pixel can get."""
    sigma = fwhm_px / FWHM_PER_SIGMA
    return float(erf(0.5 / (np.sqrt(2.0) * sigma)) ** 2)


def saturation_s(star_e_per_s: npt.ArrayLike, *, fwhm_px: float, sky_e_per_s: float, full_well_e: float) -> FloatArray:
    """Exposure at which a star's central pixel fills the well, seconds; seeing and centring only make it longer."""
    rate = np.asarray(star_e_per_s, dtype=np.float64) * peak_share(fwhm_px) + sky_e_per_s
    with np.errstate(divide="ignore"):
        return np.asarray(full_well_e / rate)


def _subs_needed(sub_s: float, c: SubConditions) -> float:
    """Subs for the goal, not rounded: snr^2 ((s + b + d) t + R^2) / (m s^2 t^2)."""
    variance = (c.signal_e_per_s + c.sky_e_per_s + c.dark_e_per_s) * sub_s + c.read_noise_e**2
    return c.snr**2 * variance / (c.box_px * (c.signal_e_per_s * sub_s) ** 2)


def sub_costs(
    lengths_s: Sequence[float],
    conditions: SubConditions,
    *,
    star_e_per_s: npt.ArrayLike = (),
    fwhm_px: float = 2.5,
    bytes_per_sub: float = 0.0,
) -> tuple[SubCost, ...]:
    """The table behind the advice, one row for each length.

    `star_e_per_s` are the catalogue stars of the field through this filter, to count those that burn out.
    """
    c = conditions
    full_s = saturation_s(star_e_per_s, fwhm_px=fwhm_px, sky_e_per_s=c.sky_e_per_s, full_well_e=c.full_well_e)
    rows = []
    for sub_s in lengths_s:
        lost = 1.0 - float(np.exp(-c.lost_per_hour * sub_s / 3600.0))
        kept = max(int(np.ceil(_subs_needed(sub_s, c) - 1e-9)), c.least_subs)
        taken = int(np.ceil(kept / (1.0 - lost) - 1e-9)) if lost < 1.0 else 10**9
        photons = (c.sky_e_per_s + c.dark_e_per_s) * sub_s
        rows.append(
            SubCost(
                sub_s=float(sub_s),
                subs=taken,
                hours=taken * (sub_s + c.overhead_s) / 3600.0,
                exposure_hours=taken * sub_s / 3600.0,
                read_noise_penalty=float(np.sqrt(1.0 + c.read_noise_e**2 / photons) - 1.0) if photons > 0 else np.inf,
                sky_share_of_well=c.sky_e_per_s * sub_s / c.full_well_e,
                saturated_stars=int(np.count_nonzero(full_s < sub_s)),
                lost_share=lost,
                gigabytes=taken * bytes_per_sub / 1e9,
            )
        )
    return tuple(rows)


def advise(
    conditions: SubConditions,
    *,
    star_e_per_s: npt.ArrayLike = (),
    fwhm_px: float = 2.5,
    tracking_limit_s: float | None = None,
    bytes_per_sub: float = 0.0,
    lengths_s: Sequence[float] = LENGTHS_S,
) -> Advice:
    """A sub length, with the reason.

    The least hours over all lengths that tracking and the well allow set the flat; the shortest length within 5 % of them
    is recommended. `least_s` and `most_s` are the ends of the flat within those limits.
    """
    table = sub_costs(lengths_s, conditions, star_e_per_s=star_e_per_s, fwhm_px=fwhm_px, bytes_per_sub=bytes_per_sub)
    limit_s, limited_by = np.inf, ""
    if tracking_limit_s is not None:
        limit_s, limited_by = tracking_limit_s, "tracking"
    well_s = (
        SKY_SHARE_OF_WELL * conditions.full_well_e / conditions.sky_e_per_s if conditions.sky_e_per_s > 0 else np.inf
    )
    if well_s < limit_s:
        limit_s, limited_by = well_s, "the sky in the well"
    allowed = [row for row in table if row.sub_s <= limit_s] or [min(table, key=lambda r: r.sub_s)]
    best = min(row.hours for row in allowed)
    flat = [row for row in allowed if row.hours <= best * (1.0 + FLAT_SHARE)]
    chosen = min(flat, key=lambda r: r.sub_s)
    return Advice(
        recommended_s=chosen.sub_s,
        least_s=chosen.sub_s,
        most_s=max(r.sub_s for r in flat),
        why=_reason(chosen, best, table, limit_s, limited_by),
        table=table,
    )


def _reason(chosen: SubCost, best: float, table: Sequence[SubCost], limit_s: float, limited_by: str) -> str:
    """One sentence or two: what shorter and longer subs would cost."""
    parts = [f"{chosen.hours:.1f} h for the goal, {100 * (chosen.hours / best - 1):.0f} % above the least"]
    shorter = [r for r in table if r.sub_s < chosen.sub_s]
    if shorter:
        row = max(shorter, key=lambda r: r.sub_s)
        parts.append(f"{row.sub_s:g} s would take {row.hours:.1f} h, for read noise and the time between subs")
    longer = [r for r in table if r.sub_s > chosen.sub_s]
    if longer:
        row = min(longer, key=lambda r: r.sub_s)
        if row.sub_s > limit_s:
            parts.append(f"{row.sub_s:g} s is more than {limited_by} allows ({limit_s:.0f} s)")
        elif row.saturated_stars > chosen.saturated_stars:
            parts.append(f"{row.sub_s:g} s burns out {row.saturated_stars} stars instead of {chosen.saturated_stars}")
        else:
            parts.append(f"{row.sub_s:g} s would take {row.hours:.1f} h and lose more to each spoilt sub")
    return "; ".join(parts)
