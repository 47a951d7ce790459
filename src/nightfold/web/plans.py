"""Tonight, depth, optics and records on the page: thin ways to what the campaign plans, measures and writes."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from fastapi.responses import FileResponse, Response
from pydantic import Field

from nightfold.campaign import Campaign
from nightfold.charts.bundle import chart_script
from nightfold.charts.depth import depth_chart, depth_curves, depth_title
from nightfold.charts.night import night_chart
from nightfold.charts.optics import OpticsReport, has_trend, optics_chart, trend_of
from nightfold.engine.core import CancelToken, Progress
from nightfold.engine.documents import to_document
from nightfold.errors import LedgerError, SettingsError
from nightfold.intake.folders import allowed_path, usual_places
from nightfold.web.api import Text, room_of
from nightfold.web.room import Room
from nightfold.web.work import Name, Wish, begin

router = APIRouter(prefix="/api")
scripts = APIRouter(include_in_schema=False)

Clear = Annotated[str | None, Query(max_length=40)]
DAY_S = 86_400
CHART_PX = 860


class DepthWish(Wish):
    """How deep the masters are; with `crops` the same part from a quarter, half and all subs."""

    target: Name | None = None
    crops: bool = False


Share = Annotated[float, Field(ge=0, le=1)]
Pixel = Annotated[int, Field(ge=0, le=200_000)]


class TapWish(Wish):
    """A spot tapped on a crop that `depth` wrote, to be the goal of its filter."""

    target: Name
    filter: Name
    panel: Annotated[int, Field(ge=1, le=1000)] | None = None
    box_px: tuple[Pixel, Pixel, Pixel, Pixel]
    across: Share
    down: Share


class ChartWish(Wish):
    """A chart of one target, or of all."""

    target: Name | None = None
    width: Annotated[int, Field(ge=200, le=2000)] = CHART_PX


class DayWish(Wish):
    """A night, tonight by default."""

    day: date | None = None


class SheetWish(DayWish):
    """A night's sheet, as PDF or PNG."""

    ending: Literal["pdf", "png"] = "pdf"


class RecordWish(Wish):
    """The capture record, as HTML or PDF."""

    target: Name | None = None
    ending: Literal["html", "pdf"] = "html"


class OpticsWish(Wish):
    """A look at the optics from a night's subs (the latest night by default), or from frames at `path`."""

    what: Literal["field", "tracking", "polar", "law", "focus", "collimation", "camera"]
    path: Annotated[str, Field(max_length=1000)] | None = None
    night: date | None = None
    rig: Annotated[str, Field(max_length=200)] | None = None


@scripts.get("/charts.js")
def charts() -> Response:
    """The script that draws charts; made once on this machine."""
    headers = {"cache-control": f"private, max-age={DAY_S}"}
    return Response(chart_script(), media_type="text/javascript; charset=utf-8", headers=headers)


@router.get("/show", summary="The campaign at one look: the document of `show`")
def show(request: Request, tonight: bool = True) -> Any:
    """With what tonight would add, which takes a few seconds, unless `tonight` is false."""
    return to_document(room_of(request).campaign().show(with_tonight=tonight))


@router.get("/tonight", summary="A night's plan: the document of `tonight`")
def tonight(request: Request, day: date | None = None, rig: Text = None, clear: Clear = None) -> Any:
    """Tonight by default; `clear` are the hours expected to be clear, such as 22:00-01:30."""
    return to_document(room_of(request).campaign().tonight(day=day, rig=rig, clear=clear))


@router.get("/charts/tonight", summary="A night's plan with its chart as a Vega-Lite specification")
def tonight_chart(request: Request, day: date | None = None, clear: Clear = None) -> Any:
    """`plan` is the document of `tonight`."""
    campaign = room_of(request).campaign()
    plan = campaign.tonight(day=day, clear=clear)
    site = campaign.settings.site
    filters = [f.name for rig in campaign.settings.rig for f in rig.filter]
    spec = night_chart(
        plan, width=900, height=280, filters=filters, southern=site is not None and site.latitude_deg < 0
    )
    return {"plan": to_document(plan), "chart": spec}


