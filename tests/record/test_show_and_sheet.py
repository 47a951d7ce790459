"""The strip in the terminal and as a document; the night sheet is one page, black on white, of any plan."""

from __future__ import annotations

import importlib.util
import io
import json
import re
import shutil
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import ModuleType

import numpy as np
import pypdf
import pytest
from PIL import Image

from nightfold.campaign import Campaign
from nightfold.charts.records import Strip, StripFilter, StripGoal, StripNight, StripTonight
from nightfold.cli.app import main
from nightfold.errors import NightfoldError
from nightfold.judge.nights.stage import NightsReport, SubBrief
from nightfold.plan.records import EventLine
from nightfold.record.sheet import sheet_bytes, sheet_data
from nightfold.record.strip import campaign_strip, goal_sentence, next_step
from nightfold.record.terminal import strip_told


def _samples() -> ModuleType:
    """The samples of the charts' tests."""
    name = "chart_samples"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).parents[1] / "charts" / "chart_samples.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


samples = _samples()


@pytest.fixture(scope="module")
def campaign(small_campaign: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Campaign]:
    folder = tmp_path_factory.mktemp("show") / "campaign"
    shutil.copytree(small_campaign, folder)
    with Campaign.open(folder) as found:
        yield found


def strip_of(*nights: StripNight, tonight: StripTonight | None = None, goals: tuple[StripGoal, ...] = ()) -> Strip:
    filters = tuple(dict.fromkeys([f.filter for n in nights for f in n.filters] + [g.filter for g in goals]))
    return Strip(
        campaign="Lantern Shell", nights=nights, filters=filters, goals=goals, tonight=tonight, next="Take the next step.",
        kept_h=sum(n.kept_h for n in nights), dropped_h=sum(n.dropped_h for n in nights), southern=True, notes=(),
    )  # fmt: skip


def night_of(day: date, **hours: float) -> StripNight:
    return StripNight(
        date=day, moon_illuminated_fraction=0.5, moon_waxing=True,
        filters=tuple(StripFilter(filter=n, kept_h=h, dropped_h=0.0, subs_kept=1, subs_dropped=0) for n, h in hours.items()),
        fwhm_arcsec=2.5, fwhm_px=2.0, sky_over_usual=1.0, once=1,
    )  # fmt: skip


def test_the_strip_tells_what_the_ledger_holds(campaign: Campaign) -> None:
    now = datetime(2026, 5, 16, 3, tzinfo=UTC)
    strip = campaign_strip(campaign._ws, now=now)
    subs = campaign.verdicts().subs
    assert strip.kept_h == pytest.approx(sum(s.exposure_s or 0 for s in subs if s.verdict == "keep") / 3600.0)
    assert strip.dropped_h == pytest.approx(sum(s.exposure_s or 0 for s in subs if s.verdict == "drop") / 3600.0)
    assert [n.date.isoformat() for n in strip.nights] == sorted({str(s.night) for s in subs})
    assert list(strip.filters).index("OIII") < list(strip.filters).index("Ha"), "by wavelength"
    assert all(n.moon_illuminated_fraction is not None and n.moon_illuminated_fraction < 0.15 for n in strip.nights)
    assert sum(n.once for n in strip.nights) == len(subs), "the frames were taken in from one place"
    assert strip.tonight is not None
    assert strip.tonight.date == date(2026, 5, 16)
    assert " needs " in strip.next
    kept = next(s.file for s in subs if s.verdict == "keep")
    campaign.decide([kept], "drop", why="a test")
    again = campaign_strip(campaign._ws, with_tonight=False)
    assert "fold again" in again.next, "work on what is there comes before new exposures"
    assert again.kept_h < strip.kept_h
    campaign.decide([kept], "clear")
    text = strip_told(strip)
    assert "tonight" in text
    assert max(len(line) for line in text.splitlines()) <= 80


