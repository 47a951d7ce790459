"""Everything that changes the campaign, asked for by POST; what takes longer than a second becomes a job."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Request
from fastapi.responses import StreamingResponse
from pydantic import BaseModel, ConfigDict, Field

from nightfold.campaign import Campaign
from nightfold.engine.core import CancelToken, NullProgress, Progress
from nightfold.engine.documents import to_document
from nightfold.errors import SettingsError
from nightfold.intake.folders import allowed_folder, usual_places
from nightfold.settings.edit import Change
from nightfold.web.api import room_of
from nightfold.web.room import Room

router = APIRouter(prefix="/api")

Name = Annotated[str, Field(min_length=1, max_length=200)]
FolderPath = Annotated[str, Field(min_length=1, max_length=1000)]
MOST_SUBS = 20_000
EVENT_S = 0.25


class Wish(BaseModel):
    """A request's body; unknown keys are refused."""

    model_config = ConfigDict(extra="forbid")


class LookWish(Wish):
    """A folder to look at, before anything is taken in."""

    folder: FolderPath


class StartWish(Wish):
    """From a folder of raw frames to a first picture; `answers` give filters to files that name none, by pattern."""

    folder: FolderPath
    answers: Annotated[dict[FolderPath, Annotated[str, Field(max_length=40)]], Field(max_length=10)] = {}


class DemoWish(Wish):
    """The invented campaign."""


class TakeInWish(Wish):
    """A folder to take in, and judge."""

    folder: FolderPath


class WatchWish(Wish):
    """A folder to follow while it is shot into."""

    folder: FolderPath


class JudgeWish(Wish):
    """Measure what is new."""


class FoldWish(Wish):
    """Which masters to fold; all when nothing is named."""

    target: Name | None = None
    filter: Name | None = None
    rig: Name | None = None


class DecideWish(Wish):
    """A person's decision on subs, by their numbers."""

    subs: Annotated[list[int], Field(min_length=1, max_length=MOST_SUBS)]
    verdict: Literal["keep", "drop", "clear"]
    why: Annotated[str, Field(max_length=500)] = ""


class OpenWish(Wish):
    """A campaign below the served folder."""

    name: Name


class ChangeWish(Wish):
    """One value of campaign.toml by its path; null takes it away."""

    path: Annotated[list[str | Annotated[int, Field(ge=0, le=1000)]], Field(min_length=2, max_length=8)]
    value: float | Annotated[str, Field(max_length=200)] | None


class SettingsWish(Wish):
    """Values of campaign.toml to change together."""

    changes: Annotated[list[ChangeWish], Field(min_length=1, max_length=100)]


def begin(room: Room, kind: str, what: str, wish: Wish, work: Callable[[Progress, CancelToken], Any]) -> Any:
    """Start work as a job; its record."""
    again = {"work": kind, "wish": wish.model_dump(mode="json")}
    return to_document(room.jobs.start(kind, what, work, again=again))


@router.post("/open", summary="Open one of the campaigns below the served folder")
def open_campaign(request: Request, wish: OpenWish) -> Any:
    """Its name is that of its folder."""
    return {"campaign": str(room_of(request).choose(wish.name))}


@router.post("/do/look", summary="What the headers of a folder say, and what they leave open")
def look(request: Request, wish: LookWish) -> Any:
    """Nothing is written."""
    room = room_of(request)
    folder = allowed_folder(wish.folder, usual_places(room.base))

    def work(progress: Progress, token: CancelToken) -> Any:
        return Campaign.look_at(folder, progress=progress, cancelled=token)

    return begin(room, "look", f"Looking at {folder.name}", wish, work)


@router.post("/do/start", summary="A campaign from a folder of raw frames, and the whole way to a picture")
def start(request: Request, wish: StartWish) -> Any:
    """Files are only read."""
    room = room_of(request)
    folder = allowed_folder(wish.folder, usual_places(room.base))
    if room.folder is not None:
        raise SettingsError("there is a campaign here already", seen=str(room.folder), next_step="take the folder in")

    def work(progress: Progress, token: CancelToken) -> Any:
        made = room.base / _new_name(room.base, folder)
        return Campaign.start(folder, made, answers=wish.answers, first_look=True, progress=progress, cancelled=token)

    return begin(room, "start", f"From {folder.name} to a first picture", wish, work)


@router.post("/do/demo", summary="The demo: an invented campaign, gone through the whole way")
def demo(request: Request, wish: DemoWish) -> Any:
    """Frames are made in a folder of their own."""
    room = room_of(request)
    if room.folder is not None and room.folder.name != "demo-campaign":
        raise SettingsError("there is a campaign here already", seen=str(room.folder))

    def work(progress: Progress, token: CancelToken) -> Any:
        return Campaign.demo(room.base / "demo-campaign", progress=progress, cancelled=token)

    return begin(room, "demo", "The demo, from invented frames to a picture", wish, work)


