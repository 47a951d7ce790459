"""Subs through another filter than their header says, told by the shape and brightness of their nebula."""

from __future__ import annotations

import copy
from pathlib import Path

import numpy as np
import pytest

from nightfold.campaign import Campaign
from nightfold.judge.other_line import (
    OtherLine,
    canvas_of,
    less_polynomial,
    nebula_of,
    of_other_lines,
    on_canvas,
    polynomial,
)
from nightfold.simulate.demo import demo_plan, demo_settings_text
from nightfold.simulate.plan import simulate_plan

NY, NX, CELL = 16, 24, 64.0
X, Y = (np.arange(NX) + 0.5) * CELL, (np.arange(NY) + 0.5) * CELL
LEVEL = 150.0

Knots = list[tuple[float, float, float, float]]
Halos = tuple[tuple[tuple[float, float], float], ...]


def knots(rng: np.random.Generator) -> Knots:
    """Clumps of light: place, width and height."""
    return [
        (rng.uniform(-700, 700), rng.uniform(-450, 450), rng.uniform(90, 260), rng.uniform(0.3, 1.0)) for _ in range(9)
    ]


def light(shape: Knots, gx: np.ndarray, gy: np.ndarray) -> np.ndarray:
    return np.sum([h * np.exp(-((gx - cx) ** 2 + (gy - cy) ** 2) / (2 * w**2)) for cx, cy, w, h in shape], axis=0)


def subs_of(
    rng: np.random.Generator,
    shape: Knots,
    height: float,
    *,
    subs: int,
    wrong: dict[int, tuple[Knots, float]],
    halos: Halos = (),
) -> tuple[np.ndarray, np.ndarray]:
    """Skies on the canvas and transparencies: flips, dither, cloud, Moon and a dawn among them; `wrong` shows others' light."""
    place = np.stack(np.meshgrid(X - X.mean(), Y - Y.mean()), axis=-1)
    canvas, pitch = canvas_of(place, most=12)
    rates, through = [], []
    for i in range(subs):
        side = -1.0 if i >= subs // 2 else 1.0
        dx, dy = rng.normal(0.0, 20.0, 2)
        u, v = np.meshgrid(np.linspace(-1, 1, NX), np.linspace(-1, 1, NY))
        gx, gy = side * place[..., 0] + dx, side * place[..., 1] + dy
        t = (1.0, 0.95, 0.6)[i % 3] * (1.0 + rng.normal(0.0, 0.01))
        gradient = 1.0 + 0.05 * u - 0.03 * v + rng.normal(0.0, 0.01) * u
        sky = 1.0
        if i % 4 == 1:
            sky = rng.uniform(1.3, 4.0)
            for shape_of_moon, slope in ((u, 0.06), (v, 0.06), (u * v, 0.02), (u * u, 0.02), (u**3, 0.005)):
                gradient = gradient + rng.normal(0.0, slope) * shape_of_moon
        shown, amount = wrong.get(i, (shape, height))
        level = LEVEL * (sky * gradient + t * amount * light(shown, gx, gy))
        for (hx, hy), share in halos:
            # Dew throws a share of its own of a bright star's light around it; the ghost across the axis moves with each dither.
            dewed = share * (1.0 + 2.0 * (i % 5 == 3))
            level = level + LEVEL * t * dewed * np.exp(-np.hypot(gx - hx, gy - hy) / 90.0)
            level = level + LEVEL * t * 0.2 * share * (
                np.hypot(gx - 1.9 * dx + 0.9 * hx, gy - 1.9 * dy + 0.9 * hy) < 120.0
            )
        level = level + rng.normal(0.0, 0.3, level.shape)
        at = np.stack([side * (canvas[:, 0] - dx) + X.mean(), side * (canvas[:, 1] - dy) + Y.mean()], axis=-1)
        rates.append(on_canvas(level, X, Y, at, pitch))
        through.append(t)
    return np.stack(rates), np.array(through)


