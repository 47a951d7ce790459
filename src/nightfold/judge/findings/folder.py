"""What is odd about the frames as a set: two targets in one folder, copies of one exposure, a clock that is off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from nightfold.judge.records import SubFacts

MANY_STARS = 30
CLOCK_LIMIT_H = 0.3


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """Subs that point elsewhere than the rest: how many, how far, and where."""

    subs: int
    degrees: float
    ra_deg: float
    dec_deg: float


def two_targets(facts: Sequence[SubFacts], *, field_deg: float) -> list[Elsewhere]:
    """Groups of subs of one target that point more than a field away from where the placed ones do, most subs first."""
    known = [f for f in facts if np.isfinite(f.ra_deg) and np.isfinite(f.dec_deg) and not f.unreadable]
    home = [f for f in known if f.placed]
    if not home:
        return []
    ra0, dec0 = _middle(home)
    away = [f for f in known if apart_deg(f.ra_deg, f.dec_deg, ra0, dec0) > field_deg and not f.placed]
    found: list[Elsewhere] = []
    while away:
        seed = away[0]
        mine = [f for f in away if apart_deg(f.ra_deg, f.dec_deg, seed.ra_deg, seed.dec_deg) < field_deg]
        away = [f for f in away if f not in mine]
        ra, dec = _middle(mine)
        found.append(Elsewhere(len(mine), apart_deg(ra, dec, ra0, dec0), ra, dec))
    return sorted(found, key=lambda e: -e.subs)


def unplaced_with_stars(facts: Sequence[SubFacts]) -> int:
    """Subs with plenty of stars that lie nowhere on the grid."""
    return sum(not f.placed and not f.unreadable and f.star_count >= MANY_STARS for f in facts)


def overlapping_exposures(facts: Sequence[SubFacts]) -> list[tuple[int, int]]:
    """Pairs of subs of one rig whose exposures overlap by more than half: copies of one, or a clock that jumped."""
    found = []
    by_rig: dict[str | None, list[SubFacts]] = {}
    for f in facts:
        if np.isfinite(f.start_s):
            by_rig.setdefault(f.rig, []).append(f)
    for own in by_rig.values():
        for a, b in pairwise(sorted(own, key=lambda f: (f.start_s, f.frame_id))):
            if b.start_s - a.start_s < 0.5 * min(a.exposure_s, b.exposure_s):
                found.append((a.frame_id, b.frame_id))
    return found


def clock_off_h(
    start_h: Sequence[float], header_airmass: Sequence[float], airmass_at: Sequence[Sequence[float]]
) -> float | None:
    """Hours to add to the subs' times so that computed air masses meet those in the headers; None where they do, or none would.

    `airmass_at[i][j]` is the air mass of sub j if all clocks were moved by `start_h[i]` hours. The shift must bring the rms
    difference down to a quarter and below 0.03.
    """
    known = np.asarray(header_airmass, np.float64)
    table = np.asarray(airmass_at, np.float64)
    if known.size < 5 or np.ptp(known) < 0.03:
        return None
    difference = table - known[None, :]
    seen = np.isfinite(difference)
    # A shift that puts any of the subs below the horizon is none.
    rms = np.where(seen.all(axis=1), np.sqrt(np.where(seen, difference**2, 0.0).mean(axis=1)), np.inf)
    shifts = np.asarray(start_h, np.float64)
    now = float(rms[int(np.argmin(np.abs(shifts)))])
    best = int(np.argmin(rms))
    if abs(shifts[best]) < CLOCK_LIMIT_H or not (rms[best] < 0.25 * now and rms[best] < 0.03):
        return None
    return float(shifts[best])


def in_daylight(facts: Sequence[SubFacts]) -> list[SubFacts]:
    """Subs dated when the Sun stood above -6 degrees although they show hundreds of times less than its sky: a wrong clock or site."""
    return [
        f for f in facts if np.isfinite(f.sun_altitude_deg) and f.sun_altitude_deg > -6.0 and f.star_count >= MANY_STARS
    ]


def _middle(facts: Sequence[SubFacts]) -> tuple[float, float]:
    ra, dec = np.radians([f.ra_deg for f in facts]), np.radians([f.dec_deg for f in facts])
    vector = np.array([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    middle = np.median(vector, axis=1)
    return (
        float(np.degrees(np.arctan2(middle[1], middle[0])) % 360.0),
        float(np.degrees(np.arctan2(middle[2], np.hypot(middle[0], middle[1])))),
    )


def apart_deg(ra1: float, dec1: float, ra2: float, dec2: float) -> float:
    """Angle between two places, degrees (haversine)."""
    a, b, c, d = np.radians([ra1, dec1, ra2, dec2])
    h = np.sin((b - d) / 2) ** 2 + np.cos(b) * np.cos(d) * np.sin((a - c) / 2) ** 2
    return float(np.degrees(2.0 * np.arcsin(np.sqrt(min(1.0, h)))))
