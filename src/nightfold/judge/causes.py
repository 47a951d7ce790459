"""Which cause a loss has, by the evidence: over the frame, over the night, over the rigs.

Each function takes one sub with what is usual and the story of the night and returns a cause with a sentence that holds its
number. Evidence counts by points; a point is about what a careful person would call a hint, three are as good as proof.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from nightfold.judge.camera import odd_settings
from nightfold.judge.records import Cause, SubFacts
from nightfold.judge.usual import Centre, Mark, Story, Usual

HALO_FLOOR = 0.06
"""Half-flux radius over FWHM, relative: below 6 % more than usual no halo is claimed (focus and sampling move it so much)."""

SCATTER_FLOOR = 0.05
"""Stars' brightness ratios that differ by more than 5 % from star to star beyond noise are of another filter."""

TOO_BRIGHT = 1.5
"""No clear night makes stars half as bright again: extinction at the zenith takes 20 % in all."""

ENOUGH_STARS = 40
"""Fewer stars than this leave four coefficients over the frame too loose to tell defocus from seeing."""

SKY_FLOOR = 1.3
"""A sky less than 1.3 times the usual is within what a night does by itself."""


def why_unusable(sub: SubFacts, usual: Usual) -> tuple[Cause, str]:
    """The likeliest reason that a sub cannot be placed."""
    known = np.isfinite(usual.star_count) and usual.star_count >= 24
    sky = sub.sky_e_per_s / usual.sky_e_per_s if usual.sky_e_per_s > 0 else float("nan")
    if sub.star_count < 6:
        if np.isfinite(sky) and sky < 0.1:
            return (
                "wrong-frame",
                f"no stars and {_percent(sky)} of the usual sky: a covered tube, or a dark among the subs",
            )
        if np.isfinite(sky) and sky > 30.0:
            return "wrong-frame", f"no stars and {sky:.0f} times the usual sky: a flat among the subs, or daylight"
        if known and sub.fwhm_px > 1.8 * usual.long_px and sub.star_count > 0:
            return (
                "focus",
                f"{sub.star_count} stars, {sub.fwhm_px / usual.long_px:.1f} times as wide as usual: far out of focus",
            )
        if known:
            text = f"{sub.star_count} stars where {usual.star_count:.0f} are usual: thick cloud or a covered tube"
            return "cloud", text
        return "pointing", f"{sub.star_count} stars found; at least 6 are needed to place it"
    odd = odd_settings(sub, usual)
    if odd:
        return "wrong-frame", f"{odd}, and its {sub.star_count} stars could not be matched to the reference"
    if known and sub.star_count < 0.15 * usual.star_count and sub.star_count < 40:
        return "cloud", f"{sub.star_count} stars where {usual.star_count:.0f} are usual: thick cloud"
    return "pointing", sub.place_reason or f"its {sub.star_count} stars could not be matched to the reference"


def wrong_frame(sub: SubFacts, usual: Usual) -> str:
    """Words on a frame that is of something else than its header says; empty if nothing speaks for that."""
    if sub.other_line:
        return sub.other_line
    bright = sub.transparency / usual.transparency if usual.transparency > 0 else 1.0
    # A campaign that is mostly cloud makes its clear subs look too bright; their sky is not brighter with them.
    if np.isfinite(bright) and bright > TOO_BRIGHT and sky_ratio(sub, usual) > 0.6 * bright:
        return f"stars {bright:.1f} times as bright as in this filter's other subs: another filter, gain or exposure than it says"
    # Wide stars run into each other, which scatters them too; and few subs do not tell what is usual.
    wide = max(1.0, sub.long_axis_px / usual.long_px) if usual.long_px > 0 else 1.0
    limit = max(SCATTER_FLOOR, usual.star_scatter.value + 6.0 * usual.star_scatter.spread) * wide**2
    if (
        usual.subs >= 4
        and np.isfinite(sub.star_scatter)
        and np.isfinite(usual.star_scatter.value)
        and sub.star_scatter > limit
    ):
        return (
            f"brightness ratios differ by {_percent(sub.star_scatter)} from star to star (usual {_percent(usual.star_scatter.value)}): "
            "another filter than the header says"
        )
    sky = sky_ratio(sub, usual)
    dim = np.isfinite(bright) and bright < 0.5 and sky < 0.5
    if dim and abs(np.log(max(sky, 1e-6) / bright)) < 0.6 and not has_halo(sub, usual):
        return (
            f"stars at {_percent(bright)} and sky at {_percent(sky)} of this filter's other subs: a narrower filter, a shorter exposure "
            "or a smaller gain than it says"
        )
    return ""


