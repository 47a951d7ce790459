"""Readings come back from the ledger's form as they went in."""

from __future__ import annotations

import io
import json
import math
from dataclasses import fields

import numpy as np

from nightfold.measure.pack import pack_reading, unpack_reading
from nightfold.measure.records import Reading, SkyMesh, Stars, Streak


def test_a_reading_round_trips() -> None:
    rng = np.random.default_rng(1)
    stars = Stars(
        **{f.name: rng.integers(0, 9, 7) if f.name == "flags" else rng.normal(size=7) * 1e3 for f in fields(Stars)}
    )
    sky = SkyMesh(
        x_px=np.arange(3.0), y_px=np.arange(2.0), level_e=rng.normal(size=(2, 3)), sigma_e=np.full((2, 3), np.nan)
    )
    reading = Reading(
        width_px=90, height_px=60, stars=stars, sky=sky, star_count=12, sky_e=1.5, sky_error_e=0.1, noise_e=4.0, fwhm_px=math.nan,
        fwhm_error_px=math.nan, half_flux_radius_px=2.0, half_flux_radius_error_px=0.1, ellipticity=0.1, ellipticity_error=0.01,
        ellipticity_angle_deg=math.nan, saturated_fraction=0.0,
        streaks=(Streak(x0=1.0, y0=2.0, x1=3.0, y1=4.0, width_px=5.0, brightness_e=6.0),),
    )  # fmt: skip
    scalars, blob = pack_reading(reading)
    back = unpack_reading(json.loads(json.dumps(scalars, allow_nan=False)), blob)
    assert math.isnan(back.fwhm_px)
    assert back.streaks == reading.streaks
    assert (back.star_count, back.width_px, back.sky_e) == (12, 90, 1.5)
    for f in fields(Stars):
        rtol = 0 if f.name in ("x", "y", "flags") else 1e-6
        np.testing.assert_allclose(getattr(back.stars, f.name), getattr(stars, f.name), rtol=rtol)
    np.testing.assert_allclose(back.sky.level_e, sky.level_e, rtol=1e-6)


def test_no_stars_round_trip() -> None:
    nothing = Reading(
        width_px=9, height_px=9, stars=Stars.empty(), sky=SkyMesh(x_px=np.zeros(0), y_px=np.zeros(0), level_e=np.zeros((0, 0)),
        sigma_e=np.zeros((0, 0))), star_count=0, sky_e=math.nan, sky_error_e=math.nan, noise_e=math.nan, fwhm_px=math.nan,
        fwhm_error_px=math.nan, half_flux_radius_px=math.nan, half_flux_radius_error_px=math.nan, ellipticity=math.nan,
        ellipticity_error=math.nan, ellipticity_angle_deg=math.nan, streaks=(), saturated_fraction=0.0,
    )  # fmt: skip
    assert len(unpack_reading(*pack_reading(nothing)).stars) == 0


def test_archives_of_older_ledgers_are_read() -> None:
    rng = np.random.default_rng(2)
    arrays = {f"star_{f.name}": rng.integers(0, 9, 5).astype(np.float32) for f in fields(Stars)}
    arrays |= {f"sky_{f.name}": np.arange(4, dtype=np.float32).reshape(2, 2) for f in fields(SkyMesh)}
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **arrays)
    scalars = {f.name: 1.0 for f in fields(Reading)} | {"streaks": []}
    back = unpack_reading(scalars, buffer.getvalue())
    np.testing.assert_array_equal(back.stars.flux_e, arrays["star_flux_e"])
    assert back.stars.flags.dtype == np.int64
