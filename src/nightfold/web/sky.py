"""Where a frame lies on the sky, and deeper star lists of a field: the documents of `solve` and `catalogue add` as work."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Request
from pydantic import Field

from nightfold.align.cones import add_cone, keep_table
from nightfold.align.solving import parse_place, solve_file
from nightfold.engine.core import CancelToken, Progress
from nightfold.engine.documents import to_document
from nightfold.errors import LedgerError, SettingsError
from nightfold.intake.folders import allowed_file, usual_places
from nightfold.web.api import room_of
from nightfold.web.room import Room
from nightfold.web.work import Wish, begin

router = APIRouter(prefix="/api")

Somewhere = Annotated[str, Field(min_length=3, max_length=60)]
APath = Annotated[str, Field(min_length=1, max_length=1000)]


class SolveWish(Wish):
    """A frame to find on the sky; `around` is "RA DEC" in degrees or sexagesimal, else the header says, else the whole sky."""

    path: APath
    around: Somewhere | None = None
    within_deg: Annotated[float, Field(gt=0, le=180)] = 3.0
    scale: Annotated[float, Field(gt=0, le=3600)] | None = None


class CatalogueWish(Wish):
    """Stars of a field, fetched once from the Gaia archive, or the table at `path` (FITS) kept instead, without a network."""

    around: Somewhere | None = None
    path: APath | None = None
    radius_deg: Annotated[float, Field(gt=0, le=5)] = 1.0
    faintest: Annotated[float, Field(ge=0, le=21)] = 16.0


@router.post("/do/solve", summary="Find where a frame lies on the sky: the document of `solve`")
def solve(request: Request, wish: SolveWish) -> Any:
    """From its stars and the star lists on this machine; the frame is only read."""
    room = room_of(request)
    file = allowed_file(wish.path, usual_places(room.base))

    def work(progress: Progress, token: CancelToken) -> Any:
        folders = [] if room.folder is None else [room.folder / "catalogue"]
        found = solve_file(
            file, around=wish.around, within_deg=wish.within_deg, scale=wish.scale, write=None, cone_folders=folders
        )  # fmt: skip
        return to_document(found)

    return begin(room, "solve", f"Finding {file.name} on the sky", wish, work)


@router.post("/do/catalogue", summary="Keep a deeper star list of a field: the document of `catalogue add`")
def add_catalogue(request: Request, wish: CatalogueWish) -> Any:
    """For the open campaign. Only this work asks the network, and only where no table is named."""
    room = room_of(request)
    if (wish.around is None) is (wish.path is None):
        raise SettingsError("a star list is of a place or from a table", allowed='around as "RA DEC", or a path')
    table = None if wish.path is None else allowed_file(wish.path, usual_places(room.base))
    place = None if wish.around is None else parse_place(wish.around)
    folder = _catalogue_of(room)

    def work(progress: Progress, token: CancelToken) -> Any:
        if table is not None:
            return to_document(keep_table(folder, table))
        assert place is not None
        ra, dec = place
        return to_document(
            add_cone(folder, ra_deg=ra, dec_deg=dec, radius_deg=wish.radius_deg, faintest_g=wish.faintest)
        )

    return begin(room, "catalogue", "Keeping stars of a field", wish, work)


def _catalogue_of(room: Room) -> Path:
    if room.folder is None:
        raise LedgerError("there is no campaign here yet", next_step="point at a folder, or see the demo")
    return room.folder / "catalogue"
