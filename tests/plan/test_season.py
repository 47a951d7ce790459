"""Season: hours against single nights, weather against its own statistics, the finish against closed forms."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from nightfold.depth.forecast import forecast_of
from nightfold.errors import SettingsError
from nightfold.plan.season import best_date, hours_left, months_of, what_if
from nightfold.sky.brightness import Band, SkyModel
from nightfold.sky.clear_nights import Need, clear_nights, finishing_night
from nightfold.sky.ephemeris import Place
from nightfold.sky.night import night_at, target_night
from nightfold.sky.usable_hours import NightHours, season_sky, usable_hours

PLACE = Place(-31.3, 149.1, 600.0, time_zone="Australia/Sydney")
BANDS = {"Ha": Band("Ha", 656.3, 4.0), "OIII": Band("OIII", 500.7, 4.0)}


@pytest.fixture(scope="module")
def season() -> tuple[NightHours, ...]:
    sky = season_sky(PLACE, date(2026, 3, 1), 184)
    return usable_hours(sky, 250.2, -48.8, model=SkyModel(21.4), bands=BANDS)


def test_hours_agree_with_single_nights(season: tuple[NightHours, ...]) -> None:
    for i in (0, 40, 96, 150):
        night = night_at(PLACE, season[i].date)
        target = target_night(night, 250.2, -48.8, min_altitude_deg=30.0, sun_below_deg=-18.0)
        assert season[i].dark == pytest.approx(target.hours, abs=0.15)  # counted in steps of five minutes
        assert season[i].lit == pytest.approx(night.moon.illuminated_fraction, abs=0.03)
        assert 0.0 <= season[i].moonless <= season[i].dark + 1e-9


def test_moon_free_hours_are_fewer_in_oxygen(season: tuple[NightHours, ...]) -> None:
    oiii, ha = (sum(n.moon_free[name] for n in season) for name in ("OIII", "Ha"))
    moonless, dark = sum(n.moonless for n in season), sum(n.dark for n in season)
    assert moonless <= oiii < ha < dark


def test_months_and_best_date(season: tuple[NightHours, ...]) -> None:
    months = months_of(season)
    assert [(m.year, m.month) for m in months] == [(2026, m) for m in range(3, 9)]
    assert sum(m.dark for m in months) == pytest.approx(hours_left(season))
    assert sum(m.moon_free["OIII"] for m in months) == pytest.approx(hours_left(season, filter="OIII"))
    # RA 250.2 (16h41m) stands opposite the Sun in early June; its longest nights are near.
    best = best_date(season)
    assert best is not None
    assert abs((best - date(2026, 6, 7)).days) < 20
    assert best_date([NightHours(date(2026, 1, 1), 0.0, 0.0, {}, 0.5)]) is None


def test_weather_keeps_its_share_and_its_spells() -> None:
    sky = clear_nights(np.full(400, 0.4), persistence=0.6, draws=400, seed=2)
    assert sky.mean() == pytest.approx(0.4, abs=0.01)
    both = (sky[:, 1:] & sky[:, :-1]).mean() / 0.4
    assert both == pytest.approx(0.4 + 0.6 * 0.6, abs=0.01)
    free = clear_nights(np.full(400, 0.4), persistence=0.0, draws=400, seed=2)
    assert (free[:, 1:] & free[:, :-1]).mean() == pytest.approx(0.16, abs=0.01)


def test_certain_weather_gives_a_certain_night() -> None:
    need = Need("Ha", 25.0, np.full(30, 6.0))
    sure = finishing_night([need], np.full(30, 6.0), first=date(2026, 5, 1), probability=np.ones(30), draws=50)
    assert sure.p10 == sure.median == sure.p90 == date(2026, 5, 5)  # four nights give 24 h, the fifth ends it
    never = finishing_night([need], np.full(30, 6.0), first=date(2026, 5, 1), probability=np.zeros(30), draws=50)
    assert never.median is None
    assert never.finished == 0.0


def test_one_night_wanted_follows_the_geometric_law() -> None:
    # Without persistence the first clear night falls at 1 - (1 - p)^n: half by n = 3, a tenth by 1, nine tenths by 8 for p = 0.25.
    need = Need("Ha", 1.0, np.full(60, 5.0))
    result = finishing_night([need], np.full(60, 5.0), first=date(2026, 5, 1), probability=np.full(60, 0.25), persistence=0.0, draws=20_000)  # fmt: skip
    assert result.p10 == date(2026, 5, 1)
    assert result.median == date(2026, 5, 3)
    assert result.p90 in (date(2026, 5, 8), date(2026, 5, 9))  # 1 - 0.75^8 = 0.8999


def test_spells_widen_the_forecast() -> None:
    need = Need("Ha", 40.0, np.full(200, 5.0))

    def width(persistence: float) -> timedelta:
        f = finishing_night([need], np.full(200, 5.0), first=date(2026, 1, 1), probability=np.full(200, 0.4), persistence=persistence)  # fmt: skip
        assert f.p90 is not None
        assert f.p10 is not None
        return f.p90 - f.p10

    assert width(0.8) > 1.5 * width(0.0)


def test_filters_share_the_night() -> None:
    oiii, ha = Need("OIII", 10.0, np.full(20, 2.0)), Need("Ha", 20.0, np.full(20, 6.0))
    both = finishing_night([ha, oiii], np.full(20, 6.0), first=date(2026, 5, 1), probability=np.ones(20), draws=10)
    assert both.median == date(2026, 5, 5)  # 2 h + 4 h a night: both after five nights


def test_forecast_and_what_if(season: tuple[NightHours, ...]) -> None:
    wanted = {"Ha": 15.0, "OIII": 20.0}

    def chance(month: int) -> float:
        return 0.45

    plain = forecast_of(season, wanted, clear_probability=chance, moon_free_only=["OIII"])
    assert plain.median is not None
    assert plain.p10 is not None
    assert plain.p90 is not None
    assert plain.p10 <= plain.median <= plain.p90
    faster = forecast_of(what_if(season, factor=2.0), wanted, clear_probability=chance, moon_free_only=["OIII"])
    assert faster.median is not None
    assert faster.median < plain.median
    fewer = forecast_of(season, {"Ha": 15.0}, clear_probability=chance)
    assert fewer.median is not None
    assert fewer.median < plain.median
    later = what_if(season, later_nights=30)
    assert later[0].date == season[0].date + timedelta(days=30)
    assert forecast_of(season, {}, clear_probability=chance).median == season[0].date


def test_impossible_weather_and_seasons() -> None:
    with pytest.raises(SettingsError, match="weather is impossible"):
        clear_nights([0.5, 1.4])
    with pytest.raises(SettingsError, match="weather is impossible"):
        clear_nights([0.5], persistence=1.0)
    with pytest.raises(SettingsError, match="season's length"):
        season_sky(PLACE, date(2026, 1, 1), 0)
