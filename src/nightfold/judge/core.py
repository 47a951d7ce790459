"""Readings into verdicts: what each sub is worth, whether the master is better without it, and why.

The question behind keep and drop is value. Weights mend noise, so a dim or bright-skied sub is dropped only where its worth is
next to nothing; weights do not mend width, so a sub whose stars are wider or longer than the rest is dropped where the master
is better without it (`value.harmful`). Frames of something else, without a place on the grid, or saturated cannot be mended at
all. Each cause is told apart by evidence (`causes`) and comes with the number that decided.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from nightfold.judge import camera
from nightfold.judge import causes as why
from nightfold.judge.records import Cause, Factors, FieldShape, SubFacts, Verdict
from nightfold.judge.usual import MIN_STARS, Mark, Story, Usual, usable, with_rig_settings
from nightfold.judge.value import figure_of_merit, harmful, weight_of

__all__ = [
    "MIN_STARS",
    "Cause",
    "FieldShape",
    "SubFacts",
    "Verdict",
    "figure_of_merit",
    "judge_groups",
    "judge_subs",
]

FloatArray = npt.NDArray[np.float64]

WORTH_FLOORS = (0.15, 0.12, 0.1, 0.075)
"""A sub worth less than the first of these shares of a good one at which all of these together are worth no more than
`GIVEN_UP` of the group is dropped: one small weight does not pay for its risks, a moonlit month of them does."""

NOTHING_WORTH = 0.05
"""Below this share a sub is dropped in any case."""

GIVEN_UP = 0.02

OVERLAP_FLOOR = 0.4
"""A sub that shares less than this of the reference's field would cost more edge than it brings depth."""

SATURATED_CEILING = 0.02
"""A sub with more than this share of its pixels at the ceiling is overexposed: dawn, a lamp, an open dome."""

TOLD_FACTOR = 0.8
"""A factor that takes less than a fifth of a sub's worth is not told as a cause; it still counts among the losses."""

TOLD_WIDTH = 1.25
"""Stars less than a quarter wider than usual are not told."""

LONG_SUB_SHARE = 0.05
"""Subs are long enough where read-out brings a twentieth of the variance; what it takes beyond is lost to short subs."""


def judge_subs(subs: Sequence[SubFacts], *, detail_px: float | None = None) -> list[Verdict]:
    """Verdicts on the subs of one target, rig and filter, in the order given.

    Parameters
    ----------
    subs : sequence of SubFacts
        All the subs of the group, of all nights: the campaign's own spread sets the limits.
    detail_px : float, optional
        FWHM of the finest detail that is wanted; twice the usual star width when not given.
    """
    return judge_groups([subs], details_px=[detail_px])[0]


def judge_groups(
    groups: Sequence[Sequence[SubFacts]], *, details_px: Sequence[float | None] | None = None
) -> list[list[Verdict]]:
    """Verdicts on several groups (target, rig, filter) that share their nights, group by group.

    What one rig saw is evidence for what befell the other, so groups are looked at together.
    """
    usuals = with_rig_settings(groups, [Usual.of([s for s in subs if usable(s)]) for subs in groups])
    details = details_px if details_px is not None else [None] * len(groups)
    bests = _best_of_night(groups, usuals)
    story = _story(groups, usuals, bests)
    return [
        _judge_group(subs, usual, detail, story, bests)
        for subs, usual, detail in zip(groups, usuals, details, strict=True)
    ]


_NightKey = tuple[str | None, str | None, str | None]


def _night_key(sub: SubFacts) -> _NightKey:
    return sub.rig, sub.filter, sub.night


def _best_of_night(groups: Sequence[Sequence[SubFacts]], usuals: Sequence[Usual]) -> dict[_NightKey, float]:
    """The best transparency of each rig, filter and night: a high percentile, so that no single lucky value rules."""
    seen: dict[_NightKey, list[float]] = {}
    for subs, usual in zip(groups, usuals):
        for s in subs:
            if usable(s) and np.isfinite(s.transparency) and not why.wrong_frame(s, usual):
                seen.setdefault(_night_key(s), []).append(s.transparency)
    return {key: float(np.percentile(values, 90)) for key, values in seen.items()}


