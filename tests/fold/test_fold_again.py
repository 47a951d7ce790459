"""A second fold measures nothing twice; a fold that differs in weights reads only pixels; a new grid tells what it leaves."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from nightfold.campaign import Campaign


@pytest.fixture
def campaign(small_campaign: Path, tmp_path: Path) -> Iterator[Campaign]:
    """A copy of the folded campaign, to change."""
    folder = tmp_path / "lantern"
    shutil.copytree(small_campaign, folder)
    with Campaign.open(folder) as opened:
        yield opened


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """The files that are read whole, which measuring does and folding does not."""
    from nightfold.measure import stage

    seen: list[Path] = []
    real = stage.measure_file

    def noted(file, calibration):
        seen.append(file.path)
        return real(file, calibration)

    monkeypatch.setattr(stage, "measure_file", noted)
    return seen


def test_nothing_is_measured_twice(campaign: Campaign, measured: list[Path]) -> None:
    campaign.fold(filter="Ha")
    assert measured == []


def test_other_weights_reuse_the_readings(campaign: Campaign, measured: list[Path]) -> None:
    before = campaign.fold(filter="Ha").masters[0]
    kept = campaign.subs()
    name = next(str(f) for f, v, s in zip(kept["file"], kept["verdict"], kept["filter"]) if v == "keep" and s == "Ha")
    campaign.decide([name], "drop", why="a test of weights")
    after = campaign.fold(filter="Ha").masters[0]
    assert after.subs_used == before.subs_used - 1
    assert measured == []


def test_a_new_grid_tells_which_masters_it_leaves(campaign: Campaign) -> None:
    campaign.fold()
    old = sorted(str(p) for p in campaign.folder.glob("masters/*_OIII_*.fits"))
    assert old
    report = campaign.fold(filter="Ha", new_grid=True)
    told = [note for note in report.notes if "out of use" in note]
    assert len(told) == 1
    assert all(Path(path).name in told[0] for path in old)
    assert "_Ha_" not in told[0]
    assert all(Path(path).exists() for path in old)


def test_a_drizzled_copy_lies_beside_the_master(campaign: Campaign) -> None:
    report = campaign.fold(filter="Ha", drizzle=0.8)
    master = Path(report.masters[0].file)
    copy = master.with_name(master.stem + "_drizzle.fits")
    with fits.open(master) as hdus, fits.open(copy) as finer:
        assert finer[0].data.shape == (2 * hdus[0].data.shape[0], 2 * hdus[0].data.shape[1])
        coarse = finer[0].data.reshape(hdus[0].data.shape[0], 2, hdus[0].data.shape[1], 2).sum(axis=(1, 3))
        x0, y0, x1, y1 = report.masters[0].common_box_px
        box = (slice(y0 + 4, y1 - 3), slice(x0 + 4, x1 - 3))
        away = (coarse - hdus[0].data)[box]
        assert np.median(np.abs(away)) < 3.0 * np.sqrt(np.median(hdus[1].data[box]))
