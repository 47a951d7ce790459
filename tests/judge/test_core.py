"""Verdicts from facts: causes, physical floors, few subs, and the figure of merit against its closed form."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from nightfold.judge.core import FieldShape, SubFacts, Verdict, figure_of_merit, judge_subs

GOOD = SubFacts(
    frame_id=0, exposure_s=180.0, star_count=400, sky_e_per_s=0.05, noise_e=4.0, fwhm_px=3.0, half_flux_radius_px=1.9,
    ellipticity=0.08, ellipticity_angle_deg=math.nan, saturated_fraction=1e-5, transparency=1.0, scale=1.0, placed=True,
)  # fmt: skip


def night(n: int = 20, seed: int = 3) -> list[SubFacts]:
    rng = np.random.default_rng(seed)
    return [
        replace(
            GOOD,
            frame_id=i,
            fwhm_px=3.0 + 0.2 * rng.standard_normal(),
            ellipticity=abs(0.08 + 0.02 * rng.standard_normal()),
            transparency=1.0 + 0.03 * rng.standard_normal(),
            scale=0.97 + 0.03 * rng.standard_normal(),
        )
        for i in range(n)
    ]


def cause_of(verdict: Verdict) -> str:
    assert not verdict.keep, verdict
    return verdict.causes[0][0]


def test_a_good_night_is_kept_whole() -> None:
    assert all(v.keep and not v.causes for v in judge_subs(night()))


@pytest.mark.parametrize(
    ("change", "cause"),
    [
        ({"transparency": 0.25, "scale": 0.25}, "cloud"),
        ({"star_count": 2, "placed": False}, "cloud"),
        ({"fwhm_px": 5.4, "ellipticity": 0.7, "ellipticity_angle_deg": 30.0}, "trailing"),
        ({"fwhm_px": 6.5, "half_flux_radius_px": 4.0}, "focus"),
        ({"sky_e_per_s": 0.5, "noise_e": 12.0}, "sky-glow"),
        ({"placed": False, "place_reason": "no consensus"}, "pointing"),
        ({"overlap": 0.2}, "pointing"),
        ({"saturated_fraction": 0.3}, "overexposed"),
        ({"unreadable": "truncated"}, "unreadable"),
    ],
)
def test_each_fault_is_dropped_with_its_cause(change: dict[str, float], cause: str) -> None:
    subs = [*night(), replace(GOOD, frame_id=99, **change)]
    verdicts = judge_subs(subs)
    assert cause_of(verdicts[-1]) == cause
    assert all(v.keep for v in verdicts[:-1])


def test_one_short_trail_among_many_subs_is_kept_and_told() -> None:
    # Stars twice as long as wide: the master loses more depth without it than its stars gain.
    trail = replace(GOOD, frame_id=99, fwhm_px=4.3, ellipticity=0.5, ellipticity_angle_deg=30.0)
    verdict = judge_subs([*night(), trail])[-1]
    assert verdict.keep
    assert verdict.gain_if_dropped < 0
    assert verdict.causes[0][0] == "trailing"


def test_thin_cloud_is_kept_because_its_weight_mends_it() -> None:
    verdict = judge_subs([*night(), replace(GOOD, frame_id=99, transparency=0.63, scale=0.63)])[-1]
    assert verdict.keep
    assert verdict.worth == pytest.approx(0.63**2, rel=0.15)


def test_a_night_that_was_dim_throughout_is_told_against_the_usual() -> None:
    clear = [replace(s, night="2026-06-10", start_s=1e6 + 310.0 * i) for i, s in enumerate(night(20))]
    dim = [
        replace(s, frame_id=100 + i, night="2026-06-11", start_s=1.09e6 + 310.0 * i, transparency=0.59, scale=0.59)
        for i, s in enumerate(night(8, 5))
    ]
    last = replace(clear[-1], frame_id=200, start_s=clear[-1].start_s + 310.0, transparency=0.62, scale=0.62)
    told = {v.frame_id: v.causes[0][1] for v in judge_subs([*clear, last, *dim]) if v.causes}
    for sub in dim:
        share = re.search(r"stars at (\d+) % of the usual, the whole night dim", told[sub.frame_id])
        assert share is not None, told[sub.frame_id]
        assert abs(int(share[1]) - 59) <= 3
    assert "of this night's best" in told[200]


@pytest.mark.parametrize("n", [1, 2, 3, 4])
def test_few_subs_are_judged_by_the_floors_alone(n: int) -> None:
    assert all(v.keep for v in judge_subs(night(n)))


def test_a_cloudy_majority_does_not_condemn_the_clear_subs() -> None:
    subs = night(8) + [replace(s, frame_id=100 + i, transparency=0.2, scale=0.2) for i, s in enumerate(night(14, 5))]
    verdicts = judge_subs(subs)
    assert all(v.keep for v in verdicts[:8])
    assert not any(v.keep for v in verdicts[8:])


def test_no_subs_and_no_usable_subs() -> None:
    assert judge_subs([]) == []
    assert [v.keep for v in judge_subs([replace(GOOD, placed=False)] * 3)] == [False] * 3


def test_figure_of_merit_is_the_squared_snr_of_a_matched_filter() -> None:
    # Zackay & Ofek 2017 I (CHECKS R5): a Gaussian source of flux F has S/N F / (sigma sqrt(4 pi) s) per sub, so doubling
    # the width quarters q, and q adds over subs.
    q = figure_of_merit(
        scale=[1.0, 1.0, 0.5], exposure_s=[1.0] * 3, noise_e=[1.0, 1.0, 1.0], fwhm_px=[2.0, 4.0, 2.0], detail_px=0.0
    )
    assert q[0] / q[1] == pytest.approx((0.14105 / 0.07052) ** 2, rel=1e-3)
    assert q[2] / q[0] == pytest.approx(0.25)


def test_a_rigs_event_bounds_what_is_usual_over_the_frame() -> None:
    # A spacer tilts the field from the twelfth sub on; a burst of seeing then is not out of focus because of it.
    def at(i: int, epoch: int, tilt: float, fwhm: float = 3.0) -> SubFacts:
        rng = np.random.default_rng(i)
        shape = FieldShape(
            drawn_px2=0.3, turning_px2=0.02 * rng.normal(), turning_error_px2=0.02, width2_tilt_px2=(tilt + 0.05 * rng.normal(), 0.0),
            width2_bowl_px2=0.3 + 0.05 * rng.normal(), error_px2=0.05, halo=0.58, stars=100,
        )  # fmt: skip
        return replace(GOOD, frame_id=i, epoch=epoch, shape=shape, fwhm_px=fwhm + 0.1 * rng.normal(), start_s=320.0 * i)

    def burst(noted: bool) -> Verdict:
        subs = [at(i, 0, 0.0) for i in range(30)] + [at(30 + i, int(noted), 6.0) for i in range(8)]
        return judge_subs([*subs, at(50, int(noted), 6.0, fwhm=6.0)])[-1]

    assert cause_of(burst(noted=True)) == "seeing"
    assert cause_of(burst(noted=False)) == "focus"


def test_a_moonlit_majority_is_signal_and_one_moonlit_sub_is_not() -> None:
    moonlit = [replace(s, frame_id=100 + i, sky_e_per_s=0.6, noise_e=11.5) for i, s in enumerate(night(60, 7))]
    assert 0.05 < judge_subs([*night(30), moonlit[0]])[-1].worth < 0.15
    assert cause_of(judge_subs([*night(30), moonlit[0]])[-1]) == "sky-glow"
    assert all(v.keep for v in judge_subs([*night(30), *moonlit]))


def test_two_kinds_of_nights_are_both_kept() -> None:
    poor = [replace(s, frame_id=100 + i, fwhm_px=1.7 * s.fwhm_px) for i, s in enumerate(night(20, 9))]
    assert all(v.keep for v in judge_subs([*night(20), *poor]))


def test_the_clear_few_of_a_cloudy_campaign_are_not_taken_for_another_filter() -> None:
    cloudy = [
        replace(s, frame_id=100 + i, transparency=0.2, scale=0.2, sky_e_per_s=0.07) for i, s in enumerate(night(30, 11))
    ]
    clear = judge_subs([*cloudy, *night(3)])[-3:]
    assert all(v.keep for v in clear)
    brighter = replace(GOOD, frame_id=99, transparency=6.0, scale=6.0, sky_e_per_s=0.4, noise_e=9.0)
    assert cause_of(judge_subs([*night(20), brighter])[-1]) == "wrong-frame"


def test_two_subs_of_different_scatter_are_both_what_they_say() -> None:
    assert all(
        v.keep for v in judge_subs([replace(GOOD, star_scatter=0.01), replace(GOOD, frame_id=1, star_scatter=0.2)])
    )
