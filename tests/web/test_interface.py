"""The API: the same documents as the commands print, described by OpenAPI, and errors that fit who asks."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from nightfold.campaign import Campaign
from nightfold.engine.documents import to_document


def test_documents_are_those_of_the_campaign(page_of_finished: Any, finished: Path) -> None:
    with Campaign.open(finished) as campaign:
        assert page_of_finished.get("/api/judge") == to_document(campaign.verdicts())
        assert page_of_finished.get("/api/judge?filter=Ha") == to_document(campaign.verdicts(filter="Ha"))
        assert page_of_finished.get("/api/fold") == {"masters": campaign.masters()}
        assert page_of_finished.get("/api/nights") == to_document(campaign.nights())
        rig = campaign.settings.rig[0].name
        frame = page_of_finished.get(f"/api/frame?rig={rig.replace(' ', '%20')}")
        assert frame == to_document(campaign.frame(rig=rig))


def test_tonight_comes_with_its_chart(page_of_finished: Any) -> None:
    found = page_of_finished.get("/api/charts/tonight?day=2026-05-20")
    assert found["plan"]["date"] == "2026-05-20"
    assert {"blocks", "events", "cautions", "moon", "targets"} <= set(found["plan"])
    assert "$schema" in found["chart"]
    assert "http" not in json.dumps({k: v for k, v in found["chart"].items() if k != "$schema"})


def test_the_interface_describes_itself(page_of_finished: Any) -> None:
    described = page_of_finished.get("/api/openapi.json")
    assert described["info"]["title"] == "Nightfold"
    for path, ways in described["paths"].items():
        assert path.startswith("/api/")
        for what in ways.values():
            assert what["summary"]
    changes = {path for path, ways in described["paths"].items() if "post" in ways}
    assert {"/api/decide", "/api/do/fold", "/api/do/picture", "/api/settings", "/api/jobs/{job_id}/stop"} <= changes


def test_errors_are_json_for_programs_and_a_page_for_people(page_of_finished: Any) -> None:
    status, headers, body = page_of_finished.ask("GET", "/nights/1999-01-01")
    assert (status, headers["content-type"]) == (409, "application/json")
    assert json.loads(body)["error"]["what"] == "no sub is of this night"
    status, headers, body = page_of_finished.ask("GET", "/nights/1999-01-01", headers={"Accept": "text/html"})
    assert status == 409
    assert headers["content-type"].startswith("text/html")
    text = body.decode()
    assert "No sub is of this night." in text
    assert "2026-05-14" in text
    status, _headers, body = page_of_finished.ask("GET", "/nowhere", headers={"Accept": "text/html"})
    assert status == 404
    assert "nothing at this address" in body.decode()


def test_what_was_not_foreseen_is_a_sentence_too(
    page_of_finished: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def breaks(_self: Campaign) -> None:
        raise ZeroDivisionError("secret path /home/somebody")

    monkeypatch.setattr(Campaign, "nights", breaks)
    status, _headers, body = page_of_finished.ask("GET", "/api/nights")
    assert status == 500
    assert "no words for" in json.loads(body)["error"]["what"]
    assert "secret" not in body.decode()


def test_a_folder_of_several_campaigns_offers_them(
    finished: Path, tmp_path: Path, serve: Callable[[Path], Any]
) -> None:
    text = (finished / "campaign.toml").read_text(encoding="utf-8")
    for name in ("spring", "winter"):
        with Campaign.create(tmp_path / name, text=text.replace("Lantern Shell demo", name)):
            pass
    page = serve(tmp_path)
    session = page.get("/api/session")
    assert (session["campaign"], session["campaigns"]) == (None, ["spring", "winter"])
    assert page.ask("POST", "/api/open", {"name": "../winter"})[0] == 400
    page.post("/api/open", {"name": "winter"})
    assert page.get("/api/session")["name"] == "winter"
    assert page.get("/api/nights")["next_action"] == "take-in"


def test_no_campaign_is_told(tmp_path: Path, serve: Callable[[Path], Any]) -> None:
    page = serve(tmp_path)
    for path in ("/api/nights", "/api/picture", "/api/subs/1/view", "/api/settings"):
        status, _headers, body = page.ask("GET", path)
        assert status == 409
        assert "no campaign here yet" in json.loads(body)["error"]["what"]
    assert page.ask("GET", "/")[0] == 200


def test_files_of_a_picture_and_nothing_else(page_of_finished: Any, finished: Path) -> None:
    picture = page_of_finished.get("/api/picture")["pictures"][0]
    for file in picture["files"]:
        status, headers, body = page_of_finished.ask("GET", f"/api/pictures/{picture['id']}/{file['name']}")
        assert status == 200
        assert len(body) == file["bytes"]
        assert headers["content-disposition"].startswith("attachment")
    assert page_of_finished.ask("GET", "/api/pictures/99/x.png")[0] == 400
    assert page_of_finished.ask("GET", f"/api/pictures/{picture['id']}/ledger.sqlite")[0] == 400
    assert (finished / "ledger.sqlite").exists()


def test_what_to_take_along(page_of_finished: Any, finished: Path) -> None:
    with Campaign.open(finished) as campaign:
        table, masters = campaign.capture_table(), campaign.masters_with_ids()
    status, headers, body = page_of_finished.ask("GET", "/api/capture-table.csv")
    assert (status, body.decode()) == (200, table)
    assert "attachment" in headers["content-disposition"]
    status, headers, body = page_of_finished.ask("GET", f"/api/masters/{masters[0]['id']}/file")
    assert (status, body) == (200, Path(masters[0]["file"]).read_bytes())
    assert page_of_finished.ask("GET", "/api/masters/999/file")[0] == 409


def test_no_first_look_is_told_as_none(page_of_finished: Any) -> None:
    assert page_of_finished.get("/api/first-look") == {"made_at": None}
    assert page_of_finished.ask("GET", "/api/first-look.jpg")[0] == 409


@pytest.mark.parametrize("name", ["exposure", "frame"])
def test_charts_by_name(page_of_finished: Any, finished: Path, name: str) -> None:
    found = page_of_finished.get(f"/api/charts/{name}?width=500")
    with Campaign.open(finished) as campaign:
        assert found["description"] == campaign.chart(name, width=500)["description"]
    assert page_of_finished.ask("GET", "/api/charts/depth")[0] == 422  # it measures: it is work, asked for by POST


def test_the_campaign_at_one_look_is_that_of_show(page_of_finished: Any, finished: Path) -> None:
    with Campaign.open(finished) as campaign:
        assert page_of_finished.get("/api/show?tonight=false") == to_document(campaign.show(with_tonight=False))
