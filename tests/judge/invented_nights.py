"""Nights made up from physics, as facts for the judge: what befalls each sub is drawn first, what is measured follows from it.

Nothing here uses the judge's formulas. Widths come from stars that are painted as second-moment tensors over the frame (seeing of
one atmosphere for both rigs, optics, tilt, curvature and astigmatism off focus, trails, turning fields); light from extinction,
cloud banks that pass both rigs, dew that only grows; sky from the simulator's own Moon and a dawn; noise from Poisson's law.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from nightfold.judge.evidence import field_shape
from nightfold.judge.records import SubFacts
from nightfold.measure.records import Stars

HARMLESS = ""


@dataclass(frozen=True)
class InventedRig:
    name: str
    arcsec_per_px: float
    optics_px: float
    tilt_px: tuple[float, float]
    bowl_px: float
    read_noise_e: float
    exposure_s: float
    drift_px_per_h: float  # defocus


RIGS = (
    InventedRig("Heron 106", 1.8, 1.0, (0.35, 0.2), 0.6, 1.6, 300.0, 0.5),
    InventedRig("Wren 61", 2.2, 1.1, (0.1, -0.15), 0.9, 1.3, 300.0, 0.3),
)
SKY_E_PER_S = {"Ha": 0.02, "OIII": 0.03, "L": 1.2}


@dataclass
class Happening:
    """What is true of one sub."""

    cause: str = HARMLESS
    also: str = HARMLESS  # what the air adds to it
    transparency: float = 1.0
    slopes: tuple[float, float] = (0.0, 0.0)
    sky_factor: float = 1.0
    halo: float = 0.0
    seeing_factor: float = 1.0
    defocus_px: float = 0.0
    trail_px: float = 0.0
    trail_deg: float = 0.0
    turning_px: float = 0.0
    sensor_off_c: float = 0.0
    noise_factor: float = 1.0
    overlap: float = 0.97
    placed: bool = True
    unreadable: str = ""
    saturated: float = 1e-5
    light_factor: float = 1.0  # of a filter other than the header's
    scatter: float = 0.008
    few_stars: int | None = None


@dataclass(frozen=True)
class InventedSub:
    """Facts as measured, and the truth beside them."""

    facts: SubFacts
    happened: Happening
    true_transparency: float
    true_scale: float
    true_fwhm_px: float
    true_long_px: float


def invent_campaign(seed: int, *, nights: int = 6, per_filter: int = 17) -> list[list[InventedSub]]:
    """Groups of subs (rig and filter) over several nights, about a fifth of them with something wrong."""
    rng = np.random.default_rng(seed)
    groups: dict[tuple[str, str], list[InventedSub]] = {}
    number = 0
    for n in range(nights):
        air = _Air(rng)
        for rig in RIGS:
            story = _story(rng, air, rig, 3 * per_filter)
            focused_at = 0.0
            for k in range(3 * per_filter):
                name = list(SKY_E_PER_S)[k // per_filter]
                hours = k * (rig.exposure_s + 20.0) / 3600.0
                if k % per_filter == 0 or k % 9 == 0:
                    focused_at = hours
                number += 1
                sub = _sub(rng, air, rig, name, n, hours, hours - focused_at, story[k], number)
                groups.setdefault((rig.name, name), []).append(sub)
    return list(groups.values())


class _Air:
    """One night's atmosphere, the same for both rigs."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.seeing = float(rng.uniform(2.2, 3.6))
        steps = rng.normal(0.0, 1.0, 200)
        wander = np.zeros(200)
        for i in range(1, 200):  # correlation of half an hour, 7 % rms
            wander[i] = 0.85 * wander[i - 1] + math.sqrt(1 - 0.85**2) * steps[i]
        self.wander = np.exp(0.07 * wander)
        self.transparency = float(rng.uniform(0.92, 1.0))
        self.extinction = float(rng.uniform(0.10, 0.22))
        self.moon = float(rng.choice([0.0, 0.0, 0.6, 2.0]))
        self.bursts = [
            (t, t + float(rng.uniform(0.15, 0.4)), float(rng.uniform(2.0, 3.0)))
            for t in rng.uniform(0, 4.5, rng.integers(0, 2))
        ]
        self.banks = [
            (t, t + float(rng.uniform(0.15, 0.5)), float(rng.uniform(0.3, 0.97)), rng.normal(0, 0.06, 2))
            for t in rng.uniform(0, 4.5, rng.integers(0, 2))
        ]

    def at(self, hours: float) -> tuple[float, float, float, tuple[float, float], str]:
        """Seeing in arcsec at the zenith, its factor, share of light lost to cloud, its slopes, the cause of what is wrong."""
        factor, lost, slopes, cause = 1.0, 0.0, (0.0, 0.0), HARMLESS
        for begin, end, size in self.bursts:
            if begin <= hours <= end:
                factor, cause = size, "seeing"
        for begin, end, depth, tilt in self.banks:
            if begin <= hours <= end:
                lost = depth * (0.75 + 0.25 * math.sin(9.0 * hours))
                slopes, cause = (float(tilt[0] * depth * 2), float(tilt[1] * depth * 2)), "cloud"
        return self.seeing * float(self.wander[int(hours * 12) % 200]), factor, lost, slopes, cause


