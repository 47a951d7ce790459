"""Each place in a real browser: at tablet and desktop size, silent console, no serious finding of axe, red light, keyboard."""

from __future__ import annotations

import base64
import io
import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from nightfold.campaign import Campaign

pytestmark = pytest.mark.slow
Keep = Callable[[Any, str], bytes]
Tab = Callable[..., Any]
SIZES = {"tablet": (1180, 820), "upright": (820, 1180), "desktop": (1440, 900)}
SERIOUS = {"serious", "critical"}

# What shows that a place is whole, by its address; a night is looked up in the campaign.
PLACES = {
    "home": ("/", ".strip svg a"),
    "night": ("/nights/2026-05-14", "table.subs img"),
    "masters": ("/masters", "td button"),
    "picture": ("/picture", "canvas[data-ready='yes']"),
    "found": ("/found", "a.button[href='/tonight']"),
    "tonight": ("/tonight", ".chart svg"),
    "optics": ("/optics", "text=Look at"),
    "record": ("/record", "table a"),
    "settings": ("/settings", "form button"),
    "interface": ("/api", "td code"),
}


def axe_findings(page: Any) -> list[str]:
    """Serious findings of axe-core on the page as it stands."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    return [
        f"{v['id']}: {v['help']}: {[n['html'][:120] for n in v['nodes'][:3]]}" for v in found if v["impact"] in SERIOUS
    ]


def painted(page: Any) -> None:
    """Wait until what was asked for is on the screen."""
    page.evaluate("() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


def pixels_of(data: bytes) -> np.ndarray:
    """A screenshot, (height, width, 3)."""
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))


@pytest.mark.parametrize("place", PLACES)
def test_each_place(page_of_finished: Any, tab: Tab, keep: Keep, place: str) -> None:
    """At every size it fits, axe finds nothing serious, fingers find every button; in red light it is red only."""
    path, whole = PLACES[place]
    page = tab("tablet")
    page.goto(page_of_finished.address + path)
    page.wait_for_selector(whole)
    for size in ("desktop", "upright", "tablet"):
        width, height = SIZES[size]
        page.set_viewport_size({"width": width, "height": height})
        painted(page)
        keep(page, f"{place}-{size}")
        across = page.evaluate("() => document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert across <= 0, f"{size}: the page is wider than the window"
        if size != "upright":
            assert axe_findings(page) == []
    small = page.evaluate(
        """() => [...document.querySelectorAll("button, .button, nav a, footer a, .files a, .skip, .alone, summary, input[type=range]")]
        .filter((e) => e.offsetParent && e.getBoundingClientRect().height < 40).map((e) => e.outerHTML.slice(0, 90))"""
    )
    assert small == []
    page.get_by_role("button", name="Red light").click()
    painted(page)
    pixels = pixels_of(keep(page, f"{place}-red"))
    assert pixels[..., 1:].max() <= 2
    assert pixels[..., 0].max() > 200  # and something can be read


@pytest.mark.parametrize(
    ("path", "way_on"),
    [
        ("/", "button.next"), ("/tonight", "a.button[href='/settings']"), ("/masters", "button.next"),
        ("/picture", "a.button[href='/masters']"), ("/optics", "a.button[href='/']"), ("/record", "a.button[href='/']"),
    ],
)  # fmt: skip
def test_an_empty_campaign_leads_on(serve: Any, browser: Any, tmp_path: Path, path: str, way_on: str) -> None:
    Campaign.create(tmp_path / "c", text='name = "Empty"\n').close()
    context = browser.new_context()  # its console says that a night without a site cannot be planned
    page = context.new_page()
    page.goto(serve(tmp_path / "c").address + path)
    page.wait_for_selector(f"main {way_on}", timeout=30_000)
    onward = page.locator(f"main {way_on}").first
    assert onward.is_enabled()
    assert onward.inner_text().strip(), "the way on must say where it leads"
    box = onward.bounding_box()
    assert box is not None
    assert min(box["width"], box["height"]) >= 40, "a finger must hit it"
    context.close()


def test_red_light_stays_from_page_to_page(page_of_finished: Any, tab: Tab) -> None:
    page = tab("tablet")
    page.goto(page_of_finished.address + "/settings")
    page.get_by_role("button", name="Red light").click()
    page.goto(page_of_finished.address)  # from its first frame on
    page.wait_for_selector(".strip svg a")
    assert pixels_of(page.screenshot())[..., 1:].max() <= 2


def test_tonight_advises_on_length_frame_and_year(page_of_finished: Any, tab: Tab, keep: Keep) -> None:
    page = tab("tablet")
    page.goto(page_of_finished.address + "/tonight")
    page.get_by_role("button", name="Heron 106, Hα").click()
    page.wait_for_selector("section:has-text('How long a sub shall be') .chart svg")
    page.get_by_role("button", name="Heron 106", exact=True).click()
    page.wait_for_selector("section:has-text('How the target lies') .chart svg")
    keep(page, "advice-tablet")
    page.get_by_role("button", name="Usable hours of every target").click()
    page.wait_for_selector("section:has-text('What the year holds') .chart svg")
    page.get_by_role("button", name="Red light").click()
    page.locator("section:has-text('What the year holds')").last.scroll_into_view_if_needed()
    painted(page)
    assert pixels_of(keep(page, "season-red"))[..., 1:].max() <= 2
    sizes = page.evaluate(
        "() => [...document.querySelectorAll('.chart svg text')].map((t) => parseFloat(getComputedStyle(t).fontSize))"
    )
    assert min(sizes) >= 12


def test_masters_tell_their_depth(copied: Path, serve: Callable[[Path], Any], tab: Tab, keep: Keep) -> None:
    served = serve(copied)
    page = tab("tablet")
    page.goto(served.address + "/masters")
    page.get_by_role("button", name="How deep are they").click()
    page.wait_for_selector("section[aria-label='How deep the masters are'] table")
    keep(page, "depth-tablet")
    job = next(j for j in served.get("/api/jobs")["jobs"] if j["kind"] == "depth")
    text = page.locator("section[aria-label='How deep the masters are']").inner_text()
    for f in job["result"]["report"]["filters"]:
        if f["snr"] is not None:
            assert f"signal to noise {f['snr']:.1f}" in text
    assert axe_findings(page) == []


def test_a_focus_run_chosen_from_the_machine(copied: Path, serve: Callable[[Path], Any], tab: Tab, keep: Keep) -> None:
    lines = [f"{p},{(1.2**2 + ((p - 5210) / 60) ** 2) ** 0.5:.3f}" for p in range(4800, 5700, 100)]
    (copied / "run.csv").write_text("\n".join(["position,half_flux_radius_px", *lines]) + "\n", encoding="utf-8")
    served = serve(copied)
    page = tab("tablet")
    page.goto(served.address + "/optics")
    page.get_by_role("button", name="A focus run").click()
    page.get_by_role("button", name=str(copied.resolve()), exact=True).click()
    page.get_by_role("button", name="run.csv").click()
    page.wait_for_selector("h2:has-text('A focus run') + .chart svg")
    keep(page, "focus-run-tablet")
    job = next(j for j in served.get("/api/jobs")["jobs"] if j["kind"] == "optics")
    assert abs(job["result"]["report"]["best_position"] - 5210) < 15


def test_the_first_paint_is_quick(page_of_finished: Any, tab: Tab) -> None:
    page = tab("tablet")
    page.goto(page_of_finished.address)  # the first visit also warms the server
    page.wait_for_selector(".strip svg a")
    times = []
    for _ in range(3):
        page.goto(page_of_finished.address)
        page.wait_for_selector(".strip svg a")
        times.append(
            page.evaluate("() => performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? 9999")
        )
    assert min(times) < 1000


def test_no_place_is_heavy(page_of_finished: Any) -> None:
    folder = Path(__file__).parents[2] / "src" / "nightfold" / "web" / "static"
    own = sum(p.stat().st_size for p in folder.iterdir() if p.suffix in (".js", ".css", ".svg"))
    assert own < 250_000
    assert len(page_of_finished.ask("GET", "/")[2]) < 40_000


def test_a_sub_at_full_size_in_red_light(page_of_finished: Any, tab: Tab, keep: Keep) -> None:
    page = tab("tablet")
    page.goto(page_of_finished.address + PLACES["night"][0])
    page.get_by_role("button", name="Red light").click()
    page.locator(".small-picture").first.click()
    page.wait_for_selector("canvas[data-shown^='/api/subs']")
    pixels = pixels_of(keep(page, "sub-red"))
    assert pixels[..., 1:].max() <= 2


def drawn(page: Any, selector: str = "canvas") -> np.ndarray:
    """What a canvas shows, (height, width, 3)."""
    data = page.evaluate("(s) => document.querySelector(s).toDataURL('image/png')", selector)
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(data.split(",")[1]))).convert("RGB")).astype(int)


def test_subs_are_stepped_through_at_one_place_and_stretch(page_of_finished: Any, tab: Tab, keep: Keep) -> None:
    page = tab("tablet")
    page.goto(page_of_finished.address + PLACES["night"][0])
    page.locator(".small-picture").first.click()
    page.wait_for_selector("canvas[data-shown^='/api/subs']")
    first, address = drawn(page), page.locator("canvas").get_attribute("data-shown")
    keep(page, "sub-tablet")
    assert first.max() > 200
    page.keyboard.press("ArrowRight")
    page.wait_for_selector(f"canvas[data-shown^='/api/subs']:not([data-shown='{address}'])")
    second = drawn(page)
    # Aligned: the same stars on the same pixels, though the subs were dithered.
    middle = (slice(first.shape[0] // 3, -first.shape[0] // 3), slice(first.shape[1] // 3, -first.shape[1] // 3), 0)
    assert np.corrcoef(first[middle].ravel(), second[middle].ravel())[0, 1] > 0.7
    assert abs(np.median(first[middle]) - np.median(second[middle])) < 12  # and at one stretch
    page.keyboard.press("Escape")
    page.wait_for_selector("table.subs")


def test_a_decision_by_key_and_its_undo(copied: Path, serve: Callable[[Path], Any], tab: Tab) -> None:
    served = serve(copied)
    page = tab("desktop")
    page.goto(served.address + PLACES["night"][0])
    first = served.get("/api/nights/2026-05-14")["subs"]
    page.locator(".small-picture").first.click()
    page.wait_for_selector("canvas[data-shown^='/api/subs']")
    name = page.locator(".viewing p.small").inner_text().split(":")[0]
    page.keyboard.press("d")
    page.wait_for_selector(".viewing p:has-text('dropped by you')")
    now = {s["name"]: s for s in served.get("/api/nights/2026-05-14")["subs"]}
    assert (now[name]["decided"], now[name]["sub"]["verdict"]) == ("drop", "drop")
    page.keyboard.press("u")
    page.wait_for_selector(".viewing p:has-text('kept.')")
    assert served.get("/api/nights/2026-05-14")["subs"] == first


def test_a_band_on_a_chart_tells_what_it_would_cost(copied: Path, serve: Callable[[Path], Any], tab: Tab) -> None:
    served = serve(copied)
    page = tab("desktop")
    page.goto(served.address + PLACES["night"][0])
    box = page.locator(".charts svg").nth(2).bounding_box()
    page.mouse.move(box["x"] + 0.13 * box["width"], box["y"] + 2)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] - 2, box["y"] + box["height"] - 2, steps=4)
    page.mouse.up()
    drop = page.get_by_role("button", name="of clear sky").first
    drop.wait_for()
    subs = served.get("/api/nights/2026-05-14")["subs"]
    kept = [s for s in subs if s["sub"]["verdict"] == "keep"]
    text = drop.inner_text()
    assert f"Drop {len(kept)} subs" in text
    minutes = sum(s["clear_s"] for s in kept) / 60
    told = float(text.split(", ")[1].split()[0]) * (60 if " h of" in text else 1)
    assert told == pytest.approx(minutes, abs=3.1)
    drop.click()
    page.get_by_role("button", name="Undo the last decision").wait_for()
    assert {s["sub"]["verdict"] for s in served.get("/api/nights/2026-05-14")["subs"]} == {"drop"}
    page.get_by_role("button", name="Undo the last decision").click()
    page.wait_for_selector("text=0 of", state="detached")
    assert served.get("/api/nights/2026-05-14")["subs"] == subs


def test_a_master_down_to_single_pixels(page_of_finished: Any, tab: Tab, keep: Keep, finished: Path) -> None:
    from astropy.io import fits

    page = tab("tablet")
    page.goto(page_of_finished.address + "/masters")
    page.locator("td button").first.click()
    page.wait_for_selector("canvas[data-shown^='/api/masters']")
    keep(page, "master-tablet")
    for name in ("Noise", "Subs that cover", "Samples rejected", "Image"):
        page.get_by_role("button", name=name, exact=True).click()
        page.wait_for_selector("canvas[data-shown^='/api/masters']")
    page.get_by_role("button", name="Single pixels").click()
    box = page.locator("canvas").bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2 + 40, box["y"] + box["height"] / 2 + 25)
    page.wait_for_selector(".looking p.small:has-text('e/s')")
    keep(page, "master-pixels")
    words = page.locator(".looking p.small").inner_text()
    found = re.match(r"x (\d+), y (\d+).*?: ([-0-9.e]+) ", words)
    assert found is not None, words
    x, y, told = int(found[1]), int(found[2]), float(found[3])
    address = page.locator("canvas").get_attribute("data-shown")
    master = next(m for m in page_of_finished.get("/api/masters")["masters"] if m["id"] == int(address.split("/")[3]))
    value = float(fits.getdata(master["file"])[y, x])
    assert told == pytest.approx(value, rel=1e-3)


def test_the_live_picture_is_that_of_python(page_of_finished: Any, tab: Tab) -> None:
    """Equal to 1/255 a channel, as opened, with another palette, and with every slider moved."""
    page = tab("desktop")
    page.goto(page_of_finished.address + "/picture")
    page.wait_for_selector("canvas[data-ready='yes']")
    recipe = page_of_finished.get("/api/picture")["recipe"]
    changes: list[Callable[[dict[str, Any]], None]] = [lambda _s: None, _free_mix, _other_light, _other_stars]
    for change in changes:
        for step in recipe["steps"]:
            change(step)
        page.evaluate(
            """async (recipe) => { const { Mixer } = await import("/static/mixer.js");
            window.mixer ??= new Mixer(document.createElement("canvas"), JSON.parse(document.getElementById("first").textContent).picture.formulas);
            const { session } = await import("/static/base.js");
            if (!window.mixer.facts) {
              const headers = { "Content-Type": "application/json", "X-Nightfold-Token": session.token };
              const answer = await fetch("/api/picture/layers", { method: "POST", headers, body: JSON.stringify({ recipe }) });
              window.mixer.load(await answer.arrayBuffer());
              window.mixer.canvas.id = "compared";
              document.body.append(window.mixer.canvas);
            }
            window.mixer.render(recipe); }""",
            recipe,
        )
        live = drawn(page, "#compared")
        status, _headers, data = page_of_finished.ask("POST", "/api/picture/preview?png=true", {"recipe": recipe})
        assert status == 200, data
        exact = np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)
        assert live.shape == exact.shape
        apart = np.abs(live - exact)
        assert apart.max() <= 1, (change.__name__, apart.max(), np.argwhere(apart > 1)[:5])
        assert exact.std() > 5


def _free_mix(step: dict[str, Any]) -> None:
    if step["step"] == "mix":
        step["palette"] = ""
        step["rows"] = {"Ha": [0.9, 0.35, 0.1], "OIII": [0.05, 0.6, 1.1]}
        step["lightness_from_all"] = 0.8
    if step["step"] == "saturate":
        step.update(factor=2.4, most=0.3, grey_below=0.1)


def _other_light(step: dict[str, Any]) -> None:
    if step["step"] == "stretch":
        step["softness"] *= 0.4
        step["black"] -= 0.7 * step["softness"]
        step["white"] *= 0.5
    if step["step"] == "level":
        step["gain"] = {f: g * 1.3 for f, g in step["gain"].items()}


def _other_stars(step: dict[str, Any]) -> None:
    if step["step"] == "stars-back":
        step.update(brightness=1.4, size=0.6)
    if step["step"] == "mix":
        step["lightness_from_all"] = 0.0


def test_before_and_after_by_the_edge(page_of_finished: Any, tab: Tab, keep: Keep) -> None:
    page = tab("tablet")
    page.goto(page_of_finished.address + "/picture")
    page.wait_for_selector("canvas[data-ready='yes']")
    page.locator("summary", has_text="Before and after").click()
    page.get_by_role("button", name="Stretched and mixed only").click()
    edge = page.get_by_role("slider", name="Edge between before and after")
    edge.wait_for()
    keep(page, "picture-edge")
    assert edge.get_attribute("aria-valuenow") == "50"
    edge.focus()
    page.keyboard.press("ArrowRight")
    assert edge.get_attribute("aria-valuenow") == "52"
    page.evaluate("() => window.scrollTo(0, 0)")
    box = page.locator(".stage").bounding_box()
    at = edge.bounding_box()
    page.mouse.move(at["x"] + at["width"] / 2, box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.25 * box["width"], box["y"] + 60)
    page.mouse.up()
    assert edge.get_attribute("aria-valuenow") == "25"


def test_a_slider_moves_the_picture_at_once(page_of_finished: Any, tab: Tab) -> None:
    page = tab("desktop")
    page.goto(page_of_finished.address + "/picture")
    page.wait_for_selector("canvas[data-ready='yes']")
    painted(page)
    before = drawn(page)
    asked: list[str] = []
    page.on("request", lambda r: asked.append(r.url))
    count = int(page.locator("canvas").get_attribute("data-drawn"))
    began = time.monotonic()
    page.get_by_label("Faint parts").fill("0.5")
    page.wait_for_selector(f"canvas:not([data-drawn='{count}'])")
    assert time.monotonic() - began < 1.0
    assert np.abs(drawn(page) - before).mean() > 3
    assert asked == []  # no byte is moved


def test_versions_are_kept(copied: Path, serve: Callable[[Path], Any], tab: Tab) -> None:
    served = serve(copied)
    page = tab("desktop")
    page.goto(served.address + "/picture")
    page.wait_for_selector("canvas[data-ready='yes']")
    page.get_by_role("button", name="HOO").click()
    page.get_by_label("Faint parts").fill("0.4")
    page.get_by_role("button", name="Keep this version").click()
    page.wait_for_selector("text=Kept as version 1")
    kept = served.get("/api/picture")["versions"]
    assert [v["number"] for v in kept] == [1]
    stretch = next(s for s in kept[0]["recipe"]["steps"] if s["step"] == "stretch")
    begun = next(s for s in served.get("/api/picture")["recipe"]["steps"] if s["step"] == "stretch")
    assert stretch["softness"] == pytest.approx(begun["softness"] * 10**-0.4, rel=1e-3)


def test_site_and_rigs_are_changed_in_the_file(copied: Path, serve: Callable[[Path], Any], tab: Tab) -> None:
    served = serve(copied)
    page = tab("tablet")
    page.goto(served.address + "/settings")
    page.get_by_label("Usual seeing, arcseconds").fill("2,7")
    page.get_by_role("button", name="Save the site").click()
    page.wait_for_selector("text=Site: saved in campaign.toml.")
    assert "seeing_arcsec = 2.7" in (copied / "campaign.toml").read_text(encoding="utf-8")
    assert served.get("/api/settings")["site"]["seeing_arcsec"] == 2.7
    page.get_by_label("Latitude, degrees, north positive").fill("south")
    page.get_by_role("button", name="Save the site").click()
    page.wait_for_selector("text=“south” is not a number.")
    status, _headers, body = served.ask(
        "POST", "/api/settings", {"changes": [{"path": ["site", "latitude_deg"], "value": 95}]}
    )
    assert status == 400
    assert b"latitude_deg" in body
    status, _headers, _body = served.ask(
        "POST", "/api/settings", {"changes": [{"path": ["database_url", "x"], "value": "elsewhere"}]}
    )
    assert status == 400
    assert served.get("/api/settings")["site"]["seeing_arcsec"] == 2.7


def test_the_keyboard_alone_is_enough(page_of_finished: Any, tab: Tab) -> None:
    """From the first page to a sub at full size and back, by keys only, with the place always to be seen."""
    page = tab("desktop")
    page.goto(page_of_finished.address)
    page.wait_for_selector(".strip svg a")

    def tab_to(words: str) -> None:
        for _ in range(60):
            page.keyboard.press("Tab")
            here = page.evaluate(
                """() => { const e = document.activeElement; if (e === document.body) return ['', true]; const s = getComputedStyle(e);
                const frame = e.querySelector?.(".frame");
                const seen = s.outlineStyle !== "none" || (frame && getComputedStyle(frame).stroke !== "none");
                return [e.getAttribute("aria-label") ?? e.textContent, seen]; }"""
            )
            if words in here[0]:
                assert here[1], f"{words}: where the keyboard is cannot be seen"
                return
        raise AssertionError(f"{words} cannot be reached with the keyboard")

    tab_to("Night of 14 May")
    page.keyboard.press("Enter")
    page.wait_for_selector("table.subs img")
    tab_to("Open ")
    page.keyboard.press("Enter")
    page.wait_for_selector("canvas[data-shown^='/api/subs']")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("1")
    page.keyboard.press("Escape")
    page.wait_for_selector("table.subs img")
    tab_to("Red light")
    page.keyboard.press("Enter")
    assert "night" in page.locator("html").get_attribute("class")
