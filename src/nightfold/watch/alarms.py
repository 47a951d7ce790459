"""When a series of subs needs a person: raised once a cause, cleared when it is over, quiet otherwise.

An alarm is worked out from the night's subs alone, so that a watch that starts anew in mid-night says nothing twice.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from nightfold.judge.camera import FITS_ALL_THE_SAME
from nightfold.robust import mad_sigma
from nightfold.watch.records import WatchedSub

FOCUS_LOSS = 0.12
"""Sharpness lost since the last focusing that is worth the minutes of another."""
FOCUS_SUBS = 4
DIM = 0.7
BRIGHT_AGAIN = 0.85


@dataclass(frozen=True, slots=True)
class Alarm:
    """A cause that stood from one sub to another of a night; `cleared_by` None: it stands still."""

    cause: str
    raised_by: int  # frame
    cleared_by: int | None
    text: str
    cleared_text: str = ""


@dataclass(frozen=True, slots=True)
class _Rule:
    """One cause: does this sub show it, how many in a row raise it, how many without clear it, and its sentence."""

    cause: str
    shows: Callable[[Sequence[WatchedSub], bool], bool]  # given the subs so far, and whether the alarm stands
    raise_after: int
    clear_after: int
    text: Callable[[Sequence[WatchedSub]], str]
    cleared: str


def alarms_of(subs: Sequence[WatchedSub]) -> list[Alarm]:
    """The alarms of one rig's night, in the order in which they were raised; `subs` by start."""
    found = [a for rule in RULES for a in _alarms_of_rule(rule, subs)]
    order = {s.frame_id: i for i, s in enumerate(subs)}
    return sorted(found, key=lambda a: order[a.raised_by])


def _alarms_of_rule(rule: _Rule, subs: Sequence[WatchedSub]) -> list[Alarm]:
    found: list[Alarm] = []
    showing = quiet = 0
    for count in range(1, len(subs) + 1):
        so_far = subs[:count]
        standing = bool(found) and found[-1].cleared_by is None
        if rule.shows(so_far, standing):
            showing, quiet = showing + 1, 0
        else:
            showing, quiet = 0, quiet + 1
        if not standing and showing >= rule.raise_after:
            found.append(Alarm(rule.cause, subs[count - 1].frame_id, None, rule.text(so_far), rule.cleared))
        elif standing and quiet >= rule.clear_after:
            last = found[-1]
            found[-1] = Alarm(last.cause, last.raised_by, subs[count - 1].frame_id, last.text, last.cleared_text)
    return found


def _has(cause: str) -> Callable[[Sequence[WatchedSub], bool], bool]:
    return lambda subs, _standing: any(c == cause for c, _ in subs[-1].causes)


def _strange(subs: Sequence[WatchedSub], _standing: bool) -> bool:
    # A setting that the pixels do not bear out is told by the look at the first subs, once.
    return any(c == "wrong-frame" and not text.endswith(FITS_ALL_THE_SAME) for c, text in subs[-1].causes)


def _detail(cause: str, lead: str) -> Callable[[Sequence[WatchedSub]], str]:
    def text(subs: Sequence[WatchedSub]) -> str:
        return lead + next((d for c, d in reversed(subs[-1].causes) if c == cause), "see the last subs")

    return text


# -- focus -------------------------------------------------------------------------------------------------------------


def since_focus(subs: Sequence[WatchedSub]) -> list[WatchedSub]:
    """The last subs at one position of the focuser and in one filter."""
    last = subs[-1]
    run: list[WatchedSub] = []
    for sub in reversed(subs):
        moved = sub.focuser_position is not None and sub.focuser_position != last.focuser_position
        if sub.filter != last.filter or moved:
            break
        run.append(sub)
    return run[::-1]


def sharpness_lost(subs: Sequence[WatchedSub], standing: bool = False) -> float:
    """Share of sharpness that the last three subs have lost against the better quarter of their run; 0 if they did not widen steadily.

    Widths are brought to one air mass by its 0.6th power (Kolmogorov seeing), so that a sinking target is not taken for a
    drifting focus.
    """
    run = [s for s in since_focus(subs) if math.isfinite(s.fwhm_px)]
    if len(run) < FOCUS_SUBS:
        return 0.0
    width = np.array([s.fwhm_px / (s.airmass**0.6 if math.isfinite(s.airmass) else 1.0) for s in run])
    now, base = float(np.median(width[-3:])), float(np.percentile(width, 25.0))
    # The seeing of neighbouring subs differs; a median of three has 1.25 / sqrt(3) of one sub's scatter.
    scatter = float(mad_sigma(np.diff(width))) / math.sqrt(2.0)
    recent = width[-12:]
    i, j = np.triu_indices(recent.size, 1)
    steadily = float(np.mean(np.sign(recent[j] - recent[i]))) > 0.4 or standing
    significant = now - base > 3.0 * 0.72 * scatter
    return 1.0 - base / now if significant and steadily and base > 0 else 0.0


def _drifts(subs: Sequence[WatchedSub], standing: bool) -> bool:
    # What stands is over when most of the loss is: a few sharper subs between are the air's.
    return sharpness_lost(subs, standing) > (0.5 if standing else 1.0) * FOCUS_LOSS


def _focus_text(subs: Sequence[WatchedSub]) -> str:
    count = len(since_focus(subs))
    return f"refocus now: the last {count} subs lost {100 * sharpness_lost(subs):.0f} % of sharpness"


# -- cloud -------------------------------------------------------------------------------------------------------------


def _best(subs: Sequence[WatchedSub]) -> float:
    values = [s.transparency for s in subs if math.isfinite(s.transparency) and s.filter == subs[-1].filter]
    return float(np.percentile(values, 90)) if values else math.nan


def _clouded(subs: Sequence[WatchedSub], standing: bool) -> bool:
    last = subs[-1]
    if any(c == "cloud" for c, _ in last.causes) and not math.isfinite(last.transparency):
        return True
    best = _best(subs)
    dim = math.isfinite(best) and last.transparency < (BRIGHT_AGAIN if standing else DIM) * best
    return dim and not any(c in {"dew", "wrong-frame"} for c, _ in last.causes)


def _cloud_text(subs: Sequence[WatchedSub]) -> str:
    best = _best(subs)
    share = subs[-1].transparency / best if best > 0 else math.nan
    if math.isfinite(share):
        return f"cloud: stars at {100 * share:.0f} % of this night's best"
    return _detail("cloud", "cloud: ")(subs)


RULES = (
    _Rule("focus", _drifts, 2, 2, _focus_text, "Focus is back."),
    _Rule("cloud", _clouded, 2, 2, _cloud_text, "The sky is clear again."),
    _Rule("trailing", _has("trailing"), 2, 2, _detail("trailing", "guiding: "), "Stars are round again."),
    _Rule("dew", _has("dew"), 2, 2, _detail("dew", "dew or frost: "), "The view is clear again."),
    _Rule("wrong-frame", _strange, 1, 1, _detail("wrong-frame", ""), "Frames are as their headers say again."),
    _Rule("pointing", _has("pointing"), 2, 1, _detail("pointing", "the field is lost: "), "The field is found again."),
    _Rule("sensor", _has("sensor"), 2, 2, _detail("sensor", "camera: "), "The camera is as it should be again."),
    _Rule("overexposed", _has("overexposed"), 1, 2, _detail("overexposed", "light: "), "No longer overexposed."),
)
