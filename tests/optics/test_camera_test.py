"""Camera tests on frames drawn here: Poisson electrons, normal read noise, whole ADU."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.errors import CalibrationError
from nightfold.optics.camera_test import (
    dark_current,
    dark_doubling,
    differs,
    gain_and_read_noise,
    hot_pixel_growth,
    level_adu,
    linearity,
    pattern_noise,
)

GAIN, NOISE, OFFSET = 0.78, 3.5, 500.0


def exposed(random: np.random.Generator, electrons: float, size: int = 512) -> np.ndarray:
    signal = random.poisson(electrons, (size, size)) + random.normal(0, NOISE, (size, size))
    return np.round(signal / GAIN + OFFSET)


def test_gain_and_read_noise() -> None:
    """CHECKS D3: 0.78 e/ADU and 3.5 e come back within 1 and 2 percent, cosmic rays or not."""
    random = np.random.default_rng(1)
    flats = [exposed(random, 16000.0), exposed(random, 16010.0)]
    biases = [exposed(random, 0.0), exposed(random, 0.0)]
    flats[0][random.integers(512, size=60), random.integers(512, size=60)] += 9000
    biases[1][random.integers(512, size=60), random.integers(512, size=60)] += 3000
    found = gain_and_read_noise(flats, biases, flat_exposures_s=(2.0, 2.0))
    assert found.e_per_adu == pytest.approx(GAIN, rel=0.01)
    assert found.read_noise_e == pytest.approx(NOISE, rel=0.02)
    assert found.e_per_adu_error == pytest.approx(0.0028 * GAIN, rel=0.1)  # sqrt(2 / pixels)


def test_a_manuals_example_with_cosmic_rays() -> None:
    """CHECKS D3: an observatory package's manual has gain 5 and read noise 10 come out as 5.01 and 10.00 with clipping."""
    random = np.random.default_rng(12)

    def plane(electrons: float) -> np.ndarray:
        made = (random.poisson(electrons, (512, 512)) + random.normal(0.0, 10.0, (512, 512))) / 5.0 + 500.0
        made[random.integers(512, size=200), random.integers(512, size=200)] += random.uniform(50.0, 5000.0, 200)
        return np.round(made)

    flats, biases = [plane(50000.0), plane(50000.0)], [plane(0.0), plane(0.0)]
    found = gain_and_read_noise(flats, biases)
    assert found.e_per_adu == pytest.approx(5.0, rel=0.01)
    # The steps of 5 electrons are in it (CHECKS D4).
    assert found.read_noise_e == pytest.approx(np.hypot(10.0, 5.0 / 12.0**0.5), rel=0.02)
    unclipped = 5.0 * np.std(biases[0] - biases[1]) / 2.0**0.5
    assert unclipped > 2.0 * found.read_noise_e, "without clipping the rays would make most of it"


def test_flats_that_do_not_pair() -> None:
    random = np.random.default_rng(2)
    biases = [exposed(random, 0.0, 64), exposed(random, 0.0, 64)]
    with pytest.raises(CalibrationError, match="different exposures"):
        gain_and_read_noise([exposed(random, 900.0, 64)] * 2, biases, flat_exposures_s=(1.0, 2.0))
    with pytest.raises(CalibrationError, match="not equally bright"):
        gain_and_read_noise([exposed(random, 900.0, 64), exposed(random, 1800.0, 64)], biases)
    with pytest.raises(CalibrationError, match="two flats and two biases"):
        gain_and_read_noise([exposed(random, 900.0, 64)], biases)


def test_dark_current_of_ordinary_pixels() -> None:
    """Within 5 percent of 0.02 e/s, with half a percent of hot pixels."""
    random = np.random.default_rng(3)
    times = [0.0, 0.0, 300.0, 300.0, 600.0, 600.0]
    hot = random.random((512, 512)) < 0.005
    darks = [exposed(random, 0.02 * t) + hot * 2.0 * t for t in times]
    found = dark_current(darks, times, e_per_adu=GAIN)
    assert found.e_per_s == pytest.approx(0.02, rel=0.05)
    assert abs(found.e_per_s - 0.02) < 4.0 * found.error_e_per_s
    assert found.offset_adu == pytest.approx(OFFSET, abs=0.1)
    with pytest.raises(CalibrationError, match="no dark current"):
        dark_current(darks[2:4], times[2:4], e_per_adu=GAIN)


