"""A whole night of the demo's kind: gains by slot, the plan, its blocks, reasons and events."""

from __future__ import annotations

import dataclasses
from datetime import date, timedelta

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_sun
from astropy.time import Time
from astropy.utils import iers

from nightfold.plan.blocks import Block, blocks_of, events_of
from nightfold.plan.gains import Limits, Shooting, SlotGain, only_within, reference_hours, slot_edges_s, slot_gain
from nightfold.plan.schedule import Goal, Job, Plan, Problem, plan_night
from nightfold.rig.photometry import Optics
from nightfold.sky.brightness import Band, SkyModel, sun_limit_deg
from nightfold.sky.ephemeris import Place, target_track
from nightfold.sky.night import Night, night_at

PLACE = Place(-31.3, 149.1, 600.0, time_zone="Australia/Sydney")
MODEL = SkyModel(21.4, 0.18, 600.0)
OPTICS = Optics(aperture_mm=106.0, focal_length_mm=530.0, pixel_um=4.63, efficiency=0.6)
BANDS = {"Ha": Band("Ha", 656.3, 4.0), "OIII": Band("OIII", 500.7, 4.0), "SII": Band("SII", 672.4, 4.0)}
LIMITS = Limits(min_altitude_deg=30.0)


def _shooting(name: str) -> Shooting:
    return Shooting(
        optics=OPTICS, band=BANDS[name], read_noise_e=1.8, sub_s=300.0, rayleigh=30.0, dark_e_per_s=0.002, overhead_s=8.0,
        snr=20.0, box_arcsec=10.0,
    )  # fmt: skip


def _night_gains(day: date, limits: Limits = LIMITS, flip_s: float = 0.0) -> tuple[Night, np.ndarray, list[SlotGain]]:
    night = night_at(PLACE, day)
    track = target_track(250.2, -48.8, PLACE, night.start.timestamp(), night.end.timestamp())
    edges = slot_edges_s(night)
    rows = [
        slot_gain(edges, night=night, target=track, model=MODEL, shooting=_shooting(name), limits=limits, flip_s=flip_s)
        for name in BANDS
    ]
    return night, edges, rows


MOON_LATE = date(2026, 6, 5)  # a bright Moon rises some three hours after dusk


def _plan(
    day: date = MOON_LATE, done: tuple[float, float, float] = (0.0, 0.0, 0.0)
) -> tuple[Night, np.ndarray, list[SlotGain], Problem, Plan]:
    night, edges, rows = _night_gains(day)
    goals = tuple(
        Goal("nebula", name, done=d, weight=reference_hours(row, 900.0)) for name, d, row in zip(BANDS, done, rows)
    )
    jobs = tuple(Job("refractor", g, row.gain, start_s=150.0) for g, row in enumerate(rows))
    problem = Problem(900.0, goals, jobs)
    return night, edges, rows, problem, plan_night(problem)


def _blocks(night: Night, edges: np.ndarray, rows: list[SlotGain], problem: Problem, plan: Plan) -> tuple[Block, ...]:
    rise = night.moon.rise.timestamp() if night.moon.rise else None
    return blocks_of(
        plan,
        problem,
        edges,
        details=rows,
        sub_s=[300.0] * 3,
        overhead_s=[8.0] * 3,
        moonrise_s=rise,
        zone_shift_s=36_000.0,
    )


def test_slots_stand_on_round_times_in_the_dark() -> None:
    night, edges, _ = _night_gains(MOON_LATE)
    assert np.all(edges % 900.0 == 0)
    assert np.all(night.sun_track.altitude_deg(edges) <= -6.0 + 1e-6)
    assert len(slot_edges_s(night_at(Place(78.0, 15.0), date(2026, 6, 21)))) == 0


def test_no_gain_outside_the_limits() -> None:
    night, edges, rows = _night_gains(MOON_LATE, dataclasses.replace(LIMITS, hour_angles_h=(-4.0, 0.5), flips=False))
    track = target_track(250.2, -48.8, PLACE, night.start.timestamp(), night.end.timestamp())
    for row, band in zip(rows, BANDS.values()):
        for i in np.flatnonzero(row.gain > 0):
            at = np.linspace(edges[i], edges[i + 1], 7)
            assert night.sun_track.altitude_deg(at).max() <= sun_limit_deg(MODEL, band) + 0.01
            assert track.altitude_deg(at).min() >= 30.0 - 0.01
            assert track.hour_angle_deg(at).min() / 15.0 >= -4.0
            assert track.hour_angle_deg(at).max() / 15.0 <= 0.5
        assert {"the Sun", "the mount"} <= set(row.forbidden)