@router.get("/exposure", summary="How long a sub shall be: the document of `exposure`")
def exposure(
    request: Request,
    filter: Annotated[str, Query(max_length=80)],
    rig: Text = None,
    target: Text = None,
) -> Any:
    """For a rig and a filter."""
    return to_document(room_of(request).campaign().exposure(rig=rig, filter=filter, target=target))


@router.get("/frame", summary="How a target lies on a rig's sensor: the document of `frame`")
def frame(request: Request, rig: Text = None, target: Text = None) -> Any:
    """Panels, and how far to turn the camera."""
    return to_document(room_of(request).campaign().frame(rig=rig, target=target))


@router.get("/charts/{name}", summary="A chart of the campaign as a Vega-Lite specification")
def any_chart(
    request: Request,
    name: Literal["exposure", "season", "frame", "subs", "sharpness", "elongation", "transparency"],
    rig: Text = None,
    filter: Text = None,
    target: Text = None,
    day: date | None = None,
    width: Annotated[int, Query(ge=200, le=2000)] = CHART_PX,
) -> Any:
    """What is not asked for is chosen as in `nightfold chart`."""
    return room_of(request).campaign().chart(
        name, width=width, rig=rig, filter=filter, target=target, day=day
    )  # fmt: skip


@router.get("/capture-table.csv", summary="What was captured, a line per night, rig, filter and length of sub")
def table(request: Request) -> Response:
    """Nothing in it tells the site's place."""
    headers = {"content-disposition": 'attachment; filename="capture-table.csv"'}
    return Response(room_of(request).campaign().capture_table(), media_type="text/csv; charset=utf-8", headers=headers)


@router.post("/goal", summary="Make a spot that was tapped on a crop the goal of its filter, in campaign.toml")
def goal(request: Request, wish: TapWish) -> Any:
    """`before` are the changes that put the earlier goal back."""
    campaign = room_of(request).campaign()
    made = campaign.goal_at_tap(
        target=wish.target, panel=wish.panel, filter=wish.filter, box_px=wish.box_px, across=wish.across, down=wish.down
    )
    return to_document(made)


@router.get("/season", summary="What the year holds: the document of `season`")
def season(request: Request, target: Text = None, rig: Text = None) -> Any:
    """Usable hours by month and target, and when the goals may be met."""
    return to_document(room_of(request).campaign().season(target=target, rig=rig))


@router.post(
    "/do/season", summary="The usable hours of the year as work; its result is the chart as a Vega-Lite specification"
)
def draw_season(request: Request, wish: ChartWish) -> Any:
    """As `/api/charts/season`, with progress: a year of nights takes seconds."""
    room = room_of(request)

    def work(progress: Progress, token: CancelToken) -> Any:
        with room.at_work(progress, token) as campaign:
            return campaign.chart("season", width=wish.width, target=wish.target)

    return begin(room, "season", "Reckoning a year of nights", wish, work)


@router.get("/optics", summary="What is on record of the optics for a night")
def optics(request: Request, night: date | None = None) -> Any:
    """Nothing is measured."""
    return to_document(room_of(request).campaign().optics_summary(night=night))


@router.post("/do/depth", summary="How deep each filter is; `report` is the document of `depth`")
def depth(request: Request, wish: DepthWish) -> Any:
    """And what the next hour brings, with its chart as a Vega-Lite specification."""
    room = room_of(request)

    def work(progress: Progress, token: CancelToken) -> Any:
        with room.at_work(progress, token) as campaign:
            found = campaign.depth(target=wish.target, crops=wish.crops)
            names = campaign.filters()
            curves = depth_curves(found.filters)
            title = depth_title(found.filters)
            chart = depth_chart(curves, title=title, filters=names, width=CHART_PX) if curves else None
            return {"report": to_document(found), "chart": chart}

    return begin(room, "depth", "Measuring how deep the masters are", wish, work)


@router.get("/depth/{name}", summary="A crop that `depth` wrote", response_class=FileResponse)
def crop(request: Request, name: str) -> FileResponse:
    """By its name."""
    return FileResponse(room_of(request).campaign().crop_file(name))


