"""Readings into verdicts: what each sub is worth, whether the master is better without it, and why.

The question behind keep and drop is value. A sub's worth is the figure of merit q: the squared signal-to-noise of a
faint blob of the finest wanted detail, seen through that sub's own star profile,

    q = (T t)^2 / (variance of the pixel) / (detail^2 + fwhm^2),

with T the transparency, t the exposure and the pixel's variance from sky, dark current and read noise. A master that is
weighted by inverse variance is hardly hurt by a sub of little worth, so a sub is dropped only where its worth is next to
nothing, or where it does damage that weights cannot mend: stars out of shape beyond what the campaign's own spread and a
physical floor allow, no place on the grid, saturation, or frames that are of something else. Each cause comes with the
number that decided.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from nightfold.robust import mad_sigma

FloatArray = npt.NDArray[np.float64]
Cause = Literal[
    "cloud", "trailing", "focus", "seeing", "sky-glow", "dew", "pointing", "wrong-frame", "sensor", "overexposed",
    "unreadable", "person",
]  # fmt: skip

WORTH_FLOOR = 0.15
"""A sub worth less than this share of a good one is dropped: a weight this small no longer pays for its risks."""

BLUR_FLOOR = 1.5
"""A star wider than this many times the campaign's usual width is blur, however the campaign scatters."""

TRAIL_FLOOR = 0.35
"""An axis ratio below 0.65 is a trail on any rig (the stars are a third longer than wide)."""

OVERLAP_FLOOR = 0.4
"""A sub that shares less than this of the reference's field would cost more edge than it brings depth."""

SATURATED_CEILING = 0.02
"""A sub with more than this share of its pixels at the ceiling is overexposed: dawn, a lamp, an open dome."""

MIN_STARS = 6
"""Fewer stars than this cannot carry a registration."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SubFacts:
    """What the verdict on one sub is made from; NaN or None where not known."""

    frame_id: int
    exposure_s: float
    star_count: int
    sky_e_per_s: float
    noise_e: float  # expected pixel noise of blank sky from photons, dark current and read-out
    fwhm_px: float
    half_flux_radius_px: float
    ellipticity: float
    ellipticity_angle_deg: float
    saturated_fraction: float
    transparency: float  # against the fixed reference, air mass removed
    scale: float  # the same with air mass left in
    placed: bool
    place_reason: str = ""
    overlap: float = 1.0  # shared part of the reference's field
    unreadable: str = ""
    sensor_c: float | None = None
    set_point_c: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Keep or drop with its causes, and the sub's worth against a good sub of the same filter."""

    frame_id: int
    keep: bool
    worth: float  # q over the reference q; 0 for a frame that cannot be used
    causes: tuple[tuple[Cause, str], ...] = field(default=())


def figure_of_merit(
    *, scale: npt.ArrayLike, exposure_s: npt.ArrayLike, noise_e: npt.ArrayLike, fwhm_px: npt.ArrayLike, detail_px: float
) -> FloatArray:
    """q of each sub, in arbitrary but common units; NaN where an ingredient is missing."""
    signal = np.asarray(scale, dtype=np.float64) * np.asarray(exposure_s, dtype=np.float64)
    variance = np.asarray(noise_e, dtype=np.float64) ** 2
    area = detail_px**2 + np.asarray(fwhm_px, dtype=np.float64) ** 2
    return np.asarray(signal**2 / variance / area)


def judge_subs(subs: Sequence[SubFacts], *, detail_px: float | None = None) -> list[Verdict]:
    """Verdicts on the subs of one target, rig and filter, in the order given.

    Parameters
    ----------
    subs : sequence of SubFacts
        All the subs of the group, of all nights: the campaign's own spread sets the limits.
    detail_px : float, optional
        FWHM of the finest detail that is wanted; twice the usual star width when not given.
    """
    if not subs:
        return []
    usable = np.array([_usable(s) for s in subs])
    fwhm = np.array([s.fwhm_px for s in subs])
    usual_fwhm = _lower_half_median(fwhm[usable])
    detail = detail_px if detail_px is not None else 2.0 * usual_fwhm
    q = figure_of_merit(
        scale=[s.scale for s in subs],
        exposure_s=[s.exposure_s for s in subs],
        noise_e=[s.noise_e for s in subs],
        fwhm_px=fwhm,
        detail_px=detail,
    )
    rate = q / np.array([max(s.exposure_s, 1e-9) for s in subs])
    # A good sub: the upper quarter, which a night of cloud in the majority does not pull down.
    good_rate = float(np.nanpercentile(rate[usable], 75)) if usable.any() else float("nan")
    usual = _Usual.of([s for s, ok in zip(subs, usable) if ok], usual_fwhm)
    return [_verdict(s, float(r / good_rate) if good_rate > 0 else float("nan"), usual) for s, r in zip(subs, rate)]


@dataclass(frozen=True, slots=True)
class _Usual:
    """The campaign's own centre and spread of what is judged."""

    fwhm_px: float
    fwhm_spread: float
    ellipticity: float
    ellipticity_spread: float
    sky_e_per_s: float
    transparency: float
    star_count: float

    @classmethod
    def of(cls, subs: Sequence[SubFacts], fwhm_px: float) -> _Usual:
        def spread(values: list[float]) -> float:
            # With fewer than five subs their own spread says nothing; the physical floors alone decide.
            finite = [v for v in values if np.isfinite(v)]
            return float(mad_sigma(finite)) if len(finite) >= 5 else 0.0

        ellipticity = [s.ellipticity for s in subs]
        return cls(
            fwhm_px=fwhm_px,
            fwhm_spread=spread([s.fwhm_px for s in subs]),
            ellipticity=_lower_half_median(np.array(ellipticity)),
            ellipticity_spread=spread(ellipticity),
            sky_e_per_s=_lower_half_median(np.array([s.sky_e_per_s for s in subs])),
            transparency=float(np.nanpercentile([s.transparency for s in subs], 75)) if subs else float("nan"),
            star_count=float(np.median([s.star_count for s in subs])) if subs else float("nan"),
        )


