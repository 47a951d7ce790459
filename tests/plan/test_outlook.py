"""Season, exposure and framing as reports."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
from plan_campaigns import SITE, campaign, hours_goals, rig_text, target_text

from nightfold.errors import SettingsError
from nightfold.plan.advice import exposure_report, frame_report, lost_per_hour
from nightfold.plan.outlook import mean_rate, season_report
from nightfold.plan.state import Angle, PastSub, State
from nightfold.sky.brightness import SkyModel

MODEL = SkyModel(21.2, 0.14, 390.0)
FIRST = date(2026, 4, 1)


def test_mean_of_a_rate_over_hour_angles() -> None:
    # The sine of the altitude itself: its mean over the hour angles up to H is closed form.
    phi, dec, least = np.radians(-32.6), np.radians(-48.8), 30.0
    top = np.arccos((np.sin(np.radians(least)) - np.sin(phi) * np.sin(dec)) / (np.cos(phi) * np.cos(dec)))
    expected = np.sin(phi) * np.sin(dec) + np.cos(phi) * np.cos(dec) * np.sin(top) / top
    found = mean_rate(
        lambda h: float(np.sin(np.radians(h))), latitude_deg=-32.6, dec_deg=-48.8, least_altitude_deg=least
    )
    assert found == pytest.approx(float(expected), rel=0.01)
    assert mean_rate(lambda h: h, latitude_deg=-32.6, dec_deg=70.0, least_altitude_deg=30.0) == pytest.approx(1.0)


def test_the_year_of_a_target() -> None:
    wanted = campaign(rig_text(), rig_text("Wren 61"), target_text('rigs = ["Heron 106"]\n' + hours_goals(20.0)))
    report = season_report(wanted, State(), FIRST)
    assert report.missing == ()
    assert (report.first, report.last) == (FIRST, FIRST + timedelta(days=364))
    (target,) = report.targets
    assert target.rigs == ("Heron 106",)
    assert [m.nights for m in target.months][:3] == [30, 31, 30]
    assert sum(m.dark_hours for m in target.months) == pytest.approx(target.hours_left)
    for month in target.months:
        free = month.moon_free_hours
        assert month.moonless_hours - 1e-6 <= free["OIII"] <= free["Ha"] + 1e-6 <= month.dark_hours + 2e-6
    # RA 250.2 degrees stands opposite the Sun in early June.
    assert target.best_date is not None
    assert abs((target.best_date - date(2026, 6, 5)).days) < 25
    needs = {f.filter: f.hours_needed for f in target.filters}
    assert all(20.0 < hours < 30.0 for hours in needs.values())
    forecast = target.forecast
    assert forecast is not None
    assert forecast.p10 is not None
    assert forecast.median is not None
    assert forecast.p90 is not None
    assert FIRST < forecast.p10 <= forecast.median <= forecast.p90
    changes = {w.change: w for w in target.what_if}
    fewer = next(w for name, w in changes.items() if name.startswith("without "))
    darker = changes["under a sky 1 mag darker"]
    assert fewer.hours_needed < sum(needs.values())
    assert fewer.forecast.median is not None
    assert fewer.forecast.median < forecast.median
    # Goals in hours do not shrink under a darker sky; the other rig's hours are its own.
    assert darker.hours_needed == pytest.approx(sum(needs.values()), rel=0.05)
    assert "with Wren 61 alone" in changes


def test_a_darker_sky_shortens_goals_in_brightness() -> None:
    goal = '[[target.goal]]\nfilter = "OIII"\nsurface_brightness_rayleigh = 4\nsnr = 10\n'
    report = season_report(campaign(rig_text(), target_text(goal)), State(), FIRST, nights=120)
    (target,) = report.targets
    darker = next(w for w in target.what_if if "darker" in w.change)
    assert darker.hours_needed < 0.8 * target.filters[0].hours_needed


def test_two_targets_and_missing_numbers() -> None:
    site = SITE.replace("clear_night_probability = 0.45\n", "")
    wanted = campaign(rig_text(), target_text(""), target_text(hours_goals(2.0), name="Far North", dec=80.0), site=site)
    report = season_report(wanted, State(), FIRST, nights=90)
    assert any("clear_night_probability is not given" in m for m in report.missing)
    assert any("no [[target.goal]]" in m for m in report.missing)
    assert report.notes
    plain, north = report.targets
    assert plain.forecast is None
    assert set(plain.months[0].moon_free_hours) == {"Ha", "OIII", "SII"}
    assert north.best_date is None
    assert north.forecast is not None
    assert north.forecast.median is None
    with pytest.raises(SettingsError, match="ephemeris"):
        season_report(wanted, State(), date(2053, 6, 1))


# ------------------------------------------------------------------------------------------------------------ exposure


def test_exposure_weighs_read_noise_and_stars() -> None:
    goal = '[[target.goal]]\nfilter = "OIII"\nsurface_brightness_rayleigh = 4\nsnr = 10\n'
    wanted = campaign(rig_text(), target_text(goal))
    report = exposure_report(wanted, State(), MODEL, rig="Heron 106", filter="OIII", target="Lantern Shell")
    assert report.least_s == report.recommended_s <= report.most_s
    table = {row.sub_s: row for row in report.table}
    chosen = table[report.recommended_s]
    # CHECKS D6: penalty q at NR^2 / ((1 + q)^2 - 1) electrons of sky and dark current.
    rate = report.sky_e_per_s + report.dark_e_per_s
    q = chosen.read_noise_penalty
    assert q is not None
    assert rate * chosen.sub_s == pytest.approx(report.read_noise_e**2 / ((1 + q) ** 2 - 1))
    assert report.stars_known > 0
    assert report.why
    saturated = [row.saturated_stars for row in report.table]
    assert saturated == sorted(saturated)
    assert chosen.hours <= 1.0501 * min(
        r.hours for r in report.table if r.sky_share_of_well and r.sky_share_of_well < 0.3
    )


def test_the_mount_limits_the_length() -> None:
    short = campaign(rig_text().replace("flips = true", "flips = true\ntracking_limit_s = 45"))
    report = exposure_report(short, State(), MODEL, rig="Heron 106", filter="OIII")
    assert report.most_s <= 45.0
    assert "tracking allows (45 s)" in report.why


def test_exposure_says_what_is_wrong() -> None:
    wanted = campaign(rig_text(), '[[rig]]\nname = "Bare"\n')
    with pytest.raises(SettingsError, match="Heron 106 has no such filter; seen: L; allowed: Ha, OIII, SII"):
        exposure_report(wanted, State(), MODEL, rig="Heron 106", filter="L")
    with pytest.raises(SettingsError, match=r"Bare cannot be reckoned with.*aperture_mm"):
        exposure_report(wanted, State(), MODEL, rig="Bare", filter="Ha")
    with pytest.raises(SettingsError, match="no target has this name"):
        exposure_report(wanted, State(), MODEL, rig="Heron 106", filter="Ha", target="Nowhere")
    free = exposure_report(wanted, State(), MODEL, rig="Heron 106", filter="Ha")
    assert any("the depth of ten hours is taken" in m for m in free.missing)


def test_lost_subs_come_from_the_ledger() -> None:
    one = {"target": "x", "panel": None, "filter": "Ha", "night": None, "start": None, "calibrated": False}
    subs = [PastSub(rig="Heron 106", exposure_s=600.0, kept=i % 10 != 0, **one) for i in range(40)]  # type: ignore[arg-type]
    assert lost_per_hour(subs, "Heron 106") == pytest.approx(-np.log(0.9) * 6.0)
    assert lost_per_hour(subs[:10], "Heron 106") == 0.5


# ------------------------------------------------------------------------------------------------------------- framing


def test_frame_and_panels() -> None:
    wanted = campaign(rig_text(), target_text("size_arcmin = [240, 60]\nposition_angle_deg = 10\n"))
    report = frame_report(wanted, State(), rig="Heron 106", target="Lantern Shell")
    assert report.scale_arcsec_px == pytest.approx(206.264806 * 4.63 / 530)
    assert report.width_deg == pytest.approx(2 * np.degrees(np.arctan(4144 * 4.63e-3 / 2 / 530)))  # CHECKS O2's formula
    assert (report.columns, report.rows) == (3, 1)
    assert [p.panel for p in report.panels] == [1, 2, 3]
    assert report.panels[1].ra_deg == pytest.approx(250.2)
    assert report.turn_by_deg == 0.0
    assert any("no solved sub" in n for n in report.notes)
    assert "NGC 6188" in report.objects
    assert report.sampling is not None
    assert all(len(p.corners_deg) == 4 for p in report.panels)


@pytest.mark.parametrize(
    ("now", "mirrored", "turn"), [(15.0, False, 5.0), (195.0, False, 5.0), (5.0, False, -5.0), (15.0, True, -5.0)]
)
def test_the_camera_is_turned_to_what_the_ledger_holds(now: float, mirrored: bool, turn: float) -> None:
    wanted = campaign(rig_text(), target_text("position_angle_deg = 80\n"))
    state = State(
        wanted_angle={("Lantern Shell", None): Angle(10.0, mirrored)},
        angle_now={("Heron 106", "Lantern Shell", None): Angle(now, mirrored)},
    )
    report = frame_report(wanted, state, rig="Heron 106")
    assert report.turn_by_deg == pytest.approx(turn)
    assert report.angle_wanted_deg == 10.0
    # A 2.06 by 1.41 degree frame turned by 5 degrees, by Monte Carlo.
    rng = np.random.default_rng(3)
    w, h = report.width_deg, report.height_deg
    x, y = rng.uniform(-w / 2, w / 2, 200_000), rng.uniform(-h / 2, h / 2, 200_000)
    a = np.radians(5.0)
    inside = (np.abs(x * np.cos(a) + y * np.sin(a)) < w / 2) & (np.abs(y * np.cos(a) - x * np.sin(a)) < h / 2)
    assert report.area_lost == pytest.approx(1.0 - inside.mean(), abs=0.003)


def test_a_rig_without_a_frame() -> None:
    wanted = campaign('[[rig]]\nname = "Bare"\n', target_text(""))
    with pytest.raises(SettingsError, match=r"frame of Bare is not known.*focal_length_mm.*width_px"):
        frame_report(wanted, State(), rig="Bare")
