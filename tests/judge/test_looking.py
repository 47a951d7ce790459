"""Subs as pictures: one grid, one stretch, small copies in their place, and the nights' account."""

from __future__ import annotations

import io
import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from nightfold.align.records import Transform
from nightfold.campaign import Campaign
from nightfold.errors import LedgerError
from nightfold.frames.pyramid import Pyramid
from nightfold.judge.looking.core import SharedStretch, jpeg_of, on_grid, placed_tile, shrunk
from nightfold.ledger.records import FindingRow, VerdictRow


def turned(angle_deg: float, dx: float, dy: float) -> Transform:
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return Transform(matrix=np.array([[c, -s, dx], [s, c, dy]]))


def spot(shape: tuple[int, int], x: float, y: float, sigma: float) -> np.ndarray:
    yy, xx = np.indices(shape)
    return np.exp(-0.5 * ((xx - x) ** 2 + (yy - y) ** 2) / sigma**2).astype(np.float32)


def centroid(plane: np.ndarray) -> np.ndarray:
    yy, xx = np.indices(plane.shape)
    known = np.nan_to_num(plane)
    return np.array([(xx * known).sum(), (yy * known).sum()]) / known.sum()


@pytest.mark.parametrize("angle", [0.0, 3.0, 180.0])
def test_a_star_lands_where_the_transform_says(angle: float) -> None:
    transform = turned(angle, 7.3, -4.1) if angle < 90 else turned(angle, 130.0, 95.0)
    sub = spot((100, 140), 60.0, 45.0, 2.0)
    laid = on_grid(sub, transform, (110, 150))
    np.testing.assert_allclose(centroid(laid), transform.apply(np.array([[60.0, 45.0]]))[0], atol=0.02)


def test_nothing_is_shown_where_the_sub_does_not_reach() -> None:
    laid = on_grid(np.ones((20, 20), np.float32), turned(0.0, 10.0, 0.0), (20, 20))
    assert np.isnan(laid[:, :10]).all()
    assert (laid[:, 10:] == 1).all()


@pytest.mark.parametrize("angle", [0.0, 5.0, 180.0])
def test_a_small_copy_lies_as_the_large_one(angle: float) -> None:
    transform = turned(angle, 12.0, 9.0) if angle < 90 else turned(angle, 395.0, 290.0)
    sub = spot((300, 400), 180.0, 140.0, 12.0)
    large = on_grid(sub, transform, (320, 420))
    small = shrunk(sub, transform, (320, 420), 105)
    factor = 420 // small.shape[1]
    assert factor == 4
    np.testing.assert_allclose(factor * centroid(small) + 0.5 * (factor - 1), centroid(large), atol=0.4)


@pytest.mark.parametrize("angle", [0.0, 2.0, 180.0])
def test_tiles_on_the_grid_are_parts_of_the_whole(angle: float) -> None:
    rng = np.random.default_rng(4)
    sub = rng.normal(0.0, 1.0, (640, 900)).astype(np.float32)
    transform = turned(angle, 6.5, -3.25) if angle < 90 else turned(angle, 905.0, 660.0)
    shape = (650, 910)
    whole = on_grid(sub, transform, shape)
    pyramid = Pyramid.of(sub, pedestal=0.0, unit=1.0)
    for column, row in ((0, 0), (1, 1)):
        tile = placed_tile(pyramid, transform, shape, 0, column, row)
        shown = np.frombuffer(tile.data, "<f2").reshape(tile.height, tile.width)[1:-1, 1:-1].astype(np.float32)
        wanted = whole[row * 512 : row * 512 + 512, column * 512 : column * 512 + 512]
        assert shown.shape == wanted.shape
        assert (np.isnan(shown) == np.isnan(wanted)).mean() > 0.999
        assert np.nanmax(np.abs(shown - wanted)) < 0.01
    small = placed_tile(pyramid, transform, shape, 1, 0, 0)
    assert (small.width, small.height) == (455 + 2, 325 + 2)


