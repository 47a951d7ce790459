"""What past subs are worth for goals, and what they teach of sky and rigs; against the CCD equation written out."""

from __future__ import annotations

import dataclasses
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from plan_campaigns import campaign, rig_text

from nightfold.plan.equipment import equipment_of, optics_for
from nightfold.plan.state import (
    PastSub,
    altitudes_of,
    fitted_sky,
    measured_throughput,
    progress_of,
    typical_sub_s,
)
from nightfold.rig.photometry import photons_from_ab, rayleigh_photons, sky_e_per_s
from nightfold.settings.models import Goal
from nightfold.sky.brightness import SkyModel
from nightfold.sky.ephemeris import Place, moon_illumination, moon_track, separation_deg, target_track

PLACE = Place(-32.6, 147.2, 390.0)
MODEL = SkyModel(21.2, 0.14, 390.0)
RIG = equipment_of(campaign(rig_text()).rig[0])
HA = Goal(filter="Ha", surface_brightness_rayleigh=20.0, snr=10.0, box_arcsec=10.0)


def sub(**other: object) -> PastSub:
    values: dict[str, object] = {
        "rig": "Heron 106", "target": "Lantern Shell", "panel": None, "filter": "Ha", "night": date(2026, 5, 20),
        "start": datetime(2026, 5, 20, 14, tzinfo=UTC), "exposure_s": 300.0, "kept": True, "calibrated": True,
    }  # fmt: skip
    return PastSub(**{**values, **other})  # type: ignore[arg-type]


def test_share_of_a_brightness_goal() -> None:
    subs = [sub(noise_e=4.0, transparency=0.9), sub(noise_e=4.0, transparency=0.9, kept=False)]
    done, hours = progress_of(subs, HA, RIG, altitude_deg=np.array([70.0, 70.0]), model=MODEL)
    assert hours == pytest.approx(300.0 / 3600.0)
    wheel = RIG.wheels["Ha"]
    optics = optics_for(RIG, wheel)
    assert wheel.line_transmission is not None
    per_px = float(rayleigh_photons(20.0)) * optics.area_m2 * optics.scale_arcsec_px**2
    # Glass and sensor 0.85 x 0.65, the line where it stands in the filter, 0.9 of a clear sky, air mass 1.064 x 0.083 mag (0.045 of
    # molecules at 390 m, 0.038 of aerosol).
    signal = per_px * 0.85 * 0.65 * wheel.line_transmission * 0.9 * 10 ** (-0.4 * 0.083 * 1.064) * 300.0
    expected = (10.0 / optics.scale_arcsec_px) ** 2 * signal**2 / (4.0**2 + signal) / 100.0
    assert done == pytest.approx(expected, rel=0.01)


def test_a_zero_point_replaces_air_and_promise() -> None:
    wheel = RIG.wheels["Ha"]
    optics = optics_for(RIG, wheel)
    promised = float(photons_from_ab(0.0, 656.28)) * 3.0 * optics.area_m2 * optics.efficiency
    half = 2.5 * np.log10(promised / 2.0)
    by_stars, _ = progress_of(
        [sub(noise_e=4.0, zero_point_mag=half)], HA, RIG, altitude_deg=np.array([35.0]), model=MODEL
    )
    no_air = dataclasses.replace(MODEL, extinction_mag=0.0)
    by_ratio, _ = progress_of(
        [sub(noise_e=4.0, transparency=0.5)], HA, RIG, altitude_deg=np.array([35.0]), model=no_air
    )
    assert by_stars == pytest.approx(by_ratio)


def test_binned_subs_count_per_raw_pixel() -> None:
    plain, _ = progress_of([sub(noise_e=4.0)], HA, RIG, altitude_deg=np.array([60.0]), model=MODEL)
    binned, _ = progress_of([sub(noise_e=8.0, binned=2)], HA, RIG, altitude_deg=np.array([60.0]), model=MODEL)
    assert binned == pytest.approx(plain)


