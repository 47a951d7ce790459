"""What is usual in a campaign, so that what is not can be seen: centres and spreads of a group, and the rigs through a night.

Centres are of the better half, so that they hold while up to half of the subs are spoilt; a spread of fewer than five subs
says nothing and is taken as none, so that physical floors alone decide.
"""

from __future__ import annotations

import itertools
from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from nightfold.judge.records import NAN, SubFacts
from nightfold.robust import mad_sigma

FloatArray = npt.NDArray[np.float64]

MIN_STARS = 6
"""Fewer stars than this cannot carry a registration."""

SEEING_POWER = 1.2
"""Square of the width goes as air mass^1.2: FWHM as air mass^0.6 in Kolmogorov turbulence (Fried 1966; CHECKS H-tables)."""


def usable(sub: SubFacts) -> bool:
    """Whether a sub could go into a master at all."""
    return (
        not sub.unreadable
        and sub.placed
        and sub.star_count >= MIN_STARS
        and np.isfinite(sub.fwhm_px)
        and np.isfinite(sub.scale)
        and sub.scale > 0
    )


def better_half(values: Sequence[float] | FloatArray) -> float:
    """Median of the smaller three quarters (small is good); NaN for none."""
    x = np.asarray(values, np.float64)
    x = np.sort(x[np.isfinite(x)])
    return float(np.median(x[: max(1, (3 * x.size + 3) // 4)])) if x.size else NAN


def spread(values: Sequence[float] | FloatArray) -> float:
    """Robust standard deviation; 0 for fewer than five."""
    x = np.asarray(values, np.float64)
    x = x[np.isfinite(x)]
    return float(mad_sigma(x)) if x.size >= 5 else 0.0


@dataclass(frozen=True, slots=True)
class Centre:
    """A usual value and its spread."""

    value: float
    spread: float

    @classmethod
    def of(cls, values: Sequence[float]) -> Centre:
        """Median and robust spread of the finite values."""
        x = np.asarray(values, np.float64)
        x = x[np.isfinite(x)]
        return cls(float(np.median(x)) if x.size else NAN, spread(x))


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """A group (one target, rig and filter) by what its good subs share."""

    subs: int
    width2_px2: float  # across the long axis, at the usual air mass
    long_px: float  # along it
    ellipticity: float
    ellipticity_spread: float
    airmass: float
    sky_e_per_s: float
    other_variance_e2: float  # of a pixel, beyond the sky's photons
    variance_spread: float  # of ln(variance over what sky and camera tell)
    transparency: float
    star_count: float
    halo: Centre
    drawn_px2: Centre
    turning_px2: Centre
    tilt_u_px2: Centre
    tilt_v_px2: Centre
    bowl_px2: Centre
    star_scatter: Centre
    sensor_off_c: Centre
    exposure_s: float
    other_spread_e2: float  # of the variance beyond the sky's photons: how well level and noise go together
    row_pattern_e: Centre
    column_pattern_e: Centre
    settings: dict[str, dict[str, int]]  # by name, how many subs of the rig have which value
    object_names: dict[str, int]

    @classmethod
    def of(cls, subs: Sequence[SubFacts]) -> Usual:
        """From the usable subs of a group."""
        width2 = [s.fwhm_px**2 * (1.0 - s.ellipticity) / _air(s, 1.0) for s in subs]
        other = [s.noise_e**2 - s.sky_e_per_s * s.exposure_s for s in subs]
        other_e2 = _median(other)
        excess = [
            np.log(max(s.noise_e**2, 1e-9) / max(other_e2 + s.sky_e_per_s * s.exposure_s, 1e-9))
            for s in subs
            if np.isfinite(other_e2)
        ]
        off = [s.sensor_c - s.set_point_c for s in subs if s.sensor_c is not None and s.set_point_c is not None]
        return cls(
            subs=len(subs),
            width2_px2=better_half(width2),
            long_px=better_half([s.long_axis_px for s in subs]),
            ellipticity=better_half([s.ellipticity for s in subs]),
            ellipticity_spread=spread([s.ellipticity for s in subs]),
            airmass=_median([s.airmass for s in subs]),
            sky_e_per_s=better_half([s.sky_e_per_s for s in subs]),
            other_variance_e2=other_e2,
            variance_spread=spread(excess),
            transparency=_percentile([s.transparency for s in subs], 75),
            star_count=_median([float(s.star_count) for s in subs]),
            halo=Centre.of([s.shape.halo for s in subs]),
            drawn_px2=Centre.of([s.shape.drawn_px2 for s in subs]),
            turning_px2=Centre.of([s.shape.turning_px2 for s in subs]),
            tilt_u_px2=Centre.of([s.shape.width2_tilt_px2[0] for s in subs]),
            tilt_v_px2=Centre.of([s.shape.width2_tilt_px2[1] for s in subs]),
            bowl_px2=Centre.of([s.shape.width2_bowl_px2 for s in subs]),
            star_scatter=Centre.of([s.star_scatter for s in subs]),
            sensor_off_c=Centre.of(off),
            exposure_s=_median([s.exposure_s for s in subs]),
            other_spread_e2=spread(other),
            row_pattern_e=Centre.of([s.row_pattern_e for s in subs]),
            column_pattern_e=Centre.of([s.column_pattern_e for s in subs]),
            settings=_counted([s.settings for s in subs]),
            object_names=dict(Counter(s.object_name for s in subs if s.object_name)),
        )

    def in_epoch(self, subs: Sequence[SubFacts], epoch: int) -> Usual:
        """The same with the patterns over the frame of one stretch between events of the rig, where five subs tell them."""
        own = [s for s in subs if s.epoch == epoch]
        if len(own) < 5 or len(own) == len(subs):
            return self
        then = Usual.of(own)
        return replace(
            self,
            halo=then.halo,
            drawn_px2=then.drawn_px2,
            turning_px2=then.turning_px2,
            tilt_u_px2=then.tilt_u_px2,
            tilt_v_px2=then.tilt_v_px2,
            bowl_px2=then.bowl_px2,
            sensor_off_c=then.sensor_off_c,
            row_pattern_e=then.row_pattern_e,
            column_pattern_e=then.column_pattern_e,
        )

    def width_ratio2(self, sub: SubFacts) -> float:
        """Squared width across the long axis over the usual at this air mass: 1 for a usual sub."""
        width2 = sub.fwhm_px**2 * (1.0 - sub.ellipticity)
        return float(width2 / (self.width2_px2 * _air(sub, 1.0))) if self.width2_px2 > 0 else NAN


def with_rig_settings(groups: Sequence[Sequence[SubFacts]], usuals: Sequence[Usual]) -> list[Usual]:
    """The same, with the settings of all of a rig's subs where a group's own are fewer than five."""
    found = []
    for subs, usual in zip(groups, usuals):
        rig = subs[0].rig if subs else None
        if usual.subs < 5 and rig is not None:
            all_of_rig = [s.settings for other in groups for s in other if s.rig == rig and usable(s)]
            usual = replace(usual, settings=_counted(all_of_rig))
        found.append(usual)
    return found


def _counted(settings: Sequence[tuple[tuple[str, str], ...]]) -> dict[str, dict[str, int]]:
    found: dict[str, dict[str, int]] = {}
    for one in settings:
        for name, value in one:
            found.setdefault(name, {}).setdefault(value, 0)
            found[name][value] += 1
    return found


def _air(sub: SubFacts, missing: float) -> float:
    return float(sub.airmass**SEEING_POWER) if np.isfinite(sub.airmass) and sub.airmass >= 1.0 else missing


def _median(values: Sequence[float]) -> float:
    x = np.asarray(values, np.float64)
    x = x[np.isfinite(x)]
    return float(np.median(x)) if x.size else NAN


def _percentile(values: Sequence[float], q: float) -> float:
    x = np.asarray(values, np.float64)
    x = x[np.isfinite(x)]
    return float(np.percentile(x, q)) if x.size else NAN


@dataclass(frozen=True, slots=True)
class Mark:
    """One sub in the story of a night, each number over its own group's usual."""

    frame_id: int
    rig: str | None
    start_s: float
    exposure_s: float
    width_ratio2: float
    brightness: float  # transparency over the best of that rig, filter and night
    focuser_position: float | None
    focuser_c: float | None
    filter: str | None


class Story:
    """All usable subs of a campaign in order of time, by rig and night: what stood before, after and beside a sub."""

    def __init__(self, marks: Sequence[Mark], night_of: Callable[[int], str | None]) -> None:
        rigs: dict[tuple[str | None, str | None], list[Mark]] = defaultdict(list)
        for mark in marks:
            if np.isfinite(mark.start_s):
                rigs[(mark.rig, night_of(mark.frame_id))].append(mark)
        self._by_rig = {key: sorted(own, key=lambda m: m.start_s) for key, own in rigs.items()}
        self._starts = {key: [m.start_s for m in own] for key, own in self._by_rig.items()}

    def of_rig(self, rig: str | None, night: str | None) -> list[Mark]:
        """The rig's subs of a night in order of time, all filters."""
        return self._by_rig.get((rig, night), [])

    def since_focus_move(self, sub: SubFacts) -> tuple[list[Mark], list[Mark]]:
        """The rig's subs before and after this one within its stretch between two moves of the focuser.

        Where the header tells no position, a pause of more than four minutes or a change of filter may hide a move and
        ends the stretch.
        """
        own = self.of_rig(sub.rig, sub.night)
        place = next((i for i, m in enumerate(own) if m.frame_id == sub.frame_id), None)
        if place is None:
            return [], []
        steady = _positions_tell(own)
        first = place
        while first > 0 and not _moved(own[first - 1], own[first], steady):
            first -= 1
        last = place
        while last + 1 < len(own) and not _moved(own[last], own[last + 1], steady):
            last += 1
        return own[first:place], own[place + 1 : last + 1]

    def beside(self, sub: SubFacts, *, within_s: float = 600.0) -> list[Mark]:
        """Subs of other rigs exposed at the same time as this one; without any, the nearest of each within ten minutes."""
        if not np.isfinite(sub.start_s):
            return []
        middle, half = sub.start_s + 0.5 * sub.exposure_s, 0.5 * sub.exposure_s
        found = []
        for (rig, night), own in self._by_rig.items():
            if rig == sub.rig or night != sub.night or not own:
                continue
            at = bisect_left(self._starts[(rig, night)], middle)
            near = [own[k] for k in range(max(0, at - 4), min(len(own), at + 4))]
            apart = [abs(m.start_s + 0.5 * m.exposure_s - middle) for m in near]
            beside = [m for m, d in zip(near, apart) if d < 0.6 * (half + 0.5 * m.exposure_s)]
            nearest = int(np.argmin(apart))
            found += beside or ([near[nearest]] if apart[nearest] < within_s + half else [])
        return found


def _positions_tell(own: Sequence[Mark]) -> bool:
    """Whether a changed position means a new focus: not where it follows the temperature from sub to sub."""
    known = [m.focuser_position for m in own if m.focuser_position is not None]
    if len(known) < len(own) or len(own) < 2:
        return False
    return sum(a != b for a, b in itertools.pairwise(known)) <= 0.5 * (len(known) - 1)


def _moved(a: Mark, b: Mark, positions_tell: bool) -> bool:
    if positions_tell:
        return a.focuser_position != b.focuser_position
    return a.filter != b.filter or b.start_s - a.start_s - a.exposure_s > 240.0
