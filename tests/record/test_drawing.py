"""Every chart of a campaign can be asked for by its name."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from nightfold.campaign import Campaign
from nightfold.charts.render import to_svg
from nightfold.cli.app import main
from nightfold.errors import SettingsError
from nightfold.plan.records import FrameReport, PanelLine
from nightfold.record.drawing import CHARTS, frame_map, frame_sentences

NOW = datetime(2026, 5, 16, 3, tzinfo=UTC)


@pytest.fixture(scope="module")
def campaign(small_campaign: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Campaign]:
    folder = tmp_path_factory.mktemp("drawing") / "campaign"
    shutil.copytree(small_campaign, folder)
    with Campaign.open(folder) as found:
        yield found


WANTED = {
    "strip": "tonight",
    "night": "Lantern Shell",
    "subs": "subs are kept",
    "sharpness": "FWHM",
    "elongation": "Elongation",
    "transparency": "Transparency",
    "depth": "square root of time",
    "exposure": "is a good length",
    "season": "dark hours left",
    "frame": "NGC 6193",
}


@pytest.mark.parametrize("name", sorted(WANTED))
def test_every_chart_by_its_name(campaign: Campaign, name: str) -> None:
    spec = campaign.chart(name, now=NOW, ground="red")
    assert WANTED[name] in to_svg(spec)
    assert spec["config"]["background"] == "#000000"


def test_all_names_are_known() -> None:
    assert set(CHARTS) == set(WANTED)
    assert all(name in str(Campaign.chart.__doc__) for name in CHARTS)


def test_mistakes_name_what_is_allowed(campaign: Campaign) -> None:
    with pytest.raises(SettingsError, match="strip, night"):
        campaign.chart("pie")
    with pytest.raises(SettingsError, match="2026-05-14"):
        campaign.chart("subs", day=date(2025, 1, 1))
    with pytest.raises(SettingsError, match="page, print, red, lamp"):
        campaign.chart("subs", ground="blue")


def test_chart_command(campaign: Campaign, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "subs.svg"
    words = [
        "--campaign",
        str(campaign.folder),
        "chart",
        "subs",
        str(out),
        "--date",
        "2026-05-14",
        "--filter",
        "Ha",
        "--json",
    ]
    assert main(words) == 0
    assert json.loads(capsys.readouterr().out) == {"file": str(out)}
    text = out.read_text(encoding="utf-8")
    assert "Hα" in text
    assert "[O III]" not in text


def frame_of(**changes: object) -> FrameReport:
    corners = ((251.2, -49.4), (249.2, -49.4), (249.3, -48.1), (251.1, -48.1))
    panel = PanelLine(panel=1, ra_deg=250.2, dec_deg=-48.8, position_angle_deg=0.0, corners_deg=corners)
    values: dict[str, object] = {
        "rig": "Heron 106", "target": "Lantern Shell", "scale_arcsec_px": 1.8, "width_deg": 1.3, "height_deg": 1.2, "panels": (panel,),
        "columns": 1, "rows": 1, "overlap": 0.15, "turn_by_deg": 0.0, "area_lost": 0.0, "angle_now_deg": None, "angle_wanted_deg": 0.0,
        "sampling": None, "objects": (), "notes": (),
    }  # fmt: skip
    return FrameReport(**{**values, **changes})  # type: ignore[arg-type]


def test_the_frame_tells_how_far_to_turn() -> None:
    turned = frame_of(angle_now_deg=5.0, turn_by_deg=5.0, area_lost=0.08)
    assert (
        frame_sentences(turned)[0] == "Turn the camera by 5.0° clockwise, seen from behind; else 8% of the area is lost"
    )
    assert [o.kind for o in frame_map(turned).outlines] == ["wanted", "now"]
    fits = frame_of(angle_now_deg=0.1, turn_by_deg=0.1)
    assert "stands as the earlier nights want it" in frame_sentences(fits)[0]
    assert [o.kind for o in frame_map(fits).outlines] == ["wanted"]
    sky = frame_map(frame_of())
    assert 0.9 < sky.radius_deg < 1.3
    assert min(sky.star_mag) < 7.0, "the bright stars of Ara are there"
    assert "NGC 6193" in {o.name for o in sky.objects}


def test_a_mosaic_across_the_meridian_of_zero_hours() -> None:
    panels = tuple(
        PanelLine(panel=n, ra_deg=ra, dec_deg=10.0, position_angle_deg=0.0, corners_deg=((ra, 9.5),) * 4)
        for n, ra in enumerate((359.5, 0.5), 1)
    )
    sky = frame_map(frame_of(panels=panels, columns=2))
    assert min(sky.ra_deg, 360.0 - sky.ra_deg) < 1e-6
    assert [o.name for o in sky.outlines] == ["panel 1", "panel 2"]