def test_mirrored_hour_angles_and_moon_distance() -> None:
    _, _, one_side = _night_gains(MOON_LATE, dataclasses.replace(LIMITS, hour_angles_h=(-5.0, 0.2), flips=False))
    _, _, both = _night_gains(MOON_LATE, dataclasses.replace(LIMITS, hour_angles_h=(-5.0, 0.2)))
    assert np.count_nonzero(both[0].gain) > np.count_nonzero(one_side[0].gain)
    _, _, far = _night_gains(MOON_LATE, dataclasses.replace(LIMITS, moon_separation_deg=170.0))
    assert "the Moon" in far[0].forbidden


def test_the_flip_costs_its_slot() -> None:
    _, _, plain = _night_gains(MOON_LATE)
    _, _, flipped = _night_gains(MOON_LATE, flip_s=450.0)
    ratio = flipped[0].gain[plain[0].gain > 0] / plain[0].gain[plain[0].gain > 0]
    assert np.count_nonzero(ratio < 0.999) == 1
    assert ratio.min() == pytest.approx(0.5)


def test_gain_is_the_ccd_equation() -> None:
    _, edges, rows = _night_gains(MOON_LATE)
    i = int(np.argmax(rows[0].gain))
    shooting, seconds = _shooting("Ha"), float(edges[1] - edges[0])
    subs = seconds / 308.0
    # 0.108 mag at 656 nm: 0.042 of molecules at 600 m, 0.065 of aerosol.
    signal = shooting.signal_e_per_s * 10 ** (-0.4 * 0.108 / np.sin(np.radians(rows[0].altitude_deg[i])))
    variance = subs * ((signal + rows[0].sky_e_per_s[i] + 0.002) * 300.0 + 1.8**2)
    box = (10.0 / OPTICS.scale_arcsec_px) ** 2
    snr = np.sqrt(box) * subs * signal * 300.0 / np.sqrt(variance)
    assert rows[0].gain[i] == pytest.approx((snr / 20.0) ** 2, rel=0.02)


def test_oxygen_goes_before_a_late_bright_moon() -> None:
    night, edges, rows, problem, plan = _plan()
    assert night.moon.rise is not None
    assert night.sunset is not None
    assert timedelta(hours=2) < night.moon.rise - night.sunset < timedelta(hours=7)
    assert night.moon.illuminated_fraction > 0.7
    blocks = _blocks(night, edges, rows, problem, plan)
    for block in blocks:
        if block.filter == "OIII":
            assert block.start < night.moon.rise
        else:
            assert block.end > night.moon.rise
    first = blocks[0]
    assert first.filter == "OIII"
    assert "before the Moon rises at" in first.why
    assert {b.filter for b in blocks} >= {"OIII", "Ha"}
    for block in blocks:
        assert 0 < block.subs * 308.0 <= (block.end - block.start).total_seconds()


def test_the_only_goal_left_says_so() -> None:
    night, edges, rows, problem, plan = _plan(done=(1.2, 1.2, 0.0))
    blocks = _blocks(night, edges, rows, problem, plan)
    first = blocks[0]
    assert first.filter == "SII"
    assert "only goal" in first.why
    # Others follow only once it is met, and say so.
    assert first.share_of_goal > 0.95
    assert all("every goal within reach is met" in b.why for b in blocks[1:])


def test_events() -> None:
    night, edges, rows, problem, plan = _plan()
    blocks = _blocks(night, edges, rows, problem, plan)
    track = target_track(250.2, -48.8, PLACE, night.start.timestamp(), night.end.timestamp())
    transit = float(track.transits()[0])
    assert night.moon.rise is not None
    events = events_of(
        blocks,
        transits_s=dict.fromkeys(range(3), transit),
        refocus_s={"refractor": 5400.0},
        moonrise_s=night.moon.rise.timestamp(),
    )
    what = [e.what for e in events]
    assert [e.at for e in events] == sorted(e.at for e in events)
    assert what[0] == "point at nebula, focus"
    assert what.count("meridian flip on nebula") == 1
    assert "moonrise" in what
    assert any(w.startswith("focus after the change to") for w in what)
    assert "focus: the tube has cooled" in what
    fixed = events_of(blocks, transits_s=dict.fromkeys(range(3), transit), flips={"refractor": False})
    assert not any("flip" in e.what for e in fixed)