def _story(rng: np.random.Generator, air: _Air, rig: InventedRig, count: int) -> list[Happening]:
    """What befalls one rig in one night besides the air."""
    story = [Happening() for _ in range(count)]
    if rng.random() < 0.2:  # dew from some hour on, never wiped off
        begin = int(rng.integers(count // 2, count - 6))
        depth = float(rng.uniform(0.5, 0.9))
        for i in range(begin, count):
            lost = depth * (i - begin + 1) / (count - begin)
            story[i] = Happening(cause="dew", transparency=1.0 - lost, halo=lost, sky_factor=1.0 - 0.5 * lost)
    if rng.random() < 0.3:  # the focus routine failed: all until the next
        begin = 9 * int(rng.integers(0, max(1, count // 9 - 1)))
        off = float(rng.uniform(3.0, 7.0))
        for i in range(begin, min(begin + int(rng.integers(2, 9)), count)):
            story[i] = replace(story[i], cause="focus", defocus_px=off)
    if rng.random() < 0.2:  # dawn
        for i in range(count - 2, count):
            story[i] = Happening(cause="sky-glow", sky_factor=float(rng.uniform(8, 40)))
    for _ in range(int(rng.poisson(2.6))):
        i = int(rng.integers(0, count))
        if story[i].cause:
            continue
        kind = rng.choice(
            [
                "trailing",
                "trailing",
                "turning",
                "pointing",
                "wrong-frame",
                "sensor",
                "overexposed",
                "unreadable",
                "sky-glow",
            ]
        )
        if kind == "trailing":
            story[i] = Happening(
                cause="trailing", trail_px=float(rng.uniform(2.5, 9.0)), trail_deg=float(rng.uniform(0, 180))
            )
        elif kind == "turning":
            story[i] = Happening(cause="trailing", turning_px=float(rng.uniform(5.0, 10.0)))
        elif kind == "pointing":
            story[i] = Happening(
                cause="pointing", placed=bool(rng.random() < 0.5), overlap=float(rng.uniform(0.05, 0.35))
            )
        elif kind == "wrong-frame":
            how = int(rng.integers(0, 4))
            if how == 0:
                story[i] = Happening(cause="wrong-frame", light_factor=float(rng.uniform(0.03, 0.3)), scatter=0.15)
            elif how == 1:
                story[i] = Happening(cause="wrong-frame", light_factor=float(rng.uniform(3.0, 30.0)), scatter=0.15)
            elif how == 2:
                story[i] = Happening(
                    cause="wrong-frame",
                    light_factor=float(rng.uniform(0.8, 1.2)),
                    scatter=float(rng.uniform(0.08, 0.2)),
                )
            else:
                story[i] = Happening(
                    cause="wrong-frame", few_stars=0, placed=False, sky_factor=float(rng.choice([0.0, 300.0]))
                )
        elif kind == "sensor":
            story[i] = Happening(
                cause="sensor", sensor_off_c=float(rng.uniform(4, 20)), noise_factor=float(rng.uniform(1.5, 4.5))
            )
        elif kind == "overexposed":
            story[i] = Happening(cause="overexposed", saturated=float(rng.uniform(0.03, 0.9)), sky_factor=200.0)
        elif kind == "unreadable":
            story[i] = Happening(cause="unreadable", unreadable="the file ends after 40 % of its pixels")
        else:
            story[i] = Happening(cause="sky-glow", sky_factor=float(rng.uniform(8, 60)))
    return story


def _sub(
    rng: np.random.Generator,
    air: _Air,
    rig: InventedRig,
    name: str,
    night: int,
    hours: float,
    since_focus_h: float,
    h: Happening,
    number: int,
) -> InventedSub:
    seeing, burst, lost, slopes, cause = air.at(hours)
    if cause:
        h = replace(h, also=cause) if h.cause else replace(h, cause=cause)
    if lost:
        h = replace(
            h,
            transparency=h.transparency * (1.0 - lost),
            slopes=slopes,
            sky_factor=h.sky_factor * (1.0 + 1.2 * lost * rng.random()),
        )
    altitude = 35.0 + 45.0 * math.sin(math.pi * (hours + 0.3) / 5.6)
    airmass = 1.0 / math.sin(math.radians(altitude))
    seeing_px = seeing * burst * airmass**0.6 / rig.arcsec_per_px
    defocus = h.defocus_px + rig.drift_px_per_h * since_focus_h
    stars, fwhm, longest = _stars(rng, rig, seeing_px, defocus, h, SKY_E_PER_S[name])
    transparency = air.transparency * h.transparency * h.light_factor
    scale = transparency * 10.0 ** (-0.4 * air.extinction * airmass)
    moonlight = 0.4 * air.moon if name == "L" else 0.15 * air.moon
    dark = SKY_E_PER_S[name] * (1.0 + 0.15 * (airmass - 1.0))
    moon = SKY_E_PER_S[name] * moonlight * (0.8 + 0.4 * hours / 5.0)
    glow = h.sky_factor * (h.light_factor if h.light_factor != 1.0 else 1.0)
    sky = (dark + moon) * glow
    twilight = (dark + moon) * (h.sky_factor - 1.0) if h.cause == "sky-glow" and rng.random() < 0.7 else 0.0
    variance = (sky + 0.004) * rig.exposure_s + rig.read_noise_e**2
    noise = math.sqrt(variance) * h.noise_factor * float(rng.normal(1.0, 0.01))
    ellipticity, angle = _typical(stars)
    air_at_best = 10.0 ** (-0.4 * air.extinction * 1.02)
    measured = float(rng.normal(1.0, 0.004))
    facts = SubFacts(
        frame_id=number,
        exposure_s=rig.exposure_s,
        star_count=h.few_stars
        if h.few_stars is not None
        else int(rng.poisson(max(400 * min(transparency, 3.0) ** 0.6, 0.5))),
        sky_e_per_s=sky * float(rng.normal(1.0, 0.01)) + 1e-5,
        noise_e=noise,
        fwhm_px=float(np.median(stars.fwhm_px)),
        half_flux_radius_px=float(np.median(stars.half_flux_radius_px)),
        ellipticity=ellipticity,
        ellipticity_angle_deg=angle,
        saturated_fraction=h.saturated,
        transparency=transparency * measured,
        scale=scale / air_at_best * measured,
        placed=h.placed and not h.unreadable,
        place_reason="" if h.placed else "no agreement of star patterns",
        overlap=h.overlap if h.placed else 0.0,
        unreadable=h.unreadable,
        sensor_c=-10.0 + h.sensor_off_c + float(rng.normal(0, 0.1)),
        set_point_c=-10.0,
        rig=rig.name,
        filter=name,
        night=f"2026-05-{10 + night:02d}",
        start_s=1778400000.0 + 86400.0 * night + 3600.0 * hours,
        airmass=airmass,
        focuser_position=1000.0 + 7.0 * math.floor(hours / 0.8) + (40.0 if h.defocus_px else 0.0),
        focuser_c=12.0 - 1.2 * hours,
        predicted_dark_e_per_s=dark * float(rng.normal(1.0, 0.03)),
        predicted_moon_e_per_s=moon * 0.9,
        predicted_twilight_e_per_s=twilight * 0.8,
        moon_altitude_deg=30.0 if air.moon else -20.0,
        sun_altitude_deg=-9.0 if twilight else -30.0,
        read_noise_e=rig.read_noise_e,
        shape=field_shape(stars, width_px=3000, height_px=2000),
        uneven=float(np.abs(np.asarray(h.slopes) + rng.normal(0, 0.004, 2)).sum()),
        uneven_error=0.006,
        star_scatter=abs(float(rng.normal(h.scatter, 0.002))),
        arcsec_per_px=rig.arcsec_per_px,
    )
    return InventedSub(facts, h, transparency, scale / air_at_best, fwhm, longest)


def _stars(
    rng: np.random.Generator, rig: InventedRig, seeing_px: float, defocus: float, h: Happening, sky: float
) -> tuple[Stars, float, float]:
    """Stars as a reading holds them, from tensors of squared FWHM; and the true widths in the middle of the frame."""
    n = 90
    x, y = rng.uniform(0, 3000, n), rng.uniform(0, 2000, n)
    u, v = (x - 1500) / 1500, (y - 1000) / 1000
    x[0], y[0], u[0], v[0] = 1500, 1000, 0.0, 0.0
    dx, dy = (x - 1500) / 1803, (y - 1000) / 1803
    off = defocus + rig.tilt_px[0] * u + rig.tilt_px[1] * v + rig.bowl_px * (dx**2 + dy**2)
    round_ = seeing_px**2 + rig.optics_px**2 + off**2
    jitter, toward = 0.5 * rng.random(), math.pi * rng.random()
    trail, along = math.hypot(h.trail_px, jitter), math.radians(h.trail_deg) if h.trail_px else toward
    px, py = 0.4 * (rng.random() - 0.5), 0.4 * (rng.random() - 0.5)
    turn_x, turn_y = -h.turning_px * (dy - py), h.turning_px * (dx - px)
    xx = round_ + 0.3 * off**2 * dx**2 + (trail * math.cos(along)) ** 2 + turn_x**2
    yy = round_ + 0.3 * off**2 * dy**2 + (trail * math.sin(along)) ** 2 + turn_y**2
    xy = 0.3 * off**2 * dx * dy + trail**2 * math.cos(along) * math.sin(along) + turn_x * turn_y
    half, root = 0.5 * (xx + yy), np.sqrt(0.25 * (xx - yy) ** 2 + xy**2)
    true_fwhm, true_long = float(np.median((half**2 - root**2) ** 0.25)), float(np.median(np.sqrt(half + root)))
    snr = 10 ** rng.uniform(1.3, 2.7, n)
    noisy = [m * (1.0 + 2.0 * rng.normal(0, 1, n) / snr) for m in (xx, yy)]
    cross = xy + 1.4 * np.sqrt(xx * yy) * rng.normal(0, 1, n) / snr
    half, root = 0.5 * (noisy[0] + noisy[1]), np.sqrt(0.25 * (noisy[0] - noisy[1]) ** 2 + cross**2)
    long2, short2 = half + root, np.maximum(half - root, 0.2)
    fwhm = (long2 * short2) ** 0.25
    radius = fwhm * (0.58 + 0.4 * h.halo) * (1.0 + rng.normal(0, 1, n) / snr) * float(rng.normal(1.0, 0.006))
    zero = np.zeros(n)
    stars = Stars(
        x=x, y=y, position_error_px=zero + 0.03, flux_e=snr**2, flux_error_e=snr, peak_e=snr**2 / fwhm**2, background_e=zero + sky, snr=snr,
        fwhm_px=fwhm, half_flux_radius_px=radius, ellipticity=1.0 - np.sqrt(short2 / long2),
        angle_deg=np.degrees(0.5 * np.arctan2(2.0 * cross, noisy[0] - noisy[1])) % 180.0, flags=np.zeros(n, np.int64),
    )  # fmt: skip
    return stars, true_fwhm, true_long


def _typical(stars: Stars) -> tuple[float, float]:
    """Median ellipticity of the brighter half, and the angle of the mean vector where it stands out."""
    bright = stars.snr > 40
    e, turn = stars.ellipticity[bright], np.radians(2.0 * stars.angle_deg[bright])
    mean = np.array([np.mean(e * np.cos(turn)), np.mean(e * np.sin(turn))])
    angle = math.degrees(0.5 * math.atan2(mean[1], mean[0])) % 180.0
    return float(np.median(e)), angle if np.hypot(*mean) > 0.03 else math.nan
