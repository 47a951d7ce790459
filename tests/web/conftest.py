"""A small finished campaign, the page served in this process, and a real browser that opens it."""

from __future__ import annotations

import copy
import http.client
import json
import shutil
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import uvicorn

from nightfold.campaign import Campaign
from nightfold.simulate.demo import demo_plan
from nightfold.simulate.plan import simulate_plan
from nightfold.web.guard import Door
from nightfold.web.serving import server_of

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
ARTEFACTS = Path(__file__).parents[2] / "artefacts" / "page"
SIZES = {"tablet": (1180, 820), "upright": (820, 1180), "desktop": (1440, 900)}


@pytest.fixture(scope="session")
def finished(tmp_path_factory: pytest.TempPathFactory, small_frames: Path, small_settings: str) -> Path:
    """A campaign that went the whole way to a picture; read-only by agreement, `copied` gives one to change."""
    folder = tmp_path_factory.mktemp("page") / "campaign"
    with Campaign.create(folder, text=small_settings) as campaign:
        campaign.take_in([small_frames])
        campaign.judge()
        campaign.fold()
        campaign.picture()
    return folder


def many_plan() -> dict[str, Any]:
    """150 tiny subs of the demo's first rig in three filters on three nights, two of them under cloud."""
    plan = copy.deepcopy(demo_plan())
    rig = plan["rig"][0]
    rig["width_px"], rig["height_px"] = 320, 240
    plan["rig"] = [rig]
    for night in plan["night"]:
        night["run"] = [r for r in night["run"] if r["rig"] == rig["name"]]
        for run, subs, start in zip(night["run"], (17, 17, 16), ("13:00", "14:00", "15:30")):
            run.update(subs=subs, start=start, exposure_s=180.0)
            run.pop("fault", None)
    plan["night"][1]["run"][0]["fault"] = [{"sub": n, "kind": "cloud", "amount": 0.85} for n in (3, 4)]
    plan["calibration"] = [c for c in plan["calibration"] if c["rig"] == rig["name"]]
    for frames in plan["calibration"]:
        frames["count"] = 4
        if frames["kind"] == "dark":
            frames["exposure_s"] = 180.0
    return plan


@pytest.fixture(scope="session")
def many_frames(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Raw frames of the 150 subs; read-only by agreement."""
    folder = tmp_path_factory.mktemp("many") / "frames"
    simulate_plan(many_plan(), folder)
    return folder


@pytest.fixture
def copied(finished: Path, tmp_path: Path) -> Path:
    """A copy of the finished campaign, to change."""
    return Path(shutil.copytree(finished, tmp_path / "campaign"))


@dataclass
class Served:
    """A page that is being served, and plain HTTP to it."""

    port: int
    door: Door
    folder: Path
    server: uvicorn.Server = field(repr=False)

    @property
    def address(self) -> str:
        """Where the page is."""
        return f"http://127.0.0.1:{self.port}"

    def ask(
        self,
        way: str,
        path: str,
        body: Any = None,
        *,
        token: bool | str = True,
        headers: dict[str, str] | None = None,
        raw: bytes | None = None,
    ) -> tuple[int, dict[str, str], bytes]:
        """Status, headers and body of one request; `headers` replace our own."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        sent = {"Host": f"127.0.0.1:{self.port}"}
        if body is not None or raw is not None or way == "POST":
            sent["Content-Type"] = "application/json"
            raw = raw if raw is not None else json.dumps(body if body is not None else {}).encode()
            sent["Content-Length"] = str(len(raw))
        if way == "POST" and token:
            sent["X-Nightfold-Token"] = token if isinstance(token, str) else self.door.token
        sent.update(headers or {})
        try:
            connection.putrequest(way, path, skip_host=True, skip_accept_encoding=True)
            for name, value in sent.items():
                connection.putheader(name, value)
            connection.endheaders(raw)
            answer = connection.getresponse()
            return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
        finally:
            connection.close()

    def get(self, path: str) -> Any:
        """The document at a path."""
        status, _headers, body = self.ask("GET", path)
        assert status == 200, body
        return json.loads(body)

    def post(self, path: str, body: Any = None) -> Any:
        """The document that a change gives."""
        status, _headers, answer = self.ask("POST", path, body)
        assert status == 200, answer
        return json.loads(answer)

    def wait_for(self, job: dict[str, Any], seconds: float = 120.0) -> dict[str, Any]:
        """The job's record once it has ended."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            record: dict[str, Any] = self.get(f"/api/jobs/{job['id']}")
            if record["state"] != "running":
                return record
            time.sleep(0.05)
        raise AssertionError(f"the job did not end: {record}")


@contextmanager
def serving(folder: Path) -> Iterator[Served]:
    """The page of a folder, served from a thread of this process."""
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    port = listening.getsockname()[1]
    door = Door(hosts=frozenset({f"127.0.0.1:{port}", f"localhost:{port}"}))
    server = server_of(folder, door)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    end = time.monotonic() + 20
    while not server.started and time.monotonic() < end:
        time.sleep(0.02)
    try:
        yield Served(port=port, door=door, folder=folder, server=server)
    finally:
        server.should_exit = True
        thread.join(20)
        listening.close()


@pytest.fixture(scope="session")
def page_of_finished(finished: Path) -> Iterator[Served]:
    """The page of the finished campaign; nothing may be changed through it."""
    with serving(finished) as served:
        yield served


@pytest.fixture
def serve() -> Iterator[Callable[[Path], Served]]:
    """Serves folders for one test."""
    from contextlib import ExitStack

    with ExitStack() as stack:
        yield lambda folder: stack.enter_context(serving(folder))


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Headless Chromium; without it these tests say so."""
    if CHROMIUM is None:
        pytest.skip("Chromium is not installed: apt install chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        # Root in a container has no sandbox of its own; software drawing is the same on every machine.
        started = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]
        )
        yield started
        started.close()


@pytest.fixture
def tab(browser: Any) -> Iterator[Any]:
    """Opens tabs whose console must stay silent: `tab("tablet")`."""
    complaints: list[str] = []
    contexts: list[Any] = []

    def open_tab(size: str = "desktop") -> Any:
        width, height = SIZES[size]
        context = browser.new_context(
            viewport={"width": width, "height": height}, has_touch=size != "desktop", accept_downloads=True
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(90_000)  # a busy machine draws slowly
        page.on(
            "console", lambda m: complaints.append(f"{m.type}: {m.text}") if m.type in ("error", "warning") else None
        )
        page.on("pageerror", lambda e: complaints.append(f"page error: {e}"))
        return page

    yield open_tab
    for context in contexts:
        context.close()
    known = ("GPU stall due to ReadPixels", "GL Driver Message")  # said by the software renderer, not by the page
    assert not [c for c in complaints if not any(k in c for k in known)]


@pytest.fixture(scope="session")
def keep() -> Callable[[Any, str], bytes]:
    """Takes a screenshot and keeps it under artefacts/page, to be looked at."""

    def take(page: Any, name: str) -> bytes:
        ARTEFACTS.mkdir(parents=True, exist_ok=True)
        data: bytes = page.screenshot(path=ARTEFACTS / f"{name}.png")
        return data

    return take