def test_show_as_document_and_text(campaign: Campaign, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--campaign", str(campaign.folder), "show", "--no-tonight", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert {"campaign", "nights", "filters", "goals", "tonight", "next", "kept_h", "dropped_h"} <= set(document)
    assert document["tonight"] is None
    assert main(["--campaign", str(campaign.folder), "show", "--no-tonight"]) == 0
    text = capsys.readouterr().out
    assert "Next: " in text
    assert "▲ [O III]" in text


def test_goals_of_every_kind_and_panel_are_shown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Hours count for the panel that they were shot for; goals that masters tell are named without a share."""
    kinds = (
        "surface_brightness_rayleigh = 9.0", "surface_brightness_mag_arcsec2 = 24.0", "spot_px = [7, 9]",
        'like_master = "masters/deep.fits"',
    )  # fmt: skip
    goals = "".join(f'[[target.goal]]\nfilter = "{name}"\n{kind}\n' for name, kind in zip("LRGB", kinds))
    hours = "".join(f'[[target.goal]]\nfilter = "Ha"\nhours = {h}\npanel = {p}\n' for p, h in ((1, 2.0), (2, 4.0)))
    hours += '[[target.goal]]\nfilter = "OIII"\nhours = 4.0\n'
    panels = "".join(f"[[target.panel]]\npanel = {p}\nra_deg = {250 + p}\ndec_deg = -48.8\n" for p in (1, 2))
    text = f'name = "Mosaic"\n[[target]]\nname = "Wall"\nra_deg = 251.5\ndec_deg = -48.8\n{panels}{goals}{hours}'

    def sub(panel: int, name: str = "Ha") -> SubBrief:
        night, start = date(2026, 5, 13), datetime(2026, 5, 13, 12, tzinfo=UTC)
        return SubBrief("Heron 106", "Wall", panel, name, night, start, 3600.0, 2.0, 3.6, 1.0, "keep", False)

    monkeypatch.setattr(
        "nightfold.record.strip.sub_briefs", lambda _ws: [sub(1), sub(2), sub(2), sub(2), sub(1, "OIII")]
    )
    with Campaign.create(tmp_path / "c", text=text) as mosaic:
        strip = campaign_strip(mosaic._ws, with_tonight=False)
    told = {(g.filter, g.panel): (g.hours_done, g.done, g.hours_left) for g in strip.goals}
    assert told[("Ha", 1)] == (1.0, 0.5, 1.0)
    assert told[("Ha", 2)] == (3.0, 0.75, 1.0)
    assert told[("OIII", 1)] == (1.0, 0.25, 3.0)
    assert told[("OIII", 2)] == (0.0, 0.0, 4.0), "a goal without panel is for each of them"
    assert all(told[(name, panel)] == (0.0, None, None) for name in "LRG" for panel in (1, 2))
    lines = strip_told(strip).splitlines()
    assert [line for line in lines if line.startswith("Wall")] == ["Wall, panel 1", "Wall, panel 2"]
    first, second = lines.index("Wall, panel 1"), lines.index("Wall, panel 2")
    assert [line for line in lines[first:second] if "3.0 h to go" in line]
    assert [line for line in lines[second:] if "3.0 h done, 1.0 h to go" in line]


def test_an_empty_campaign_is_shown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Campaign.create(tmp_path / "c", text='name = "Bare"\n') as bare:
        strip = campaign_strip(bare._ws)
        assert strip.tonight is None
        assert "site" in strip.notes[0]
    assert main(["--campaign", str(tmp_path / "c"), "show"]) == 0
    assert "0 nights, 0.0 h kept" in capsys.readouterr().out


@pytest.mark.parametrize("days", [1, 3, 15, 47, 48, 95, 400])
def test_the_terminal_strip_keeps_to_80_columns_and_to_time(days: int) -> None:
    first = date(2026, 1, 10)
    nights = [
        night_of(first + timedelta(days=d), Ha=2.0, OIII=1.0, Own_filter_with_a_long_name=0.5)
        for d in {0, days // 2, days}
    ]
    goals = (
        StripGoal(target="Lantern Shell", panel=2, filter="Ha", hours_done=123.4, done=0.5, hours_left=234.5, tonight_h=1.0, sentence=""),
        StripGoal(target="Lantern Shell", panel=None, filter="OIII", hours_done=3.0, done=None, hours_left=None, tonight_h=None, sentence=""),
        StripGoal(target="Lantern Shell", panel=None, filter="OIII", hours_done=3.0, done=1.0, hours_left=0.0, tonight_h=None, sentence=""),
    )  # fmt: skip
    added = (StripFilter(filter="Ha", kept_h=4.0, dropped_h=0.0, subs_kept=9, subs_dropped=0),)
    tonight = StripTonight(
        date=first + timedelta(days=days + 3),
        moon_illuminated_fraction=0.9,
        moon_waxing=True,
        filters=added,
        begins=None,
    )
    text = strip_told(strip_of(*sorted(nights, key=lambda n: n.date), tonight=tonight, goals=goals))
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "tonight" in text
    row = next(line for line in text.splitlines() if line.startswith("● Hα"))
    blocks = [i for i, c in enumerate(row[:60]) if c in "▁▂▃▄▅▆▇█"]
    assert len(blocks) <= len(nights) + 1
    assert blocks[-1] > blocks[0]
    assert row[blocks[-1]] == "█", "tonight's four hours are the highest"
    if days == 400:
        share = (blocks[1] - blocks[0]) / (blocks[-1] - blocks[0])
        assert share == pytest.approx(0.5, abs=0.06), "gaps are kept"


def test_a_far_tonight_is_told_and_not_drawn() -> None:
    tonight = StripTonight(
        date=date(2026, 9, 1), moon_illuminated_fraction=0.9, moon_waxing=True, filters=(), begins=None
    )
    text = strip_told(strip_of(night_of(date(2026, 5, 1), Ha=1.0), tonight=tonight))
    assert "Tonight is 123 days later" in text


def test_sentences_of_goals_and_the_next_step() -> None:
    assert (
        goal_sentence("OIII", 2.0, 0.25, 6.0, 1.5)
        == "[O III] has 2.0 h, 25 % of its goal; 6.0 h to go; tonight adds 1.5 h."
    )
    assert goal_sentence("Ha", 9.0, 1.0, 0.0, None) == "Hα is as deep as wanted with 9.0 h."
    plan = samples.sample_plan()
    nights = NightsReport(name="x", filters=(), nights=(), next_step="The picture is made.", next_action="take-in")

    def goal(name: str, done: float, left: float, tonight: float) -> StripGoal:
        return StripGoal(
            target="Lantern Shell", panel=None, filter=name, hours_done=1.0, done=done, hours_left=left, tonight_h=tonight, sentence=""
        )  # fmt: skip

    both = (goal("Ha", 0.6, 2.6, 3.0), goal("OIII", 0.2, 8.0, 2.7))
    assert next_step(nights, both, plan, several=False) == "[O III] needs 8.0 h more; tonight gives 2.7 h after 01:10."
    none = (goal("SII", 0.1, 8.0, 0.0),)
    assert (
        next_step(nights, none, plan, several=True) == "[S II] on Lantern Shell needs 8.0 h more; tonight gives none."
    )
    assert next_step(nights, (goal("Ha", 1.0, 0.0, 0.0),), plan, several=False) == "Every goal is reached."
    folding = replace(nights, next_action="fold", next_step="Fold again.")
    assert next_step(folding, both, plan, several=False) == "Fold again."


def text_of(pdf: bytes) -> str:
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    assert len(reader.pages) == 1
    return reader.pages[0].extract_text()


def test_the_sheet_is_one_page_with_all_that_is_to_do() -> None:
    plan = samples.sample_plan()
    pdf = sheet_bytes(plan, campaign="Lantern Shell", filters=samples.FILTERS, southern=True)
    assert pdf == sheet_bytes(plan, campaign="Lantern Shell", filters=samples.FILTERS, southern=True), "same bytes"
    text = " ".join(text_of(pdf).split())
    for wanted in (
        "Night of 26 May 2026", "20:10–23:20", "36 × 300 s", "14 darks of 300 s", "25 Hα flats", "never point it at the Sun", "UTC+10",
        "Meridian flip", "00:20", "1 GB to come", "Heron 106", "Wren 61",
    ):  # fmt: skip
        assert wanted in text, wanted


@pytest.mark.parametrize("lines", [0, 12, 60])
def test_a_full_night_still_fits_on_the_page(lines: int) -> None:
    base = samples.sample_plan()
    plan = replace(
        base,
        events=base.events
        + tuple(EventLine(at=samples.utc(10, i % 60), what=f"Event {i}", rig="Heron 106") for i in range(lines)),
        calibration=base.calibration * (1 + lines // 3),
        cautions=base.cautions * (1 + lines // 12),
        notes=tuple(f"Note {i}." for i in range(lines // 3)),
    )
    assert "Night of 26 May" in text_of(sheet_bytes(plan, campaign="x"))


def test_the_sheet_is_black_on_white() -> None:
    picture = Image.open(io.BytesIO(sheet_bytes(samples.sample_plan(), campaign="x", form="png")))
    pixels = np.asarray(picture.convert("RGB")).astype(int)
    assert np.abs(pixels.max(axis=2) - pixels.min(axis=2)).max() <= 2, "grey alone: nothing fades under a red lamp"
    assert (pixels.mean(axis=2) > 250).mean() > 0.6
    assert picture.height > picture.width


def test_words_are_never_commands_of_the_type_setter() -> None:
    plan = samples.sample_plan(cautions=('#panic("x") $ * _ @ <a> \\ "',), notes=("= not a heading",))
    text = text_of(sheet_bytes(plan, campaign='#set page(paper: "a0")'))
    assert '#panic("x")' in text
    assert "= not a heading" in text


def test_repeated_events_take_one_line() -> None:
    cooled = tuple(
        EventLine(at=samples.utc(11 + k), what="focus: the tube has cooled", rig="Heron 106") for k in range(3)
    )
    rigs = sheet_data(samples.sample_plan(events=cooled), campaign="x")["rigs"]
    assert rigs[0]["more"] == ["Focus: the tube has cooled: 21:00, 22:00, 23:00"]


def test_sheet_command(campaign: Campaign, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "tonight.pdf"
    words = ["--campaign", str(campaign.folder), "sheet", "--date", "2026-05-16", "--json", "--out", str(out)]
    assert main(words) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["file"] == str(out)
    assert document["date"] == "2026-05-16"
    text = text_of(out.read_bytes())
    site = campaign.settings.site
    assert site is not None
    for number in (site.latitude_deg, site.longitude_deg):
        assert not re.search(rf"{abs(number):.1f}", text), "the site's place is not on the sheet"
    assert main([*words[:-1], str(tmp_path / "tonight.docx")]) == 1
    assert ".pdf, .png" in json.loads(capsys.readouterr().out)["error"]["allowed"]
    with pytest.raises(NightfoldError, match="format"):
        campaign.sheet(day=date(2026, 5, 16), out=tmp_path / "a.svg")


@pytest.mark.parametrize("name", ["unfiltered", "Sloan near infrared"])
def test_the_names_of_filters_are_written_out(name: str) -> None:
    text = strip_told(strip_of(night_of(date(2026, 5, 1), **{name: 1.0}), night_of(date(2026, 9, 1), Ha=2.0)))
    assert any(f" {name} " in f" {line}" for line in text.splitlines())
    assert max(len(line) for line in text.splitlines()) <= 80