@router.post("/do/take-in", summary="Take a folder in and judge what is new")
def take_in(request: Request, wish: TakeInWish) -> Any:
    """Files are only read."""
    room = room_of(request)
    folder = allowed_folder(wish.folder, usual_places(room.base))

    def work(progress: Progress, token: CancelToken) -> Any:
        with room.at_work(progress, token) as campaign:
            taken = campaign.take_in([folder])
            campaign.judge()
            return taken

    return begin(room, "take-in", f"Taking in {folder.name}", wish, work)


@router.post("/do/watch", summary="Follow a folder while it is shot into; goes on until it is stopped")
def watch(request: Request, wish: WatchWish) -> Any:
    """What happens is said in the job's record; other work can run beside it."""
    room = room_of(request)
    folder = allowed_folder(wish.folder, usual_places(room.base))

    def work(progress: Progress, token: CancelToken) -> Any:
        with room.at_work(NullProgress(), token) as campaign:
            subs = 0
            for event in campaign.watch([folder]):
                progress.say(event.text)
                subs += event.kind == "sub"
            return {"subs": subs}

    return begin(room, "watch", f"Watching {folder.name}", wish, work)


@router.get("/watching", summary="The watch that goes on, null if none does")
def watching(request: Request) -> Any:
    """With what it said last."""
    return {"watch": to_document(room_of(request).jobs.watching())}


@router.post("/do/judge", summary="Measure what is new and judge all subs")
def judge(request: Request, wish: JudgeWish) -> Any:
    """The verdicts are in /api/judge afterwards."""
    room = room_of(request)

    def work(progress: Progress, token: CancelToken) -> Any:
        with room.at_work(progress, token) as campaign:
            judged = campaign.judge()
            kept = sum(s.verdict == "keep" for s in judged.subs)
            return {"kept": kept, "dropped": len(judged.subs) - kept, "notes": judged.notes}

    return begin(room, "judge", "Judging the subs", wish, work)


@router.post("/do/fold", summary="Fold kept subs into masters")
def fold(request: Request, wish: FoldWish) -> Any:
    """All masters, or those of one target, filter or rig."""
    room = room_of(request)
    what = f"Folding {wish.filter or 'the masters'}"

    def work(progress: Progress, token: CancelToken) -> Any:
        with room.at_work(progress, token) as campaign:
            return campaign.fold(target=wish.target, filter=wish.filter, rig=wish.rig)

    return begin(room, "fold", what, wish, work)


@router.post("/settings", summary="Change values of campaign.toml; nothing is written if one would be wrong")
def change(request: Request, wish: SettingsWish) -> Any:
    """Site, rigs and targets only; comments in the file stay."""
    changes = [Change(path=tuple(c.path), value=c.value) for c in wish.changes]
    room_of(request).campaign().change_settings(changes)
    return {"changed": len(changes)}


@router.post("/decide", summary="Keep or drop subs, or clear a person's decision")
def decide(request: Request, wish: DecideWish) -> Any:
    """Every decision stays on record."""
    campaign = room_of(request).campaign()
    return {"changed": campaign.decide_on(wish.subs, wish.verdict, why=wish.why)}


@router.post("/jobs/{job_id}/stop", summary="Ask work to end after the piece in hand")
def stop(request: Request, job_id: str) -> Any:
    """What is finished stays."""
    return {"asked": room_of(request).jobs.stop(job_id)}


@router.get("/jobs/{job_id}/events", summary="Progress as an event stream, until the work ends")
async def events(request: Request, job_id: str) -> StreamingResponse:
    """Each event is the job's record."""
    room = room_of(request)
    if room.jobs.get(job_id) is None:
        raise SettingsError("there is no work of this number", seen=job_id[:40], next_step="see /api/jobs")

    async def stream() -> AsyncIterator[bytes]:
        told = -1
        quiet = 0.0
        while not await request.is_disconnected():
            found = room.jobs.get(job_id)
            if found is None:
                return
            record, version = found
            if version != told:
                told, quiet = version, 0.0
                yield b"data: " + json.dumps(to_document(record), ensure_ascii=False).encode() + b"\n\n"
            elif quiet > 15.0:  # a line now and then, so that a visitor who left is noticed
                quiet = 0.0
                yield b": still at work\n\n"
            if record.state != "running":
                return
            await asyncio.sleep(EVENT_S)
            quiet += EVENT_S

    return StreamingResponse(stream(), media_type="text/event-stream", headers={"X-Accel-Buffering": "no"})


def _new_name(base: Path, source: Path) -> str:
    """A folder's name for a new campaign, after the folder of its frames, that is not taken."""
    plain = "".join(c if c.isalnum() else "-" for c in source.name.lower()).strip("-") or "campaign"
    name, number = f"{plain}-campaign", 2
    while (base / name).exists():
        name, number = f"{plain}-campaign-{number}", number + 1
    return name