def found(
    number: int,
    *,
    ha: float,
    sii: float,
    alike: bool = False,
    subs: int = 18,
    wrong: tuple[int, ...] = (),
    halos: Halos = (),
) -> list[OtherLine | None]:
    """What is said of each [S II] sub, those in `wrong` being shot through Ha."""
    rng = np.random.default_rng(number)
    one = knots(rng)
    other = one if alike else knots(rng)
    terms = polynomial(canvas_of(np.stack(np.meshgrid(X, Y), axis=-1), most=12)[0])
    of_ha, ha_through = subs_of(rng, one, ha, subs=max(subs, 8), wrong={}, halos=halos)
    rates, through = subs_of(rng, other, sii, subs=subs, wrong=dict.fromkeys(wrong, (one, ha)), halos=halos)
    own, ha_nebula = (
        nebula_of(less_polynomial(rates, terms), through),
        nebula_of(less_polynomial(of_ha, terms), ha_through),
    )
    assert own is not None
    assert ha_nebula is not None
    return of_other_lines(rates, through, own, {"Ha": ha_nebula}, terms)


@pytest.mark.parametrize("number", [11, 12, 13])
@pytest.mark.parametrize(("ha", "sii"), [(1.0, 0.2), (0.1, 0.02), (0.3, 0.3)])
def test_a_sub_through_another_filter_is_told_by_its_nebula(number: int, ha: float, sii: float) -> None:
    said = found(number, ha=ha, sii=sii, wrong=(2, 13))
    assert [i for i, one in enumerate(said) if one is not None] == [2, 13]
    assert all(one.filter == "Ha" and one.share == pytest.approx(1.0, abs=0.25) for one in said if one is not None)


def test_it_says_how_many_times_as_bright() -> None:
    one = found(21, ha=0.5, sii=0.1, alike=True, wrong=(4,))[4]
    assert one is not None
    assert one.times == pytest.approx(5.0, rel=0.05)
    assert one.sentence("SII") == f"its nebula is that of Ha: {one.times:.1f} times as bright as in the other SII subs"
    lacking = OtherLine("Ha", 1.0, 40.0, float("inf"), 30.0)
    assert lacking.sentence("SII") == (
        "its nebula is that of Ha, 40 σ from that of the other SII subs: another filter than the header says"
    )
    assert "0.21 times as bright" in OtherLine("SII", 1.0, 40.0, 0.21, 30.0).sentence("Ha")


def test_where_nebulae_are_alike_or_too_faint_nothing_is_said() -> None:
    assert not any(found(31, ha=0.3, sii=0.3, alike=True, wrong=(2, 13)))
    assert not any(found(32, ha=0.001, sii=0.0002, wrong=(2, 13)))
    assert not any(found(33, ha=1.0, sii=0.2, subs=5, wrong=(2,)))


def test_moon_cloud_and_gradients_are_no_nebula() -> None:
    said = [one for number in range(400, 440) for one in found(number, ha=(1.0, 0.1, 0.02, 0.0)[number % 4], sii=0.02)]
    assert len(said) == 720
    assert not any(said)


def test_halos_aureoles_and_ghosts_of_bright_stars_are_no_nebula_and_hide_none() -> None:
    halos: Halos = (((250.0, -120.0), 0.5), ((-400.0, 260.0), 0.15))
    for number in range(450, 462):
        wrong = (2, 13) if number % 2 else ()
        said = found(number, ha=0.3, sii=0.06, wrong=wrong, halos=halos)
        assert tuple(i for i, one in enumerate(said) if one is not None) == wrong, number
    for number in range(470, 480):
        assert not any(found(number, ha=0.01, sii=0.002, halos=halos)), number


def test_many_wrong_subs_are_found_while_they_are_fewer_than_the_right_ones() -> None:
    wrong = (1, 4, 7, 9, 12)
    said = found(51, ha=0.5, sii=0.1, wrong=wrong)
    assert tuple(i for i, one in enumerate(said) if one is not None) == wrong


