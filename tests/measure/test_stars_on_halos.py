"""Halos and ghosts of a bright star: they stay out of the sky under stars, out of star counts and out of star models."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.flags import StarFlag
from nightfold.measure.core import measure_sub

HEIGHT, WIDTH, SIGMA_PX, SKY_E = 500, 640, 1.6, 60.0


def frame(number: int, *, disc_e: float, aureole_e: float) -> tuple[np.ndarray, np.ndarray]:
    """Sixty stars and a bright one, a reflection's disc of 45 px radius beside it, an aureole of 40 px around it; places of all."""
    rng = np.random.default_rng(number)
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    places = np.vstack([rng.uniform(20, [WIDTH - 20, HEIGHT - 20], (60, 2)), [[320.3, 250.7]]])
    fluxes = np.append(10.0 ** rng.uniform(2.8, 4.5, 60), 6e5)
    light = np.full((HEIGHT, WIDTH), SKY_E)
    for (cx, cy), flux in zip(places, fluxes):
        part = np.s_[max(int(cy) - 15, 0) : int(cy) + 16, max(int(cx) - 15, 0) : int(cx) + 16]
        apart2 = (x[part] - cx) ** 2 + (y[part] - cy) ** 2
        light[part] += flux / (2 * np.pi * SIGMA_PX**2) * np.exp(-apart2 / (2 * SIGMA_PX**2))
    light += disc_e * 0.5 * (1.0 - np.tanh(np.hypot(x - 370, y - 200) - 45.0))
    light += aureole_e * np.exp(-np.hypot(x - places[-1, 0], y - places[-1, 1]) / 40.0)
    return (rng.poisson(light) + rng.normal(0.0, 2.0, light.shape)).astype(np.float32), places


@pytest.mark.parametrize(("disc_e", "aureole_e"), [(5.0, 0.0), (20.0, 30.0), (200.0, 0.0), (0.0, 200.0)])
def test_stars_are_those_of_the_bare_frame(disc_e: float, aureole_e: float) -> None:
    for number in (71, 72, 73):
        bare, places = frame(number, disc_e=0.0, aureole_e=0.0)
        lit, _ = frame(number, disc_e=disc_e, aureole_e=aureole_e)
        readings = [measure_sub(one, read_noise_e=2.0) for one in (bare, lit)]
        widths = [r.fwhm_px for r in readings]
        assert widths[1] == pytest.approx(widths[0], rel=0.01)
        for reading in readings:
            good = (reading.stars.flags & int(StarFlag.NOT_A_STAR)) == 0
            apart = np.hypot(*(reading.stars.xy[good][:, None] - places[None]).transpose(2, 0, 1))
            assert np.count_nonzero(apart.min(axis=1) > 4.0) <= 3, "edges of a disc are no stars"
            assert np.count_nonzero(apart.min(axis=0) > 4.0) <= 1, "no star is lost in the light"
        assert readings[1].sky_e == pytest.approx(SKY_E, abs=1.0)
