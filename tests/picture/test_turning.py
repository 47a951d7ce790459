"""Turns: marked pixels land where plane geometry says, coordinates go with them, north ends up on top."""

from __future__ import annotations

import math

import numpy as np
import pytest
from astropy.wcs import WCS

from nightfold.picture.metadata import sky_facts
from nightfold.picture.steps import Turn
from nightfold.picture.turning import before_turn, inner_rectangle, north_up, turned, turned_wcs

HEIGHT, WIDTH = 60, 90
STEPS = [
    Turn(),
    Turn(mirror=True),
    Turn(quarter_turns=1),
    Turn(quarter_turns=3, mirror=True),
    Turn(angle_deg=20.0),
    Turn(quarter_turns=1, angle_deg=-12.5, scale=1.5),
    Turn(quarter_turns=2, mirror=True, angle_deg=31.0, scale=0.8, crop_px=(3, 2, 30, 24)),
]


def spot(x: float, y: float) -> np.ndarray:
    yy, xx = np.mgrid[0:HEIGHT, 0:WIDTH]
    plane = np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / (2 * 2.5**2))
    return np.repeat(plane[..., None], 3, axis=-1).astype(np.float32)


def centre_of(picture: np.ndarray) -> tuple[float, float]:
    plane = picture[..., 1].astype(float)
    yy, xx = np.mgrid[0 : plane.shape[0], 0 : plane.shape[1]]
    return (plane * xx).sum() / plane.sum(), (plane * yy).sum() / plane.sum()


@pytest.mark.parametrize("step", STEPS, ids=[f"turn {k}" for k in range(len(STEPS))])
def test_a_spot_lands_where_it_should(step: Turn) -> None:
    after = turned(spot(41.0, 33.0), step)
    x, y = centre_of(after)
    back = before_turn(step, (HEIGHT, WIDTH), np.array([[x, y]]))[0]
    np.testing.assert_allclose(back, (41.0, 33.0), atol=0.02)


def test_a_quarter_turn_is_counter_clockwise_as_shown() -> None:
    x, y = centre_of(turned(spot(80.0, 30.0), Turn(quarter_turns=1)))
    assert y > 70, "what was right is now on top (the first row is the bottom one)"
    assert x == pytest.approx(29.0, abs=0.1)


@pytest.mark.parametrize("angle", [0.0, 5.0, 30.0, 45.0, -17.0, 60.0, 90.0])
@pytest.mark.parametrize("sides", [(90.0, 60.0), (60.0, 90.0), (200.0, 20.0)])
def test_the_inner_rectangle_fits_and_cannot_grow(sides: tuple[float, float], angle: float) -> None:
    width, height = inner_rectangle(*sides, angle)

    def fits(w: float, h: float) -> bool:
        c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
        corners = [(w / 2, h / 2), (w / 2, -h / 2)]
        return all(
            abs(c * x + s * y) <= sides[0] / 2 + 1e-6 and abs(c * y - s * x) <= sides[1] / 2 + 1e-6 for x, y in corners
        )

    assert fits(width, height)
    shapes = np.linspace(0.1, 10, 400)  # no rectangle of another shape is larger
    best = 0.0
    for ratio in shapes:
        low, high = 0.0, 500.0
        for _ in range(50):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if fits(middle * ratio, middle) else (low, middle)
        best = max(best, low * low * ratio)
    assert width * height >= 0.995 * best


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("angle", [3.0, 88.0, 171.0, -130.0])
def test_north_up_brings_north_up_and_east_left(angle: float, mirrored: bool) -> None:
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [250.2, -48.8]
    wcs.wcs.crpix = [WIDTH / 2 + 0.5, HEIGHT / 2 + 0.5]
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    wcs.wcs.cd = (np.array([[c if mirrored else -c, s], [-s if mirrored else s, c]])) * 5e-4
    step = north_up(wcs, (HEIGHT, WIDTH))
    after = turned(spot(45.0, 30.0), step)
    facts = sky_facts(turned_wcs(wcs, step, (HEIGHT, WIDTH), after.shape[:2]), after.shape[:2])
    assert facts["scale_deg"][0] == pytest.approx(-5e-4, rel=1e-4)
    assert (facts["rotation_deg"] + 180) % 360 - 180 == pytest.approx(0.0, abs=0.01)
    assert (facts["ra_deg"], facts["dec_deg"]) == pytest.approx((250.2, -48.8), abs=1e-3)