def test_hours_are_weighed_against_the_better_subs() -> None:
    goal = Goal(filter="Ha", hours=1.0)
    good = [sub(scale=1.0, noise_e=4.0) for _ in range(11)]
    poor = sub(scale=0.5, noise_e=4.0)
    done, hours = progress_of([*good, poor], goal, RIG, altitude_deg=np.full(12, 60.0), model=MODEL)
    assert hours == pytest.approx(1.0)
    assert done == pytest.approx((11 + 0.25) * 300.0 / 3600.0)
    unmeasured, _ = progress_of([sub()] * 6, goal, RIG, altitude_deg=np.full(6, 60.0), model=MODEL)
    assert unmeasured == pytest.approx(0.5)


def test_the_sky_is_learnt_from_backgrounds() -> None:
    """A site 1.6 times as bright as told and a Moon of 0.7: both come back from subs under both skies."""
    wheel = RIG.wheels["Ha"]
    optics = optics_for(RIG, wheel)
    subs = []
    for night in range(3, 31, 3):
        for step in range(6):
            start = datetime(2026, 5, night, 10, tzinfo=UTC) + timedelta(minutes=75 * step)
            at = start.timestamp() + 150.0
            track = target_track(250.2, -48.8, PLACE, at - 3600, at + 3600)
            moon = moon_track(PLACE, at - 3600, at + 3600)
            terms = MODEL.terms(
                wheel.band, altitude_deg=track.altitude_deg(at), sun_altitude_deg=-40.0, moon_altitude_deg=moon.altitude_deg(at),
                separation_deg=separation_deg(track, moon, at), phase_angle_deg=float(moon_illumination(at).phase_angle_deg[0]),
            )  # fmt: skip
            photons = 1.6 * float(terms.site) + 0.7 * float(terms.moon)
            rate = float(sky_e_per_s(photons, wheel.band.width_nm, optics))
            if np.isfinite(rate):
                subs.append(sub(start=start, night=start.date(), sky_e_per_s=rate))
    places = {("Lantern Shell", None): (250.2, -48.8)}
    learnt = fitted_sky(MODEL, subs, {"Heron 106": RIG}, places, PLACE)
    assert learnt.learnt_from == len(subs)
    assert learnt.site_factor[wheel.band.name] == pytest.approx(1.6, rel=0.02)
    assert learnt.moon_factor[wheel.band.name] == pytest.approx(0.7, rel=0.05)
    few = fitted_sky(MODEL, subs[:3], {"Heron 106": RIG}, places, PLACE)
    assert few.learnt_from == 0
    raw = fitted_sky(MODEL, [dataclasses.replace(s, calibrated=False) for s in subs], {"Heron 106": RIG}, places, PLACE)
    assert raw.learnt_from == 0


def test_light_that_arrives_is_learnt_from_stars() -> None:
    wheel = RIG.wheels["Ha"]
    optics = optics_for(RIG, wheel)
    promised = float(photons_from_ab(0.0, 656.28)) * 3.0 * optics.area_m2 * optics.efficiency
    clear = dataclasses.replace(MODEL, extinction_mag=0.0)
    subs = [sub(zero_point_mag=float(2.5 * np.log10(promised * 0.8)))] * 4
    places = {("Lantern Shell", None): (250.2, -48.8)}
    assert measured_throughput(subs, {"Heron 106": RIG}, places, PLACE, clear) == {
        ("Heron 106", "Ha"): pytest.approx(0.8)
    }
    assert measured_throughput(subs[:2], {"Heron 106": RIG}, places, PLACE, clear) == {}


def test_usual_length_and_altitudes() -> None:
    subs = [*(sub(exposure_s=300.0) for _ in range(5)), *(sub(exposure_s=180.0) for _ in range(3))]
    assert typical_sub_s(subs, "Heron 106", "Ha") == 300.0
    assert typical_sub_s(subs, "Heron 106", "OIII") is None
    found = altitudes_of([sub(), sub(start=None)], PLACE, 250.2, -48.8)
    track = target_track(250.2, -48.8, PLACE, 1_779_280_000.0, 1_779_300_000.0)
    assert found[0] == pytest.approx(
        float(track.altitude_deg(datetime(2026, 5, 20, 14, tzinfo=UTC).timestamp())), abs=0.02
    )
    assert np.isnan(found[1])