def why_blurred(sub: SubFacts, usual: Usual, story: Story) -> tuple[Cause, str]:
    """Trailing, focus or seeing, for a sub whose stars are wider or longer than usual."""
    drawn = _drawn_out(sub, usual)
    if drawn:
        return "trailing", drawn
    ratio = float(np.sqrt(max(usual.width_ratio2(sub), 1e-9)))
    if ratio < 1.15 and sub.ellipticity > usual.ellipticity + 0.1:
        return (
            "trailing",
            f"stars drawn out: ellipticity {sub.ellipticity:.2f} (usual {usual.ellipticity:.2f}), not alike all over the frame",
        )
    wide = f"stars {sub.fwhm_px * _arcsec(sub):.1f}{_unit(sub)} wide, {ratio:.2f} times the usual"
    focus, seeing = _Points(), _Points()
    _from_the_frame(sub, usual, focus, seeing)
    _from_the_other_rig(sub, ratio, story, focus, seeing)
    _from_the_night(sub, ratio, story, focus, seeing)
    if ratio > 2.0:
        focus.add(1.0, "seeing seldom doubles")
    if focus.total > seeing.total or (focus.total == seeing.total and ratio > 1.6):
        return "focus", wide + focus.words(": out of focus")
    low = np.isfinite(sub.airmass) and np.isfinite(usual.airmass) and sub.airmass**0.6 > 1.15 * usual.airmass**0.6
    if low and ratio < 1.15:
        return (
            "seeing",
            f"{wide} at its altitude: air mass {sub.airmass:.1f} widens stars by {_percent(sub.airmass**0.6 / usual.airmass**0.6 - 1)}",
        )
    return "seeing", wide + seeing.words(": unsteady air")


def why_dim(
    sub: SubFacts, usual: Usual, story: Story, best: float, night_best: float = float("nan")
) -> tuple[Cause, str]:
    """Cloud or dew, for a sub whose stars are dimmer than usual.

    `best` is what a clear hour had: the night's best transparency, or nearly the usual one where the whole night was dim.
    `night_best` is the night's own.
    """
    share = sub.transparency / best if best > 0 else float("nan")
    told = f"stars at {_percent(share)} of this night's best"
    if night_best < 0.99 * best:
        told = f"stars at {_percent(sub.transparency / usual.transparency)} of the usual, the whole night dim"
    cloud, dew = _Points(), _Points()
    if is_uneven(sub):
        cloud.add(2.0, f"one side dimmer by {_percent(sub.uneven)}")
    halo = _halo_excess(sub, usual)
    if has_halo(sub, usual):
        dew.add(2.0, f"halos {_percent(halo)} wider")
    others = [m.brightness for m in story.beside(sub) if np.isfinite(m.brightness)]
    if others:
        other = float(np.median(others))
        if other < 1.0 - 0.5 * (1.0 - share):
            cloud.add(3.0, f"the other rig saw {_percent(other)}")
        elif other > 0.93 and share < 0.8:
            dew.add(2.0, f"the other rig saw {_percent(other)}")
    _from_the_dimming(sub, share, story, cloud, dew)
    sky = sky_ratio(sub, usual)
    if np.isfinite(sky) and sky > 1.0 + 0.3 * (1.0 - share):
        cloud.add(1.0, f"sky {sky:.1f} times as bright")
    elif np.isfinite(sky) and 0.0 < sky < 1.0 - 0.3 * (1.0 - share):  # a sky taken off before tells nothing
        dew.add(1.0, f"sky down to {_percent(sky)}")
    if dew.total > cloud.total:
        doubt = dew.total - cloud.total <= 1.0
        return "dew", f"{'cloud or dew: ' if doubt else ''}{told}" + dew.words("")
    doubt = dew.total > 0.0 and cloud.total - dew.total <= 1.0
    kind = "cloud or dew: " if doubt else ("thin cloud: " if share > 0.4 else "")
    return "cloud", f"{kind}{told}" + cloud.words("")


