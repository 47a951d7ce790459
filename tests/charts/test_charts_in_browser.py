"""The charts on a page with a strict content policy, in a real browser: drawn without eval, inline styles or a network."""

from __future__ import annotations

import json
import shutil
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest
from chart_samples import sample_charts

from nightfold.charts.bundle import EMBED_OPTIONS, chart_script

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
POLICY = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'"
DRAW = """
import { vegaEmbed } from "/charts.js";
const charts = await (await fetch("/specs.json")).json();
const options = await (await fetch("/options.json")).json();
options.loader = { load: () => Promise.reject(new Error("nothing is loaded")) };
options.tooltip = { disableDefaultStyle: true };
for (const [name, spec] of Object.entries(charts)) {
  const place = document.createElement("div");
  place.dataset.chart = name;
  document.body.append(place);
  await vegaEmbed(place, spec, options);
}
document.body.dataset.done = "yes";
"""


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """A server on this machine that gives the page, the script and the specifications."""
    files = {
        "/": (
            "text/html",
            b"<!doctype html><title>charts</title><link rel=icon href=data:,><body><script type=module src=/draw.js></script>",
        ),
        "/draw.js": ("text/javascript", DRAW.encode()),
        "/charts.js": ("text/javascript", chart_script()),
        "/specs.json": ("application/json", json.dumps(sample_charts("page")).encode()),
        "/options.json": ("application/json", json.dumps(EMBED_OPTIONS).encode()),
    }

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            kind, content = files.get(self.path, ("text/plain", b""))
            self.send_response(200 if self.path in files else 404)
            for name, value in (
                ("Content-Type", kind),
                ("Content-Security-Policy", POLICY),
                ("Content-Length", str(len(content))),
            ):
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, *_words: object) -> None:
            """Nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_address[1]}/"
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
def test_every_chart_under_a_strict_policy(address: str) -> None:
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    told: list[str] = []
    asked: list[str] = []
    with api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page()
        page.on("console", lambda m: told.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda e: told.append(str(e)))
        page.on("request", lambda r: asked.append(r.url))
        page.goto(address)
        api.expect(page.locator("body[data-done=yes]")).to_be_attached(timeout=30_000)
        for name in sample_charts("page"):
            drawing = page.locator(f"[data-chart='{name}'] svg")
            api.expect(drawing).to_be_visible()
            assert drawing.locator("path, line, text").count() > 12, name
        # A stretch of time drawn over one panel fades the subs of all others.
        page.locator("[data-chart='subs'] svg").scroll_into_view_if_needed()
        panel = page.locator("[data-chart='subs'] svg").bounding_box()
        assert panel is not None
        faded = page.locator("[data-chart='subs'] svg path[opacity='0.25']")
        assert faded.count() == 0
        page.mouse.move(panel["x"] + 150, panel["y"] + 130)
        page.mouse.down()
        page.mouse.move(panel["x"] + 260, panel["y"] + 130, steps=5)
        page.mouse.up()
        api.expect(faded.first).to_be_attached()
        assert faded.count() > 20
        browser.close()
    assert not told
    assert all(url.startswith(address) for url in asked), "no network"
