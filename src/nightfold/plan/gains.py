"""What a rig gains for a goal in each slot of a night: the numbers that the schedule weighs.

Gain is SNR squared per second of clock time under the sky of that moment, as a share of the goal. Limits are hard: where
the Sun, the target's height, the horizon or the mount forbid a part of a slot, the slot gives nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from nightfold.rig.photometry import Optics, line_e_per_s, sky_e_per_s
from nightfold.sky.airmass import airmass_from_true_altitude, extinction_factor
from nightfold.sky.brightness import Band, SkyModel, SkyTerms, sun_limit_deg
from nightfold.sky.ephemeris import Track, moon_illumination, separation_deg
from nightfold.sky.moonlight import extinction_mag_at
from nightfold.sky.night import Night, horizon_altitude_deg

__all__ = [
    "Limits",
    "Shooting",
    "SlotGain",
    "kept_under_moon",
    "only_within",
    "reference_hours",
    "reference_rate",
    "scaled",
    "slot_edges_s",
    "slot_gain",
]

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Limits:
    """Where a rig may point. Hour angles in hours, first to last, mirrored after the flip of a mount that flips."""

    min_altitude_deg: float = 30.0
    profile: Sequence[Sequence[float]] = ()
    hour_angles_h: tuple[float, float] | None = None
    flips: bool = True
    moon_separation_deg: float = 0.0
    """Least distance from a Moon above the horizon."""


@dataclass(frozen=True)
class Shooting:
    """How one rig shoots one filter: optics (efficiency at the line, filter's peak included), noise, times.

    `rayleigh` is the goal's line brightness; for continuum give `signal_photons` (per s, m2, nm, arcsec2) instead.
    `overhead_s` stands between subs; `pause_share` is the share of clock time that refocusing and dithering take.
    """

    optics: Optics
    band: Band
    read_noise_e: float
    sub_s: float
    rayleigh: float = 0.0
    signal_photons: float = 0.0
    dark_e_per_s: float = 0.0
    overhead_s: float = 0.0
    pause_share: float = 0.0
    snr: float = 10.0
    box_arcsec: float = 10.0

    @property
    def signal_e_per_s(self) -> float:
        """Electrons per second and pixel of the goal above the air."""
        continuum = sky_e_per_s(self.signal_photons, self.band.width_nm, self.optics)
        return float(line_e_per_s(self.rayleigh, self.optics) + continuum)


@dataclass(frozen=True)
class SlotGain:
    """For each slot: share of the goal gained, the sky, and what forbids it ("" where nothing does)."""

    gain: FloatArray
    sky_e_per_s: FloatArray
    moon_share: FloatArray
    """Share of the sky's light that is the Moon's."""
    altitude_deg: FloatArray
    forbidden: tuple[str, ...]
    moonless_gain: FloatArray = field(repr=False)
    """What the slot would give without the Moon, limits as they are."""


def slot_edges_s(night: Night, *, slot_s: float = 900.0, sun_below_deg: float = -6.0) -> FloatArray:
    """Unix times of the edges of whole slots while the Sun is below a limit; empty where it never is."""
    spans = night.sun_track.crossings(sun_below_deg)
    roots, rising = spans
    down = roots[~rising]
    up = roots[rising]
    starts_down = float(night.sun_track.altitude_deg(night.sun_track.start_s)) < sun_below_deg
    if not roots.size and not starts_down:
        return np.empty(0)
    start = float(down[0]) if down.size else night.sun_track.start_s
    end = float(up[up > start][0]) if np.any(up > start) else night.sun_track.end_s
    # Edges on round clock times: plans are read by people.
    first = np.ceil(start / slot_s) * slot_s
    count = int((end - first) // slot_s)
    return first + slot_s * np.arange(count + 1) if count > 0 else np.empty(0)


def _hour_angle_ok(hour_angle_h: FloatArray, limits: Limits) -> BoolArray:
    if limits.hour_angles_h is None:
        return np.ones(hour_angle_h.shape, dtype=np.bool_)
    first, last = limits.hour_angles_h
    inside = (hour_angle_h >= first) & (hour_angle_h <= last)
    if limits.flips:
        inside |= (-hour_angle_h >= first) & (-hour_angle_h <= last)
    return np.asarray(inside)


def slot_gain(
    edges_s: FloatArray,
    *,
    night: Night,
    target: Track,
    model: SkyModel,
    shooting: Shooting,
    limits: Limits,
    flip_s: float = 0.0,
    samples: int = 5,
) -> SlotGain:
    """Gain of one rig, target and filter in each slot.

    The sky is taken at `samples` instants of a slot, edges included; a slot is forbidden if any of them is. `flip_s` is lost
    in the slot that holds the target's transit. The Sun's limit is the filter's own (`sky.brightness.sun_limit_deg`).
    """
    count = max(len(edges_s) - 1, 0)
    if not count:
        empty = np.empty(0)
        return SlotGain(empty, empty, empty, empty, (), empty)
    at = edges_s[:-1, None] + np.diff(edges_s)[:, None] * np.linspace(0.0, 1.0, samples)[None, :]
    altitude, sun, moon = (track.altitude_deg(at) for track in (target, night.sun_track, night.moon_track))
    apart = separation_deg(target, night.moon_track, at)
    phase = np.interp(
        at, edges_s[[0, -1]], moon_illumination(edges_s[[0, -1]]).phase_angle_deg
    )  # steady enough over one night
    terms = model.terms(
        shooting.band, altitude_deg=np.maximum(altitude, 0.1), sun_altitude_deg=sun, moon_altitude_deg=moon,
        separation_deg=apart, phase_angle_deg=phase,
    )  # fmt: skip
    rate, moonless = (_rate(shooting, model, altitude, light) for light in (terms, _without_moon(terms)))

    wall = np.maximum(horizon_altitude_deg(target.azimuth_deg(at), limits.profile), limits.min_altitude_deg)
    reasons = (
        ("the Sun", sun > sun_limit_deg(model, shooting.band)),
        ("altitude", altitude < wall),
        ("the mount", ~_hour_angle_ok(target.hour_angle_deg(at) / 15.0, limits)),
        ("the Moon", (moon > 0.0) & (apart < limits.moon_separation_deg)),
    )
    forbidden = tuple(next((why for why, bad in reasons if bad[i].any()), "") for i in range(count))
    open_slots = np.array([not why for why in forbidden])
    clock = np.diff(edges_s) * (1.0 - shooting.pause_share)
    for transit in target.transits():
        inside = (edges_s[:-1] <= transit) & (transit < edges_s[1:])
        clock = np.where(inside, np.maximum(clock - flip_s, 0.0), clock)
    light = terms.total.mean(axis=1)
    return SlotGain(
        gain=np.where(open_slots, rate.mean(axis=1) * clock, 0.0),
        sky_e_per_s=sky_e_per_s(light, shooting.band.width_nm, shooting.optics),
        moon_share=terms.moon.mean(axis=1) / light,
        altitude_deg=altitude.mean(axis=1),
        forbidden=forbidden,
        moonless_gain=np.where(open_slots, moonless.mean(axis=1) * clock, 0.0),
    )


def only_within(detail: SlotGain, edges_s: FloatArray, windows: Sequence[tuple[float, float]]) -> SlotGain:
    """The same night, shot only in slots that lie wholly inside one of some windows of Unix time.

    For planning anew from now on, and for the hours that are expected to be clear.
    """
    inside = np.array(
        [any(a <= begin and end <= b for a, b in windows) for begin, end in pairwise(edges_s.tolist())], dtype=np.bool_
    )
    return replace(
        detail,
        gain=np.where(inside, detail.gain, 0.0),
        moonless_gain=np.where(inside, detail.moonless_gain, 0.0),
        forbidden=tuple(why or ("" if ok else "outside the hours given") for why, ok in zip(detail.forbidden, inside)),
    )


def reference_hours(detail: SlotGain, slot_s: float) -> float:
    """Hours that the whole goal would take in this night's best moonless slot; 0 where it cannot be shot.

    As the weight of a goal it makes an hour under the best sky worth the same in every filter, so that a plan asks who
    loses least by the sky of the moment and not whose goal is the easier one.
    """
    best = float(detail.moonless_gain.max(initial=0.0))
    return slot_s / 3600.0 / best if best > 0 else 0.0


def reference_rate(shooting: Shooting, model: SkyModel, altitude_deg: float) -> float:
    """Share of the goal gained per second of clock time at an altitude, in a dark sky without Moon: the best there is."""
    terms = model.terms(
        shooting.band, altitude_deg=altitude_deg, sun_altitude_deg=-40.0, moon_altitude_deg=-40.0, separation_deg=90.0,
        phase_angle_deg=90.0,
    )  # fmt: skip
    return float(_rate(shooting, model, np.asarray(altitude_deg), terms))


def kept_under_moon(shooting: Shooting, model: SkyModel) -> float:
    """Share of its pace that a filter keeps under an ordinary Moon: three quarters lit, 45 degrees high, 70 degrees away."""
    at = {"altitude_deg": 60.0, "sun_altitude_deg": -40.0, "separation_deg": 70.0, "phase_angle_deg": 60.0}
    lit = model.terms(shooting.band, moon_altitude_deg=45.0, **at)
    dark = model.terms(shooting.band, moon_altitude_deg=-40.0, **at)
    altitude = np.asarray(60.0)
    return float(_rate(shooting, model, altitude, lit) / _rate(shooting, model, altitude, dark))


def scaled(detail: SlotGain, factor: float) -> SlotGain:
    """The same night with every gain times a factor."""
    return replace(detail, gain=detail.gain * factor, moonless_gain=detail.moonless_gain * factor)


def _without_moon(terms: SkyTerms) -> SkyTerms:
    return SkyTerms(terms.site, np.zeros_like(terms.moon), terms.twilight)


def _rate(shooting: Shooting, model: SkyModel, altitude_deg: FloatArray, terms: SkyTerms) -> FloatArray:
    """Share of the goal's SNR squared per second of clock time: m s^2 / ((s + b + d) + R^2 / t), over the goal's squared."""
    k = extinction_mag_at(shooting.band.centre_nm, model.extinction_mag, model.elevation_m)
    through = extinction_factor(airmass_from_true_altitude(np.maximum(altitude_deg, 0.1)), k)
    signal = shooting.signal_e_per_s * through
    sky = sky_e_per_s(terms.total, shooting.band.width_nm, shooting.optics)
    variance = signal + sky + shooting.dark_e_per_s + shooting.read_noise_e**2 / shooting.sub_s
    box_px = (shooting.box_arcsec / shooting.optics.scale_arcsec_px) ** 2
    lit = shooting.sub_s / (shooting.sub_s + shooting.overhead_s)
    return np.asarray(box_px * signal**2 / variance * lit / shooting.snr**2)