def test_doubling_is_that_of_the_half_gap_law() -> None:
    """CHECKS D5: 7.1 K at 0 C and 6.6 K at -10 C from T^1.5 exp(-Eg / 2kT)."""

    def law(celsius: np.ndarray) -> np.ndarray:
        kelvin = celsius + 273.15
        gap = 1.1557 - 7.021e-4 * kelvin**2 / (1108.0 + kelvin)
        return kelvin**1.5 * np.exp(-gap / (2.0 * 8.617333e-5 * kelvin))

    for middle, interval in ((20.0, 8.1), (0.0, 7.1), (-10.0, 6.6), (-20.0, 6.1)):
        temperature = middle + np.array([-3.0, -1.0, 1.0, 3.0])
        current = law(temperature) / law(np.array([middle]))
        found = dark_doubling(temperature, current, 0.01 * current)
        assert found.interval_k == pytest.approx(interval, abs=0.06)
    assert found.error_k > 0.0
    # The full-gap law, T^3 exp(-Eg / kT): 4.1, 3.5, 3.3 and 3.1 K.
    for middle, interval in ((20.0, 4.1), (0.0, 3.5), (-10.0, 3.3), (-20.0, 3.1)):
        temperature = middle + np.array([-1.5, -0.5, 0.5, 1.5])
        current = law(temperature) ** 2 / law(np.array([middle])) ** 2
        assert dark_doubling(temperature, current, 0.01 * current).interval_k == pytest.approx(interval, abs=0.06)
    with pytest.raises(CalibrationError, match="doubling"):
        dark_doubling([0.0, 1.0], [1.0, 1.1], [0.1, 0.1])
    with pytest.raises(CalibrationError, match="does not grow"):
        dark_doubling([0.0, 5.0, 10.0], [1.0, 1.0, 1.0], [0.1, 0.1, 0.1])


def test_linearity_and_full_well() -> None:
    times = np.array([8.0, 1, 2, 3, 4, 5, 6, 7, 9, 10, 11])
    level = np.minimum(6000.0 * times, 54000.0)
    found = linearity(times, level)
    assert found.worst_departure < 1e-12
    assert found.full_well_adu == pytest.approx(54000.0)
    bent = linearity(times, 6000.0 * times * (1.0 - 0.02 * times / 11.0))
    assert 0.003 < bent.worst_departure < 0.01  # 2 percent at the top is half a percent about the middle
    assert np.isnan(bent.full_well_adu)
    with pytest.raises(CalibrationError, match="linearity"):
        linearity([1.0, 2.0], [100.0, 200.0])


def test_pattern_noise() -> None:
    random = np.random.default_rng(6)
    plain = [exposed(random, 0.0), exposed(random, 0.0)]
    rows = [p + random.normal(0, 1.5, (512, 1)) for p in plain]
    assert pattern_noise(*plain).rows_adu < 0.15
    assert pattern_noise(*rows).rows_adu == pytest.approx(1.5, rel=0.1)
    assert pattern_noise(*rows).columns_adu < 0.15


def test_hot_pixels_grow() -> None:
    before, now = np.zeros((50, 50), bool), np.zeros((50, 50), bool)
    before[0, :20] = True
    now[0, 5:45] = True
    found = hot_pixel_growth(before, now, days=365.25)
    assert (found.before, found.now, found.new, found.gone, found.per_year) == (20, 40, 25, 5, 20.0)
    assert found.error_per_year == pytest.approx(np.sqrt(30.0))
    with pytest.raises(CalibrationError, match="compared"):
        hot_pixel_growth(before, now[:10], days=3.0)


def test_levels_leave_hot_pixels_out_and_differences_are_flagged() -> None:
    plane = np.random.default_rng(7).normal(100.0, 2.0, (200, 200))
    plane[::50, ::50] = 60000.0
    assert level_adu(plane) == pytest.approx(100.0, abs=0.05)
    assert differs(0.90, 0.01, 0.78)
    assert not differs(0.80, 0.001, 0.78)
    assert not differs(0.90, 0.05, 0.78)


def test_flats_of_two_levels_are_brought_to_one() -> None:
    """A lamp that changed by 4 percent over uneven light: the light's own shape does not pass for noise."""
    random = np.random.default_rng(9)
    shade = np.linspace(0.7, 1.3, 512)[None, :]
    flats = [exposed(random, level * shade * np.ones((512, 1))) for level in (20000.0, 20800.0)]
    found = gain_and_read_noise(flats, [exposed(random, 0.0), exposed(random, 0.0)])
    assert found.e_per_adu == pytest.approx(GAIN, rel=0.012)
    assert found.read_noise_e == pytest.approx(NOISE, rel=0.02)