@router.post("/do/sheet", summary="Write a night's sheet: the document of `sheet`")
def sheet(request: Request, wish: SheetWish) -> Any:
    """The file can then be fetched from the work's address."""
    room = room_of(request)

    def work(progress: Progress, token: CancelToken) -> Any:
        with room.at_work(progress, token) as campaign:
            return campaign.sheet(day=wish.day, out=_out(room, "sheet", wish.day, wish.ending))

    return begin(room, "sheet", "Writing the night's sheet", wish, work)


@router.post("/do/calendar", summary="Write a night's plan as calendar: the document of `calendar`")
def calendar(request: Request, wish: DayWish) -> Any:
    """With alarms."""
    room = room_of(request)

    def work(progress: Progress, token: CancelToken) -> Any:
        with room.at_work(progress, token) as campaign:
            return campaign.calendar(day=wish.day, out=_out(room, "plan", wish.day, "ics"))

    return begin(room, "calendar", "Writing the night's calendar", wish, work)


@router.post("/do/record", summary="Write the capture record: the document of `record`")
def record(request: Request, wish: RecordWish) -> Any:
    """Nothing in it tells the site's place."""
    room = room_of(request)

    def work(progress: Progress, token: CancelToken) -> Any:
        with room.at_work(progress, token) as campaign:
            return campaign.record(target=wish.target, out=_out(room, "capture-record", None, wish.ending))

    return begin(room, "record", "Writing the capture record", wish, work)


@router.post("/do/optics", summary="Look at the optics from a night's subs; `report` is the command's document")
def look_at_optics(request: Request, wish: OpticsWish) -> Any:
    """With its chart as a Vega-Lite specification, and the trend over the nights where it has one."""
    room = room_of(request)
    places = usual_places(room.base)
    from_frames = wish.what in ("focus", "collimation", "camera")
    if from_frames is (wish.path is None):
        raise SettingsError(
            "a look goes by a night or by a path", seen=wish.what, allowed="a path for frames of their own"
        )
    path = None if wish.path is None else allowed_path(wish.path, places)

    def work(progress: Progress, token: CancelToken) -> Any:
        with room.at_work(progress, token) as campaign:
            report = _optics(campaign, wish, path)
            trend = trend_of(report) if has_trend(report) else None
            return {"report": to_document(report), "chart": optics_chart(report), "trend": trend}

    words = {
        "focus": "a focus run",
        "collimation": "a defocused star",
        "camera": "the camera",
        "field": "the field",
        "tracking": "the tracking",
        "polar": "the polar axis",
        "law": "focus over temperature",
    }
    return begin(room, "optics", f"Looking at {words[wish.what]}", wish, work)


def _optics(campaign: Campaign, wish: OpticsWish, path: Path | None) -> OpticsReport:
    if path is not None:
        if wish.what == "collimation":
            return campaign.collimation(path, rig=wish.rig)
        return (campaign.focus_run if wish.what == "focus" else campaign.camera_test)([path], rig=wish.rig)
    if wish.what == "law":
        return campaign.focus_law(rig=wish.rig)
    if wish.what == "field":
        return campaign.optics_field(night=wish.night, rig=wish.rig)
    if wish.what == "tracking":
        return campaign.tracking(night=wish.night, rig=wish.rig)
    return campaign.polar_error(night=wish.night, rig=wish.rig)


@router.get("/jobs/{job_id}/file", summary="The file that a piece of work wrote", response_class=FileResponse)
def job_file(request: Request, job_id: str) -> FileResponse:
    """Only files inside the campaign's folder."""
    room = room_of(request)
    found = room.jobs.get(job_id)
    result = found[0].result if found is not None else None
    path = Path(str(result.get("file"))).resolve() if isinstance(result, dict) and result.get("file") else None
    folder = room.folder
    if path is None or folder is None or not path.is_relative_to(folder.resolve()) or not path.is_file():
        raise LedgerError("this work wrote no file that is still there", seen=job_id[:40])
    return FileResponse(path, filename=path.name)


def _out(room: Room, what: str, day: date | None, ending: str) -> Path:
    folder = room.folder or room.base
    return folder / "written" / f"{what}-{(day or datetime.now().date()).isoformat()}.{ending}"
