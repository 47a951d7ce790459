"""CIE colours against the standard's numbers (CHECKS C2, C3)."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.picture.colour import (
    cielab_from_xyz,
    into_gamut,
    linear_planes,
    oklab_from_linear,
    oklab_from_oklch,
    oklab_from_xyz,
    oklab_planes,
    oklch_from_oklab,
    xyz_from_linear,
)


@pytest.mark.parametrize(
    ("linear", "lab"),
    [
        ((1, 0, 0), (53.2408, 80.0925, 67.2032)),
        ((0, 1, 0), (87.7347, -86.1827, 83.1793)),
        ((0, 0, 1), (32.2970, 79.1875, -107.8602)),
        ((0.214041, 0.214041, 0.214041), (53.389, 0, 0)),
    ],
)
def test_cielab_of_srgb(linear: tuple[float, ...], lab: tuple[float, ...]) -> None:
    # CIE 15 (CHECKS C2).
    np.testing.assert_allclose(cielab_from_xyz(xyz_from_linear(np.array(linear, float))), lab, atol=0.02)


def test_middle_lightness() -> None:
    # CHECKS C2: L* 50 at Y .184187.
    assert cielab_from_xyz(np.array([0.95047, 1.0, 1.08883]) * 0.184187)[0] == pytest.approx(50.0, abs=1e-3)


@pytest.mark.parametrize(
    ("xyz", "lab"),
    [
        ((0.950, 1.0, 1.089), (1.0, 0.0, 0.0)),
        ((1, 0, 0), (0.450, 1.236, -0.019)),
        ((0, 1, 0), (0.922, -0.671, 0.263)),
        ((0, 0, 1), (0.153, -1.415, -0.449)),
    ],
)
def test_oklab_of_xyz(xyz: tuple[float, ...], lab: tuple[float, ...]) -> None:
    # The table of pairs in Ottosson 2020 (CHECKS C3), three decimals.
    np.testing.assert_allclose(oklab_from_xyz(np.array(xyz, float)), lab, atol=1e-3)


def test_polar_form_and_planes_agree_with_the_plain_way() -> None:
    rgb = np.random.default_rng(1).uniform(0, 1, (30, 40, 3))
    lab = oklab_from_linear(rgb)
    np.testing.assert_allclose(oklab_from_oklch(oklch_from_oklab(lab)), lab, atol=1e-9)
    planes = oklab_planes(rgb[..., 0], rgb[..., 1], rgb[..., 2])
    np.testing.assert_allclose(np.stack(planes, axis=-1), lab, atol=1e-12)
    np.testing.assert_allclose(np.stack(linear_planes(*planes), axis=-1), rgb, atol=1e-6)


def test_colours_out_of_gamut_keep_their_luminance() -> None:
    rng = np.random.default_rng(2)
    rgb = rng.uniform(-0.2, 1.2, (2000, 3))
    y = rgb @ np.array([0.2126729, 0.7151522, 0.0721750])
    fitted = np.stack(into_gamut(rgb[:, 0], rgb[:, 1], rgb[:, 2]), axis=-1)
    assert fitted.min() >= 0.0
    assert fitted.max() <= 1.0
    possible = (y > 0) & (y < 1)
    np.testing.assert_allclose((fitted @ np.array([0.2126729, 0.7151522, 0.0721750]))[possible], y[possible], atol=1e-6)
    inside = (rgb >= 0).all(axis=1) & (rgb <= 1).all(axis=1)
    np.testing.assert_allclose(fitted[inside], rgb[inside], atol=1e-12)
