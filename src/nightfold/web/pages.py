"""The places of the page: each a small frame of HTML that a module of ours fills from the API."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment, FileSystemLoader, select_autoescape

import nightfold
from nightfold.charts.filters import filter_styles
from nightfold.engine.documents import to_document
from nightfold.web import api
from nightfold.web.api import room_of, session

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)

_templates = Environment(
    loader=FileSystemLoader(Path(__file__).parent / "templates"), autoescape=select_autoescape(default=True)
)

PLACES = (
    ("/", "Campaign"),
    ("/tonight", "Tonight"),
    ("/masters", "Masters"),
    ("/picture", "Picture"),
    ("/optics", "Optics"),
    ("/record", "Record"),
    ("/settings", "Site"),
)


def _page(request: Request, place: str, title: str, first: dict[str, Any] | None = None) -> Response:
    """The frame, with what the module needs first already in it: one round trip less before something is seen."""
    facts = {"session": session(request), "styles": _styles(request), **(first or {})}
    text = _templates.get_template("page.html").render(
        title=title,
        place=place,
        path=request.url.path,
        places=PLACES,
        has_campaign=facts["session"]["campaign"] is not None,
        name=facts["session"]["name"],
        version=nightfold.__version__,
        # "<" cannot end the data block early.
        first=json.dumps(to_document(facts), ensure_ascii=False).replace("<", "\\u003c"),
    )
    return HTMLResponse(text)


def _styles(request: Request) -> dict[str, Any]:
    """How each filter of the campaign is drawn, on the page as in every other chart."""
    room = room_of(request)
    if room.folder is None:
        return {}
    campaign = room.campaign()
    centres = {f.name: f.centre_nm for r in campaign.settings.rig for f in r.filter if f.centre_nm is not None}
    names = [f.name for r in campaign.settings.rig for f in r.filter] + campaign.filters()
    return {name: to_document(style) for name, style in filter_styles(names, "page", centres_nm=centres).items()}


def sentence(status: int, error: dict[str, str]) -> Response:
    """An error as a page: what is wrong, and what to do."""
    what = error["what"][:1].upper() + error["what"][1:].rstrip(".") + "."
    words = {"seen": "Seen", "allowed": "Allowed", "next": "Next"}
    rest = " ".join(f"{words[k]}: {error[k]}." for k in words if error.get(k))
    text = _templates.get_template("sentence.html").render(what=what, rest=rest)
    return HTMLResponse(text, status_code=status)


@router.get("/")
def home(request: Request) -> Response:
    """The campaign strip, or the newcomer's way."""
    room = room_of(request)
    if room.folder is None:
        return _page(request, "welcome", "Welcome")
    return _page(request, "home", "Campaign", _home(request))


def _home(request: Request) -> dict[str, Any]:
    """The campaign at one look, as the terminal shows it, and which work the next step is."""
    campaign = room_of(request).campaign()
    return {"show": campaign.show(with_tonight=False), "action": campaign.nights().next_action}


@router.get("/nights/{night}")
def night(request: Request, night: date) -> Response:
    """The subs of one night."""
    campaign = room_of(request).campaign()
    zone = campaign.settings.site.time_zone if campaign.settings.site is not None else None
    return _page(
        request, "night", f"Night of {night:%-d %B %Y}", {"night": campaign.night(night), "zone": zone or "UTC"}
    )


@router.get("/masters")
def masters(request: Request) -> Response:
    """The masters, and the viewer over them."""
    return _page(request, "masters", "Masters", {"masters": room_of(request).campaign().masters_with_ids()})


@router.get("/picture")
def picture(request: Request) -> Response:
    """The picture, mixed live."""
    return _page(request, "picture", "Picture", {"picture": room_of(request).campaign().picture_room()})


@router.get("/found")
def found(request: Request) -> Response:
    """What the first way through found."""
    campaign = room_of(request).campaign()
    first = {
        "judged": campaign.verdicts(),
        "room": campaign.picture_room(),
        "proof": campaign.proof_pair(),
        "masters": campaign.masters_with_ids(),
        "folder": campaign.latest_folder(),
    }
    return _page(request, "found", "What was found", first)


@router.get("/tonight")
def tonight(request: Request) -> Response:
    """The night's plan."""
    folder = room_of(request).campaign().latest_folder()
    return _page(request, "tonight", "Tonight", {"rigs": _rigs(request), "folder": folder})


@router.get("/optics")
def optics(request: Request) -> Response:
    """The optics as the stars tell them."""
    campaign = room_of(request).campaign()
    first = {
        "rigs": _rigs(request),
        "nights": [n.night for n in campaign.nights().nights],
        "known": campaign.optics_summary(),
    }
    return _page(request, "optics", "Optics", first)


@router.get("/record")
def record(request: Request) -> Response:
    """The capture record, and what to share."""
    campaign = room_of(request).campaign()
    return _page(request, "record", "Record", {"nights": campaign.nights(), "masters": campaign.masters_with_ids()})


@router.get("/settings")
def settings(request: Request) -> Response:
    """Site, rigs, targets and goals."""
    return _page(request, "settings", "Site and rigs", {"settings": api.settings(request)})


def _rigs(request: Request) -> list[dict[str, Any]]:
    settings = room_of(request).campaign().settings
    return [{"name": r.name, "filters": [f.name for f in r.filter]} for r in settings.rig]


@router.get("/api")
def interface(request: Request) -> Response:
    """What the API offers."""
    return _page(request, "interface", "For programs")


@router.get("/favicon.ico")
def icon() -> Response:
    """Browsers ask for it here."""
    return RedirectResponse("/static/icon.svg", status_code=301)
