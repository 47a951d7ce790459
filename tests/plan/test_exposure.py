"""Sub length: the curve against the CCD equation, its limits and its ends."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from nightfold.errors import SettingsError
from nightfold.plan.exposure import SubConditions, advise, peak_share, saturation_s, sub_costs
from nightfold.rig.core import stack_snr

NARROW = SubConditions(
    signal_e_per_s=0.02, sky_e_per_s=0.03, dark_e_per_s=0.002, read_noise_e=1.8, full_well_e=40_000.0, overhead_s=6.0,
    lost_per_hour=0.3,
)  # fmt: skip
WIDE = dataclasses.replace(NARROW, signal_e_per_s=0.5, sky_e_per_s=6.0)


def test_hours_reach_the_goal() -> None:
    plain = dataclasses.replace(NARROW, lost_per_hour=0.0, overhead_s=0.0, least_subs=1, snr=30.0)
    for row in sub_costs([30.0, 120.0, 600.0], plain):
        snr = stack_snr(
            signal_e_per_s=0.02,
            sky_e_per_s=0.03,
            dark_e_per_s=0.002,
            read_noise_e=1.8,
            exposure_s=row.sub_s,
            subs=row.subs,
        )
        assert snr * 10.0 >= 30.0 > 10.0 * snr * np.sqrt((row.subs - 1) / row.subs)  # a box of 100 px, rounded up


def test_read_noise_overhead_and_loss_shape_the_curve() -> None:
    rows = sub_costs([5.0, 60.0, 300.0], dataclasses.replace(NARROW, snr=60.0))
    assert rows[0].hours > 2.0 * rows[2].hours
    lossy = sub_costs([60.0, 1800.0], dataclasses.replace(NARROW, snr=60.0, lost_per_hour=2.0))
    assert lossy[1].lost_share == pytest.approx(1.0 - np.exp(-1.0))
    assert lossy[1].hours > lossy[0].hours


def test_few_subs_cost_too() -> None:
    rows = sub_costs([600.0], dataclasses.replace(NARROW, snr=1.0))
    assert rows[0].subs >= 15


def test_a_bright_sky_wants_short_subs() -> None:
    narrow, wide = advise(dataclasses.replace(NARROW, snr=60.0)), advise(dataclasses.replace(WIDE, snr=300.0))
    assert narrow.recommended_s >= 2 * wide.recommended_s
    assert narrow.least_s <= narrow.recommended_s <= narrow.most_s
    least = min(r.hours for r in narrow.table)
    chosen = next(r for r in narrow.table if r.sub_s == narrow.recommended_s)
    assert chosen.hours <= 1.05 * least
    assert all(r.hours > 1.05 * least for r in narrow.table if r.sub_s < narrow.recommended_s)
    assert f"{chosen.hours:.1f} h" in narrow.why


def test_limits_hold() -> None:
    tracked = advise(dataclasses.replace(NARROW, snr=60.0), tracking_limit_s=60.0)
    assert tracked.most_s <= 60.0
    assert "tracking" in tracked.why
    shallow = advise(dataclasses.replace(WIDE, full_well_e=600.0))
    assert shallow.most_s * 6.0 <= 0.3 * 600.0


def test_star_saturation() -> None:
    # A star of 1e5 e/s, FWHM 2.355 px (sigma 1): the central pixel gets erf(1/(2 sqrt 2))^2 = 0.38292^2.
    assert peak_share(2.354820045) == pytest.approx(0.382925**2, rel=1e-5)
    seconds = saturation_s([1e5, 0.0], fwhm_px=2.354820045, sky_e_per_s=0.0, full_well_e=40_000.0)
    assert float(seconds[0]) == pytest.approx(40_000.0 / (1e5 * 0.382925**2), rel=1e-5)
    assert np.isinf(seconds[1])
    rows = sub_costs([1.0, 100.0], NARROW, star_e_per_s=[1e5, 4e3, 10.0], bytes_per_sub=50e6)
    assert [r.saturated_stars for r in rows] == [0, 2]
    assert rows[1].gigabytes == pytest.approx(rows[1].subs * 0.05)


def test_peak_share_against_a_drawn_star() -> None:
    rng = np.random.default_rng(1)
    x, y = rng.normal(0.0, 3.0 / 2.354820045, (2, 400_000))
    inside = np.mean((np.abs(x) < 0.5) & (np.abs(y) < 0.5))
    assert peak_share(3.0) == pytest.approx(inside, rel=0.01)


def test_missing_numbers() -> None:
    with pytest.raises(SettingsError, match="read_noise_e must be known"):
        SubConditions(signal_e_per_s=0.1, sky_e_per_s=0.1, read_noise_e=0.0)
