"""Cautions appear where they apply and only there."""

from __future__ import annotations

from datetime import datetime

from nightfold.plan.cautions import NightFacts, cautions_for

SUNSET, SUNRISE = datetime(2026, 6, 5, 17, 5), datetime(2026, 6, 6, 7, 0)


def test_nothing_known_nothing_said() -> None:
    assert cautions_for(NightFacts()) == ()


def test_the_sun_comes_first() -> None:
    told = cautions_for(NightFacts(sunrise=SUNRISE, mains=True, flips=True))
    assert told[0].startswith("Sun:")
    assert "07:00" in told[0]
    assert len(told) == 3


def test_caps_until_sunset_only_for_early_starts() -> None:
    early = cautions_for(NightFacts(sunset=SUNSET, first_block=datetime(2026, 6, 5, 17, 40)))
    late = cautions_for(NightFacts(sunset=SUNSET, first_block=datetime(2026, 6, 5, 22, 0)))
    assert any("17:05" in line for line in early)
    assert late == ()


def test_batteries_in_the_cold_and_heavy_parts() -> None:
    assert any("Lithium" in line for line in cautions_for(NightFacts(lithium=True, coldest_c=-3.0)))
    assert cautions_for(NightFacts(lithium=True, coldest_c=15.0)) == ()
    assert any("24 kg" in line for line in cautions_for(NightFacts(heaviest_kg=24.0)))
    assert cautions_for(NightFacts(heaviest_kg=9.0)) == ()


def test_the_way_home() -> None:
    away = NightFacts(sunset=SUNSET, last_block=datetime(2026, 6, 6, 2, 0), away_from_home=True)
    assert "sleep first" in cautions_for(away)[-1]
    home = NightFacts(sunset=SUNSET, last_block=datetime(2026, 6, 6, 2, 0))
    assert cautions_for(home) == ()
    assert any("class 2" in line for line in cautions_for(NightFacts(collimation=True)))
