"""Drift, dithers and trailing on series made here."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.errors import FrameError
from nightfold.optics.tracking import Tracking, measure_on_frame, measure_tracking


def series(
    seed: int, *, rate: tuple[float, float] = (0.0, 0.0), dither: float = 0.0, every: int = 1, count: int = 40,
    noise: float = 0.1, bend: float = 0.0,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:  # fmt: skip
    """Times and places: drift, dithers of even chance in a square, and noise."""
    random = np.random.default_rng(seed)
    t = np.arange(count) * 310.0
    hours = t / 3600.0
    places = np.outer(hours, rate) + random.normal(0, noise, (count, 2))
    places[:, 1] += 0.5 * bend * (hours - hours.mean()) ** 2
    steps = random.uniform(-dither, dither, (count // every + 1, 2))
    places += np.repeat(steps, every, axis=0)[:count]
    return t, places[:, 0], places[:, 1]


def test_drift_without_dithers() -> None:
    found = measure_tracking(*series(1, rate=(4.0, -2.0)))
    assert not found.dithered
    assert found.ra_arcsec_per_h == pytest.approx(4.0, abs=3 * found.ra_uncertainty)
    assert found.dec_arcsec_per_h == pytest.approx(-2.0, abs=3 * found.dec_uncertainty)
    assert found.ra_uncertainty < 0.1
    assert "right ascension and" in found.sentence


def test_fast_drift_is_not_dithering() -> None:
    found = measure_tracking(*series(2, rate=(60.0, 30.0)))
    assert not found.dithered
    assert found.pointings == 1
    assert found.ra_arcsec_per_h == pytest.approx(60.0, abs=0.5)


@pytest.mark.parametrize("every", [1, 3])
def test_dithers_are_recognised_and_drift_told_apart(every: int) -> None:
    found = measure_tracking(*series(3, rate=(3.0, 0.0), dither=12.0, every=every))
    assert found.dithered
    assert found.dithers == pytest.approx(39 // every, abs=2)
    assert found.dither_every == pytest.approx(every, rel=0.1)
    assert found.ra_arcsec_per_h == pytest.approx(3.0, abs=3.5 * found.ra_uncertainty)
    if every == 3:
        assert found.ra_uncertainty < 0.8  # seen while the field rests between dithers


def test_uncertainty_of_drift_is_calibrated() -> None:
    pulls = []
    for seed in range(60):
        found = measure_tracking(*series(100 + seed, rate=(2.0, 0.0), dither=8.0, every=2))
        pulls.append((found.ra_arcsec_per_h - 2.0) / found.ra_uncertainty)
    assert 0.7 < np.std(pulls) < 1.3


def test_a_new_pointing_has_its_own_zero() -> None:
    t, east, north = series(4, rate=(0.0, 5.0))
    east[20:] += 400.0
    found = measure_tracking(t, east, north)
    assert found.pointings == 2
    assert found.dec_arcsec_per_h == pytest.approx(5.0, abs=0.3)
    assert abs(found.ra_arcsec_per_h) < 0.5


def test_flexure_bends_the_drift() -> None:
    found = measure_tracking(*series(5, bend=6.0))
    assert found.flexure_arcsec_per_h2 == pytest.approx(6.0, abs=3 * found.flexure_uncertainty)
    assert "flex" in found.sentence
    straight = measure_tracking(*series(6, rate=(2.0, 2.0)))
    assert "flex" not in straight.sentence


def drawn(on_frame_deg: float, up_deg: float, *, mirrored: bool = False) -> Tracking:
    random = np.random.default_rng(8)
    a = 2 * np.radians(on_frame_deg)
    t, east, north = series(7)
    return measure_tracking(
        t, east, north, elongation_x=0.12 * np.cos(a) + random.normal(0, 0.02, t.size),
        elongation_y=0.12 * np.sin(a) + random.normal(0, 0.02, t.size), up_deg=up_deg, mirrored=mirrored,
    )  # fmt: skip


def test_elongation_against_right_ascension() -> None:
    """With north up, +x of the frame runs along right ascension and +y along declination, mirrored or not."""
    assert drawn(0.0, 0.0).elongation_from_ra_deg < 5.0
    assert "right ascension" in drawn(0.0, 0.0).elongation_sentence
    assert drawn(90.0, 0.0).elongation_from_ra_deg > 85.0
    assert "declination" in drawn(90.0, 0.0).elongation_sentence
    # East is to the left: from the top towards the left is north through east.
    assert drawn(120.0, 0.0).elongation_angle_deg == pytest.approx(30.0, abs=4.0)
    assert drawn(120.0, 0.0, mirrored=True).elongation_angle_deg == pytest.approx(150.0, abs=4.0)
    assert drawn(120.0, 40.0).elongation_angle_deg == pytest.approx(70.0, abs=4.0)


def test_no_direction_and_no_orientation() -> None:
    t, east, north = series(9)
    random = np.random.default_rng(1)
    e = random.normal(0, 0.05, (2, t.size))
    found = measure_tracking(t, east, north, elongation_x=e[0], elongation_y=e[1], up_deg=0.0)
    assert np.isnan(found.elongation_angle_deg)
    assert "no one direction" in found.elongation_sentence
    assert "not known" in drawn(0.0, float("nan")).elongation_sentence


def test_drift_and_dithers_along_the_frame() -> None:
    """Without a place on the sky: in pixels, and in arcsec where the scale is known; 3 px an hour to the left, 1.5 up."""
    t, x, y = series(11, rate=(-3.0, 1.5), dither=9.0, every=3)
    found = measure_on_frame(t, x, y, arcsec_px=1.8)
    assert found.along == "frame"
    assert found.x_px_per_h == pytest.approx(-3.0, abs=3.5 * found.x_uncertainty_px)
    assert found.y_px_per_h == pytest.approx(1.5, abs=3.5 * found.y_uncertainty_px)
    assert np.isnan(found.ra_arcsec_per_h)
    assert found.dithers == pytest.approx(13, abs=2)
    assert found.dither_arcsec == pytest.approx(1.8 * found.dither_px)
    for words in ("to the left", "upwards", "″ an hour", "on the sky is not known"):
        assert words in found.sentence
    alone = measure_on_frame(t, x, y)
    assert alone.x_px_per_h == pytest.approx(found.x_px_per_h, abs=found.x_uncertainty_px)
    assert np.isnan(alone.dither_arcsec)
    assert alone.dither_px == pytest.approx(found.dither_px, rel=0.05)
    assert " px an hour" in alone.sentence


def test_too_little_is_said() -> None:
    t, east, north = series(10, count=4)
    found = measure_tracking(t, east, north)
    assert not found.told
    assert "4 subs" in found.sentence
    with pytest.raises(FrameError, match="do not pair"):
        measure_tracking(t, east, north[:2])
