"""A sensor and headers that are not as the rest, on frames: banding, a zero level that moved, settings, another object."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from faulty_plans import plan_with

from nightfold.campaign import Campaign
from nightfold.judge.stage import JudgedSub
from nightfold.simulate.demo import demo_settings_text
from nightfold.simulate.plan import simulate_plan

NUMBERS = {"banding": 4, "level": 6, "down": 7, "gain": 9, "gain told": 11, "object": 13}


def change(path: Path, kind: str, rng: np.random.Generator) -> None:
    """Make a sound sub faulty, in place."""
    with fits.open(path) as hdus:
        data, header = hdus[0].data.astype(np.float64), hdus[0].header.copy()
    if kind == "banding":
        data += 120.0 * rng.standard_normal((data.shape[0], 1))
    elif kind == "level":
        data += 240.0
    elif kind == "down":
        data -= 60.0
    elif kind == "gain":
        data = 200.0 + 2.0 * (data - 200.0)
        header["GAIN"] = 200
    elif kind == "gain told":
        header["GAIN"] = 200
    else:
        header["OBJECT"] = "Somewhere Else"
        data = np.roll(data, (230, 260), (0, 1))
    fits.writeto(path, np.clip(np.rint(data), 0, 65535).astype(np.uint16), header, overwrite=True)


@pytest.fixture(scope="module")
def judged_subs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, JudgedSub]:
    folder = tmp_path_factory.mktemp("camera")
    plan = plan_with([[]], subs=15)
    plan["night"][0]["run"][0] |= {"dither_arcsec": 14.0, "creep_arcsec_h": [0.0, 0.0]}
    made = simulate_plan(plan, folder / "frames")
    subs = sorted(Path(p) for p in made.subs())
    rng = np.random.default_rng(4)
    for kind, number in NUMBERS.items():
        change(made.folder / subs[number], kind, rng)
    text = (
        demo_settings_text().replace("width_px = 900", "width_px = 520").replace("height_px = 620", "height_px = 400")
    )
    with Campaign.create(folder / "campaign", text=text) as campaign:
        campaign.take_in([made.folder])
        report = campaign.judge()
    by_name = {Path(s.file).name: s for s in report.subs}
    kinds = {number: kind for kind, number in NUMBERS.items()}
    return {kinds.get(i, f"sound {i}"): by_name[p.name] for i, p in enumerate(subs)}


@pytest.mark.slow
def test_sound_subs_are_kept_without_a_word_of_the_camera(judged_subs: dict[str, JudgedSub]) -> None:
    for kind, sub in judged_subs.items():
        if kind.startswith("sound"):
            assert sub.verdict == "keep", (kind, sub.causes)
            assert not [c for c in sub.causes if c.cause in ("sensor", "wrong-frame")], (kind, sub.causes)


@pytest.mark.slow
def test_banding_is_told_of_the_sensor_and_dropped_for_what_it_takes(judged_subs: dict[str, JudgedSub]) -> None:
    sub = judged_subs["banding"]
    assert sub.verdict == "drop"
    assert sub.causes[0].cause == "sensor"
    assert "rows differ by" in sub.causes[0].detail
    told = float(sub.causes[0].detail.split("rows differ by ")[1].split(" e")[0])
    assert told == pytest.approx(120.0 * 0.25, rel=0.2), "in electrons"


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "moved"), [("level", 60.0), ("down", -15.0)])
def test_a_level_that_moved_is_told_of_the_sensor_with_its_number(
    judged_subs: dict[str, JudgedSub], kind: str, moved: float
) -> None:
    words = [c.detail for c in judged_subs[kind].causes if c.cause == "sensor"]
    assert words
    assert "zero level moved" in words[0]
    assert float(words[0].split("level ")[1].split(" e")[0]) == pytest.approx(moved, rel=0.25)


@pytest.mark.slow
def test_settings_count_where_the_pixels_bear_them_out(judged_subs: dict[str, JudgedSub]) -> None:
    other = judged_subs["gain"]
    assert other.verdict == "drop"
    assert other.causes[0].cause == "wrong-frame"
    assert "gain is 200 where the others have 100" in other.causes[0].detail
    strange = judged_subs["object"]
    assert strange.verdict == "drop"
    assert strange.causes[0].cause == "wrong-frame"
    assert "names Somewhere Else where the others name" in strange.causes[0].detail
