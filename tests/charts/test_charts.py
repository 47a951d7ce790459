"""Every chart on every ground: it draws, keeps its contrast, ties colour to dash and mark, and tells time with its zone."""

from __future__ import annotations

import dataclasses
import io
import json
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from chart_samples import DAY, FILTERS, ZONE, Sub, sample_charts, sample_plan, sample_strip, sample_subs, utc
from PIL import Image

from nightfold.charts.clock import clock_for
from nightfold.charts.filters import filter_styles, in_order
from nightfold.charts.moon import lit_area, lit_path
from nightfold.charts.night import night_chart, night_title, sky_bands
from nightfold.charts.render import save_chart, to_pdf, to_png, to_svg
from nightfold.charts.strip import strip_chart
from nightfold.charts.subs import expected_ranges, subs_chart, trend_title
from nightfold.charts.theme import GROUNDS, at_least, channels, contrast, luminance, on_ground, text_on
from nightfold.errors import NightfoldError

GROUND_NAMES = ("page", "print", "red", "lamp")
CHARTS = {ground: sample_charts(ground) for ground in GROUND_NAMES}  # type: ignore[arg-type]
COLOUR = re.compile(r"#[0-9a-fA-F]{6}\b")


def walk(value: Any) -> Iterator[dict[str, Any]]:
    """All dicts of a specification."""
    if isinstance(value, dict):
        yield value
        for inner in value.values():
            yield from walk(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from walk(inner)


@pytest.mark.parametrize("ground", GROUND_NAMES)
@pytest.mark.parametrize("name", sorted(CHARTS["page"]))
def test_every_chart_draws(name: str, ground: str) -> None:
    spec = CHARTS[ground][name]
    assert json.loads(json.dumps(spec, allow_nan=False)) == spec
    svg = to_svg(spec)
    drawn = len(re.findall(r"<(?:path|line|text|rect)\b", svg))
    assert drawn > 12, "something was drawn"
    assert "NaN" not in svg
    assert "undefined" not in svg
    assert spec["description"]


def test_a_chart_as_png_and_pdf(tmp_path: Any) -> None:
    spec = CHARTS["print"]["exposure"]
    with Image.open(io.BytesIO(to_png(spec, scale=1.0))) as picture:
        assert picture.width > 560
    pdf = to_pdf(spec)
    assert pdf.startswith(b"%PDF")
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1
    for ending in ("svg", "png", "pdf"):
        assert save_chart(spec, tmp_path / f"chart.{ending}").stat().st_size > 1000
    with pytest.raises(NightfoldError, match=r"\.svg, \.png, \.pdf"):
        save_chart(spec, tmp_path / "chart.bmp")


@pytest.mark.parametrize("name", sorted(CHARTS["red"]))
def test_red_charts_hold_red_alone(name: str) -> None:
    for colour in COLOUR.findall(json.dumps(CHARTS["red"][name])):
        _, green, blue = channels(colour)
        assert (green, blue) == (0, 0), f"{colour} in the red {name} chart"
    pixels = np.asarray(Image.open(io.BytesIO(to_png(CHARTS["red"][name], scale=1.0))).convert("RGB"))
    assert pixels[..., 1:].max() == 0
    assert pixels[..., 0].max() > 200


@pytest.mark.parametrize("name", ["night", "strip"])
def test_lamp_charts_are_grey(name: str) -> None:
    for colour in COLOUR.findall(json.dumps(CHARTS["lamp"][name])):
        assert len(set(channels(colour))) == 1, f"{colour} would change under a red lamp"


def test_contrast_formula_against_known_pairs() -> None:
    """Black on white is 21 by definition; #767676 on white is the greyest AA grey, 4.54 (WCAG 2.1, G18 and its tools)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#ffffff") < 4.5
    assert luminance("#ffffff") == pytest.approx(1.0)


@pytest.mark.parametrize("name", GROUND_NAMES)
def test_text_and_marks_keep_aa(name: str) -> None:
    ground = GROUNDS[name]  # type: ignore[index]
    for text in (ground.ink, ground.soft, ground.accent):
        assert contrast(text, ground.paper) >= 4.5
        if text != ground.accent:
            for band in (ground.band, *ground.twilight):
                assert contrast(text, band) >= 4.5, f"{text} on {band}"
    for style in filter_styles([*FILTERS, "Hb", "NII", "Own", "Other", "Third"], ground).values():
        assert contrast(style.colour, ground.paper) >= 3.0, style.name
        assert contrast(text_on(style.colour, ground), style.colour) >= 4.5, style.name


def test_colours_are_okabe_and_ito_where_the_ground_allows() -> None:
    """Okabe & Ito, Color Universal Design (2008): vermillion 213 94 0, bluish green 0 158 115."""
    styles = filter_styles(FILTERS, "page")
    assert channels(styles["Ha"].colour) == (213, 94, 0)
    assert channels(styles["OIII"].colour) == (0, 158, 115)
    assert contrast("#e69f00", "#ffffff") < 3.0, "orange on white would be too weak"
    assert contrast(on_ground("#e69f00", GROUNDS["print"]), "#ffffff") >= 3.0


@pytest.mark.parametrize("ground", GROUND_NAMES)
def test_colour_dash_and_mark_go_together(ground: Any) -> None:
    styles = filter_styles([*FILTERS, "Hb", "NII", "Clear", "Own"], ground)
    looks = [(s.dash, s.shape, s.letter, s.hollow) for s in styles.values()]
    assert len(set(looks)) == len(looks), "told apart without colour"
    assert all(bool(s.shape) != bool(s.letter) for s in styles.values())
    assert (styles["Ha"].sign, styles["OIII"].sign, styles["SII"].sign, styles["L"].sign) == ("●", "▲", "■", "○")
    assert styles["Ha"].dash == styles["L"].dash == (1, 0)
    assert styles["OIII"].dash[0] > styles["SII"].dash[0]
    assert [styles[n].letter for n in "RGB"] == ["R", "G", "B"]


def test_a_filter_of_its_own_keeps_its_style_in_every_chart() -> None:
    campaign = ["Ha", "Own", "Zed"]
    assert filter_styles(campaign)["Zed"] == filter_styles([*campaign, "Ha"])["Zed"]
    assert in_order(["SII", "B", None, "Ha", "OIII"]) == ["B", "OIII", "Ha", "SII", "no filter"]
    assert in_order(["Own", "Ha"], {"Own": 400.0}) == ["Own", "Ha"]


def test_lines_of_filters_carry_their_dash() -> None:
    styles = filter_styles(FILTERS, "page")
    for chart in ("night", "depth", "focus law"):
        lines = [
            m["mark"] for m in walk(CHARTS["page"][chart]) if isinstance(m.get("mark"), dict) and m["mark"]["type"] == "line"
        ]  # fmt: skip
        seen = {m["color"]: m.get("strokeDash") for m in lines if m.get("color") in {s.colour for s in styles.values()}}
        assert seen
        for style in styles.values():
            if style.colour in seen:
                assert seen[style.colour] == style.dash_pattern


def test_times_have_their_zone_and_the_axis_shows_the_site_clock() -> None:
    spec = CHARTS["page"]["subs"]
    rows = [r for r in walk(spec) if "clock" in r and "at" in r]
    assert rows
    for row in rows:
        assert row["at"].endswith("Z")
        shift = datetime.fromisoformat(row["clock"]) - datetime.fromisoformat(row["at"])
        assert shift == timedelta(hours=10)
    scales = [e["scale"] for e in walk(spec) if e.get("field") == "clock" and "scale" in e]
    assert scales
    assert all(s["type"] == "utc" for s in scales)
    assert ">20:00<" in to_svg(spec), "10:00 UTC at UTC+10"


def test_a_change_of_the_clocks_is_told_and_time_runs_evenly() -> None:
    """Sydney's clocks went back at 16:00 UTC on 4 April 2026 (tz database)."""
    start, end = datetime(2026, 4, 4, 9, tzinfo=UTC), datetime(2026, 4, 4, 20, tzinfo=UTC)
    clock = clock_for(start, end, ZONE)
    assert clock.name == "UTC+11"
    assert "clocks change" in clock.note
    hour = timedelta(hours=1)
    shown = [datetime.fromisoformat(clock.row(start + k * hour)["clock"]) for k in range(12)]
    assert {b - a for a, b in pairwise(shown)} == {hour}
    assert clock.bound(start) == {
        "year": 2026, "month": 4, "date": 4, "hours": 20, "minutes": 0, "seconds": 0, "utc": True,
    }  # fmt: skip
    assert clock_for(start, end, None).name == "UTC"
    assert clock_for(start, end, "America/St_Johns").name == "UTC−2:30"


@pytest.mark.parametrize("fraction", [0.0, 0.13, 0.5, 0.77, 1.0])
@pytest.mark.parametrize("waxing", [True, False])
@pytest.mark.parametrize("southern", [True, False])
def test_the_moon_is_lit_by_its_fraction_on_the_right_side(fraction: float, waxing: bool, southern: bool) -> None:
    path = lit_path(fraction, waxing=waxing, southern=southern)
    svg = (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="-1 -1 2 2" width="200" height="200">'
        f'<rect x="-1" y="-1" width="2" height="2" fill="black"/><path d="{path}" fill="white"/></svg>'
    )
    import vl_convert

    lit = np.asarray(Image.open(io.BytesIO(vl_convert.svg_to_png(svg))).convert("L")) / 255.0
    assert lit.sum() / (np.pi / 4 * lit.size) == pytest.approx(fraction, abs=0.01)
    assert lit_area(fraction) == pytest.approx(fraction)
    if 0 < fraction < 1:
        right_is_brighter = lit[:, 100:].sum() > lit[:, :100].sum()
        assert right_is_brighter == (waxing != southern)


def test_twilight_bands_follow_the_sun() -> None:
    times = [utc(6) + timedelta(minutes=10 * k) for k in range(60)]
    sun = [5.0 - k for k in range(30)] + [-24.0 + k for k in range(30)]
    bands = sky_bands(times, sun)
    assert [b.kind for b in bands] == [0, 1, 2, 3, 4, 3, 2, 1, 0]
    assert bands[0].start == times[0]
    assert bands[-1].end == times[-1]
    assert all(a.end == b.start for a, b in pairwise(bands))
    assert bands[1].end == times[11], "6 degrees below, where a sample lies"
    polar = sky_bands(times, [-3.0] * 60)
    assert [b.kind for b in polar] == [1]


def test_night_chart_without_blocks_sun_or_moon() -> None:
    plan = sample_plan(blocks=(), events=(), sunset=None, sunrise=None)
    assert night_title(plan) == "The night of 26 May holds no block."
    assert ">Lantern Shell<" in to_svg(night_chart(plan))


def test_subs_chart_of_nothing_and_of_subs_without_measures() -> None:
    assert "No sub" in to_svg(subs_chart([]))
    bare = Sub("a", "Ha", "2026-05-26", utc(10), 60.0, None, None, None, None, None, "drop")
    assert "0 of 1 subs" in to_svg(subs_chart([bare]))


def test_expected_ranges_are_of_kept_subs() -> None:
    subs = sample_subs()
    ranges = expected_ranges(subs)
    low, high = ranges["transparency", "Ha"]
    assert low == high == pytest.approx(0.95), "dropped ones, at 0.45, do not count"
    assert ("sharpness", "no filter") not in ranges, "fewer than five kept"


def test_far_apart_skies_share_a_scale() -> None:
    subs = sample_subs()
    spec = subs_chart(subs, expected=expected_ranges(subs))
    titles = [e["axis"]["title"] for e in walk(spec) if isinstance(e.get("axis"), dict) and e["axis"].get("title")]
    assert "sky, 1 is usual for the filter" in titles
    alone = subs_chart([s for s in subs if s.filter == "Ha"])
    assert "electrons a second" in to_svg(alone)


def test_the_strip_keeps_gaps_and_the_order_of_wavelength() -> None:
    spec = CHARTS["page"]["strip"]
    rows = [r for r in walk(spec) if r.get("what") == "kept" and r["day"] == "2026-05-05"]
    assert sorted({(r["low"], r["filter"]) for r in rows}) == [(0.0, "[O III]"), (1.0, "Hα")]
    outlined = [r for r in walk(spec) if r.get("what") == "would be added"]
    assert {r["day"] for r in outlined} == {DAY.isoformat()}
    assert any(r.get("what") == "dropped" for r in walk(spec))
    assert "[S II] needs 3.2 h more" in to_svg(spec)
    empty = strip_chart(
        sample_strip().__class__(
            campaign="x", nights=(), filters=(), goals=(), tonight=None, next="Take files in.", kept_h=0.0, dropped_h=0.0, southern=False,
            notes=(),
        )
    )  # fmt: skip
    assert "Take files in." in to_svg(empty)


def test_trend_titles_tell_the_change() -> None:
    from nightfold.charts.records import TrendPoint

    def points(*values: float) -> list[TrendPoint]:
        return [TrendPoint(day=date(2026, 5, 1) + timedelta(k), value=v) for k, v in enumerate(values)]

    assert trend_title("Sharpness", points(2, 2, 2.5, 3, 3), "arcsec") == "Sharpness went from 2 to 3 arcsec"
    assert trend_title("Sharpness", points(2, 2, 2), "arcsec") == "Sharpness stayed near 2 arcsec"


def test_a_curve_below_the_horizon_is_a_gap() -> None:
    times = [utc(9) + timedelta(minutes=30 * i) for i in range(21)]
    up = [30.0 - 6.0 * i if i < 10 else -30.0 + 6.0 * (i - 10) for i in range(21)]  # sets at 5, rises at 15
    plan = sample_plan()
    curve = dataclasses.replace(plan.curves.targets[0], altitude_deg=up)
    curves = dataclasses.replace(
        plan.curves,
        times=times,
        sun_altitude_deg=[-30.0] * 21,
        moon_altitude_deg=[-10.0] * 21,
        targets=(curve,),
    )
    spec = night_chart(dataclasses.replace(plan, curves=curves, blocks=(), events=(), sunset=None, sunrise=None))
    lines = [
        layer
        for layer in walk(spec)
        if isinstance(layer.get("mark"), dict) and layer["mark"].get("strokeWidth") == 1.3 and "data" in layer
    ]
    rows = lines[0]["data"]["values"]
    stretches = {r["rise"]: [q["altitude"] for q in rows if q["rise"] == r["rise"]] for r in rows}
    assert len(stretches) == 2
    first, second = stretches.values()
    assert (first[-1], second[0]) == (0.0, 0.0)  # both end on the horizon
    assert min(first[:-1]) > 0
    assert lines[0]["encoding"]["detail"] == {"field": "rise"}


def test_a_name_at_the_edge_stands_beside_its_curve() -> None:
    times = [utc(9) + timedelta(minutes=30 * i) for i in range(21)]
    plan = sample_plan()
    curve = dataclasses.replace(plan.curves.targets[0], altitude_deg=[60.0 - 2.5 * i for i in range(21)])
    curves = dataclasses.replace(
        plan.curves, times=times, sun_altitude_deg=[-30.0] * 21, moon_altitude_deg=[-10.0] * 21, targets=(curve,)
    )
    spec = night_chart(dataclasses.replace(plan, curves=curves, blocks=(), events=(), sunset=None, sunrise=None))
    marks = [layer["mark"] for layer in walk(spec) if isinstance(layer.get("mark"), dict)]
    name = next(m for m in marks if m.get("text") == curve.target)
    assert (name["align"], name["dx"]) == ("left", 6)


def test_an_axis_makes_nothing_of_the_last_digit() -> None:
    assert at_least([0.02, 0.9], 0.1) == {}
    assert at_least([0.0, 0.0, 0.004], 0.1) == {"domain": [0.0, 0.1]}
    assert at_least([3.0, 3.0], 0.5) == {"domain": [2.75, 3.25]}
    assert at_least([-3.0], 2.0) == {"domain": [-4.0, -2.0]}
    assert at_least([], 1.0) == {}
    svg = to_svg(subs_chart([dataclasses.replace(s, ellipticity=0.0) for s in sample_subs()]))
    assert ">0.1<" in svg  # zeros alone have an axis too