def _story(groups: Sequence[Sequence[SubFacts]], usuals: Sequence[Usual], bests: dict[_NightKey, float]) -> Story:
    marks, nights = [], {}
    for subs, usual in zip(groups, usuals):
        for s in subs:
            if not usable(s):
                continue
            nights[s.frame_id] = s.night
            best = max(bests.get(_night_key(s), usual.transparency), 0.9 * usual.transparency)
            marks.append(
                Mark(
                    frame_id=s.frame_id,
                    rig=s.rig,
                    start_s=s.start_s,
                    exposure_s=s.exposure_s,
                    width_ratio2=usual.width_ratio2(s),
                    brightness=s.transparency / best if best > 0 else float("nan"),
                    focuser_position=s.focuser_position,
                    focuser_c=s.focuser_c,
                    filter=s.filter,
                )
            )
    return Story(marks, nights.get)


@dataclass(frozen=True, slots=True)
class _Group:
    """What the verdicts of one group share."""

    epochs: dict[int, Usual]
    story: Story
    bests: dict[_NightKey, float]
    hours: float

    def usual_of(self, sub: SubFacts) -> Usual:
        """What is usual in the sub's stretch between events of the rig."""
        return self.epochs[sub.epoch]

    def best_of(self, sub: SubFacts) -> float:
        """The transparency that a clear hour of this night had."""
        return _best_of(sub, self.usual_of(sub), self.bests)


def _best_of(sub: SubFacts, usual: Usual, bests: dict[_NightKey, float]) -> float:
    """The transparency that a clear hour of this night had; the campaign's where the whole night was dim."""
    return max(bests.get(_night_key(sub), usual.transparency), 0.8 * usual.transparency)


def _judge_group(
    subs: Sequence[SubFacts], usual: Usual, detail_px: float | None, story: Story, bests: dict[_NightKey, float]
) -> list[Verdict]:
    if not subs:
        return []
    refused = [_refusal(s, usual, _best_of(s, usual, bests)) for s in subs]
    sound = np.array([r is None for r in refused])
    # Scattered light is in the flux but not in the core: where halos show, half the flux lies as much farther out.
    spread = np.array([why.halo_spread(s, usual) for s in subs])
    axis = spread * np.array([s.long_axis_px for s in subs])
    detail = detail_px if detail_px is not None else 2.0 * usual.long_px
    p = weight_of(
        scale=[s.scale for s in subs], exposure_s=[s.exposure_s for s in subs], noise_e=[s.noise_e for s in subs]
    )
    fine = sound & np.isfinite(p) & (p > 0) & np.isfinite(axis)
    q = p / (detail**2 + axis**2)
    rate = q / np.array([max(s.exposure_s, 1e-9) for s in subs])
    # A good sub: the upper quarter, which a night of cloud in the majority does not pull down.
    good_rate = float(np.percentile(rate[fine], 75)) if fine.any() else float("nan")
    worth = rate / good_rate if good_rate > 0 else np.full(len(subs), np.nan)
    # The worst place of a frame under uneven cloud is what its share of the master must bear.
    worth = worth * np.array([(1.0 - min(max(s.uneven, 0.0), 1.0)) ** 2 if why.is_uneven(s) else 1.0 for s in subs])
    # Banding adds to a blob what its pixels' noise does not tell, the more the wider the blob.
    blob_noise, star_noise = (
        np.array([1.0 + camera.pattern_excess(s, usual, float(np.hypot(d, a))) for s, a in zip(subs, axis)])
        for d in (detail, 0.0)
    )
    worth = worth / blob_noise
    poor = _poor(worth, p, fine)
    short = spread * np.array([s.short_axis_px for s in subs])
    harms, gain = harmful(
        np.where(fine, p, 0.0),
        np.where(fine, axis, 1.0),
        np.where(fine, short, 1.0),
        fine & ~poor,
        detail,
        blob_noise=np.where(fine, blob_noise, 1.0),
        star_noise=np.where(fine, star_noise, 1.0),
    )
    sane = [s for s in subs if usable(s)]
    epochs = {e: usual.in_epoch(sane, e) for e in {s.epoch for s in subs}}
    group = _Group(epochs, story, bests, float(sum(s.exposure_s for s, ok in zip(subs, fine) if ok)) / 3600.0)
    verdicts = []
    for i, s in enumerate(subs):
        reason = refused[i]
        if reason is not None:
            verdicts.append(Verdict(frame_id=s.frame_id, keep=False, worth=0.0, causes=(reason,)))
        else:
            factors = factors_of(s, usual, detail)
            verdicts.append(_weighed(s, float(worth[i]), bool(poor[i]), bool(harms[i]), float(gain[i]), factors, group))
    return verdicts