def test_a_mesh_on_a_canvas_keeps_slopes_and_knows_its_border() -> None:
    x, y = np.meshgrid(X, Y)
    places = np.array([[400.0, 300.0], [X[0] - 30.0, 500.0], [X[-1] + 33.0, 500.0], [700.0, Y[-1] + 20.0]])
    for width in (CELL, 3 * CELL):
        told = on_canvas(5.0 + 0.01 * x - 0.02 * y, X, Y, places, width)
        np.testing.assert_allclose(told[[0, 1, 3]], (5.0 + 0.01 * places[:, 0] - 0.02 * places[:, 1])[[0, 1, 3]])
        assert np.isnan(told[2])


def test_what_no_polynomial_takes_is_left_with_or_without_gaps() -> None:
    rng = np.random.default_rng(3)
    canvas = rng.uniform(-500, 900, (80, 2))
    terms = polynomial(canvas)
    smooth = 3.0 + 0.01 * canvas[:, 0] - 2e-5 * canvas[:, 0] * canvas[:, 1] + 1e-5 * canvas[:, 1] ** 2
    bump = np.exp(-((canvas[:, 0] - 200) ** 2) / 2e4)
    values = np.stack([smooth, smooth + bump, bump])
    whole = less_polynomial(values, terms)
    np.testing.assert_allclose(whole[0], 0.0, atol=1e-10)
    np.testing.assert_allclose(whole[1], whole[2], atol=1e-10)
    values[:, 5:9] = np.nan
    gaps = less_polynomial(values, terms)
    assert np.isnan(gaps[:, 5:9]).all()
    np.testing.assert_allclose(np.delete(gaps[0], range(5, 9)), 0.0, atol=1e-10)


@pytest.mark.slow
def test_on_frames_the_sub_is_dropped_and_its_sentence_names_the_filter(tmp_path: Path) -> None:
    plan = copy.deepcopy(demo_plan())
    rig = plan["rig"][0] | {"width_px": 520, "height_px": 400}
    # One width and one throughput, so that stars are alike in both; the next place in the wheel after SII is Ha.
    rig["filter"] = [f | {"width_nm": 7.0, "transmission": 0.9} for f in reversed(rig["filter"]) if f["name"] != "OIII"]
    plan["rig"] = [rig]
    plan["scene"]["nebula"]["peak_rayleigh"] = {"Ha": 600.0, "SII": 120.0}
    night = plan["night"][0]
    common = {**night["run"][0], "subs": 8, "dither_arcsec": 14.0}
    faults = [{"sub": 3, "kind": "wrong_filter"}, {"sub": 5, "kind": "cloud"}, {"sub": 7, "kind": "dawn"}]
    night["run"] = [
        {**common, "filter": "Ha", "start": "13:00", "fault": []},
        {**common, "filter": "SII", "start": "14:10", "fault": faults},
    ]
    plan["night"] = [night]
    plan["calibration"] = [
        c
        for c in plan["calibration"]
        if c["rig"] == rig["name"] and c.get("filter") in (None, "Ha", "SII") and "26T" not in c["start"]
    ]
    made = simulate_plan(plan, tmp_path / "frames")
    text = (
        demo_settings_text().replace("width_px = 900", "width_px = 520").replace("height_px = 620", "height_px = 400")
    )
    with Campaign.create(tmp_path / "campaign", text=text) as campaign:
        campaign.take_in([made.folder])
        report = campaign.judge()
    truth = {Path(k).name: v.faults for k, v in made.subs().items()}
    for sub in report.subs:
        told = [c.detail for c in sub.causes if c.detail.startswith("its nebula is that of Ha: ")]
        assert bool(told) == ("wrong_filter" in truth[Path(sub.file).name]), (sub.file, sub.causes)
        if told:
            assert (sub.filter, sub.verdict, sub.causes[0].cause) == ("SII", "drop", "wrong-frame")
