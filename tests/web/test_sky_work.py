"""`solve` and `catalogue add` over the API: the same documents as the commands', and no file that may not be opened."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from astropy.table import Table

import nightfold.web.sky as sky
from nightfold.align.solving import solve_file
from nightfold.campaign import Campaign
from nightfold.errors import NightfoldError
from nightfold.intake.folders import usual_places


@pytest.fixture
def page(copied: Path, serve: Callable[[Path], Any]) -> Any:
    return serve(copied)


def a_sub(page: Any) -> str:
    return str(page.get("/api/judge")["subs"][0]["file"])


def test_a_frame_is_found_as_the_command_finds_it(page: Any, copied: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = Path(a_sub(page))
    monkeypatch.setattr(sky, "usual_places", lambda base: (*usual_places(base), file.parent.resolve()))
    record = page.wait_for(page.post("/api/do/solve", {"path": str(file), "within_deg": 2.0}))
    # Too few listed stars fall on a small invented frame: the page says what the command says.
    with pytest.raises(NightfoldError) as failed:
        solve_file(file, within_deg=2.0, cone_folders=[copied / "catalogue"])
    assert record["state"] == "failed"
    assert failed.value.as_json()["what"] in json.dumps(record)


def test_a_found_place_is_the_commands_document(page: Any, copied: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = Path(a_sub(page))
    asked: dict[str, Any] = {}

    def found(path: Path, **wish: Any) -> Any:
        asked.update(wish, path=path)
        return {"ra_deg": 250.2, "rms_px": float("nan"), "file": path}

    monkeypatch.setattr(sky, "usual_places", lambda base: (*usual_places(base), file.parent.resolve()))
    monkeypatch.setattr(sky, "solve_file", found)
    wish = {"path": str(file), "around": "250.2 -48.8", "scale": 1.8}
    record = page.wait_for(page.post("/api/do/solve", wish))
    assert (record["state"], record["result"]) == (
        "done",
        {"ra_deg": 250.2, "rms_px": None, "file": str(file.resolve())},
    )
    assert asked == {
        "path": file.resolve(), "around": "250.2 -48.8", "within_deg": 3.0, "scale": 1.8, "write": None,
        "cone_folders": [copied / "catalogue"],
    }  # fmt: skip


def test_a_table_of_stars_is_kept_for_the_campaign(page: Any, copied: Path) -> None:
    table = copied / "stars.fits"
    Table({"ra": [250.1, 250.2, 250.3], "dec": [-48.8, -48.7, -48.9], "phot_g_mean_mag": [9.0, 10.0, 11.0]}).write(
        table
    )
    record = page.wait_for(page.post("/api/do/catalogue", {"path": str(table)}))
    assert record["state"] == "done", record
    assert (record["result"]["stars"], record["result"]["faintest_g"]) == (3, 11.0)
    kept = Path(record["result"]["file"])
    assert kept.is_file()
    assert kept.parent == copied / "catalogue"


def test_a_field_is_fetched_with_what_was_asked(page: Any, copied: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: dict[str, Any] = {}

    def fetched(folder: Path, **wish: Any) -> dict[str, Any]:
        asked.update(wish, folder=folder)
        return {"stars": 0}

    monkeypatch.setattr(sky, "add_cone", fetched)
    page.wait_for(page.post("/api/do/catalogue", {"around": "250.2 -48.8", "radius_deg": 0.5, "faintest": 15}))
    assert asked == {
        "folder": copied / "catalogue",
        "ra_deg": 250.2,
        "dec_deg": -48.8,
        "radius_deg": 0.5,
        "faintest_g": 15.0,
    }


@pytest.mark.parametrize("wish", [{}, {"around": "250.2 -48.8", "path": "x.fits"}, {"around": "nowhere at all"}])
def test_a_star_list_of_nothing_or_of_two_things_is_refused(page: Any, wish: dict[str, Any]) -> None:
    assert page.ask("POST", "/api/do/catalogue", wish)[0] == 400


@pytest.mark.parametrize("path", ["/etc/passwd", "../../etc/passwd", "/proc/self/environ", "campaign.toml"])
def test_only_frames_that_may_be_opened_are_solved_or_kept(page: Any, path: str) -> None:
    for work in ("solve", "catalogue"):
        status, _headers, body = page.ask("POST", f"/api/do/{work}", {"path": path})
        assert status == 400
        assert "cannot be opened" in json.loads(body)["error"]["what"]
    assert page.ask("POST", "/api/do/solve", {"path": path}, token=False)[0] == 403


def test_the_year_is_reckoned_as_work_with_progress(page: Any, copied: Path) -> None:
    record = page.wait_for(page.post("/api/do/season", {"width": 600}))
    with Campaign.open(copied) as campaign:
        wanted = campaign.chart("season", width=600)
    assert (record["state"], record["result"]["description"]) == ("done", wanted["description"])
    assert record["step"]["total"] == 2
    assert page.ask("POST", "/api/do/season", {"width": 10})[0] == 422