def _poor(worth: FloatArray, p: FloatArray, fine: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Which subs are worth too little: next to nothing, or little while giving them all up costs next to nothing."""
    nothing = fine & (worth < NOTHING_WORTH)
    for floor in WORTH_FLOORS:
        little = fine & ~nothing & (worth < floor)
        if float(p[little].sum()) <= GIVEN_UP * float(p[fine].sum()):
            return np.asarray(nothing | little)
    return np.asarray(nothing)


def _refusal(sub: SubFacts, usual: Usual, best: float) -> tuple[Cause, str] | None:
    """Why a sub cannot go into a master at all; None if it can."""
    if sub.unreadable:
        return "unreadable", sub.unreadable
    if sub.saturated_fraction > SATURATED_CEILING:
        share, most = 100 * sub.saturated_fraction, 100 * SATURATED_CEILING
        return "overexposed", f"{share:.1f} % of the pixels are at the ceiling (at most {most:.0f} %)"
    if not usable(sub):
        return why.why_unusable(sub, usual)
    if sub.overlap < OVERLAP_FLOOR:
        odd = camera.odd_settings(sub, usual)
        if odd:
            return "wrong-frame", f"{odd}, and it shares {100 * sub.overlap:.0f} % of the reference's field"
        shared, least = 100 * sub.overlap, 100 * OVERLAP_FLOOR
        return "pointing", f"shares {shared:.0f} % of the reference's field (at least {least:.0f} % is wanted)"
    other = camera.other_by_header(sub, usual, best, why.sky_ratio(sub, usual)) or why.wrong_frame(sub, usual)
    return ("wrong-frame", other) if other else None


def factors_of(sub: SubFacts, usual: Usual, detail_px: float) -> Factors:
    """What the sub's q is made of, against the reference: its transparency, a moonless sky, long subs, the median width."""
    transparency = sub.transparency**2 if np.isfinite(sub.transparency) else 1.0
    air = sub.scale / sub.transparency if np.isfinite(sub.transparency) and sub.transparency > 0 else 1.0
    variance = sub.noise_e**2
    dark = (
        sub.predicted_dark_e_per_s
        if np.isfinite(sub.predicted_dark_e_per_s)
        else min(usual.sky_e_per_s, sub.sky_e_per_s)
    )
    brighter = max(sub.sky_e_per_s - dark, 0.0) * sub.exposure_s if np.isfinite(sub.sky_e_per_s) else 0.0
    sky = float(np.clip((variance - brighter) / variance, 0.02, 1.0)) if variance > 0 else 1.0
    read = 1.0
    if np.isfinite(sub.read_noise_e) and variance > 0:
        rest = max(variance - brighter - sub.read_noise_e**2, 0.0)
        long_enough = rest / (1.0 - LONG_SUB_SHARE)
        read = float(np.clip(long_enough / max(variance - brighter, 1e-9), 0.02, 1.0))
    blur = 1.0
    if np.isfinite(sub.long_axis_px) and np.isfinite(usual.long_px):
        blur = (detail_px**2 + usual.long_px**2) / (detail_px**2 + sub.long_axis_px**2)
    return Factors(transparency=transparency, altitude=air**2, sky=sky, read_out=read, blur=blur)


def _weighed(
    sub: SubFacts, worth: float, poor: bool, harms: bool, gain: float, factors: Factors, group: _Group
) -> Verdict:
    """The verdict on a sub that could be used; the cause that costs most comes first."""
    usual = group.usual_of(sub)
    found: list[tuple[float, Cause, str]] = []
    best = group.best_of(sub)
    dim = (sub.transparency / best) ** 2 if best > 0 and np.isfinite(sub.transparency) else 1.0
    dim_cause: Cause | None = None
    if dim < TOLD_FACTOR:
        dim_cause, text = why.why_dim(sub, usual, group.story, best, group.bests.get(_night_key(sub), float("nan")))
        found.append((-np.log(max(dim, 1e-9)), dim_cause, text))
    blur_cause: Cause | None = None
    width = sub.long_axis_px / usual.long_px if usual.long_px > 0 else 1.0
    banded = camera.pattern_words(sub, usual)
    if (harms and (width > 1.0 or not banded)) or width > TOLD_WIDTH:
        blur_cause, text = why.why_blurred(sub, usual, group.story)
        if dim_cause == "dew" and blur_cause in ("seeing", "focus") and why.has_halo(sub, usual):
            blur_cause, text = "dew", f"stars {width:.2f} times as long as usual, with halos"
        decides = harms and not (banded and width < TOLD_WIDTH)
        found.append((1e9 if decides else -np.log(max(factors.blur, 1e-9)), blur_cause, text))
    glow = _noise_factor(sub, usual)
    fault = camera.sensor_fault(sub, usual)
    if fault:
        takes = 1e9 if harms and banded else max(-np.log(max(glow, 1e-9)), 0.0)
        found.append((takes, "sensor", fault))
    elif glow < TOLD_FACTOR and why.sky_ratio(sub, usual, dark=True) > why.SKY_FLOOR:
        found.append((-np.log(max(glow, 1e-9)), "sky-glow", why.why_bright(sub, usual)))
    if (poor or harms) and not found:
        found.append((0.0, "cloud", "worth little, without one cause that stands out"))
    odd = camera.odd_settings(sub, usual)
    if odd:
        found.append((-1.0, "wrong-frame", f"{odd}; {camera.FITS_ALL_THE_SAME}"))
    found.sort(key=lambda item: -item[0])
    causes = [(cause, text) for _, cause, text in found]
    if causes and (poor or harms):
        causes[0] = (causes[0][0], f"{causes[0][1]}; {_value_words(worth, gain, harms, group.hours)}")
    return Verdict(
        frame_id=sub.frame_id,
        keep=not (poor or harms),
        worth=worth,
        causes=tuple(causes),
        factors=factors,
        blur_cause=blur_cause,
        dim_cause=dim_cause,
        gain_if_dropped=float(np.expm1(gain)) if np.isfinite(gain) else float("nan"),
    )


def _noise_factor(sub: SubFacts, usual: Usual) -> float:
    """The usual variance of a pixel, at a moonless sky, over this sub's."""
    if not np.isfinite(usual.other_variance_e2 * usual.sky_e_per_s) or not sub.noise_e > 0:
        return 1.0
    dark = usual.sky_e_per_s
    if np.isfinite(sub.predicted_dark_e_per_s):
        dark = sub.predicted_dark_e_per_s
    expected = max(usual.other_variance_e2, 0.0) + dark * sub.exposure_s
    return float(min(expected / sub.noise_e**2, 1.0))


def _value_words(worth: float, gain: float, harms: bool, hours: float) -> str:
    """What leaving the sub out is worth, in what an imager feels."""
    if harms:
        minutes = 60.0 * hours * float(np.expm1(gain))
        if minutes < 0.1:
            return f"without it the master is better by {100.0 * float(np.expm1(gain)):.1f} %"
        return f"without it the master gains as by {minutes:.1f} min of clear sky"
    return f"worth {100 * worth:.0f} % of a good sub"