def test_only_the_clear_hours() -> None:
    night, edges, rows = _night_gains(MOON_LATE)
    window = (float(edges[12]) + 60.0, float(edges[20]) + 60.0)
    clear = only_within(rows[0], edges, [window])
    assert np.flatnonzero(clear.gain).tolist() == list(range(13, 20))
    assert np.array_equal(clear.gain[13:20], rows[0].gain[13:20])
    assert clear.forbidden[25] == "outside the hours given"
    assert clear.forbidden[0] == rows[0].forbidden[0] == "the Sun"
    assert night.dark_start is not None


# -------------------------------------------------------------------------------- random campaigns under the real sky


def _astropy_altitudes(
    place: Place, unix_s: np.ndarray, ra_deg: float, dec_deg: float
) -> tuple[np.ndarray, np.ndarray]:
    where = EarthLocation.from_geodetic(place.longitude_deg, place.latitude_deg, place.elevation_m)
    times = Time(unix_s, format="unix")
    frame = AltAz(obstime=times, location=where)
    target = SkyCoord(ra_deg * u.deg, dec_deg * u.deg).transform_to(frame).alt.deg
    return np.asarray(target), np.asarray(get_sun(times).transform_to(frame).alt.deg)


def _check_campaign(seed: int) -> None:
    """No slot of a random campaign's plan lies outside its Sun limit or its least altitude, as astropy sees them."""
    rng = np.random.default_rng(seed)
    place = Place(float(rng.uniform(-75, 75)), float(rng.uniform(-180, 180)), float(rng.uniform(0, 3000)))
    night = night_at(place, date(2010, 1, 1) + timedelta(days=int(rng.integers(0, 5500))))
    model = SkyModel(float(rng.uniform(18.5, 22.0)), float(rng.uniform(0.1, 0.4)), place.elevation_m)
    edges = slot_edges_s(night)
    if not edges.size:
        return
    goals, jobs, facts = [], [], []
    for target in range(int(rng.integers(1, 4))):
        ra_deg, dec_deg = float(rng.uniform(0, 360)), float(np.degrees(np.arcsin(rng.uniform(-1, 1))))
        track = target_track(ra_deg, dec_deg, place, night.start.timestamp(), night.end.timestamp())
        for name in rng.choice(list(BANDS), int(rng.integers(1, 4)), replace=False):
            goals.append(Goal(f"target {target}", str(name), done=float(rng.uniform(0, 1.2))))
            for rig in range(int(rng.integers(1, 3))):
                limits = Limits(min_altitude_deg=float(rng.uniform(10, 45)))
                row = slot_gain(
                    edges, night=night, target=track, model=model, shooting=_shooting(str(name)), limits=limits
                )
                jobs.append(Job(f"rig {rig}", len(goals) - 1, row.gain, start_s=120.0))
                facts.append((ra_deg, dec_deg, limits.min_altitude_deg, sun_limit_deg(model, BANDS[str(name)])))
    plan = plan_night(Problem(900.0, tuple(goals), tuple(jobs)), seconds=0.4)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        for slots in plan.assignment.values():
            for j in set(slots.tolist()) - {-1}:
                ra_deg, dec_deg, least, sun_limit = facts[j]
                begins = edges[:-1][slots == j]
                altitude, sun = _astropy_altitudes(place, np.concatenate([begins, begins + 900.0]), ra_deg, dec_deg)
                assert altitude.min() >= least - 0.01
                assert sun.max() <= sun_limit + 0.01


@pytest.mark.parametrize("seed", range(30))
def test_random_campaigns_keep_their_limits(seed: int) -> None:
    _check_campaign(seed)


@pytest.mark.full
def test_many_random_campaigns_keep_their_limits() -> None:
    for seed in range(1000, 1300):
        _check_campaign(seed)
