"""The spline against SciPy's, and against cubics, which it keeps."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from nightfold.sky.spline import Spline


@pytest.mark.parametrize("n", [2, 3, 4, 5, 60])
@pytest.mark.parametrize("even", [True, False])
def test_is_the_library_spline(n: int, even: bool) -> None:
    rng = np.random.default_rng(n)
    x = 1.7e9 + (600.0 * np.arange(n) if even else np.cumsum(rng.uniform(200.0, 900.0, n)))
    y = np.cos(np.linspace(0.0, 5.0, n))[:, None] * rng.normal(1.0, 0.1, (n, 3))
    at = np.linspace(x[0] - 300.0, x[-1] + 300.0, 357)
    assert np.allclose(Spline(x, y)(at), CubicSpline(x, y)(at), rtol=0.0, atol=1e-11)
    assert np.allclose(Spline(x, y[:, 0])(at), CubicSpline(x, y[:, 0])(at), rtol=0.0, atol=1e-11)


def test_goes_through_its_values_and_takes_any_shape() -> None:
    x = np.array([0.0, 1.0, 2.5, 3.0, 4.0])
    y = np.stack([x**3 - x, 2.0 * x**2], axis=1)
    spline = Spline(x, y)
    assert np.allclose(spline(x), y)
    assert spline(2.0).shape == (2,)
    assert np.allclose(spline(2.0), [6.0, 8.0])
    assert spline(np.full((2, 3), 2.0)).shape == (2, 3, 2)


@pytest.mark.parametrize("x", [[1.0], [0.0, 0.0, 1.0], [0.0, 2.0, 1.0]])
def test_refuses_places_that_do_not_increase(x: list[float]) -> None:
    with pytest.raises(ValueError, match="increase"):
        Spline(x, x)
