"""The JSON API: the documents of the commands as `--json` prints them, read from the ledger."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from nightfold.campaign import Campaign
from nightfold.engine.documents import to_document
from nightfold.errors import SettingsError
from nightfold.intake.folders import allowed_file, list_folder, list_places, usual_places
from nightfold.sky.objects import resolve
from nightfold.web.jobs import BESIDE
from nightfold.web.room import Room

router = APIRouter(prefix="/api")
Text = Annotated[str | None, Query(max_length=200)]


def room_of(request: Request) -> Room:
    """The room of this server."""
    found: Room = request.app.state.room
    return found


@router.get(
    "/session", summary="Which campaign is open, the token that changes need, and what is at work or was cut short"
)
def session(request: Request) -> dict[str, Any]:
    """The page asks for this first."""
    room = room_of(request)
    folder = room.folder
    latest = next((j for j in room.jobs.all() if j.kind != BESIDE), None)
    job = room.jobs.running() or (latest if latest is not None and latest.state == "cut short" else None)
    return {
        "campaign": None if folder is None else str(folder),
        "name": None if folder is None else room.campaign().settings.name,
        "campaigns": [p.name for p in room.campaigns()] if folder is None else [],
        "folder": str(room.base),
        "token": room.door.token,
        "job": to_document(job),
    }


@router.get("/nights", summary="The row of nights, and the next step")
def nights(request: Request) -> Any:
    """As the campaign strip shows it."""
    return to_document(room_of(request).campaign().nights())


@router.get("/judge", summary="The verdicts as they stand: the document of `judge`")
def judge(request: Request, filter: Text = None, night: date | None = None) -> Any:
    """Nothing is measured."""
    return to_document(room_of(request).campaign().verdicts(filter=filter, night=night))


@router.get("/fold", summary="The masters as they stand: the `masters` of `fold`")
def masters(request: Request) -> Any:
    """The latest master of each target, filter and set of rigs."""
    return {"masters": room_of(request).campaign().masters()}


@router.get("/masters", summary="The masters with the numbers that views need")
def numbered_masters(request: Request) -> Any:
    """As /api/fold, each with `id` and `made_at`."""
    return {"masters": room_of(request).campaign().masters_with_ids()}


@router.get("/folders", summary="Folders of this machine to choose from")
def folders(request: Request, path: Annotated[str, Query(max_length=1000)] = "", files: bool = False) -> Any:
    """Only folders and counts, with `files` also names of frames and tables; nothing is read."""
    places = usual_places(room_of(request).base)
    return to_document(list_folder(path, places, with_files=files) if path else list_places(places))


@router.get("/look.jpg", summary="A small picture of a frame that was not taken in yet", response_class=Response)
def look_at(request: Request, path: Annotated[str, Query(min_length=1, max_length=1000)]) -> Response:
    """Of a file in a folder that may be browsed."""
    file = allowed_file(path, usual_places(room_of(request).base))
    return Response(Campaign.look_at_file(file), media_type="image/jpeg")


@router.get("/settings", summary="What campaign.toml says of site, rigs and targets")
def settings(request: Request) -> Any:
    """With defaults filled in; null where nothing is said."""
    found = room_of(request).campaign().settings
    return found.model_dump(mode="json", include={"name", "site", "rig", "target"})


@router.get("/place", summary="Where a target of a listed name, or of coordinates, is on the sky")
def place(name: Annotated[str, Query(min_length=1, max_length=120)]) -> Any:
    """ICRS J2000, from the installed list; the nearest names where it is not known."""
    found = resolve(name)
    return {"name": found.name, "ra_deg": found.ra_deg, "dec_deg": found.dec_deg}


@router.get("/jobs", summary="All work on record, the latest first")
def jobs(request: Request) -> Any:
    """Running, done, stopped, failed, or cut short by the end of a server."""
    return {"jobs": to_document(room_of(request).jobs.all())}


@router.get("/jobs/{job_id}", summary="One piece of work")
def job(request: Request, job_id: str) -> Any:
    """Its state, its step and, once done, its document."""
    found = room_of(request).jobs.get(job_id)
    if found is None:
        raise SettingsError("there is no work of this number", seen=job_id[:40], next_step="see /api/jobs")
    return to_document(found[0])
