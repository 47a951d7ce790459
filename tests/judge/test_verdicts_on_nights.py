"""Verdicts on 600 invented subs, a fifth of them faulty, against an oracle that knows the truth.

The oracle adds Gaussian star images in weighted sums and looks at the peak of a star and of a faint blob over the noise; the judge
knows nothing of it. A fault harms if the frame is of something else or cannot be placed, if the sub is worth under an eighth of a
good one, or if star and blob together (geometric mean) come out better without it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
import pytest
from invented_nights import InventedSub, invent_campaign

from nightfold.judge.core import Verdict, judge_groups

FloatArray = npt.NDArray[np.float64]

NOT_FOLDABLE = ("pointing", "wrong-frame", "overexposed", "unreadable")


@dataclass
class Tally:
    """What came out, over all groups."""

    good: int = 0
    good_dropped: int = 0
    harmful: int = 0
    caught: int = 0
    right: int = 0
    depth_lost: list[float] | None = None


def peak_snr2(p: FloatArray, long_px: FloatArray, short_px: FloatArray, detail_px: float) -> float:
    """Squared peak of a Gaussian blob over the noise in the mean with weights p: peaks add, noise is 1/sum p."""
    if not p.size:
        return 0.0
    area = np.sqrt((detail_px**2 + long_px**2) * (detail_px**2 + short_px**2))
    return float((p / area).sum() ** 2 / p.sum())


def figures_of(
    p: FloatArray, long_px: FloatArray, short_px: FloatArray, detail_px: float, used: npt.NDArray[np.bool_]
) -> tuple[float, float]:
    """Figures of blob and star of the master of the subs used."""
    return tuple(peak_snr2(p[used], long_px[used], short_px[used], d) for d in (detail_px, 0.0))


def tally(groups: list[list[InventedSub]], verdicts: list[list[Verdict]]) -> Tally:
    total = Tally(depth_lost=[])
    for group, found in zip(groups, verdicts):
        p = np.array([(s.true_scale * s.facts.exposure_s / s.facts.noise_e) ** 2 for s in group])
        long_px = np.array([s.true_long_px for s in group])
        short_px = np.array([s.true_fwhm_px**2 / s.true_long_px for s in group])
        foldable = np.array([s.happened.cause not in NOT_FOLDABLE for s in group])
        clean = np.array([not s.happened.cause for s in group])
        detail = 2.0 * float(np.median(np.sqrt(long_px * short_px)[clean]))

        figures = partial(figures_of, p, long_px, short_px, detail)
        worth = p / np.median(p[clean])
        deepest = foldable.copy()
        harms = ~foldable | (worth < 0.125)
        for i in np.flatnonzero(foldable):
            base = foldable & ~harms
            base[i] = True
            without = base.copy()
            without[i] = False
            (blob, star), (blob_less, star_less) = figures(base), figures(without)
            harms[i] |= blob_less * star_less > blob * star
        for i in np.flatnonzero(foldable):  # the oracle of depth leaves out what the blob alone is better without
            without = deepest.copy()
            without[i] = False
            if figures(without)[0] > figures(deepest)[0]:
                deepest = without
        kept = np.array([v.keep for v in found]) & foldable
        total.depth_lost.append(1.0 - float(np.sqrt(figures(kept)[0] / figures(deepest)[0])))
        for i, (sub, verdict) in enumerate(zip(group, found)):
            if not sub.happened.cause:
                total.good += 1
                total.good_dropped += not verdict.keep
            elif harms[i]:
                total.harmful += 1
                total.caught += not verdict.keep
                total.right += not verdict.keep and verdict.causes[0][0] in (sub.happened.cause, sub.happened.also)
    return total


def check(seeds: Iterator[int] | range) -> Tally:
    whole = Tally(depth_lost=[])
    for seed in seeds:
        groups = invent_campaign(seed)
        one = tally(groups, judge_groups([[s.facts for s in g] for g in groups]))
        for name in ("good", "good_dropped", "harmful", "caught", "right"):
            setattr(whole, name, getattr(whole, name) + getattr(one, name))
        whole.depth_lost += one.depth_lost
    print(
        f"{whole.harmful} faults harm, {whole.caught} dropped, {whole.right} with the right cause; {whole.good_dropped} of {whole.good} good "
        f"dropped; depth lost {100 * np.mean(whole.depth_lost):.2f} % on average, {100 * np.max(whole.depth_lost):.2f} % at worst"
    )
    assert whole.harmful > 40
    assert whole.right >= 0.98 * whole.harmful
    assert whole.good_dropped <= 0.01 * whole.good
    assert np.mean(whole.depth_lost) < 0.01
    return whole


def test_six_hundred_subs_with_a_fifth_faulty() -> None:
    groups = invent_campaign(0)
    faulty = sum(bool(s.happened.cause) for g in groups for s in g)
    total = sum(len(g) for g in groups)
    assert total >= 600
    assert 0.1 < faulty / total < 0.35
    check(range(1))


@pytest.mark.full
def test_six_thousand_subs() -> None:
    assert max(check(range(10)).depth_lost or [1.0]) < 0.03