def test_a_small_level_lies_as_the_large_one() -> None:
    sub = spot((640, 900), 500.0, 300.0, 14.0)
    transform = turned(2.0, 11.0, 7.0)
    pyramid = Pyramid.of(sub, pedestal=0.0, unit=1.0)
    places = []
    for level in (0, 1):
        tile = placed_tile(pyramid, transform, (500, 512), level, 0, 0)
        plane = np.frombuffer(tile.data, "<f2").reshape(tile.height, tile.width)[1:-1, 1:-1].astype(float)
        scale = 2**level
        places.append(scale * centroid(plane) + 0.5 * (scale - 1))
    np.testing.assert_allclose(places[1], places[0], atol=0.05)


def test_the_stretch_is_one_for_all_and_keeps_faint_and_bright_apart() -> None:
    stretch = SharedStretch.of([0.010, 0.012, 0.011, np.nan], [0.001, 0.001, 0.0011, 0.001])
    assert stretch.black == pytest.approx(0.011 - 4 * 0.001, abs=2e-4)
    grey = stretch.shown(np.array([[0.0, 0.011, 0.012, 0.1, 10.0, np.nan]], np.float32))[0]
    assert (grey[0], grey[4], grey[5]) == (0, 255, 0)
    assert grey[1] < grey[2] < grey[3] < grey[4]
    assert grey[2] - grey[1] >= 4  # one sigma can be seen
    nothing = SharedStretch.of([], [])
    assert nothing.white > nothing.black


def test_pictures_stand_with_the_last_row_on_top() -> None:
    plane = np.zeros((16, 16), np.uint8)
    plane[12:] = 250
    shown = np.asarray(Image.open(io.BytesIO(jpeg_of(plane))))
    assert shown[:3].mean() > 200
    assert shown[-3:].mean() < 20


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory, small_frames: Path, small_settings: str) -> Path:
    folder = tmp_path_factory.mktemp("looking") / "campaign"
    with Campaign.create(folder, text=small_settings) as campaign:
        campaign.take_in([small_frames])
        campaign.judge()
        # What the judge makes of so few subs is its own affair; here one verdict and its cost are set, so that there is one to tell of.
        ledger = campaign._ws.ledger
        rows = {r.id: r for r in ledger.frames(kind="sub")}
        verdicts = ledger.verdicts()
        clouded = min(verdicts, key=lambda i: (verdicts[i].transparency or 9.0, i))
        ledger.save_verdicts(
            VerdictRow(
                frame_id=v.frame_id, keep=i != clouded, worth=0.07 if i == clouded else 0.9, weight=v.weight, scale=v.scale,
                transparency=v.transparency, causes=[["cloud", "stars at 30 %"]] if i == clouded else [],
            )
            for i, v in verdicts.items()
        )  # fmt: skip
        assert rows[clouded].filter in ("Ha", "OIII")
        cost = {"cause": "cloud", "hours": 0.08}
        ledger.replace_findings("loss", [FindingRow(kind="loss", night=rows[clouded].night, document=cost)])
    return folder


def test_a_night_tells_its_subs_and_what_was_dropped(judged: Path) -> None:
    with Campaign.open(judged) as campaign:
        nights = campaign.nights().nights
        assert [n.night for n in nights] == [date(2026, 5, 14), date(2026, 5, 15)]
        reports = [campaign.night(n.night) for n in nights]
        assert (reports[0].before, reports[0].after) == (None, date(2026, 5, 15))
        for line, report in zip(nights, reports):
            assert line.subs == len(report.subs)
            assert line.kept == sum(s.sub.verdict == "keep" for s in report.subs)
            kept_s = sum(s.sub.exposure_s or 0 for s in report.subs if s.sub.verdict == "keep")
            assert sum(f.kept_s for f in line.filters) == kept_s
        dropped = [s for r in reports for s in r.subs if s.sub.verdict == "drop"]
        assert [c.cause for r in reports for c in r.dropped_for] == ["cloud"]
        assert sum(c.exposure_s for r in reports for c in r.dropped_for) == sum(s.sub.exposure_s or 0 for s in dropped)
        assert all((s.clear_s or 0) < 0.2 * 300 for s in dropped)  # a clouded sub holds little clear sky
        with pytest.raises(LedgerError, match="no sub is of this night"):
            campaign.night(date(2020, 1, 1))


