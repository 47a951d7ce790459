"""The newcomer's way: from an empty folder to an exported picture by clicks alone, questions answered by taps."""

from __future__ import annotations

import shutil
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


@pytest.fixture
def at_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, small_frames: Path) -> Path:
    """A person's folder with nothing but a folder of frames in it; served from an empty folder beside it."""
    home = tmp_path / "person"
    home.mkdir()
    shutil.copytree(small_frames, home / "frames")
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("USERPROFILE", str(home))
    empty = home / "campaigns"
    empty.mkdir()
    return home


def test_from_an_empty_folder_to_a_saved_picture(
    at_home: Path, serve: Callable[[Path], Any], tab: Callable[..., Any], keep: Callable[[Any, str], bytes]
) -> None:
    before = {p: p.stat().st_mtime_ns for p in (at_home / "frames").rglob("*")}
    served = serve(at_home / "campaigns")
    page = tab("tablet")
    page.set_default_timeout(180_000)
    page.goto(served.address)
    page.wait_for_selector("text=Your files are only read. Point at a folder, or see the demo.")
    keep(page, "welcome-tablet")
    hand = Hand(page)
    hand.click("Point at a folder")
    hand.click(str(at_home))
    hand.click("frames")
    page.wait_for_selector("text=frames here and below")
    keep(page, "chooser-tablet")
    hand.click("Look at this folder")
    page.wait_for_selector("text=subs of Lantern Shell, 2 nights, 1 camera.")
    keep(page, "headers-tablet")
    hand.click("Go on")
    page.wait_for_selector("#work progress")
    keep(page, "working-tablet")
    page.wait_for_url("**/found")
    page.wait_for_selector("img.wide")
    page.wait_for_selector("a.button[href='/tonight']")
    keep(page, "found-after-start-tablet")
    with page.expect_download() as download:
        hand.click("Save the picture")
    saved = Path(download.value.path())
    assert saved.read_bytes().startswith(b"\x89PNG")
    assert hand.clicks <= MOST_CLICKS
    assert {p: p.stat().st_mtime_ns for p in (at_home / "frames").rglob("*")} == before, "raw files are only read"
    # Mixed by hand, it is exported again with linear masters beside it.
    hand.click("Mix it yourself")
    page.wait_for_selector("canvas[data-ready='yes']")
    hand.click("HOO")
    hand.click("Save the picture")
    page.wait_for_selector("text=Written at")
    pictures = served.get("/api/picture")["pictures"]
    assert any("HOO" in f["name"] for p in pictures for f in p["files"])
    assert hand.clicks <= MOST_CLICKS


def test_frames_without_a_filter_are_asked_about(
    at_home: Path, serve: Callable[[Path], Any], tab: Callable[..., Any], keep: Callable[[Any, str], bytes]
) -> None:
    for path in sorted((at_home / "frames").rglob("*.fits")):
        with fits.open(path, mode="update") as units:
            name = units[0].header.get("FILTER")
            if name is not None:
                folder = at_home / "bare" / f"night of {name.lower()}"
                folder.mkdir(parents=True, exist_ok=True)
                del units[0].header["FILTER"]
                units.flush()
                if "light" in str(units[0].header["IMAGETYP"]).lower():
                    shutil.copy(path, folder / f"frame-{len(list(folder.iterdir())):03d}.fits")
    served = serve(at_home / "campaigns")
    page = tab("tablet")
    page.goto(served.address)
    hand = Hand(page)
    hand.click("Point at a folder")
    hand.click(str(at_home))
    hand.click("bare")
    hand.click("Look at this folder")
    page.wait_for_selector("text=name no filter. Which was it?")
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
    text = next((at_home / "campaigns").glob("*/campaign.toml")).read_text(encoding="utf-8")
    assert 'filter = "SII"' in text  # kept as the person's fact