def why_bright(sub: SubFacts, usual: Usual) -> str:
    """Words on a sky that is brighter than usual: the Moon, dawn, or what neither explains."""
    ratio = sky_ratio(sub, usual, dark=True)
    told = f"sky {ratio:.1f} times as bright as on a moonless night"
    dark = sub.predicted_dark_e_per_s
    if not (np.isfinite(dark) and dark > 0):
        return f"sky {ratio:.1f} times as bright as usual"
    moon, twilight = sub.predicted_moon_e_per_s / dark, sub.predicted_twilight_e_per_s / dark
    predicted = 1.0 + moon + twilight
    if predicted > 1.0 + 0.4 * (ratio - 1.0):
        if twilight > moon:
            return f"{told}: twilight, Sun at {sub.sun_altitude_deg:.0f}°; {predicted:.1f} times were predicted"
        return f"{told}: Moon, {sub.moon_altitude_deg:.0f}° high; {predicted:.1f} times were predicted"
    return f"{told}, {predicted:.1f} times were predicted: light that neither Moon nor dawn explains"


# -- evidence of a widening -------------------------------------------------------------------------------------------


class _Points:
    """Hints for one cause, with their words."""

    def __init__(self) -> None:
        self.total = 0.0
        self._words: list[tuple[float, str]] = []

    def add(self, points: float, words: str) -> None:
        self.total += points
        self._words.append((points, words))

    def words(self, lead: str) -> str:
        told = [w for _, w in sorted(self._words, key=lambda pair: -pair[0])][:2]
        return f"{lead} ({'; '.join(told)})" if told else lead


def _drawn_out(sub: SubFacts, usual: Usual) -> str:
    """Words on stars drawn out along one line, or about a point; empty if the widening is not mostly that."""
    e = min(sub.ellipticity, 0.95) if np.isfinite(sub.ellipticity) else 0.0
    long2, short2 = sub.fwhm_px**2 / (1.0 - e), sub.fwhm_px**2 * (1.0 - e)
    usual_e = usual.ellipticity if np.isfinite(usual.ellipticity) else 0.0
    usual2 = usual.width2_px2 * (1.0 + 0.5 * usual_e / (1.0 - min(usual_e, 0.9)))
    excess = max(0.5 * (long2 + short2) - usual2, 1e-9)
    told = f"stars drawn out: ellipticity {sub.ellipticity:.2f} (usual {usual_e:.2f})"
    shape = sub.shape
    if np.isfinite(shape.drawn_px2):
        drawn = shape.drawn_px2 - _value(usual.drawn_px2)
        if shape.turning_px2 - _value(usual.turning_px2) > max(
            5.0 * shape.turning_error_px2, 5.0 * usual.turning_px2.spread, 0.05 * usual.width2_px2
        ):
            turning = shape.turning_px2 - _value(usual.turning_px2)
            if 0.5 * turning / 3.0 + 0.5 * drawn >= 0.5 * excess and turning > drawn:
                return f"{told}, more with the distance from a point: the field turned"
        if 0.5 * drawn >= 0.4 * excess and drawn > 0.1 * usual.width2_px2:
            return f"{told}, all over the frame along {shape.drawn_angle_deg:.0f}°"
        return ""
    # Few stars: the frame's own mean direction, where it is significant.
    enough = sub.ellipticity > max(0.25, usual_e + 5.0 * usual.ellipticity_spread)
    if enough and (0.5 * (long2 - short2) >= 0.5 * excess or np.isfinite(sub.ellipticity_angle_deg)):
        along = f", along {sub.ellipticity_angle_deg:.0f}°" if np.isfinite(sub.ellipticity_angle_deg) else ""
        return told + along
    return ""