def _usable(sub: SubFacts) -> bool:
    return (
        not sub.unreadable
        and sub.placed
        and sub.star_count >= MIN_STARS
        and np.isfinite(sub.fwhm_px)
        and np.isfinite(sub.scale)
        and sub.scale > 0
    )


def _lower_half_median(values: FloatArray) -> float:
    """Centre of the better half (small is good): stands firm while up to half of the subs are spoilt."""
    finite = np.sort(values[np.isfinite(values)])
    if finite.size == 0:
        return float("nan")
    return float(np.median(finite[: max(1, (3 * finite.size + 3) // 4)]))


def _verdict(sub: SubFacts, worth: float, usual: _Usual) -> Verdict:
    """The verdict on one sub; the first cause listed is the one that weighs most."""
    if sub.unreadable:
        return Verdict(frame_id=sub.frame_id, keep=False, worth=0.0, causes=(("unreadable", sub.unreadable),))
    if sub.saturated_fraction > SATURATED_CEILING:
        text = f"{100 * sub.saturated_fraction:.1f} % of the pixels are at the ceiling (at most {100 * SATURATED_CEILING:.0f} %)"
        return Verdict(frame_id=sub.frame_id, keep=False, worth=0.0, causes=(("overexposed", text),))
    if not _usable(sub):
        return Verdict(frame_id=sub.frame_id, keep=False, worth=0.0, causes=(_why_unusable(sub, usual),))
    causes = [*_damage(sub, usual)]
    damaged = bool(causes)
    if sub.overlap < OVERLAP_FLOOR:
        damaged = True
        causes.append(("pointing", f"shares only {100 * sub.overlap:.0f} % of the reference's field"))
    if not np.isfinite(worth):
        worth = 1.0
    if worth < WORTH_FLOOR and not damaged:
        causes = [_costliest(sub, usual, worth)]
    keep = not damaged and worth >= WORTH_FLOOR
    return Verdict(frame_id=sub.frame_id, keep=keep, worth=float(min(worth, 9.99)), causes=tuple(causes))


def _damage(sub: SubFacts, usual: _Usual) -> list[tuple[Cause, str]]:
    """Shapes that no weight can mend: trailed or blurred stars."""
    found: list[tuple[Cause, str]] = []
    trail_limit = max(TRAIL_FLOOR, usual.ellipticity + 5.0 * usual.ellipticity_spread)
    if sub.ellipticity > trail_limit:
        text = f"stars are drawn out: ellipticity {sub.ellipticity:.2f} (usual {usual.ellipticity:.2f}, limit {trail_limit:.2f})"
        if np.isfinite(sub.ellipticity_angle_deg):
            text += f", along {sub.ellipticity_angle_deg:.0f}°"
        found.append(("trailing", text))
    blur_limit = max(BLUR_FLOOR * usual.fwhm_px, usual.fwhm_px + 5.0 * usual.fwhm_spread)
    if sub.fwhm_px > blur_limit and not found:
        text = f"stars are {sub.fwhm_px / usual.fwhm_px:.2f} times as wide as usual ({sub.fwhm_px:.1f} px against {usual.fwhm_px:.1f} px)"
        found.append(("focus", text))
    return found


def _why_unusable(sub: SubFacts, usual: _Usual) -> tuple[Cause, str]:
    """The likeliest reason that a sub cannot be placed."""
    if sub.star_count < MIN_STARS:
        if np.isfinite(usual.star_count) and usual.star_count >= 4 * MIN_STARS:
            return (
                "cloud",
                f"{sub.star_count} stars where {usual.star_count:.0f} are usual: thick cloud or a covered tube",
            )
        return ("wrong-frame", f"{sub.star_count} stars found; at least {MIN_STARS} are needed to place it")
    return ("pointing", sub.place_reason or "could not be matched to the reference")


def _costliest(sub: SubFacts, usual: _Usual, worth: float) -> tuple[Cause, str]:
    """Which factor of the worth took most, by -ln of each."""
    transparency = sub.transparency / usual.transparency if usual.transparency > 0 else 1.0
    sky = usual.sky_e_per_s / sub.sky_e_per_s if sub.sky_e_per_s > 0 else 1.0
    blur = (5.0 * usual.fwhm_px**2) / (4.0 * usual.fwhm_px**2 + sub.fwhm_px**2)
    losses: dict[Cause, float] = {
        "cloud": -2.0 * np.log(max(transparency, 1e-6)),
        "sky-glow": -np.log(max(sky, 1e-6)),
        "focus": -np.log(max(blur, 1e-6)),
    }
    cause = max(losses, key=lambda name: losses[name])
    text = {
        "cloud": f"stars at {100 * transparency:.0f} % of this campaign's good subs",
        "sky-glow": f"sky {1 / max(sky, 1e-6):.1f} times as bright as usual",
        "focus": f"stars {sub.fwhm_px / usual.fwhm_px:.2f} times as wide as usual",
    }[cause]
    return (cause, f"{text}; worth {100 * worth:.0f} % of a good sub")
