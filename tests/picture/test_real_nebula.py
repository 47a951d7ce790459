"""The automatic picture of a real planetary nebula whose frames tell neither gain nor sky: dark neutral ground, a nebula with colour."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from nightfold.picture.recipe import apply_recipe, automatic_recipe
from nightfold.picture.records import Plane

DATA = Path(__file__).parents[3] / "shared" / "data" / "narrowband" / "pn-ground-based"
BOX = (8, 8, 391, 391)
pytestmark = pytest.mark.skipif(not DATA.is_dir(), reason="the open data are not here")


def frame(path: Path) -> np.ndarray:
    with fits.open(path) as units:
        return np.asarray(next(u.data for u in units if u.data is not None), np.float32)


def master(name: str, pattern: str) -> Plane:
    """The mean of a filter's frames, with the variance that one would reckon if these were electrons above no sky."""
    frames = [frame(p) for p in sorted(DATA.glob(pattern))]
    assert len(frames) == 2
    image = np.mean(frames, axis=0, dtype=np.float32)
    return Plane(filter=name, image=image, variance=np.maximum(image, 0.1) / np.float32(len(frames)), sha256=name)


def test_the_default_picture_is_one_to_start_from() -> None:
    planes = {"Ha": master("Ha", "*-ha-*"), "OIII": master("OIII", "*-oiii-*")}
    recipe = automatic_recipe(planes, target="nebula", box=BOX)
    picture = apply_recipe(recipe, planes)
    assert np.isfinite(picture).all()
    typical = np.median(picture, axis=(0, 1))
    assert 0.05 < typical.mean() < 0.25, "the ground is dark and not black"
    assert np.ptp(typical) < 0.04, "and without a cast"
    assert (picture.max(axis=-1) < 1.5 / 255).mean() < 0.02, "no blacks are crushed"
    core = picture[180:215, 170:225]
    assert 0.5 < np.median(core) < 0.95, "the nebula is bright and not burnt out"
    assert np.ptp(np.median(core, axis=(0, 1))) > 0.05, "and has a colour"
    quiet = picture[20:80, 250:330].mean(axis=-1)
    assert 1.4826 * np.median(np.abs(quiet - np.median(quiet))) < 0.04, "grain is held back, stars aside"
