"""The local page: one FastAPI application around a room, with the guard before everything."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException

import nightfold
from nightfold.errors import LedgerError, NightfoldError
from nightfold.web import api, pages, pictures, plans, sky, views, work
from nightfold.web.guard import Door, Guard
from nightfold.web.room import Room

HERE = Path(__file__).parent


def create_app(folder: Path, door: Door) -> Guard:
    """The page of the campaign in `folder`, or of a folder where a campaign shall be."""
    room = Room(folder, door)

    @asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        yield
        room.close()

    app = FastAPI(
        title="Nightfold",
        version=nightfold.__version__,
        description="The documents of the commands' --json, and the work behind the page.",
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        lifespan=lifespan,
    )
    app.state.room = room
    app.mount("/static", StaticFiles(directory=HERE / "static"), name="static")
    for router in (
        api.router,
        work.router,
        views.router,
        pictures.router,
        plans.router,
        plans.scripts,
        sky.router,
        pages.router,
    ):
        app.include_router(router)
    app.add_exception_handler(NightfoldError, _told)
    app.add_exception_handler(RequestValidationError, _misread)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(Exception, _unexpected)
    app.middleware("http")(_fresh)
    return Guard(app, door)


async def _fresh(request: Request, call_next: object) -> Response:
    """Answers about the campaign are never kept by the browser unless they say so; files are asked for again."""
    response: Response = await call_next(request)  # type: ignore[operator]
    response.headers.setdefault("cache-control", "no-cache" if request.url.path.startswith("/static/") else "no-store")
    return response


async def _told(request: Request, error: Exception) -> Response:
    assert isinstance(error, NightfoldError)
    return _sentence(request, 409 if isinstance(error, LedgerError) else 400, error.as_json())


async def _misread(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    told = "; ".join(
        f"{'.'.join(str(p) for p in e['loc'][1:]) or 'the request'}: {e['msg']}" for e in error.errors()[:5]
    )
    return _sentence(request, 422, {"what": "the request cannot be read", "seen": told})


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    words = {404: "there is nothing at this address", 405: "this address does not take that kind of request"}
    return _sentence(
        request, error.status_code, {"what": words.get(error.status_code, "the request cannot be answered")}
    )


async def _unexpected(request: Request, error: Exception) -> Response:
    what = "something went wrong that Nightfold has no words for"
    return _sentence(request, 500, {"what": what, "seen": type(error).__name__})


def _sentence(request: Request, status: int, error: dict[str, str]) -> Response:
    """The error as JSON for programs, as a page for a person who came by an address."""
    if "text/html" in request.headers.get("accept", ""):
        return pages.sentence(status, error)
    return JSONResponse({"error": {"seen": "", "allowed": "", "next": "", **error}}, status_code=status)
