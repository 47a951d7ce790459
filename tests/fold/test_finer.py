"""The drizzled copy of a master leaves out what the fold rejected, and nothing else."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.fold.core import fold_subs
from nightfold.fold.finer import drizzle_fold, stands_out
from nightfold.fold.records import FoldOptions

SHAPE = (120, 144)
SKY_E_PER_S = 2.0
SIGMA = np.sqrt(SKY_E_PER_S / 100.0 + 3.0**2 / 100.0**2)


@pytest.fixture(scope="module")
def night(skies):
    """Eight dithered subs of 40 stars, clean, and again with a trail and cosmic rays in one of them each."""
    rng = np.random.default_rng(17)
    x, y = rng.uniform(8, 136, 40), rng.uniform(8, 112, 40)
    flux = 500.0 * (1.0 - rng.random(40)) ** -1.0
    clean, spoilt = [], []
    for k in range(8):
        transform = skies.turned(SHAPE, 0.0, tuple(rng.uniform(-1.5, 1.5, 2)))
        at = transform.invert(np.column_stack([x, y]))
        light = skies.paint(SHAPE, at[:, 0], at[:, 1], np.minimum(flux, 2e4), 3.0)
        raw = skies.noisy(rng, light + 100.0 * SKY_E_PER_S)
        more = {"sky_e_per_s": SKY_E_PER_S, "fwhm_px": 3.0}
        clean.append(skies.sub_of(raw, transform, name=f"{k}", **more))
        raw = raw.copy()
        raw[10 + 12 * k, :] += 600.0  # a trail, 40 sigma
        raw[rng.integers(0, 120, 20), rng.integers(0, 144, 20)] += 4000.0
        spoilt.append(skies.sub_of(raw, transform, name=f"{k}", **more))
    return clean, spoilt


def test_what_the_fold_rejected_is_not_in_the_drizzled_copy(night):
    clean, spoilt = night
    options = FoldOptions(workers=1)
    wanted = drizzle_fold(clean, fold_subs(clean, SHAPE, options), options, drop=0.8)
    got = drizzle_fold(spoilt, fold_subs(spoilt, SHAPE, options), options, drop=0.8)
    inside = (slice(12, -12), slice(12, -12))
    off = (got.image - wanted.image)[inside]
    # A trail left in would stand at 600 / 100 / 8 / 4 = 0.19 of an output pixel, a cosmic ray at 1.2.
    assert np.isfinite(off).all()
    assert np.abs(off).max() < 0.12
    assert np.median(np.abs(off)) < 0.004
    assert off.mean() == pytest.approx(0.0, abs=5e-4)


def test_stars_lose_nothing(night):
    clean, _ = night
    options = FoldOptions(workers=1)
    result = fold_subs(clean, SHAPE, options)
    for sub in clean[:3]:
        y, x = np.mgrid[0:120, 0:144]
        there = sub.transform.apply(np.column_stack([x.ravel(), y.ravel()]).astype(float))
        values = (sub.read_box(0, 120, 0, 144) / 100.0).astype(np.float32).ravel()
        marked = stands_out(values, there, sub, result, 0.02)
        bright = np.flatnonzero(values > SKY_E_PER_S + 20 * SIGMA)
        assert np.isin(bright, marked).mean() < 0.01
        assert marked.size < 0.002 * values.size
