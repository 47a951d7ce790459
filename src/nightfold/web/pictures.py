"""The picture's part of the API: recipes, layers to mix from, previews, versions, and the files that were made."""

from __future__ import annotations

import json
from typing import Annotated, Any

from fastapi import APIRouter, Request
from fastapi.responses import FileResponse, Response
from pydantic import Field

from nightfold.engine.core import CancelToken, Progress
from nightfold.engine.documents import to_document
from nightfold.errors import LedgerError
from nightfold.picture.steps import Recipe
from nightfold.web.api import room_of
from nightfold.web.work import Name, Wish, begin

router = APIRouter(prefix="/api")

KINDS = {".tiff": "image/tiff", ".png": "image/png", ".jpg": "image/jpeg", ".toml": "text/plain; charset=utf-8"}


class RecipeWish(Wish):
    """A recipe to look at."""

    recipe: Recipe


class VersionWish(Wish):
    """A recipe to keep, under a name."""

    recipe: Recipe
    name: Annotated[str, Field(max_length=80)] = ""


class PictureWish(Wish):
    """A picture to write: by a recipe, or an automatic one, with what shall lie beside it."""

    recipe: Recipe | None = None
    target: Name | None = None
    rig: Name | None = None
    panel: int | None = None
    palette: Annotated[str, Field(max_length=20)] | None = None
    upright: bool = False
    annotated: bool = False
    linear: bool = False


@router.get("/picture", summary="The latest recipe, palettes that fit, saved versions, and the pictures made")
def picture(request: Request) -> Any:
    """No pixel is read."""
    return to_document(room_of(request).campaign().picture_room())


@router.post("/picture/layers", summary="The layers that a picture is mixed from", response_class=Response)
def layers(request: Request, wish: RecipeWish) -> Response:
    """Four bytes with the length of the facts (little end first), the facts as JSON, and the layers as floats of 32 bits."""
    facts, data = room_of(request).mixer().layers(wish.recipe)
    head = json.dumps(to_document(facts), ensure_ascii=False).encode()
    head += b" " * (-len(head) % 4)
    return Response(len(head).to_bytes(4, "little") + head + data, media_type="application/octet-stream")


@router.post("/picture/preview", summary="A recipe by the exact formulas, at preview size", response_class=Response)
def preview(request: Request, wish: RecipeWish, png: bool = False) -> Response:
    """A JPEG, or a PNG where every value counts."""
    data = room_of(request).mixer().preview(wish.recipe, as_png=png)
    return Response(data, media_type="image/png" if png else "image/jpeg")


@router.post("/picture/versions", summary="Keep a recipe, to come back to")
def keep(request: Request, wish: VersionWish) -> Any:
    """It gets the next number."""
    return to_document(room_of(request).campaign().save_version(wish.recipe, wish.name))


@router.post("/do/picture", summary="Write a picture from the masters: the document of `picture`")
def make(request: Request, wish: PictureWish) -> Any:
    """By a recipe, or by one measured on the masters."""
    room = room_of(request)

    def work(progress: Progress, token: CancelToken) -> Any:
        with room.at_work(progress, token) as campaign:
            return campaign.picture(
                wish.recipe,
                target=wish.target,
                rig=wish.rig,
                panel=wish.panel,
                palette=wish.palette,
                upright=wish.upright,
                annotated=wish.annotated,
                linear=wish.linear,
            )

    return begin(room, "picture", "Making the picture at full size", wish, work)


@router.get("/first-look", summary="When the first picture from every fifth sub was made; null while there is none")
def first_look(request: Request) -> Any:
    """It comes within the first minute of the way from a folder to a picture."""
    room = room_of(request)
    made = room.campaign().first_look_made_at() if room.folder is not None else None
    return {"made_at": to_document(made)}


@router.get("/first-look.jpg", summary="The first picture from every fifth sub", response_class=FileResponse)
def first_look_file(request: Request) -> FileResponse:
    """Binned."""
    path = room_of(request).campaign().first_look_file
    if not path.exists():
        raise LedgerError("there is no first look", next_step="see the picture itself")
    return FileResponse(path, media_type="image/jpeg")


@router.get("/pictures/{picture_id}/{name}", summary="A file of a picture that was made", response_class=FileResponse)
def picture_file(request: Request, picture_id: int, name: str) -> FileResponse:
    """Only files that the ledger lists."""
    path = room_of(request).campaign().picture_file(picture_id, name)
    return FileResponse(path, media_type=KINDS.get(path.suffix, "application/octet-stream"), filename=path.name)