def _from_the_frame(sub: SubFacts, usual: Usual, focus: _Points, seeing: _Points) -> None:
    """Out of focus, tilt, curvature and astigmatism show; seeing adds the same everywhere. Few stars tell neither."""
    shape = sub.shape
    if shape.stars < ENOUGH_STARS:
        return
    changes = [
        (shape.width2_tilt_px2[0], usual.tilt_u_px2, shape.error_px2),
        (shape.width2_tilt_px2[1], usual.tilt_v_px2, shape.error_px2),
        (shape.width2_bowl_px2, usual.bowl_px2, shape.error_px2),
        (shape.turning_px2, usual.turning_px2, shape.turning_error_px2),
    ]
    pulls, sizes = [], []
    for value, centre, error in changes:
        if np.isfinite(value) and np.isfinite(centre.value) and np.isfinite(error):
            sigma = max(np.hypot(error, centre.spread), 1e-9)
            pulls.append(((value - centre.value) / sigma) ** 2)
            sizes.append(abs(value - centre.value))
    if not pulls:
        return
    excess = max((usual.width_ratio2(sub) - 1.0) * usual.width2_px2, 1e-9)
    significant = np.sqrt(sum(pulls)) > 5.0
    if significant and sum(sizes) > 0.15 * excess:
        focus.add(2.5, "the width changed differently over the frame, as tilt and curvature do off focus")
    elif np.isfinite(shape.error_px2) and shape.error_px2 < 0.05 * excess:
        seeing.add(2.0, "the same all over the frame")


def _from_the_other_rig(sub: SubFacts, ratio: float, story: Story, focus: _Points, seeing: _Points) -> None:
    beside = [m.width_ratio2 for m in story.beside(sub) if np.isfinite(m.width_ratio2)]
    if not beside or ratio < 1.1:
        return
    other = float(np.median(beside)) - 1.0
    share = other / (ratio**2 - 1.0)
    if share > 0.3:
        seeing.add(3.5, f"the other rig's stars {np.sqrt(1.0 + other):.2f} times as wide then")
    elif share < 0.12:
        focus.add(2.0, f"the other rig's stars {np.sqrt(max(1.0 + other, 0.0)):.2f} times the usual then")


def _from_the_night(sub: SubFacts, ratio: float, story: Story, focus: _Points, seeing: _Points) -> None:
    before, after = story.since_focus_move(sub)
    excess = ratio**2 - 1.0
    if excess <= 0.0:
        return
    share_before = [(m.width_ratio2 - 1.0) / excess for m in before if np.isfinite(m.width_ratio2)]
    share_after = [(m.width_ratio2 - 1.0) / excess for m in after if np.isfinite(m.width_ratio2)]
    came_and_went = (
        bool(share_after) and min(share_after[:4]) < 0.35 and (not share_before or min(share_before[-4:]) < 0.5)
    )
    if came_and_went:
        seeing.add(2.0, "it came and went with the focuser at rest")
    elif _alone(sub, excess, story):
        seeing.add(1.5, "the subs before and after are as usual")
    whole = [m.width_ratio2 for m in (*before, *after)]
    stretch = [*(m.width_ratio2 for m in before), ratio**2, *(m.width_ratio2 for m in after)]
    growth = _growth([v for v in stretch if np.isfinite(v)])
    # A drift comes step by step: the sub before shows a good part of it, and no step is most of it. A jump is something else.
    steps = np.diff([*share_before, 1.0])
    stepwise = bool(share_before) and share_before[-1] > 0.35 and float(np.max(steps)) < 0.6
    if len(stretch) >= 4 and growth > 0.5 and stepwise and not came_and_went:
        since = f"growing over {len(before) + 1} subs since the focus was set"
        cooler = _cooler(before, sub)
        focus.add(
            2.5, since + (f", {cooler:.1f} °C {'cooler' if cooler > 0 else 'warmer'}" if abs(cooler) >= 0.5 else "")
        )
    elif len(whole) >= 2 and min(whole) > 1.0 + 0.5 * excess:
        others = [
            m.width_ratio2
            for m in story.of_rig(sub.rig, sub.night)
            if m not in before and m not in after and m.frame_id != sub.frame_id
        ]
        if len(others) >= 2 and float(np.median(others)) < 1.0 + 0.35 * excess:
            focus.add(2.0, f"so all {len(whole) + 1} subs at this focus, no others of the night")
    elif not came_and_went and len(stretch) >= 6 and abs(growth) < 0.3:
        seeing.add(1.0, "up and down through the night")


