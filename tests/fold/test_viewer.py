"""Looking into a master: tiles that are its pixels, exact values at one pixel, and curves to begin with."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from nightfold.campaign import Campaign
from nightfold.errors import FoldError, LedgerError
from nightfold.fold.viewer.stage import PLANES


@pytest.fixture(scope="module")
def folded(tmp_path_factory: pytest.TempPathFactory, small_frames: Path, small_settings: str) -> Path:
    folder = tmp_path_factory.mktemp("viewer") / "campaign"
    with Campaign.create(folder, text=small_settings) as campaign:
        campaign.take_in([small_frames])
        campaign.judge()
        campaign.fold(filter="Ha")
    return folder


def test_tiles_are_the_planes(folded: Path) -> None:
    with Campaign.open(folded) as campaign:
        looker = campaign.master_looker()
        master = campaign.masters_with_ids()[0]
        with fits.open(master["file"]) as units:
            planes = {
                "image": units[0].data, "noise": np.sqrt(units["VARIANCE"].data), "coverage": units["COVERAGE"].data,
                "rejected": units["REJECTED"].data,
            }  # fmt: skip
            for name in PLANES:
                view = looker.view(master["id"], name)
                assert (view.height, view.width) == planes[name].shape
                assert view.white > view.black
                tile = looker.tile(master["id"], name, 0, 0, 0)
                shown = np.frombuffer(tile.data, "<f2").reshape(tile.height, tile.width)[1:-1, 1:-1].astype(np.float64)
                value = shown * view.unit + view.pedestal
                wanted = planes[name][: value.shape[0], : value.shape[1]].astype(np.float64)
                assert (np.isnan(value) == np.isnan(wanted)).all()
                apart = np.abs(value - wanted) / np.maximum(np.abs(wanted - view.pedestal), view.unit)
                assert np.nanmax(apart[np.abs(wanted) < 60000 * view.unit]) < 6e-4


def test_one_pixel_is_told_exactly(folded: Path) -> None:
    with Campaign.open(folded) as campaign:
        looker = campaign.master_looker()
        master = campaign.masters_with_ids()[0]
        with fits.open(master["file"]) as units:
            facts = looker.at(master["id"], 200, 150)
            assert facts.value_e_per_s == units[0].data[150, 200]
            assert facts.noise_e_per_s == pytest.approx(float(np.sqrt(units["VARIANCE"].data[150, 200])))
            assert facts.coverage == units["COVERAGE"].data[150, 200]
            assert facts.rejected == units["REJECTED"].data[150, 200]
            gap = np.argwhere(np.isnan(units[0].data))
            if gap.size:
                y, x = gap[0]
                assert looker.at(master["id"], int(x), int(y)).value_e_per_s is None
        with pytest.raises(FoldError, match="not in the master"):
            looker.at(master["id"], 100_000, 0)
        with pytest.raises(LedgerError, match="no master"):
            looker.view(10**6, "image")
