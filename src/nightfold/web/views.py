"""Pixels for the page: small pictures of subs, tiles of subs and masters, and what stands at one pixel."""

from __future__ import annotations

from datetime import date
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import FileResponse, Response

from nightfold.engine.documents import to_document
from nightfold.fold.viewer.stage import PlaneName
from nightfold.frames.pyramid import Tile
from nightfold.judge.looking.stage import SMALL_PX
from nightfold.web.api import room_of

router = APIRouter(prefix="/api")

WIDE_PX = 560
"""Width of a sub's picture where two stand side by side."""


@router.get(
    "/nights/{night}", summary="One night: its subs with numbers, verdicts, worth, and what the dropped ones cost"
)
def night(request: Request, night: date) -> Any:
    """Nothing is measured."""
    return to_document(room_of(request).campaign().night(night))


@router.get("/subs/{sub_id}/small.jpg", summary="A small picture of a sub", response_class=Response)
def small(request: Request, sub_id: int, wide: bool = False) -> Response:
    """On its grid, at the stretch that all subs of its filter share."""
    return Response(room_of(request).sub_looker().small(sub_id, WIDE_PX if wide else SMALL_PX), media_type="image/jpeg")


@router.get("/subs/{sub_id}/view", summary="What a viewer needs of a sub: sizes of its levels, and the shared curve")
def sub_view(request: Request, sub_id: int) -> Any:
    """The pixels are in the tiles."""
    return to_document(room_of(request).sub_looker().view(sub_id))


@router.get("/subs/{sub_id}/tiles/{level}/{column}/{row}", summary="A tile of a sub", response_class=Response)
def sub_tile(request: Request, sub_id: int, level: int, column: int, row: int) -> Response:
    """Half floats, little end first, rows upwards, with an apron of one pixel."""
    return _tile(room_of(request).sub_looker().tile(sub_id, level, column, row))


@router.get("/masters/{master_id}/{plane}/view", summary="What a viewer needs of a plane of a master")
def master_view(request: Request, master_id: int, plane: PlaneName) -> Any:
    """Planes are the image, its noise, how many subs cover a pixel, and how many samples were rejected there."""
    return to_document(room_of(request).master_looker().view(master_id, plane))


@router.get(
    "/masters/{master_id}/{plane}/tiles/{level}/{column}/{row}", summary="A tile of a master", response_class=Response
)
def master_tile(request: Request, master_id: int, plane: PlaneName, level: int, column: int, row: int) -> Response:
    """As the tiles of subs."""
    return _tile(room_of(request).master_looker().tile(master_id, plane, level, column, row))


@router.get(
    "/masters/{master_id}/file", summary="A master as FITS: linear, on its target's grid", response_class=FileResponse
)
def master_file(request: Request, master_id: int) -> FileResponse:
    """With its variance and coverage, and the table of its subs."""
    path = room_of(request).campaign().master_file(master_id)
    return FileResponse(path, media_type="application/fits", filename=path.name)


@router.get("/masters/{master_id}/at", summary="What a master holds at one pixel, and where that is on the sky")
def master_at(request: Request, master_id: int, x: int, y: int) -> Any:
    """Exact values of all planes."""
    return to_document(room_of(request).master_looker().at(master_id, x, y))


def _tile(tile: Tile) -> Response:
    headers = {"X-Tile-Width": str(tile.width), "X-Tile-Height": str(tile.height)}
    return Response(tile.data, media_type="application/octet-stream", headers=headers)