def _alone(sub: SubFacts, excess: float, story: Story) -> bool:
    """Whether the rig's subs next to this one, within half an hour to each side, show little of its widening."""
    own = story.of_rig(sub.rig, sub.night)
    place = next((i for i, m in enumerate(own) if m.frame_id == sub.frame_id), None)
    if place is None or not 0 < place < len(own) - 1:
        return False
    beside = (own[place - 1], own[place + 1])
    near = all(abs(m.start_s - sub.start_s) < 1800.0 + sub.exposure_s for m in beside)
    return near and all((m.width_ratio2 - 1.0) < 0.35 * excess for m in beside)


def _growth(values: Sequence[float]) -> float:
    """Kendall's tau of a series against its order: 1 grows all the time, 0 goes up and down."""
    x = np.asarray(values, np.float64)
    if x.size < 2:
        return 0.0
    i, j = np.triu_indices(x.size, 1)
    return float(np.mean(np.sign(x[j] - x[i])))


def _cooler(before: Sequence[Mark], sub: SubFacts) -> float:
    if not before or before[0].focuser_c is None or sub.focuser_c is None:
        return 0.0
    return before[0].focuser_c - sub.focuser_c


# -- evidence of a dimming --------------------------------------------------------------------------------------------


def _from_the_dimming(sub: SubFacts, share: float, story: Story, cloud: _Points, dew: _Points) -> None:
    """Dew only grows until somebody wipes it off or the night ends; cloud comes and goes."""
    own = story.of_rig(sub.rig, sub.night)
    place = next((i for i, m in enumerate(own) if m.frame_id == sub.frame_id), None)
    if place is None or len(own) < 4:
        return
    missing = 1.0 - share
    later = [m.brightness for m in own[place + 1 :] if np.isfinite(m.brightness)]
    until = [m.brightness for m in own[: place + 1] if np.isfinite(m.brightness)]
    if later and max(later) > 1.0 - 0.5 * missing:
        cloud.add(1.5, "and came back")
        return
    falling = [*until[-6:], *later[:6]]
    if len(falling) >= 4 and _growth(falling) < -0.6:
        dew.add(1.5, f"falling over {len(falling)} subs without coming back")


def _halo_excess(sub: SubFacts, usual: Usual) -> float:
    return sub.shape.halo / usual.halo.value - 1.0 if usual.halo.value > 0 else float("nan")


def has_halo(sub: SubFacts, usual: Usual) -> bool:
    excess = _halo_excess(sub, usual)
    return bool(np.isfinite(excess) and excess > max(HALO_FLOOR, 4.0 * usual.halo.spread / usual.halo.value))


def halo_spread(sub: SubFacts, usual: Usual) -> float:
    """By how much halos widen a star beyond its core: 1 without them."""
    return 1.0 + _halo_excess(sub, usual) if has_halo(sub, usual) else 1.0


def is_uneven(sub: SubFacts) -> bool:
    return bool(np.isfinite(sub.uneven_error) and sub.uneven > max(0.03, 5.0 * sub.uneven_error))


def sky_ratio(sub: SubFacts, usual: Usual, *, dark: bool = False) -> float:
    """Sky over what Moon, dawn and altitude let expect; over the moonless one with `dark`; over the usual without a model."""
    if np.isfinite(sub.predicted_dark_e_per_s) and sub.predicted_dark_e_per_s > 0:
        more = 0.0 if dark else sub.predicted_moon_e_per_s + sub.predicted_twilight_e_per_s
        return sub.sky_e_per_s / (sub.predicted_dark_e_per_s + more)
    return sub.sky_e_per_s / usual.sky_e_per_s if usual.sky_e_per_s > 0 else float("nan")


def _value(centre: Centre) -> float:
    return centre.value if np.isfinite(centre.value) else 0.0


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %" if np.isfinite(share) else "an unknown share"


def _arcsec(sub: SubFacts) -> float:
    return sub.arcsec_per_px if np.isfinite(sub.arcsec_per_px) else 1.0


def _unit(sub: SubFacts) -> str:
    return "″" if np.isfinite(sub.arcsec_per_px) else " px"