def test_the_proof_is_a_good_sub_beside_the_clouded_one(judged: Path) -> None:
    with Campaign.open(judged) as campaign:
        pair = campaign.proof_pair()
        assert pair is not None
        subs = {s.id: s.sub for n in campaign.nights().nights for s in campaign.night(n.night).subs}
        good, bad = subs[pair.good], subs[pair.bad]
        assert (pair.cause, bad.verdict, good.verdict) == ("cloud", "drop", "keep")
        assert (good.filter, good.rig) == (bad.filter, bad.rig)


def test_the_proof_is_of_the_cause_that_cost_most_even_where_another_dropped_the_sub_first(
    judged: Path, tmp_path: Path
) -> None:
    shutil.copytree(judged, folder := tmp_path / "campaign")
    with Campaign.open(folder) as campaign:
        ledger = campaign._ws.ledger
        first = campaign.proof_pair()
        assert first is not None
        night = first.night
        # Another cause costs more: it drops no sub, so the poorest sub that was kept of its night stands for it.
        ledger.replace_findings("loss", [
            FindingRow(kind="loss", night=night, document={"cause": "cloud", "hours": 0.2}),
            FindingRow(kind="loss", night=night, document={"cause": "moonlight", "hours": 0.9}),
        ])  # fmt: skip
        subs = {s.id: s for s in campaign.night(night).subs}
        poor = next(i for i, s in subs.items() if (s.sub.filter, s.sub.verdict) == ("Ha", "keep"))
        ledger.save_verdicts([replace(ledger.verdicts([poor])[poor], worth=0.4)])
        pair = campaign.proof_pair()
        assert pair is not None
        assert (pair.cause, pair.night, pair.bad, pair.filter) == ("moonlight", night, poor, "Ha")
        assert "worth 40 %" in pair.detail
        assert "0.9 h" in pair.detail
        # As soon as a dropped sub names it, though not first, that one proves it.
        row = ledger.verdicts([first.bad])[first.bad]
        ledger.save_verdicts([replace(row, causes=[*row.causes, ["moonlight", "the sky is twice as bright"]])])
        pair = campaign.proof_pair()
        assert pair is not None
        assert (pair.cause, pair.bad, pair.detail) == ("moonlight", first.bad, "the sky is twice as bright")


def test_two_subs_show_the_same_stars_at_the_same_pixels(judged: Path) -> None:
    with Campaign.open(judged) as campaign:
        looker = campaign.sub_looker()
        subs = [s.id for s in campaign.night(date(2026, 5, 14)).subs if s.sub.filter == "Ha"]
        views = [looker.view(i) for i in subs[:2]]
        assert all(v.placed for v in views)
        assert (views[0].width, views[0].height, views[0].white) == (views[1].width, views[1].height, views[1].white)
        tiles = []
        for i in subs[:2]:
            tile = looker.tile(i, 0, 0, 0)
            tiles.append(
                np.frombuffer(tile.data, "<f2").reshape(tile.height, tile.width)[100:300, 100:400].astype(float)
            )
        known = np.isfinite(tiles[0]) & np.isfinite(tiles[1])
        bright = [np.where(known, np.clip(t, 0, 200), 0) for t in tiles]
        assert np.corrcoef(bright[0].ravel(), bright[1].ravel())[0, 1] > 0.9


def test_small_pictures_are_kept_and_made_again(judged: Path) -> None:
    with Campaign.open(judged) as campaign:
        looker = campaign.sub_looker()
        sub = campaign.night(date(2026, 5, 14)).subs[0].id
        first = looker.small(sub)
        assert Image.open(io.BytesIO(first)).size[0] in range(150, 210)
        assert looker.small(sub) == first
        shutil.rmtree(judged / "views")
        assert looker.small(sub) == first
        assert Image.open(io.BytesIO(looker.small(sub, 400))).size[0] > 300
        with pytest.raises(LedgerError, match="no sub"):
            looker.small(10**6)
