"""The newcomer's way: from an empty folder to an exported picture by clicks alone, questions answered by taps."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from astropy.io import fits

pytestmark = pytest.mark.slow
MOST_CLICKS = 12


class Hand:
    """Clicks, and counts them."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.clicks = 0

    def click(self, name: str) -> None:
        """Click a button or link by its words."""
        self.clicks += 1
        self.page.get_by_text(name, exact=True).locator("visible=true").first.click()

    def tap(self, place: Any, **where: Any) -> None:
        """Click something that has no words."""
        self.clicks += 1
        place.click(**where)


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A person's folder; campaigns are served from an empty folder in it."""
    home = tmp_path / "person"
    (home / "campaigns").mkdir(parents=True)
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("USERPROFILE", str(home))
    return home


def test_the_first_ten_minutes(
    home: Path,
    many_frames: Path,
    serve: Callable[[Path], Any],
    tab: Callable[..., Any],
    keep: Callable[[Any, str], bytes],
) -> None:
    """150 subs: from the empty page to a picture, what it lacks, tonight, and everything saved."""
    shutil.copytree(many_frames, home / "frames")
    before = {p: p.stat().st_mtime_ns for p in (home / "frames").rglob("*")}
    served = serve(home / "campaigns")
    page = tab("tablet")
    page.set_default_timeout(180_000)
    page.goto(served.address)
    page.wait_for_selector("text=Your files are only read. Point at a folder, or see the demo.")
    keep(page, "welcome-tablet")
    hand = Hand(page)
    hand.click("Point at a folder")
    hand.click(str(home))
    hand.click("frames")
    page.wait_for_selector("text=frames here and below")
    keep(page, "chooser-tablet")
    hand.click("Look at this folder")
    page.wait_for_selector("text=150 subs of Lantern Shell, 3 nights, 1 camera.")
    keep(page, "headers-tablet")
    hand.click("Go on")
    began = time.monotonic()
    page.wait_for_selector("#work progress")
    page.wait_for_selector("#first-picture img")
    assert time.monotonic() - began < 60.0, "a first picture within a minute"
    assert "every fifth sub" in page.locator("#first-picture figcaption").inner_text()
    assert page.evaluate("() => document.querySelector('#first-picture img').naturalWidth") > 150
    keep(page, "working-tablet")
    page.wait_for_url("**/found")
    page.wait_for_selector("img.wide")
    # What took clear sky, in hours, with two subs that prove the first.
    losses = page.locator(".losses li").all_inner_texts()
    assert any(t.startswith("Cloud") for t in losses)
    assert all(t.endswith(" h") for t in losses)
    hours = [float(t.split()[-2]) for t in losses]
    assert hours == sorted(hours, reverse=True)
    assert page.locator(".pair img").count() == 2
    # Is it enough? A tap on a wisp makes it the goal.
    hand.click("Compare a quarter, half and all")
    page.wait_for_selector(".crops img >> nth=2")
    hand.tap(page.locator(".crops button").last, position={"x": 120, "y": 90})
    page.wait_for_selector("text=The goal in")
    text = next((home / "campaigns").glob("*/campaign.toml")).read_text(encoding="utf-8")
    assert "spot_px" in text
    page.wait_for_selector("a.button[href='/tonight']")
    assert 1 <= page.locator("#tonight-lines p").count() <= 3
    keep(page, "found-after-start-tablet")
    with page.expect_download() as download:
        hand.click("Save the picture")
    assert Path(download.value.path()).read_bytes().startswith(b"\x89PNG")
    with page.expect_download() as download:
        hand.tap(page.get_by_role("link", name="Master Hα"))
    with fits.open(download.value.path()) as units:
        assert units[0].data.dtype.itemsize == 4
    with page.expect_download() as download:
        hand.click("The capture table")
    table = Path(download.value.path()).read_text(encoding="utf-8").splitlines()
    assert len(table) == 1 + 3 * 3  # a line per night and filter
    # Watch tonight: one switch.
    switch = page.get_by_role("switch", name="Watch tonight")
    hand.tap(switch)
    page.wait_for_selector("[role=switch][aria-checked=true]")
    assert served.get("/api/watching")["watch"]["state"] == "running"
    assert hand.clicks <= MOST_CLICKS
    switch.click()
    page.wait_for_selector("[role=switch][aria-checked=false]")
    assert {p: p.stat().st_mtime_ns for p in (home / "frames").rglob("*")} == before, "raw files are only read"


def test_mixed_by_hand_and_exported(copied: Path, serve: Callable[[Path], Any], tab: Callable[..., Any]) -> None:
    served = serve(copied)
    page = tab("tablet")
    page.goto(served.address + "/found")
    hand = Hand(page)
    hand.click("Mix it yourself")
    page.wait_for_selector("canvas[data-ready='yes']")
    hand.click("HOO")
    hand.click("Save the picture")
    page.wait_for_selector("text=Written at")
    pictures = served.get("/api/picture")["pictures"]
    assert any("HOO" in f["name"] for p in pictures for f in p["files"])


def test_frames_without_a_filter_are_asked_about(
    home: Path,
    small_frames: Path,
    serve: Callable[[Path], Any],
    tab: Callable[..., Any],
    keep: Callable[[Any, str], bytes],
) -> None:
    shutil.copytree(small_frames, home / "frames")
    for path in sorted((home / "frames").rglob("*.fits")):
        with fits.open(path, mode="update") as units:
            name = units[0].header.get("FILTER")
            if name is not None:
                folder = home / "bare" / f"night of {name.lower()}"
                folder.mkdir(parents=True, exist_ok=True)
                del units[0].header["FILTER"]
                units.flush()
                if "light" in str(units[0].header["IMAGETYP"]).lower():
                    shutil.copy(path, folder / f"frame-{len(list(folder.iterdir())):03d}.fits")
    served = serve(home / "campaigns")
    page = tab("tablet")
    page.goto(served.address)
    hand = Hand(page)
    hand.click("Point at a folder")
    hand.click(str(home))
    hand.click("bare")
    hand.click("Look at this folder")
    page.wait_for_selector("text=name no filter. Which was it?")
    page.wait_for_function("() => [...document.querySelectorAll('.asked img')].every((i) => i.naturalWidth > 100)")
    keep(page, "questions-tablet")
    job = next(j for j in served.get("/api/jobs")["jobs"] if j["kind"] == "look")
    questions = job["result"]["questions"]
    assert 1 <= len(questions) <= 3
    assert {q["likely"] for q in questions} == {"Ha", "OIII"}  # the folders' names spell them
    pressed = page.locator("button[aria-pressed='true']").all_inner_texts()
    assert sorted(t for t in pressed if t != "Red light") == ["Hα", "[O III]"]
    # The person knows better for one of them.
    place = next(i for i, q in enumerate(questions) if q["likely"] == "OIII")
    page.get_by_role("group", name=questions[place]["words"]).get_by_text("[S II]").click()
    hand.click("Go on")
    page.set_default_timeout(180_000)
    page.wait_for_url("**/found")
    assert {s["filter"] for s in served.get("/api/judge")["subs"]} == {"Ha", "SII"}
    text = next((home / "campaigns").glob("*/campaign.toml")).read_text(encoding="utf-8")
    assert 'filter = "SII"' in text  # kept as the person's fact
