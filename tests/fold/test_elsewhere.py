"""Tiles folded one by one in another process give what threads give here."""

from __future__ import annotations

import pickle

import numpy as np
import pytest
from astropy.io import fits

from nightfold.calibrate.handing import hand_over
from nightfold.calibrate.records import Calibration
from nightfold.fold.core import Blueprint, TileFolder, fold_subs
from nightfold.fold.elsewhere import FilePixels
from nightfold.fold.records import FoldOptions

SHAPE = (160, 192)
PLANES = ("image", "variance", "coverage", "rejected", "weight_map", "kernel_noise")


@pytest.mark.parametrize("statistic", ["weighted-mean", "median"])
def test_tiles_folded_alone_give_the_same_bytes(skies, statistic):
    rng = np.random.default_rng(3)
    calibration = Calibration(e_per_adu=1.0, read_noise_e=3.0, saturation_adu=1e9)
    subs = [
        skies.sub_of(
            rng.poisson(200.0, SHAPE).astype(np.float32),
            skies.turned(SHAPE, angle, rng.uniform(-4, 4, 2)),
            exposure_s=60.0,
            sky_e_per_s=3.0,
            calibration=calibration,
            name=f"sub {k}",
        )
        for k, angle in enumerate((0.0, 0.7, 180.0, 90.3, 0.2))
    ]
    options = FoldOptions(workers=1, tile=(48, 64), statistic=statistic)
    seen: list[Blueprint] = []

    def elsewhere(blueprint, tiles):
        seen.append(blueprint)
        folder = TileFolder(blueprint)
        return (pickle.loads(pickle.dumps(folder(tile))) for tile in reversed(tiles))

    here, there = fold_subs(subs, SHAPE, options), fold_subs(subs, SHAPE, options, elsewhere=elsewhere)
    assert len(seen) == 1
    for name in PLANES:
        assert getattr(here, name).tobytes() == getattr(there, name).tobytes(), name
    assert here.rejected_fraction == there.rejected_fraction


def test_pixels_are_sent_as_the_name_of_their_file(tmp_path):
    values = np.arange(600, dtype=np.uint16).reshape(20, 30)
    fits.PrimaryHDU(values).writeto(tmp_path / "sub.fits")
    sent = pickle.dumps(FilePixels(tmp_path / "sub.fits").read_box)
    assert len(sent) < 500
    np.testing.assert_array_equal(pickle.loads(sent)(2, 9, 4, 21), values[2:9, 4:21])


def test_a_calibration_comes_back_as_it_was_handed_over(tmp_path):
    rng = np.random.default_rng(1)
    calibration = Calibration(
        e_per_adu=0.25,
        read_noise_e=1.6,
        dark_adu=rng.normal(200, 1, (8, 9)).astype(np.float32),
        bad=rng.random((8, 9)) < 0.1,
        notes=("no flat",),
    )
    handed = pickle.loads(pickle.dumps(hand_over(calibration, tmp_path, "first")))
    assert sorted(p.name for p in handed.files) == ["first-bad.npy", "first-dark_adu.npy"]
    found = handed.load()
    assert found.flat is None
    assert (found.e_per_adu, found.read_noise_e, found.notes) == (0.25, 1.6, ("no flat",))
    assert found.dark_adu.tobytes() == calibration.dark_adu.tobytes()
    assert found.bad.tobytes() == calibration.bad.tobytes()
    again = handed.load()
    assert all(getattr(again, plane) is getattr(found, plane) for plane in ("dark_adu", "bad")), "read once a process"
