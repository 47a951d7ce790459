"""Target names against places known from elsewhere, spellings, suggestions, coordinates."""

from __future__ import annotations

import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord

from nightfold.errors import SettingsError
from nightfold.sky.objects import nearest_names, objects_near, parse_coordinates, resolve


def test_known_places() -> None:
    # M42 as in CHECKS T23 (83.8221, -5.3911): the list and SIMBAD differ by less than a few arcmin for extended objects.
    orion = resolve("M42")
    assert (orion.ra_deg, orion.dec_deg) == pytest.approx((83.8221, -5.3911), abs=0.02)
    rim = resolve("NGC 6188")
    assert (rim.ra_deg, rim.dec_deg) == pytest.approx((250.2, -48.8), abs=0.3)
    assert rim.major_arcmin == pytest.approx(20.0)
    assert "Nebula" in rim.kind


@pytest.mark.parametrize(
    "name",
    ["M42", "m 42", "Messier 42", "M042", "NGC1976", "ngc-1976", "Orion Nebula", "great orion nebula", "LBN 974"],
)
def test_spellings(name: str) -> None:
    assert resolve(name).name == "NGC 1976"


def test_other_series() -> None:
    assert resolve("M45").common_names == ("Pleiades",)
    assert resolve("IC 434").name == "IC 434"
    assert resolve("Barnard 33").name == "B 33"
    assert resolve("Caldwell 41").name == "C 41"
    assert resolve("IC 11").name == "NGC 281"  # a double entry leads to the object


def test_unknown_names_get_the_nearest() -> None:
    with pytest.raises(
        SettingsError, match=r"not in the installed list; seen: Orion Nebulla.*did you mean .*Orion Nebula"
    ):
        resolve("Orion Nebulla")
    with pytest.raises(SettingsError, match="seen: NGC 99999"):
        resolve("NGC 99999")
    with pytest.raises(SettingsError, match="seen: nothing"):
        resolve("  ")
    assert any("Pleiades" in n for n in nearest_names("Pleyades"))
    assert any("Tarantula" in n for n in nearest_names("tarantula"))


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("250.2 -48.8", (250.2, -48.8)),
        ("250.2, -48.8", (250.2, -48.8)),
        ("250.2, 48.8", (250.2, 48.8)),
        ("10.5 41.2", (10.5, 41.2)),
        ("16 40 48 -48 48 00", (250.2, -48.8)),
        ("16:40:48 -48:48:00", (250.2, -48.8)),
        ("16h40m48s -48d48m00s", (250.2, -48.8)),
        ("16h40.8m -48°48′", (250.2, -48.8)),
        ("0 0 0 -0 30 0", (0.0, -0.5)),
    ],
)
def test_coordinates(text: str, place: tuple[float, float]) -> None:
    assert parse_coordinates(text) == pytest.approx(place, abs=1e-9)
    assert resolve(text).kind == "Place"


def test_coordinates_against_astropy() -> None:
    for text in ("05 35 17.3 -05 23 28", "23:59:59.99 +89:59:59.9"):
        sky = SkyCoord(text, unit=(u.hourangle, u.deg))
        assert parse_coordinates(text) == pytest.approx((sky.ra.deg, sky.dec.deg), abs=1e-9)


@pytest.mark.parametrize(
    "text", ["250.2", "400 -48", "250.2 -98", "16 70 00 -48 00 00", "16 40 48 -48 48 00 12", "5 north"]
)
def test_bad_coordinates(text: str) -> None:
    with pytest.raises(SettingsError, match="coordinates cannot be read"):
        parse_coordinates(text)


def test_objects_near_a_field() -> None:
    near = objects_near(250.2, -48.8, 1.0)
    names = [o.name for o in near]
    assert "NGC 6188" in names
    assert "NGC 6193" in names
    place = SkyCoord(250.2 * u.deg, -48.8 * u.deg)
    apart = [place.separation(SkyCoord(o.ra_deg * u.deg, o.dec_deg * u.deg)).deg for o in near]
    assert apart == sorted(apart)
    assert max(apart) <= 1.0
