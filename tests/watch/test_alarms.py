"""Alarms over a night: raised once, cleared once, and nothing on a quiet night."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from nightfold.watch.alarms import alarms_of, sharpness_lost
from nightfold.watch.records import WatchedSub


def night(count: int, seed: int = 0) -> list[WatchedSub]:
    rng = np.random.default_rng(seed)
    return [
        WatchedSub(
            frame_id=i,
            file=f"{i}.fits",
            rig="r",
            filter="Ha",
            night="2026-05-14",
            start_s=200.0 * i,
            exposure_s=180.0,
            focuser_position=5000.0,
            fwhm_px=3.0 * math.exp(rng.normal(0, 0.05)),
            transparency=0.95 + rng.normal(0, 0.02),
            airmass=1.0 + 0.01 * i,
        )
        for i in range(count)
    ]


@pytest.mark.parametrize("seed", range(30))
def test_a_quiet_night_stays_quiet(seed: int) -> None:
    assert alarms_of(night(60, seed)) == []


def test_drifting_focus_is_said_once_with_its_loss() -> None:
    subs = night(40, 3)
    drifting = [replace(s, fwhm_px=s.fwhm_px * (1.0 + 0.025 * max(0, i - 15))) for i, s in enumerate(subs)]
    alarms = [a for a in alarms_of(drifting) if a.cause == "focus"]
    assert len(alarms) == 1
    assert 18 <= alarms[0].raised_by <= 26
    assert alarms[0].text.startswith("refocus now: the last ")
    assert alarms[0].cleared_by is None
    lost = sharpness_lost(drifting)
    assert lost == pytest.approx(1.0 - 1.02 / 1.55, abs=0.1)


def test_a_new_focus_clears_it() -> None:
    subs = night(40, 4)
    drifting = [replace(s, fwhm_px=s.fwhm_px * (1.0 + 0.03 * max(0, i - 8))) for i, s in enumerate(subs[:25])]
    focused = [replace(s, focuser_position=5040.0) for s in subs[25:]]
    alarm = next(a for a in alarms_of(drifting + focused) if a.cause == "focus")
    assert alarm.cleared_by in {25, 26, 27}


def test_a_sinking_target_is_not_a_drifting_focus() -> None:
    subs = [
        replace(s, airmass=1.0 + 0.03 * i, fwhm_px=s.fwhm_px * (1.0 + 0.03 * i) ** 0.6)
        for i, s in enumerate(night(40, 5))
    ]
    assert alarms_of(subs) == []


def test_cloud_comes_and_goes_without_chatter() -> None:
    level = [1.0] * 10 + [0.5, 0.72, 0.5, 0.78, 0.6, 0.55] + [1.0] * 10 + [0.5] * 4 + [1.0] * 4
    subs = [replace(s, transparency=t) for s, t in zip(night(len(level), 6), level)]
    clouds = [a for a in alarms_of(subs) if a.cause == "cloud"]
    assert len(clouds) == 2
    assert clouds[0].cleared_by == 17
    assert "50 %" in clouds[1].text


def test_causes_of_the_judge_raise_after_two_in_a_row() -> None:
    subs = night(12, 7)
    once = [replace(s, causes=(("trailing", "ellipticity 0.5"),)) if i == 4 else s for i, s in enumerate(subs)]
    assert alarms_of(once) == []
    twice = [replace(s, causes=(("trailing", "ellipticity 0.5"),)) if i in (4, 5) else s for i, s in enumerate(subs)]
    (alarm,) = alarms_of(twice)
    assert (alarm.raised_by, alarm.cleared_by) == (5, 7)
    assert alarm.text == "guiding: ellipticity 0.5"
    wrong = [replace(s, causes=(("wrong-frame", "another filter"),)) if i == 4 else s for i, s in enumerate(subs)]
    assert [a.cause for a in alarms_of(wrong)] == ["wrong-frame"]


def test_what_was_said_does_not_change_as_more_comes() -> None:
    level = [1.0] * 5 + [0.5] * 5 + [1.0] * 5
    subs = [replace(s, transparency=t) for s, t in zip(night(15, 8), level)]
    seen = {}
    for count in range(1, 16):
        for alarm in alarms_of(subs[:count]):
            seen.setdefault((alarm.cause, alarm.raised_by), alarm.text)
    assert {(a.cause, a.raised_by): a.text for a in alarms_of(subs)} == seen
